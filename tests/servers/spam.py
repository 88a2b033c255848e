"""What a spam checker thinks of each kind of page: the pages go through a real mail server first, and are then looked at as if
they had come from a board that greets with a bare name, with its address, or with a full name that the address leads back to."""

import re
import shutil
import subprocess
import time

from brokers import Mosquitto, NotThere, debian_version
from mail import cut_power, settings
from mail_servers import DOMAIN, PASSWORD, Dovecot, Postfix
from watch import AGENT, RULES, Watch, until
from wire import Client

GREETINGS = {
    "a bare name": ("board", "unknown"),
    "an address": ("[198.51.100.7]", "unknown"),
    "a full name": (f"board.{DOMAIN}", f"board.{DOMAIN}"),
}
COLUMNS = list(GREETINGS)
BOTH = '{ after = "0 s", to = ["ines.mail", "tom.mail"] }'
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
        rules = RULES.replace('again = "3 min"', 'again = "15 s"')
        watch = Watch(program, settings(server, dovecot, broker), steps=BOTH, rules=rules)
        watch.write("imap-password", PASSWORD + "\n")
        try:
            collect(watch, broker, server, found)
        finally:
            watch.end()
        for scene in (digest, notice, report):
            scene(program, settings(server, dovecot, broker), broker, server, found)
    finally:
        for each in reversed(started):
            each.stop()
    return found


class Mailboxes:
    """What arrives, each mail once, kept by its kind."""

    def __init__(self, watch, server, found):
        self.watch, self.server, self.found = watch, server, found
        self.seen = {mail for name in server.people for mail in server.arrived(name)}

    def next_page(self, kind, to="ines", holds="", patience=60):
        """The next mail of somebody that holds these words is of this kind."""

        def look():
            fresh = [mail for mail in self.server.arrived(to) if mail not in self.seen and holds in mail]
            self.seen.update(self.server.arrived(to) if fresh else [])
            return fresh

        story = lambda: self.watch.log() + self.server.log()
        self.found[kind] = until(f"{kind} at {to}", patience, look, story)[1][0]


def hour_and_minute(after):
    """A time of day so many seconds from now, in UTC."""
    return time.strftime("%H:%M", time.gmtime(time.time() + after))


def digest(program, settings, broker, server, found):
    """What is low waits for the end of quiet hours, which is near."""
    rules = RULES + "".join(
        f"""
[alarm.warm-{limit}]
tank = "lagoon"
when = "lagoon-temp > {limit} degC"
priority = "low"
consequence = "oxygen falls in warm water"
response = ["Open the lid."]
time-to-respond = "8 h"
callout = "by-day"
"""
        for limit in (27, 28)
    )
    rules += f'[callout.by-day]\nsteps = [{BOTH}]\nagain = "3 h"\nquiet = ["{hour_and_minute(-7200)}", "{hour_and_minute(90)}"]\n'
    watch = Watch(program, settings, steps=BOTH, rules=rules)
    try:
        mailboxes = Mailboxes(watch, server, found)
        watch.start()
        watch.hears()
        device = Client(broker.port)
        device.publish("lagoon/temperature", "29.5")
        device.close()
        mailboxes.next_page("digest of the morning", patience=180)
    finally:
        watch.end()


def notice(program, settings, broker, server, found):
    """A test page that nobody answers is told to the others."""
    watch = Watch(program, settings, steps=BOTH, rules=RULES + '[drill]\nwithin = "1 min"\n')
    try:
        mailboxes = Mailboxes(watch, server, found)
        watch.start()
        watch.hears()
        watch.say("drill", "pages")
        mailboxes.next_page("test page")
        mailboxes.next_page("notice", holds="answer", patience=150)
    finally:
        watch.end()


def report(program, settings, broker, server, found):
    """Leaves by itself on the day of return, by day: in a zone in which it is about one in the afternoon."""
    now = time.gmtime()
    east = (13 - now.tm_hour) % 24
    east = east if east <= 12 else east - 24
    local = time.time() + east * 3600
    day = lambda days: time.strftime("%Y-%m-%d", time.gmtime(local + days * 86400))
    agent = AGENT.replace('zone = "UTC"', f'zone = "Etc/GMT{-east:+d}"')
    agent = agent.replace('name = "Ines"\n', f'name = "Ines"\naway = [{{ from = "{day(-9)}", until = "{day(-1)}" }}]\n')
    watch = Watch(program, settings, steps=BOTH, agent=agent)
    try:
        mailboxes = Mailboxes(watch, server, found)
        watch.start()
        mailboxes.next_page("report", holds="the report", patience=180)
    finally:
        watch.end()


def collect(watch, broker, server, found):
    next_page = Mailboxes(watch, server, found).next_page
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
