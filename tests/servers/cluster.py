"""Three nodes of one broker, sessions kept by all three: the watch's node is killed, and devices at another go on saying what
they measure. Not one of their messages may be missing at the watch."""

import threading
import time

from brokers import RabbitMQ
from scenes import section
from watch import Watch, until
from wire import Client, GoBetween, free_port

COLUMNS = ["joined", "watch's node killed: heard again after", "messages", "first node gone back to"]


class Counting(threading.Thread):
    """A device at a node that lives: a number every 50 ms with QoS 1, none before the last was taken."""

    def __init__(self, port):
        super().__init__(daemon=True)
        self.client, self.said, self.go = Client(port, patience=60), 0, True
        self.trouble = None

    def run(self):
        try:
            while self.go:
                self.client.publish("lagoon/temperature", f"{20 + self.said / 1000:.3f}")
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
        device = Counting(nodes[2].port)
        device.start()
        until("readings", 20, lambda: len(betweens[0].heard("lagoon/temperature")) >= 20)
        heard = watch.log().count("the broker can be heard")
        began = time.monotonic()
        nodes[0].kill()
        table.attempt(row, COLUMNS[1], heard_again, watch, heard, began)
        time.sleep(3)
        said = device.ended()
        table.attempt(row, COLUMNS[2], none_missing, betweens, said)
        nodes[0].start()
        table.attempt(row, COLUMNS[3], gone_back, betweens)
    finally:
        watch.end()
        for between in betweens:
            between.close()


def heard_again(watch, heard, began):
    watch.logs("the broker can be heard", 60, heard + 1)
    took = time.monotonic() - began
    assert took < 2.0, f"heard again after {took:.2f} s, not within 2 s"
    return f"{took:.2f} s"


def none_missing(betweens, said):
    """Over all connections: each number reached the watch and was acknowledged; one that came twice is the same number."""
    all_of = lambda: [payload for between in betweens for payload in between.heard("lagoon/temperature")]
    wanted = [f"{20 + nth / 1000:.3f}" for nth in range(said)]
    until(f"all {said}", 30, lambda: set(wanted) <= set(all_of()), lambda: f"missing: {sorted(set(wanted) - set(all_of()))}")
    after = betweens[1].heard("lagoon/temperature") + betweens[2].heard("lagoon/temperature")
    new = list(dict.fromkeys(after))
    assert new == sorted(new), f"not in their order: {new}"
    assert all(between.orderly()[0] for between in betweens), "acknowledged out of order"
    return f"{said} of {said}, {len(all_of()) - said} twice"


def gone_back(betweens):
    count = len(betweens[0].connections)
    took, _ = until("the first node to be used again", 240, lambda: len(betweens[0].connections) > count and betweens[0].last().connack == 0)
    return f"{took:.0f} s"
