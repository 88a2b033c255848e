"""The real program in a fresh folder, seen as a keeper sees it: its files, its status, its journal, its log."""

import json
import os
import signal
import subprocess
import tempfile
import time
from pathlib import Path

RULES = """
[site]
name = "Halyard House"

[tank.lagoon]
volume = "420 L"
salinity = "35 ppt"
stocking = "moderate"

[sensor.mains]
topic = "house/mains"
measures = "presence"
on = ["on"]
off = ["off"]
every = "10 min"

[sensor.lagoon-temp]
topic = "lagoon/temperature"
tank = "lagoon"
measures = "temperature"
unit = "degC"
every = "10 min"
plausible = ["5 degC", "45 degC"]
max-rate = "none"

[alarm.power-lost]
tank = "lagoon"
when = "mains is off"
priority = "critical"
consequence = "no heat, no flow: oxygen falls first, then temperature"
response = ["Open the lid.", "Start the battery air pump."]
time-to-respond = "1 h"
callout = "household"

[sight]
after = "2 s"
pages-after = "2 s"
callout = "household"

[callout.household]
steps = [STEPS]
again = "3 min"
settle = "2 s"
"""

AGENT = """
[site]
rules = "rules.toml"
zone = "UTC"

[contact.ines]
name = "Ines"

[contact.ines.channel.pages]
kind = "folder"
folder = "pages"
to = "Ines <ines@example.org>"

[journal]
path = "journal.sqlite"
flush-every = "1 s"

[control]
socket = "control.sock"

[log]
format = "terminal"

[clock]
trust = "always"
"""


def until(what, patience, look, story=lambda: ""):
    """Looks again and again until there is something; how long that took, and what it is."""
    began = time.monotonic()
    while time.monotonic() - began < patience:
        if found := look():
            return time.monotonic() - began, found
        time.sleep(0.02)
    raise AssertionError(f"not within {patience:g} s: {what}\n{story()}")


class Watch:
    def __init__(self, program, sections, steps='{ after = "0 s", to = ["ines.pages"] }', agent=AGENT, rules=RULES):
        self.program = program
        self.kept = tempfile.TemporaryDirectory(prefix="along-")
        self.folder = Path(self.kept.name)
        self.child = None
        (self.folder / "pages").mkdir()
        self.write("agent.toml", agent + sections)
        self.write("rules.toml", rules.replace("STEPS", steps))

    def write(self, name, words):
        path = self.folder / name
        path.write_text(words)
        path.chmod(0o600)
        return path

    def surroundings(self):
        return {"PATH": "/usr/bin:/bin", "TZ": "UTC", "HOME": str(self.folder), "USER": "keeper"}

    def start(self):
        with open(self.folder / "log", "ab") as log:
            self.child = subprocess.Popen(
                [self.program, "run"], cwd=self.folder, env=self.surroundings(), stdout=subprocess.DEVNULL, stderr=log
            )

    def kill(self):
        """As a power cut would."""
        self.child.kill()
        self.child.wait()

    def end(self):
        if self.child and self.child.poll() is None:
            self.child.send_signal(signal.SIGTERM)
            try:
                self.child.wait(20)
            except subprocess.TimeoutExpired:
                self.kill()

    def log(self):
        path = self.folder / "log"
        return path.read_text(errors="replace") if path.exists() else ""

    def say(self, *words, patience=90):
        return subprocess.run(
            [self.program, *words], cwd=self.folder, env=self.surroundings(), capture_output=True, text=True, timeout=patience
        )

    def status(self):
        said = self.say("status", "--json")
        return json.loads(said.stdout) if said.returncode == 0 or said.stdout.startswith("{") else {}

    def logs(self, words, patience=30, times=1):
        return until(f"{words!r} in the log", patience, lambda: self.log().count(words) >= times, self.log)[0]

    def hears(self, patience=60, times=1):
        return self.logs("the broker can be heard", patience, times)

    def events(self):
        """What the journal holds, as the review tells scripts of it."""
        said = self.say("review", "--since", "1 h", "--json")
        return said.stdout

    def pages(self):
        return [path.read_text(errors="replace") for path in sorted((self.folder / "pages").glob("*"))]


def ended(child, patience=15):
    """Ends a server that we started, with all that it started itself."""
    if child.poll() is None:
        for how in (signal.SIGTERM, signal.SIGKILL):
            try:
                os.killpg(child.pid, how)
            except ProcessLookupError:
                return
            try:
                child.wait(patience)
                return
            except subprocess.TimeoutExpired:
                continue
