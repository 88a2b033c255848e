"""Mail servers that nobody here wrote, between the watch and the people: each takes pages by SMTP with TLS, leaves mail in
folders of its own, and finds out about some of it only later. Dovecot shows the watch its mailbox.

An address that its server finds out too late not to exist is the measure: its report (RFC 3464) has to move the page on to
the next way long before that would have been its turn."""

import os
import re
import shutil
import smtplib
import ssl
import subprocess
import time
from email.message import EmailMessage
from pathlib import Path

from brokers import Broker, Mosquitto, NotThere, debian_version
from scenes import alarm, section
from watch import Watch, until
from wire import Client, free_port

COLUMNS = ["page taken", "bare name", "greylisted", "came back: next way after", "answered by mail"]
DOMAIN = "halyard-house.org"
PASSWORD = "spring tide"


def identity(folder):
    """A certificate of its own for `localhost`."""
    certificate, key = folder / "certificate.pem", folder / "key.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "30",
         "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost", "-addext", "basicConstraints=CA:FALSE",
         "-keyout", key, "-out", certificate],
        check=True, capture_output=True,
    )
    return certificate, key


class MailServer(Broker):
    """Takes mail for everybody at DOMAIN at `port`, with STARTTLS, and leaves it in `mail/NAME/`, which `nobody` owns."""

    greylists = False
    people = ("watch", "ines", "tom")

    def prepare(self):
        self.certificate, self.key = identity(self.folder)
        self.boxes = self.folder / "mail"
        self.boxes.mkdir()
        for name in self.people:
            for part in ("", "cur", "new", "tmp"):
                (self.boxes / name / part).mkdir(exist_ok=True)
        for path in [self.boxes, *self.boxes.rglob("*")]:
            shutil.chown(path, "nobody", "nogroup")
        self.configure()

    def configure(self):
        raise NotImplementedError

    def ready(self):
        try:
            with smtplib.SMTP("localhost", self.port, timeout=3):
                return True
        except (OSError, smtplib.SMTPException):
            return False

    def arrived(self, name):
        files = sorted(path for part in ("new", "cur") for path in (self.boxes / name / part).iterdir())
        return [path.read_text(errors="replace") for path in files]

    def send(self, sender, to, subject, words):
        """Somebody writes by this server."""
        mail = EmailMessage()
        mail["From"], mail["To"], mail["Subject"], mail["Date"] = sender, to, subject, time.strftime("%a, %d %b %Y %H:%M:%S +0000", time.gmtime())
        mail["Message-ID"] = f"<{time.monotonic_ns()}@telephone.example.net>"
        mail.set_content(words)

        def once():
            try:
                with smtplib.SMTP("localhost", self.port, local_hostname="telephone.example.net", timeout=10) as server:
                    server.starttls(context=ssl.create_default_context(cafile=self.certificate))
                    return server.send_message(mail) == {}
            except smtplib.SMTPRecipientsRefused as refused:
                # Greylisted too, like everybody.
                assert all(code // 100 == 4 for code, _ in refused.recipients.values()), refused
                time.sleep(2)
                return False

        until("the mail is taken", 90, once)


class Postfix(MailServer):
    """With a policy server that turns strangers away for a while (postgrey), and no word with bare names."""

    name, greylists = "postfix", True
    delay = 5

    def __init__(self):
        if not shutil.which("/usr/sbin/postfix") or not shutil.which("/usr/sbin/postgrey"):
            raise NotThere("apt-get install postfix postgrey")
        self.version = debian_version("postfix")
        super().__init__()

    def configure(self):
        self.settings, self.grey = self.folder / "etc", free_port()
        shutil.copytree("/etc/postfix", self.settings)
        at = self.folder
        for name in ("queue", "data"):
            (at / name).mkdir()
        shutil.chown(at / "data", "postfix", "postfix")
        (at / "boxes").write_text("".join(f"{name}@{DOMAIN} {name}/\n" for name in self.people))
        (self.settings / "main.cf").write_text(
            f"""compatibility_level = 3.6
queue_directory = {at}/queue
data_directory = {at}/data
maillog_file = {at}/mail.log
maillog_file_prefixes = {at}
myhostname = mx.{DOMAIN}
mydestination =
mynetworks = 192.0.2.0/32
inet_interfaces = 127.0.0.1
inet_protocols = ipv4
smtpd_tls_cert_file = {self.certificate}
smtpd_tls_key_file = {self.key}
smtpd_tls_security_level = encrypt
smtpd_helo_required = yes
smtpd_helo_restrictions = reject_invalid_helo_hostname, reject_non_fqdn_helo_hostname
smtpd_recipient_restrictions = reject_unauth_destination, check_policy_service inet:127.0.0.1:{self.grey}
smtpd_reject_unlisted_recipient = no
virtual_mailbox_domains = {DOMAIN}
virtual_mailbox_base = {self.boxes}
virtual_mailbox_maps = texthash:{at}/boxes
virtual_uid_maps = static:{uid("nobody")}
virtual_gid_maps = static:{gid("nogroup")}
alias_maps =
alias_database =
"""
        )
        master = (self.settings / "master.cf").read_text()
        # Its own port, and nothing in a cage: that would want files of the system copied into it.
        master = re.sub(r"^smtp +inet .*$", f"127.0.0.1:{self.port} inet n - n - - smtpd", master, flags=re.M)
        master = re.sub(r"^(\S+\s+unix\s+\S+\s+\S+\s+)y", r"\1n", master, flags=re.M)
        (self.settings / "master.cf").write_text(master)

    def start(self):
        (self.folder / "grey").mkdir(exist_ok=True)
        # What is deferred goes another way at once; a page that comes back must have been taken first.
        (self.folder / "welcome").write_text(f"gone@{DOMAIN}\n")
        shutil.chown(self.folder / "grey", "postgrey", "postgrey")
        self.policy = subprocess.Popen(
            ["/usr/sbin/postgrey", f"--inet=127.0.0.1:{self.grey}", f"--dbdir={self.folder}/grey", f"--delay={self.delay}",
             "--auto-whitelist-clients=0", "--whitelist-clients=/dev/null", f"--whitelist-recipients={self.folder}/welcome", "--hostname=mx"],
            stdout=subprocess.DEVNULL, stderr=open(self.folder / "grey.log", "ab"), start_new_session=True,
        )
        super().start()

    def command(self):
        return ["/usr/sbin/postfix", "-c", str(self.settings), "start-fg"]

    def log(self):
        said = [(self.folder / name) for name in ("broker.log", "mail.log", "grey.log")]
        return "\n".join(path.read_text(errors="replace")[-5000:] for path in said if path.exists())

    def stop(self):
        subprocess.run(["/usr/sbin/postfix", "-c", str(self.settings), "stop"], capture_output=True, check=False)
        super().stop()
        self.policy.terminate()
        self.policy.wait(10)


class Exim(MailServer):
    """Of the newer Debian: it has a mail server of its own beside this machine's. No word with bare names either."""

    name = "exim"

    def __init__(self, newer):
        newer.needs("/usr/sbin/exim4", "exim4-daemon-light")
        self.newer, self.version = newer, debian_version("exim4-daemon-light", newer.folder)
        super().__init__()

    def configure(self):
        at = self.folder
        (at / "queue").mkdir()
        # Inside that root the configuration has its fixed place: the program trusts no other.
        (self.newer.folder / "etc/exim4/exim4.conf").write_text(
            f"""primary_hostname = mx.{DOMAIN}
spool_directory = {at}/queue
log_file_path = {at}/exim-%slog
local_interfaces = 127.0.0.1
daemon_smtp_ports = {self.port}
tls_advertise_hosts = *
tls_certificate = {self.certificate}
tls_privatekey = {self.key}
acl_smtp_helo = greeting
acl_smtp_rcpt = everybody
begin acl
greeting:
  deny message = need fully-qualified hostname
       condition = ${{if !match{{$sender_helo_name}}{{\\N[.:]\\N}}}}
  accept
everybody:
  accept domains = {DOMAIN}
  deny
begin routers
boxes:
  driver = accept
  local_parts = {" : ".join(self.people)}
  transport = box
begin transports
box:
  driver = appendfile
  maildir_format
  directory = {self.boxes}/$local_part_data
  user = nobody
  group = nogroup
"""
        )
        self.shared = self.newer.share(at)
        for path in (self.certificate, self.key):
            path.chmod(0o644)
        # Numbers of users are that root's own.
        subprocess.run(self.newer.call("chown", "-R", "Debian-exim:Debian-exim", str(at / "queue")), check=True)
        at.chmod(0o777)

    def command(self):
        return self.newer.call("/usr/sbin/exim4", "-bdf", "-q1m")

    def log(self):
        return super().log() + "".join(path.read_text(errors="replace")[-4000:] for path in self.folder.glob("exim-*log"))

    def stop(self):
        super().stop()
        subprocess.run(["umount", "-l", self.shared], check=False)


def uid(name):
    import pwd

    return pwd.getpwnam(name).pw_uid


def gid(name):
    import grp

    return grp.getgrnam(name).gr_gid


class Dovecot(Broker):
    """Shows the watch what a mail server left for it, by IMAP with STARTTLS."""

    name = "dovecot"

    def __init__(self, server):
        if not shutil.which("/usr/sbin/dovecot"):
            raise NotThere("apt-get install dovecot-imapd")
        self.server, self.version = server, debian_version("dovecot-core")
        super().__init__()

    def prepare(self):
        at = self.folder
        (at / "users").write_text(f"watch@{DOMAIN}:{{PLAIN}}{PASSWORD}\n")
        (at / "users").chmod(0o644)
        (at / "dovecot.conf").write_text(
            f"""protocols = imap
base_dir = {at}/run
state_dir = {at}/state
log_path = {at}/broker.log
ssl = required
ssl_cert = <{self.server.certificate}
ssl_key = <{self.server.key}
mail_location = maildir:{self.server.boxes}/watch
first_valid_uid = 1
mailbox_idle_check_interval = 1 secs
service imap-login {{
  inet_listener imap {{
    address = 127.0.0.1
    port = {self.port}
  }}
  inet_listener imaps {{
    port = 0
  }}
}}
passdb {{
  driver = passwd-file
  args = {at}/users
}}
userdb {{
  driver = static
  args = uid=nobody gid=nogroup home={at}
}}
"""
        )

    def command(self):
        return ["/usr/sbin/dovecot", "-F", "-c", str(self.folder / "dovecot.conf")]

    def ready(self):
        import socket

        try:
            socket.create_connection(("127.0.0.1", self.port), 2).close()
            return True
        except OSError:
            return False


def settings(server, dovecot, broker, to="ines", more=""):
    return section([broker.port]) + f"""
[mail]
host = "localhost"
port = {server.port}
security = "starttls"
ca-file = "{server.certificate}"
from = "Halyard House <watch@{DOMAIN}>"
timeout = "20 s"
{more}

[answers.mail]
host = "localhost"
port = {dovecot.port}
security = "starttls"
user = "watch@{DOMAIN}"
password-file = "imap-password"
ca-file = "{server.certificate}"

[contact.ines.channel.mail]
kind = "mail"
to = "Ines <{to}@{DOMAIN}>"

[contact.tom]
name = "Tom"

[contact.tom.channel.mail]
kind = "mail"
to = "tom@{DOMAIN}"
"""


def watch_with(program, steps, *arguments, **more):
    watch = Watch(program, settings(*arguments, **more), steps=steps)
    watch.write("imap-password", PASSWORD + "\n")
    watch.start()
    watch.hears()
    return watch


BY_MAIL = '{ after = "0 s", to = ["ines.mail"] }'
THEN_ELSEWHERE = BY_MAIL + ', { after = "10 min", to = ["ines.pages"] }'


def cut_power(broker, word="off"):
    device = Client(broker.port)
    device.publish("house/mains", word)
    device.close()


def taken_and_answered(table, row, program, server, dovecot, broker):
    """A page is taken (after a while, by one who greylists), and a reply by mail is an answer."""
    watch = watch_with(program, BY_MAIL, server, dovecot, broker)
    try:
        def taken():
            cut_power(broker)
            took, pages = until("the page in the mailbox of Ines", 150, lambda: server.arrived("ines"), lambda: watch.log() + server.log())
            code = re.search(r"code ([A-Z0-9]{4})\b", "".join(pages)).group(1)
            taken.code = code
            greeted = re.search(r"^Received: from (\S+)", pages[0], re.M).group(1)
            return f"{took:.0f} s, greeted as {greeted}"

        def greylisted():
            assert "reylist" in watch.log(), f"it was not turned away first\n{watch.log()}"
            return "deferred, tried again, taken"

        def answered():
            server.send(f"ines@{DOMAIN}", f"watch@{DOMAIN}", "Re: a page", f"Have it {taken.code}\n")
            took, _ = until("the answer", 60, lambda: alarm(watch, "power-lost") == "acknowledged", lambda: watch.log() + server.log() + dovecot.log())
            until("the receipt", 150, lambda: any("Yours until" in mail for mail in server.arrived("ines")), lambda: watch.log())
            return f"{took:.1f} s, receipt came"

        if table.attempt(row, COLUMNS[0], taken):
            if server.greylists:
                table.attempt(row, COLUMNS[2], greylisted)
            table.attempt(row, COLUMNS[4], answered)
    finally:
        cut_power(broker, "on")
        watch.end()


def bare_name(program, server, dovecot, broker):
    """A greeting with a bare name is refused; the page goes another way, and whoever looks is told which key helps."""
    watch = watch_with(program, THEN_ELSEWHERE, server, dovecot, broker, more='hello = "board"')
    try:
        cut_power(broker)
        took, _ = until("the other way", 60, lambda: watch.pages(), lambda: watch.log() + server.log())
        assert "fully-qualified" in watch.log(), f"the server's reason is not told\n{watch.log()}"
        return f"refused, next way after {took:.1f} s"
    finally:
        cut_power(broker, "on")
        watch.end()


def came_back(program, server, dovecot, broker):
    watch = watch_with(program, THEN_ELSEWHERE, server, dovecot, broker, to="gone")
    try:
        cut_power(broker)
        until("the page is taken", 150, lambda: re.search(r"page \d+ accepted", watch.log()), lambda: watch.log() + server.log())
        took, _ = until("the other way", 90, lambda: watch.pages(), lambda: watch.log() + server.log() + dovecot.log() + "".join(server.arrived("watch")))
        assert "it came back" in watch.log(), f"the report was not read\n{watch.log()}"
        why = watch.status()["health"]["channels"]["ines.mail"]["last_error"]["why"]
        assert "could not be delivered" in why, why
        report = server.arrived("watch")[-1]
        assert "message/delivery-status" in report and "Action: failed" in report, f"no RFC 3464\n{report}"
        return f"{took:.1f} s (RFC 3464), not 10 min"
    finally:
        cut_power(broker, "on")
        watch.end()


def try_server(make):
    def attempt(table, name, program, newer):
        broker, server = Mosquitto(), make(newer)
        row = f"{server.name} {server.version.split('-')[0]}"
        dovecot = Dovecot(server)
        started = []
        try:
            for each in (broker, server, dovecot):
                each.start()
                started.append(each)
            taken_and_answered(table, row, program, server, dovecot, broker)
            table.attempt(row, COLUMNS[1], bare_name, program, server, dovecot, broker)
            table.attempt(row, COLUMNS[3], came_back, program, server, dovecot, broker)
        except (AssertionError, OSError, subprocess.CalledProcessError) as error:
            table.put(row, COLUMNS[0], "NO: " + str(error).splitlines()[0])
            table.failed.append(f"{row}:\n{error}")
        finally:
            for each in reversed(started):
                each.stop()

    return attempt


TRIED = {"postfix": try_server(lambda _newer: Postfix()), "exim": try_server(Exim)}


def try_spam(*_):
    pass
