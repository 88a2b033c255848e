"""What a spam checker thinks of each kind of page: the pages go through a real mail server first, and are then looked at as if
they had come from a board that greets with a bare name, with its address, or with a full name that the address leads back to."""

import re
import shutil
import subprocess
import time

from brokers import Mosquitto, NotThere, debian_version
from mail import cut_power, settings
from mail_servers import DOMAIN, PASSWORD, Dovecot, Postfix
from watch import RULES, Watch, until

GREETINGS = {
    "a bare name": ("board", "unknown"),
    "an address": ("[198.51.100.7]", "unknown"),
    "a full name": (f"board.{DOMAIN}", f"board.{DOMAIN}"),
}
COLUMNS = list(GREETINGS)
# From here on a checker files mail away.
LIMIT = 5.0


def score(mail, helo, name):
    """Points, and what they are for. Only the checker's own rules: nothing is asked of the network."""
    head, _, body = mail.partition("\n\n")
    # What our own server wrote on top stands for nothing that a provider would see.
    own = head[re.search(r"^Message-ID:", head, re.M).start() :]
    now = time.strftime("%a, %d %b %Y %H:%M:%S +0000", time.gmtime())
    received = (
        f"Return-Path: <watch@{DOMAIN}>\nReceived: from {helo} ({name} [198.51.100.7])\n\tby mx.example.net (Postfix) with ESMTPS"
        f" id 4B2F1\n\tfor <ines@example.net>; {now}\n"
    )
    # Addresses for documents are no senders' addresses, and a checker knows them.
    said = subprocess.run(
        ["spamassassin", "-L", "-t", "--cf=score RCVD_ILLEGAL_IP 0"], input=f"{received}{own}\n\n{body}", capture_output=True, text=True
    ).stdout
    status = re.search(r"^X-Spam-Status: .*?score=(-?[\d.]+).*?tests=(.*?)\s*autolearn", said, re.S | re.M)
    assert status, said[:2000]
    return float(status.group(1)), re.sub(r"\s", "", status.group(2))


def try_spam(table, _name, program, _newer):
    if not shutil.which("spamassassin"):
        raise NotThere("apt-get install spamassassin")
    version = debian_version("spamassassin").split("-")[0]
    for kind, mail in pages(program).items():
        row = f"{kind} (spamassassin {version})"
        for greeting, (helo, name) in GREETINGS.items():
            table.attempt(row, greeting, judged, mail, helo, name, greeting == "a full name")


def judged(mail, helo, name, must_pass):
    points, why = score(mail, helo, name)
    assert points < LIMIT or not must_pass, f"{points:.1f}, filed away for {why}"
    return f"{points:.1f}" + (f" ({why})" if points >= LIMIT else "")


def pages(program):
    """One page of each kind, as it arrived."""
    broker, server = Mosquitto(), Postfix(welcome=("ines", "tom", "watch"))
    dovecot, started, found = Dovecot(server), [], {}
    try:
        for each in (broker, server, dovecot):
            each.start()
            started.append(each)
        steps = '{ after = "0 s", to = ["ines.mail", "tom.mail"] }'
        rules = RULES.replace('again = "3 min"', 'again = "15 s"')
        watch = Watch(program, settings(server, dovecot, broker), steps=steps, rules=rules)
        watch.write("imap-password", PASSWORD + "\n")
        try:
            collect(watch, broker, server, found)
        finally:
            watch.end()
    finally:
        for each in reversed(started):
            each.stop()
    return found


def collect(watch, broker, server, found):
    seen = set()

    def next_page(kind, to="ines", holds=""):
        """The next mail of somebody that holds these words is of this kind."""

        def look():
            fresh = [mail for mail in server.arrived(to) if mail not in seen and holds in mail]
            seen.update(server.arrived(to) if fresh else [])
            return fresh

        found[kind] = until(f"{kind} at {to}", 60, look, lambda: watch.log() + server.log())[1][0]

    watch.start()
    watch.hears()
    cut_power(broker)
    next_page("call")
    code = re.search(r"code ([A-Z0-9]{4})\b", found["call"]).group(1)
    next_page("call again")
    watch.say("drill", "pages")
    next_page("test page", holds="est")
    server.send(f"ines@{DOMAIN}", f"watch@{DOMAIN}", "Re: a page", f"I can't come, {code}\n")
    next_page("reply: not taken", holds="Not taken")
    server.send(f"ines@{DOMAIN}", f"watch@{DOMAIN}", "Re: a page", f"Have it {code}\n")
    next_page("receipt", holds="Yours until")
    next_page("answered by another", to="tom", holds="answered")
    cut_power(broker, "on")
    next_page("all-clear", holds="over")
