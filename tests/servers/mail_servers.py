"""Mail servers that nobody here wrote, each as its own process in a fresh folder, and the one that shows the watch its
mailbox."""

import grp
import pwd
import re
import shutil
import smtplib
import socket
import ssl
import subprocess
import time
from email.message import EmailMessage

from brokers import Broker, NotThere, debian_version
from watch import until
from wire import free_port

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

    def __init__(self, welcome=("gone",)):
        if not shutil.which("/usr/sbin/postfix") or not shutil.which("/usr/sbin/postgrey"):
            raise NotThere("apt-get install postfix postgrey")
        # Taken at once. What is deferred goes another way at once; a page that comes back must have been taken.
        self.welcome = welcome
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
virtual_uid_maps = static:{pwd.getpwnam("nobody").pw_uid}
virtual_gid_maps = static:{grp.getgrnam("nogroup").gr_gid}
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
        (self.folder / "welcome").write_text("".join(f"{name}@{DOMAIN}\n" for name in self.welcome))
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
        self.newer.share(at)
        for path in (self.certificate, self.key):
            path.chmod(0o644)
        # Numbers of users are that root's own.
        subprocess.run(self.newer.call("chown", "-R", "Debian-exim:Debian-exim", str(at / "queue")), check=True)
        at.chmod(0o777)

    def command(self):
        return self.newer.call("/usr/sbin/exim4", "-bdf", "-q1m")

    def log(self):
        return super().log() + "".join(path.read_text(errors="replace")[-4000:] for path in self.folder.glob("exim-*log"))


class OpenSMTPD(MailServer):
    """Of Debian 12's backports: the release of Debian 12 itself breaks off every handshake (its way to the key doesn't fit its
    OpenSSL). No word with bare names either; who doesn't exist is found out after the mail was taken."""

    name = "OpenSMTPD"

    def __init__(self, backports):
        backports.needs("/usr/sbin/smtpd", "opensmtpd")
        self.root, self.version = backports, debian_version("opensmtpd", backports.folder)
        super().__init__()

    def configure(self):
        at = self.folder
        (at / "nobody-there").write_text("#!/bin/sh\nexit 67\n")
        (at / "nobody-there").chmod(0o755)
        (at / "smtpd.conf").write_text(
            f"""pki here cert "{self.certificate}"
pki here key "{self.key}"
filter "named" phase ehlo match !helo regex {{ "[.:]" }} reject "550 need fully-qualified hostname"
listen on 127.0.0.1 port {self.port} tls-require pki here hostname mx.{DOMAIN} filter "named"
table boxes {{ "@" = "nobody" }}
action "box" maildir "{self.boxes}/%{{dest.user}}" virtual <boxes>
action "gone" mda "{at}/nobody-there" virtual <boxes>
match from any for rcpt-to "gone@{DOMAIN}" action "gone"
match from any for domain "{DOMAIN}" action "box"
match from any for any reject
"""
        )
        self.root.share(at)
        at.chmod(0o755)

    def command(self):
        return self.root.call("/usr/sbin/smtpd", "-d", "-f", str(self.folder / "smtpd.conf"))


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
        try:
            socket.create_connection(("127.0.0.1", self.port), 2).close()
            return True
        except OSError:
            return False
