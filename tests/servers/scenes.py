"""One broker, tried as nights try it: the same agent against each, and a word for each thing tried."""

import json
import signal
import time

from watch import Watch, until
from wire import Client, GoBetween

COLUMNS = ["connect", "loop-back", "QoS 1 order", "retained", "will", "session", "kill in an alarm", "freeze"]
STATUS = "slackwater/along/status"


def section(ports, keep_alive="5 s"):
    where = f'host = "127.0.0.1"\nport = {ports[0]}' if len(ports) == 1 else "hosts = " + json.dumps([f"127.0.0.1:{port}" for port in ports])
    return (
        f'\n[broker]\n{where}\nclient-id = "along"\nkeep-alive = "{keep_alive}"\nsession-expiry = "1 h"\nstatus-topic = "{STATUS}"\n'
    )


def alarm(watch, name):
    """How an alarm stands, as `status` tells it; nothing if what it is about does not hold now."""
    for each in watch.status().get("status", {}).get("alarms", []):
        if each["name"] == name:
            return each["state"] if each["state"] in ("unacknowledged", "acknowledged") else None
    return None


def quality(watch, name):
    for each in watch.status().get("status", {}).get("sensors", []):
        if each["name"] == name:
            return each["quality"], each.get("why")
    return None


class Table:
    """What was tried and what came of it. A scene that fails fails the whole try."""

    def __init__(self):
        self.rows = {}
        self.failed = []

    def put(self, row, column, words):
        self.rows.setdefault(row, {})[column] = words
        print(f"  {row}: {column}: {words}", flush=True)

    def attempt(self, row, column, scene, *arguments):
        """Runs a scene; whether it held."""
        try:
            self.put(row, column, scene(*arguments))
            return True
        except Exception as error:
            # Whatever went wrong, it did not hold.
            self.put(row, column, "NO: " + (str(error).splitlines() or ["?"])[0])
            self.failed.append(f"{row}: {column}:\n{error}")
            return False

    def left_out(self, row, why):
        self.put(row, "", f"LEFT OUT: {why}")

    def render(self, title, columns):
        rows = [(row, cells) for row, cells in self.rows.items() if any(column in cells for column in columns) or "" in cells]
        lines = [f"| {' | '.join([title, *columns])} |", "|" + " --- |" * (len(columns) + 1)]
        for row, cells in rows:
            if "" in cells:
                lines.append(f"| {row} | {cells['']} |" + " |" * (len(columns) - 1))
            else:
                lines.append(f"| {row} | " + " | ".join(cells.get(column, "") for column in columns) + " |")
        return "\n".join(lines)


def connect(watch, between):
    watch.start()
    took = watch.hears()
    version = {4: "3.1.1", 5: "5"}.get(between.last().version, "?")
    return f"MQTT {version}, {took:.1f} s"


def loop_back(watch):
    trip = watch.status()["health"]["broker"]["round_trip_ms"]
    assert trip is not None and trip < 5000, f"our own message took {trip} ms"
    return f"{trip} ms"


def order(between, device):
    """Readings of two topics beside our own loop-back: each acknowledged once, in the order in which they came."""
    before, connections = len(between.heard("lagoon/temperature")), len(between.connections)
    for nth in range(100):
        device.publish("lagoon/temperature", f"{25 + nth / 1000:.3f}")
        device.publish("house/mains", "on")
    came = lambda: between.heard("lagoon/temperature")[before:]
    until("100 readings at the watch", 30, lambda: len(came()) >= 100, lambda: str(came()))
    assert came() == [f"{25 + nth / 1000:.3f}" for nth in range(100)], f"not in their order: {came()}"
    last = between.last()
    until("each acknowledged", 20, lambda: len(last.acked) >= len(last.sent), lambda: f"{len(last.acked)} of {len(last.sent)}")
    # Two loop-backs more, so that they mix with readings.
    time.sleep(6)
    orderly, count = between.orderly()
    assert orderly, "acknowledged out of order"
    assert len(between.connections) == connections, "the broker closed the connection"
    return f"{count} in order"


def retained(watch, broker, device):
    """Our own sign of life is kept for who comes later; a kept reading raises nothing here."""
    late = Client(broker.devices_port())
    late.subscribe(STATUS)
    found = late.next(10)
    late.close()
    assert found and found[0] == "online", f"{STATUS} says {found}"
    kept = "kept" if found[1] else "sent, but not marked as kept"
    watch.kill()
    device.publish("house/mains", "off", retain=True)
    watch.start()
    watch.hears(times=2)
    until("the kept word is old", 20, lambda: (quality(watch, "mains") or [None])[0] == "old", lambda: str(quality(watch, "mains")))
    assert alarm(watch, "power-lost") is None, "an old word rang"
    device.publish("house/mains", "on", retain=True)
    return kept


