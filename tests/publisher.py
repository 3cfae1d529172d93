"""A device with a log: it sends each message until it is acknowledged, over any number of connections.

MQTT 3.1.1 at QoS 1 on a bare socket: lean, so that it is not what is measured, and quick to come
back, so that a broker that was killed can soon be killed again.
"""

from __future__ import annotations

import select
import socket
import struct
import threading
import time
from collections.abc import Callable

from ingest.brokerurl import parse_url

_PUBACK = b"\x40\x02"
_RETRY_S = 0.02
_ANSWER_S = 10.0


class Publisher:
    """Messages 0, 1, 2, … on one topic, from a thread, until told to stop.

    payload  of the message of a number
    rate     messages a second at most
    window   messages sent and not yet acknowledged, at most
    """

    def __init__(
        self,
        url: str,
        topic: str,
        payload: Callable[[int], bytes],
        rate: float,
        window: int = 500,
        name: str = "post-1",
    ) -> None:
        self._broker = parse_url(url)
        self._topic = topic.encode()
        self._payload = payload
        self._rate = rate
        self._window = window
        self._name = name
        self._waiting: dict[int, None] = {}
        self._stop = threading.Event()
        self._give_up_at = float("inf")
        #: How many were sent at least once.
        self.sent = 0
        #: When which number was acknowledged. [s, monotonic]
        self.acknowledged: dict[int, float] = {}
        self._begin = time.monotonic()
        self._thread = threading.Thread(target=self._run, name="publisher")
        self._thread.start()

    def finish(self, within_s: float = 30.0) -> set[int]:
        """Send nothing new, wait for the last answers; the numbers that were acknowledged."""
        self._give_up_at = time.monotonic() + within_s
        self._stop.set()
        self._thread.join(within_s + _ANSWER_S + 5)
        return set(self.acknowledged)

    def close(self) -> None:
        """End it now."""
        self.finish(0.0)

    @property
    def _done(self) -> bool:
        return self._stop.is_set() and (not self._waiting or time.monotonic() >= self._give_up_at)

    def _run(self) -> None:
        while not self._done:
            try:
                with socket.create_connection((self._broker.host, self._broker.port), timeout=_ANSWER_S) as sock:
                    self._connect(sock)
                    self._talk(sock)
            except OSError:
                time.sleep(_RETRY_S)

    def _connect(self, sock: socket.socket) -> None:
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        fields = (self._name, self._broker.user or "", self._broker.password or "")
        body = b"\x00\x04MQTT\x04\xc2\x00\x00" + b"".join(_text(field.encode()) for field in fields)
        sock.sendall(b"\x10" + _length(len(body)) + body)
        answer = sock.recv(4)
        if answer[3:] != b"\x00":
            raise ConnectionError(f"refused: {answer!r}")

    def _talk(self, sock: socket.socket) -> None:
        """Send on one connection, first what the last one left unanswered."""
        again = list(reversed(self._waiting))
        in_flight: dict[int, int] = {}
        mid, rest = 0, b""
        while not self._done:
            packets = []
            while len(in_flight) < self._window and (again or self._due):
                number = again.pop() if again else self._next()
                mid = mid % 65535 + 1
                in_flight[mid] = number
                packets.append(self._packet(mid, number))
            sock.sendall(b"".join(packets))
            if not select.select([sock], [], [], 0.01)[0]:
                continue
            piece = sock.recv(65536)
            if not piece:
                raise ConnectionError("the broker hung up")
            rest += piece
            now = time.monotonic()
            whole = len(rest) // 4 * 4  # a PUBACK has four bytes, and nothing else comes
            for at in range(0, whole, 4):
                assert rest[at : at + 2] == _PUBACK, rest
                number = in_flight.pop(int.from_bytes(rest[at + 2 : at + 4], "big"))
                self.acknowledged.setdefault(number, now)
                self._waiting.pop(number, None)
            rest = rest[whole:]

    @property
    def _due(self) -> bool:
        return not self._stop.is_set() and self.sent < (time.monotonic() - self._begin) * self._rate

    def _next(self) -> int:
        number = self.sent
        self.sent += 1
        self._waiting[number] = None
        return number

    def _packet(self, mid: int, number: int) -> bytes:
        body = _text(self._topic) + struct.pack(">H", mid) + self._payload(number)
        return b"\x32" + _length(len(body)) + body


def _text(raw: bytes) -> bytes:
    return struct.pack(">H", len(raw)) + raw


def _length(size: int) -> bytes:
    out = bytearray()
    while size > 127:
        out.append(size & 127 | 128)
        size >>= 7
    return bytes((*out, size))
