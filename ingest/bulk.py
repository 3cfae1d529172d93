"""A socket for paho-mqtt that takes the messages out of the stream by the hundred.

paho reads each packet in three or more steps, one of them a byte long. That is most of what a
message costs. Here the stream is read in large pieces; PUBLISH packets (MQTT 3.1.1 section 3.3)
are taken apart on the spot, and everything else is handed to paho, which goes on to do the rest
of the protocol: connecting, subscribing, keeping alive.
"""

from __future__ import annotations

import socket
import ssl
from typing import Final, NamedTuple

import paho.mqtt.client as mqtt

_PIECE: Final = 1 << 18
_PUBLISH: Final = 0x30
_PUBACK: Final = b"\x40\x02"
#: The length of a packet takes at most four bytes of seven bits (section 2.2.3).
_LENGTH_BITS: Final = 28


class Message(NamedTuple):
    """A message as it came; `mid` and `qos` are for its acknowledgement."""

    topic: str
    payload: bytes
    mid: int
    qos: int


class BulkSocket:
    """Stands in for the socket that paho made.

    inbox, inbox_bytes  messages received and not yet taken, and the size of their payloads
    """

    def __init__(self, sock: socket.socket) -> None:
        self.sock = sock
        self.inbox: list[Message] = []
        self.inbox_bytes = 0
        self._stream = b""
        self._control = bytearray()
        self._topics: dict[bytes, str] = {}

    def recv(self, size: int) -> bytes:
        """What paho may see of the stream. Raises BlockingIOError when there is nothing for it now."""
        if not self._control and not self._fill():
            return b""
        if not self._control:
            raise BlockingIOError
        part = bytes(self._control[:size])
        del self._control[:size]
        return part

    def send(self, data: bytes) -> int:
        return self.sock.send(data)

    def take(self) -> list[Message]:
        """The messages of the inbox, which is then empty."""
        taken, self.inbox, self.inbox_bytes = self.inbox, [], 0
        return taken

    @property
    def control(self) -> bool:
        """Whether paho has packets to read without the network."""
        return bool(self._control)

    def fileno(self) -> int:
        return self.sock.fileno()

    def setblocking(self, flag: bool) -> None:
        self.sock.setblocking(flag)

    def close(self) -> None:
        self.sock.close()

    def pending(self) -> int:
        """Bytes that TLS has decrypted and a selector cannot see."""
        return self.sock.pending() if isinstance(self.sock, ssl.SSLSocket) else 0

    def _fill(self) -> bool:
        """Read one piece and sort its packets; False when the other side has hung up."""
        piece = self.sock.recv(_PIECE)
        if not piece:
            return False
        stream = self._stream + piece if self._stream else piece
        self._stream = stream[self._sort(stream) :]
        return True

    def _sort(self, stream: bytes) -> int:
        """Take whole packets from the front: messages to the inbox, the rest to paho. Returns their length."""
        begin, end = 0, len(stream)
        inbox, topics = self.inbox, self._topics
        while begin + 2 <= end:
            first, length, body = stream[begin], stream[begin + 1], begin + 2
            if length > 127:
                measured = _length(stream, begin + 1)
                if measured is None:
                    break
                length, body = measured
            following = body + length
            if following > end:
                break
            if first & 0xF0 != _PUBLISH:
                self._control += stream[begin:following]
            else:
                text = body + 2 + (stream[body] << 8 | stream[body + 1])
                qos = first >> 1 & 3
                after = text + 2 if qos else text
                if after > following:
                    raise ConnectionError("the broker sent a message that ends within its topic")
                raw = stream[body + 2 : text]
                topic = topics.get(raw) or self._name(raw)
                mid = stream[text] << 8 | stream[text + 1] if qos else 0
                inbox.append(Message(topic, stream[after:following], mid, qos))
                self.inbox_bytes += following - after
            begin = following
        return begin

    def _name(self, raw: bytes) -> str:
        """The text of a topic; topics come again and again."""
        if len(self._topics) > 10_000:
            self._topics.clear()
        self._topics[raw] = topic = raw.decode("utf-8", "replace")
        return topic


class BulkClient(mqtt.Client):
    """paho's client on a `BulkSocket`."""

    bulk: BulkSocket | None = None

    def _create_socket(self) -> BulkSocket:  # type: ignore[override]
        self.bulk = BulkSocket(super()._create_socket())  # type: ignore[arg-type]
        return self.bulk


def pubacks(messages: list[Message]) -> bytes:
    """The acknowledgements of messages, in their order, as the bytes to send."""
    return b"".join([_PUBACK + message.mid.to_bytes(2, "big") for message in messages if message.qos])


def _length(stream: bytes, position: int) -> tuple[int, int] | None:
    """A packet's length of more than one byte, and where its body begins; None: not all there yet."""
    length = shift = 0
    while shift < _LENGTH_BITS:
        if position >= len(stream):
            return None
        byte = stream[position]
        length |= (byte & 127) << shift
        position += 1
        shift += 7
        if byte < 128:
            return length, position
    raise ConnectionError("the broker sent a packet of no valid length")
