"""MQTT as it crosses the wire: a go-between that counts what passes from a broker to the watch and in which order the watch
acknowledges it, and a small client for devices and for those who only look.

The go-between changes nothing. What it saw is the measure of "no message lost" and of "acknowledged in order": the watch
acknowledges what it has kept, and nothing else."""

import itertools
import socket
import threading
import time

CONNECT, CONNACK, PUBLISH, PUBACK = 1, 2, 3, 4


def length_of(data, at):
    """The remaining length that begins at `at`, and where it ends; nothing while it is not whole."""
    value = 0
    for nth in range(4):
        if at + nth >= len(data):
            return None
        value |= (data[at + nth] & 0x7F) << (7 * nth)
        if not data[at + nth] & 0x80:
            return value, at + nth + 1
    raise ValueError("no MQTT: a length of more than four octets")


def packets(buffer):
    """Takes whole packets off the beginning of `buffer`: kind, flags and body."""
    while len(buffer) >= 2:
        found = length_of(buffer, 1)
        if found is None or len(buffer) < found[0] + found[1]:
            return
        length, begin = found
        body = bytes(buffer[begin : begin + length])
        head = buffer[0]
        del buffer[: begin + length]
        yield head >> 4, head & 0x0F, body


def text(words):
    encoded = words.encode()
    return len(encoded).to_bytes(2, "big") + encoded


def packet(head, body):
    length, encoded = len(body), bytearray()
    while True:
        length, digit = divmod(length, 128)
        encoded.append(digit | (0x80 if length else 0))
        if not length:
            return bytes([head]) + bytes(encoded) + body


def free_port():
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return listener.getsockname()[1]


class Connection:
    """One connection of the watch: what the broker sent with QoS 1 and what was acknowledged, each in its order."""

    def __init__(self):
        self.began = time.monotonic()
        self.version = None
        self.connack = None
        self.present = False
        self.sent = []
        self.acked = []
        self.payloads = []
        self.first = None

    def in_order(self):
        """Whether acknowledgements went out in the order of their messages (MQTT-4.6.0-2)."""
        return self.acked == self.sent[: len(self.acked)]


class GoBetween:
    """Listens on a port of its own and carries what comes there to the broker at `port`."""

    def __init__(self, port):
        self.broker = port
        self.connections = []
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self.lock = threading.Lock()
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self):
        while True:
            try:
                inner, _ = self.listener.accept()
            except OSError:
                return
            threading.Thread(target=self._carry, args=(inner,), daemon=True).start()

    def _carry(self, inner):
        try:
            outer = socket.create_connection(("127.0.0.1", self.broker), timeout=3)
        except OSError:
            inner.close()
            return
        outer.settimeout(None)
        connection = Connection()
        with self.lock:
            self.connections.append(connection)
        back = threading.Thread(target=self._way, args=(outer, inner, connection, self._from_broker), daemon=True)
        back.start()
        self._way(inner, outer, connection, self._from_watch)

    def _way(self, source, target, connection, look):
        buffer = bytearray()
        try:
            while data := source.recv(65536):
                buffer += data
                with self.lock:
                    for kind, flags, body in packets(buffer):
                        look(connection, kind, flags, body)
                target.sendall(data)
        except OSError:
            pass
        for end in (source, target):
            try:
                end.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass
            end.close()

    def _from_watch(self, connection, kind, _flags, body):
        if kind == CONNECT:
            connection.version = body[6]
        elif kind == PUBACK:
            connection.acked.append(int.from_bytes(body[:2], "big"))

    def _from_broker(self, connection, kind, flags, body):
        if kind == CONNACK:
            connection.connack, connection.present = body[1], bool(body[0] & 1)
        elif kind == PUBLISH:
            connection.first = connection.first or time.monotonic()
            topic = int.from_bytes(body[:2], "big") + 2
            at = topic
            if flags & 0b0110:
                connection.sent.append(int.from_bytes(body[at : at + 2], "big"))
                at += 2
            if connection.version == 5:
                properties, at = length_of(body, at)
                at += properties
            connection.payloads.append((body[2:topic].decode(), body[at:].decode(errors="replace")))

    def heard(self, topic):
        """The payloads of a topic that reached the watch, in their order."""
        with self.lock:
            return [payload for each in self.connections for named, payload in each.payloads if named == topic]

    def last(self):
        with self.lock:
            return self.connections[-1] if self.connections else None

    def orderly(self):
        """Whether every connection's acknowledgements kept their order; and how many there were."""
        with self.lock:
            return all(each.in_order() for each in self.connections), sum(len(each.acked) for each in self.connections)

    def close(self):
        self.listener.close()


class Client:
    """A device, or somebody who looks: MQTT 3.1.1, which every broker speaks."""

    names = itertools.count(1)

    def __init__(self, port, login=None, patience=10):
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=patience)
        self.buffer, self.number = bytearray(), 0
        flags, rest = 0x02, b""
        if login:
            flags, rest = flags | 0xC0, text(login[0]) + text(login[1])
        body = text("MQTT") + bytes([4, flags, 2, 88]) + text(f"along-{next(self.names)}-{time.monotonic_ns()}") + rest
        self.socket.sendall(packet(CONNECT << 4, body))
        kind, _, answer = self._next()
        if kind != CONNACK or answer[1] != 0:
            raise OSError(f"the broker refused a 3.1.1 client: {answer!r}")

    def _next(self):
        while True:
            for found in packets(self.buffer):
                return found
            data = self.socket.recv(65536)
            if not data:
                raise OSError("the broker closed the connection")
            self.buffer += data

    def publish(self, topic, payload, retain=False):
        """With QoS 1: returns when the broker has taken it."""
        self.number = self.number % 65535 + 1
        body = text(topic) + self.number.to_bytes(2, "big") + payload.encode()
        self.socket.sendall(packet(PUBLISH << 4 | 0b0010 | retain, body))
        while True:
            kind, _, answer = self._next()
            if kind == PUBACK and int.from_bytes(answer[:2], "big") == self.number:
                return

    def subscribe(self, topic):
        self.socket.sendall(packet(0x82, b"\0\1" + text(topic) + b"\0"))

    def next(self, patience):
        """The next message of what was subscribed: payload and whether it was kept; nothing within `patience`."""
        ends = time.monotonic() + patience
        while (left := ends - time.monotonic()) > 0:
            self.socket.settimeout(left)
            try:
                kind, flags, body = self._next()
            except TimeoutError:
                return None
            if kind == PUBLISH:
                length = int.from_bytes(body[:2], "big") + 2
                return body[length:].decode(), bool(flags & 1)
        return None

    def close(self):
        self.socket.close()
