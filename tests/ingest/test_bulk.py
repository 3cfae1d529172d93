"""The broker's stream, however it is cut: messages to the inbox, everything else to paho."""

from __future__ import annotations

import socket
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.bulk import BulkSocket, Message, pubacks

PINGRESP = b"\xd0\x00"


def length(size: int) -> bytes:
    out = bytearray()
    while True:
        size, digit = divmod(size, 128)
        out.append(digit | (128 if size else 0))
        if not size:
            return bytes(out)


def publish(message: Message) -> bytes:
    topic = message.topic.encode()
    body = len(topic).to_bytes(2, "big") + topic
    body += message.mid.to_bytes(2, "big") if message.qos else b""
    body += message.payload
    return bytes([0x30 | message.qos << 1]) + length(len(body)) + body


@pytest.fixture
def ends() -> Iterator[tuple[BulkSocket, socket.socket]]:
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    yield BulkSocket(ours), theirs
    ours.close()
    theirs.close()


def drain(bulk: BulkSocket) -> bytes:
    """What paho would read."""
    seen = b""
    while True:
        try:
            seen += bulk.recv(1)
        except BlockingIOError:
            if not bulk.control:
                return seen


messages = st.builds(
    lambda topic, payload, mid, qos: Message(topic, payload, mid if qos else 0, qos),
    st.text(st.characters(codec="utf-8", exclude_characters="\0+#"), min_size=1, max_size=20),
    st.binary(max_size=300),
    st.integers(1, 65535),
    st.sampled_from([0, 1]),
)


@given(sent=st.lists(messages, max_size=8), cuts=st.lists(st.integers(1, 40), min_size=1, max_size=60))
def test_messages_come_whole_and_in_order_wherever_the_stream_is_cut(sent: list[Message], cuts: list[int]) -> None:
    ours, theirs = socket.socketpair()
    with ours, theirs:
        ours.setblocking(False)
        bulk = BulkSocket(ours)
        stream = b"".join(publish(message) + PINGRESP for message in sent)
        control, position, turn = b"", 0, 0
        while position < len(stream):
            step = cuts[turn % len(cuts)]
            theirs.sendall(stream[position : position + step])
            position, turn = position + step, turn + 1
            control += drain(bulk)
        assert bulk.inbox_bytes == sum(len(message.payload) for message in sent)
        assert bulk.take() == sent
        assert control == PINGRESP * len(sent)
        assert (bulk.inbox, bulk.inbox_bytes) == ([], 0)


def test_a_packet_longer_than_a_piece_is_put_together(ends: tuple[BulkSocket, socket.socket]) -> None:
    bulk, theirs = ends
    big = Message("a/b", bytes(70_000), 7, 1)
    stream = publish(big)
    for position in range(0, len(stream), 9_000):
        theirs.sendall(stream[position : position + 9_000])
        drain(bulk)
    assert bulk.take() == [big]


def test_the_other_side_hanging_up_is_the_end_of_the_stream(ends: tuple[BulkSocket, socket.socket]) -> None:
    bulk, theirs = ends
    theirs.sendall(PINGRESP)
    theirs.close()
    assert bulk.recv(10) == PINGRESP
    assert bulk.recv(10) == b""


@pytest.mark.parametrize("packet", [b"\x32\x80\x80\x80\x80\x01", b"\x32\x03\x00\x09a"])
def test_a_stream_that_is_no_mqtt_ends_the_connection(packet: bytes, ends: tuple[BulkSocket, socket.socket]) -> None:
    bulk, theirs = ends
    theirs.sendall(packet)
    with pytest.raises(ConnectionError):
        bulk.recv(1)


def test_only_what_asked_for_it_is_acknowledged() -> None:
    assert pubacks([Message("a", b"", 258, 1), Message("a", b"", 0, 0), Message("a", b"", 3, 1)]) == (
        b"\x40\x02\x01\x02\x40\x02\x00\x03"
    )