def will(watch, broker):
    eyes = Client(broker.devices_port())
    eyes.subscribe(STATUS)
    eyes.next(5)
    watch.kill()
    began = time.monotonic()
    while True:
        found = eyes.next(20)
        assert found, "no last will"
        if found[0] == "offline":
            break
    eyes.close()
    return f"{time.monotonic() - began:.1f} s"


def session(watch, between, device):
    """Goes on from `will`: the watch is dead. What comes meanwhile waits, and is acknowledged once it is back."""
    before = len(between.heard("lagoon/temperature"))
    for nth in range(20):
        device.publish("lagoon/temperature", f"{26 + nth / 100:.2f}")
    watch.start()
    watch.hears(times=3)
    assert between.last().present, "the broker forgot the session"
    came = lambda: between.heard("lagoon/temperature")[before:]
    until("20 that waited", 20, lambda: len(came()) >= 20, lambda: str(came()))
    assert sorted(set(came())) == [f"{26 + nth / 100:.2f}" for nth in range(20)], f"{came()}"
    assert between.orderly()[0], "acknowledged out of order"
    return "kept, 20 of 20"


def kill_in_alarm(watch, broker, device):
    """The broker dies while an alarm stands: it stands on, its own loss is an alarm, and what comes later ends both."""
    device.publish("house/mains", "off")
    until("the alarm", 20, lambda: alarm(watch, "power-lost"), watch.log)
    until("its page", 20, lambda: any("power" in page.lower() for page in watch.pages()), watch.log)
    heard = watch.log().count("the broker can be heard")
    broker.kill()
    lost, _ = until("the loss is an alarm", 30, lambda: alarm(watch, "sight-broker"), watch.log)
    assert alarm(watch, "power-lost"), "the alarm went with the broker"
    broker.start()
    back = watch.hears(patience=90, times=heard + 1)
    until("the loss is over", 20, lambda: alarm(watch, "sight-broker") is None, watch.log)
    assert alarm(watch, "power-lost"), "the broker's return is no all-clear"
    again = Client(broker.devices_port())
    again.publish("house/mains", "on")
    until("the alarm's end", 20, lambda: alarm(watch, "power-lost") is None, watch.log)
    again.close()
    return f"stood; loss after {lost:.1f} s, heard {back:.1f} s after it was back"


def freeze(watch, broker):
    heard, deaf = watch.log().count("the broker can be heard"), watch.log().count("can't be heard")
    broker.signal(signal.SIGSTOP)
    try:
        noticed = watch.logs("can't be heard", 40, deaf + 1)
    finally:
        broker.signal(signal.SIGCONT)
    back = watch.hears(patience=60, times=heard + 1)
    return f"noticed {noticed:.1f} s, back {back:.1f} s"


def named_as_old(program, broker):
    """A broker without MQTT 5 is no broker for the watch: it is named with what to do, by the try and by the watch."""
    watch = Watch(program, section([broker.port]))
    said = watch.say("check", "--live", "--for", "5 s").stdout
    assert "MQTT 3.1.1 only" in said and "MQTT 5" in said, said
    watch.start()
    watch.logs("MQTT 3.1.1 only", 30)
    watch.end()
    line = next(line for line in said.splitlines() if "3.1.1" in line)
    assert "take a newer release" in line, f"without a remedy: {line}"
    return "speaks 3.1.1 only: named as that, with the remedy"


def try_broker(table, row, program, broker):
    """All scenes on one broker; each goes on from the one before."""
    broker.devices_port = lambda: getattr(broker, "devices", broker.port)
    broker.start()
    try:
        if not broker.mqtt5:
            table.attempt(row, "connect", named_as_old, program, broker)
            return
        between = GoBetween(broker.port)
        watch = Watch(program, section([between.port]))
        try:
            if not table.attempt(row, "connect", connect, watch, between):
                return
            device = Client(broker.devices_port())
            table.attempt(row, "loop-back", loop_back, watch)
            table.attempt(row, "QoS 1 order", order, between, device)
            table.attempt(row, "retained", retained, watch, broker, device)
            table.attempt(row, "will", will, watch, broker)
            table.attempt(row, "session", session, watch, between, device)
            table.attempt(row, "kill in an alarm", kill_in_alarm, watch, broker, device)
            table.attempt(row, "freeze", freeze, watch, broker)
        finally:
            watch.end()
            between.close()
    finally:
        broker.stop()
