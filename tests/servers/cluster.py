"""Three nodes of one broker, sessions kept by all three: the watch's node is killed, and devices at another go on saying what
they measure. Not one of their messages may be missing at the watch; nor when that node is frozen instead. Whether what is
kept and a last will are seen at another node is noted only: nothing of the watch rests on it."""

import signal
import threading
import time

from brokers import RabbitMQ
from scenes import STATUS, section
from watch import Watch, until
from wire import Client, GoBetween, free_port

COLUMNS = [
    "joined",
    "watch's node killed: heard again after",
    "messages",
    "first node gone back to",
    "kept, at another node",
    "will, at another node",
    "watch's node frozen: heard again after",
    "messages then",
]


class Counting(threading.Thread):
    """A device at a node that lives: a number every 50 ms with QoS 1, none before the last was taken."""

    def __init__(self, port, first):
        super().__init__(daemon=True)
        self.client, self.first, self.said, self.go = Client(port, patience=60), first, 0, True
        self.trouble = None

    def run(self):
        try:
            while self.go:
                self.client.publish("lagoon/temperature", f"{self.first + self.said / 1000:.3f}")
                self.said += 1
                time.sleep(0.05)
        except OSError as error:
            self.trouble = error

    def ended(self):
        self.go = False
        self.join(60)
        assert not self.trouble, f"the device: {self.trouble}"
        return self.said


def try_cluster(table, row, program, newer):
    epmd = free_port()
    nodes = []
    try:
        for name in ("one", "two", "three"):
            nodes.append(RabbitMQ(newer, name, quorum=True, epmd=epmd))
        for node in nodes:
            node.start()
        for node in nodes[1:]:
            node.join(nodes[0])
        table.put(row, COLUMNS[0], f"RabbitMQ {nodes[0].version.split('-')[0]}, 3 nodes, quorum queues")
        kill(table, row, program, nodes)
    except (AssertionError, OSError) as error:
        table.put(row, COLUMNS[0], "NO: " + str(error).splitlines()[0])
        table.failed.append(f"{row}:\n{error}")
    finally:
        for node in nodes:
            node.stop()


def kill(table, row, program, nodes):
    betweens = [GoBetween(node.port) for node in nodes]
    watch = Watch(program, section([between.port for between in betweens]))
    try:
        watch.start()
        watch.hears()
        queues = nodes[0].control("list_queues", "name", "type", "--silent")
        assert "quorum" in queues, f"the session is no quorum queue: {queues}"
        device = Counting(nodes[2].port, 20)
        device.start()
        until("readings", 20, lambda: len(betweens[0].heard("lagoon/temperature")) >= 20)
        heard = watch.log().count("the broker can be heard")
        began = time.monotonic()
        nodes[0].kill()
        table.attempt(row, COLUMNS[1], heard_again, watch, heard, began)
        time.sleep(3)
        said = device.ended()
        table.attempt(row, COLUMNS[2], none_missing, betweens, said, 20)
        nodes[0].start()
        table.attempt(row, COLUMNS[3], gone_back, betweens)
        table.attempt(row, COLUMNS[4], kept_elsewhere, nodes[2])
        table.attempt(row, COLUMNS[5], will_elsewhere, watch, nodes[2])
        freeze(table, row, watch, nodes, betweens)
    finally:
        watch.end()
        for between in betweens:
            between.close()


def heard_again(watch, heard, began, within=2.0):
    watch.logs("the broker can be heard", 90, heard + 1)
    took = time.monotonic() - began
    assert took < within, f"heard again after {took:.2f} s, not within {within:g} s"
    return f"{took:.2f} s"


def none_missing(betweens, said, first, may_be_late=0):
    """Over all connections: each number reached the watch and was acknowledged; one that came twice is the same number. The
    device began to count at `first`. What a frozen node had in hand comes once it is let go."""
    all_of = lambda: [payload for between in betweens for payload in between.heard("lagoon/temperature")]
    wanted = [f"{first + nth / 1000:.3f}" for nth in range(said)]
    until(f"all {said}", 30, lambda: set(wanted) <= set(all_of()), lambda: f"missing: {sorted(set(wanted) - set(all_of()))}")
    after = [payload for payload in betweens[1].heard("lagoon/temperature") + betweens[2].heard("lagoon/temperature") if payload in wanted]
    new = list(dict.fromkeys(after))
    late = sum(later < earlier for earlier, later in zip(new, new[1:]))
    assert late <= may_be_late, f"not in their order: {new}"
    assert all(between.orderly()[0] for between in betweens), "acknowledged out of order"
    twice = len([payload for payload in all_of() if payload in wanted]) - said
    return f"{said} of {said}, {twice} twice" + (", in two runs" if late else "")


def freeze(table, row, watch, nodes, betweens):
    """The node neither speaks nor closes; `keep-alive = "5 s"`."""
    device = Counting(nodes[2].port, 30)
    device.start()
    until("readings", 30, lambda: any("30.020" in between.heard("lagoon/temperature") for between in betweens))
    heard, began = watch.log().count("the broker can be heard"), time.monotonic()
    nodes[0].signal(signal.SIGSTOP)
    try:
        table.attempt(row, COLUMNS[6], heard_again, watch, heard, began, 60.0)
        time.sleep(3)
    finally:
        nodes[0].signal(signal.SIGCONT)
    said = device.ended()
    table.attempt(row, COLUMNS[7], none_missing, betweens, said, 30, 1)


def kept_elsewhere(node):
    late = Client(node.port, patience=30)
    late.subscribe(STATUS)
    found = late.next(10)
    late.close()
    return "not seen" if found is None else f"{found[0]}, {'kept' if found[1] else 'not marked as kept'}"


def will_elsewhere(watch, node):
    """Killed and started again: the frozen node comes next."""
    eyes = Client(node.port, patience=30)
    eyes.subscribe(STATUS)
    eyes.next(3)
    heard, began = watch.log().count("the broker can be heard"), time.monotonic()
    watch.kill()
    seen = "not seen"
    while found := eyes.next(20):
        if found[0] == "offline":
            seen = f"seen after {time.monotonic() - began:.1f} s"
            break
    eyes.close()
    watch.start()
    watch.hears(times=heard + 1)
    return seen


def gone_back(betweens):
    count = len(betweens[0].connections)
    took, _ = until("the first node to be used again", 240, lambda: len(betweens[0].connections) > count and betweens[0].last().connack == 0)
    return f"{took:.0f} s"
