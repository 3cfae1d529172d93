"""A broker that vanishes: what it had sent before is not lost with it, and nobody waits for it."""

from __future__ import annotations

import socket
import struct
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest

from ingest.brokerurl import BrokerUrl
from ingest.bulk import Message
from ingest.errors import BrokerError
from ingest.session import Session

TOPIC = b"ullage/skerrow-head/post-1/senml"
CONNACK, SUBACK = b"\x20\x02\x00\x00", b"\x90\x03%b\x01"


class Vanishing:
    """Says what a broker says at the beginning, sends messages, and is gone."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.url = BrokerUrl("127.0.0.1", self._listener.getsockname()[1], None, None, False)
        self.connection: socket.socket | None = None

    def greet(self) -> None:
        self.connection, _ = self._listener.accept()
        self.connection.recv(1000)
        self.connection.sendall(CONNACK)
        self.connection.sendall(SUBACK % self.connection.recv(1000)[2:4])

    def send(self, mid: int) -> None:
        assert self.connection is not None
        body = struct.pack(">H", len(TOPIC)) + TOPIC + struct.pack(">H", mid) + b"%d" % mid
        self.connection.sendall(b"\x32" + bytes([len(body)]) + body)

    def vanish(self, *, reset: bool) -> None:
        assert self.connection is not None
        if reset:
            self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.connection.close()

    def close(self) -> None:
        self._listener.close()
        if self.connection is not None:
            self.connection.close()


@pytest.fixture
def broker() -> Iterator[Vanishing]:
    broker = Vanishing()
    yield broker
    broker.close()


def connected(broker: Vanishing) -> Session:
    with ThreadPoolExecutor(1) as pool:
        greeting = pool.submit(broker.greet)
        session = Session(broker.url, "collector", ["ullage/+/+/senml"])
        greeting.result(5)
    return session


def receive(session: Session) -> list[bytes]:
    return [message.payload for message in session.receive(2, 0.05, 0.01, 1000)]


@pytest.mark.parametrize("reset", [False, True])
def test_what_came_before_the_loss_is_received_after_it(broker: Vanishing, reset: bool) -> None:
    with connected(broker) as session:
        broker.send(1)
        first: list[Message] = session.receive(2, 0, 0, 1)
        broker.send(2)
        broker.send(3)
        time.sleep(0.05)  # until the kernel has handed them over
        broker.vanish(reset=reset)
        for _ in range(3):  # the first may go through, on a connection that is closed on one side
            session.acknowledge(first)
        assert receive(session) == [b"2", b"3"]
        begin = time.monotonic()
        session.acknowledge(first)
        with pytest.raises(BrokerError, match=r"lost the broker|hung up"):
            session.receive(2, 0.05, 0.01, 1000)
        assert time.monotonic() - begin < 1


def test_a_loss_while_waiting_is_said_at_once(broker: Vanishing) -> None:
    with connected(broker) as session:
        broker.vanish(reset=False)
        begin = time.monotonic()
        with pytest.raises(BrokerError, match="lost the broker"):
            receive(session)
        assert time.monotonic() - begin < 1
