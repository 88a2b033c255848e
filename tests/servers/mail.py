"""Pages by mail through servers that nobody here wrote: taken at once or after a while, refused for the name in the greeting,
answered, and come back. An address that its server finds out too late not to exist is the measure: its report (RFC 3464) has
to move the page on to the next way long before that would have been its turn."""

import re
import subprocess

from brokers import Mosquitto
from mail_servers import DOMAIN, PASSWORD, Dovecot, Exim, OpenSMTPD, Postfix
from scenes import alarm, section
from watch import Watch, until
from wire import Client

COLUMNS = ["page taken", "bare name", "greylisted", "came back: next way after", "answered by mail"]


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
    def attempt(table, _name, program, root):
        broker, server = Mosquitto(), make(root)
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


TRIED = {"postfix": try_server(lambda _root: Postfix()), "exim": try_server(Exim), "opensmtpd": try_server(OpenSMTPD)}
