"""The bundled broker's keeper: a client of the server's own protocol, which looks after the devices' messages.

Only this process knows its password, and it may do no more than what stands here. The requests are
those of NATS' JetStream API, as its documentation and the server's sources of 2.15 have them.
"""

from __future__ import annotations

import base64
import json
import socket
from collections.abc import Iterator
from typing import Any, Final, NamedTuple

#: Name of the keeper, and of the stream in which the devices' messages wait.
KEEPER: Final = "keeper"
MESSAGES: Final = "$MQTT_msgs"
#: The stream in which the server keeps what it knows of its MQTT clients.
SESSIONS: Final = "$MQTT_sess"
#: The subjects of the devices' messages.
SUBJECTS: Final = "$MQTT.msgs.>"
#: Where the server's answers go.
ANSWERS: Final = "_INBOX.keeper"
#: The keeper's own subscription, which only holds messages.
HOLD: Final = "hold"
_API: Final = "$JS.API."
_STREAM_REQUESTS: Final = ("INFO", "CREATE", "UPDATE", "MSG.GET", "PURGE")
#: What the keeper may publish to.
KEEPER_MAY: Final = (
    *(f"{_API}STREAM.{what}.{MESSAGES}" for what in _STREAM_REQUESTS),
    f"{_API}STREAM.MSG.GET.{SESSIONS}",
    f"{_API}CONSUMER.CREATE.{MESSAGES}.{HOLD}",
    f"{_API}CONSUMER.LIST.{MESSAGES}",
    f"{_API}CONSUMER.DELETE.{MESSAGES}.*",
    SUBJECTS,
)

_WITHIN_S: Final = 5.0
#: The server's codes for "no message found" and "stream not found".
_NO_MESSAGE: Final = 10037
_NO_STREAM: Final = 10059
#: As the server itself makes it for its MQTT clients (seen in 2.15), but for the bounds.
_STREAM: Final = {
    "name": MESSAGES,
    "subjects": [SUBJECTS],
    "retention": "interest",
    "storage": "file",
    "num_replicas": 1,
}


class Waiting(NamedTuple):
    """A message as it lies in the broker: its place, subject, headers, and what the device sent."""

    place: int
    subject: str
    headers: bytes
    payload: bytes


class Keeper:
    """A connection. Every method raises OSError when the server refuses or hangs up."""

    def __init__(self, address: tuple[str, int], password: str) -> None:
        self._socket = socket.create_connection(address, timeout=_WITHIN_S)
        self._lines = self._socket.makefile("rb")
        who: dict[str, Any] = {"user": KEEPER, "pass": password, "verbose": False, "pedantic": False, "headers": True}
        self._socket.sendall(
            f"CONNECT {json.dumps({**who, 'lang': 'python', 'version': '1'})}\r\nSUB {ANSWERS} 1\r\n".encode()
        )

    def bound(self, max_bytes: int) -> None:
        """Let the devices' messages take so much, and refuse new ones rather than drop old ones."""
        bounds = {"max_bytes": max_bytes, "discard": "new"}
        for last in (False, True):  # a first device may make the stream between question and answer
            try:
                known = self._stream("INFO")
            except OSError:
                known = {}
            try:
                if "config" in known:
                    self._stream("UPDATE", {**known["config"], **bounds})
                else:
                    self._stream("CREATE", {**_STREAM, **bounds})
            except OSError:
                if last:
                    raise
            else:
                return

    def session_of(self, client_id: str) -> dict[str, str] | None:
        """The subscriptions that belong to a client's session, as `subscriptions` has them; None: no such session.

        Asked here and not by connecting: whoever connects is sent what waits, and when he goes without
        a word it waits once more, for the time after which the server repeats itself.
        """
        place = 0
        while True:
            answer = self._request(f"STREAM.MSG.GET.{SESSIONS}", {"seq": place + 1, "next_by_subj": ">"})
            if answer.get("error", {}).get("err_code") in (_NO_MESSAGE, _NO_STREAM):
                return None
            message = _checked(answer)["message"]
            place = int(message["seq"])
            kept = json.loads(base64.b64decode(message["data"]))
            if kept.get("id") == client_id:
                return {one["durable_name"]: one["filter_subject"] for one in (kept.get("cons") or {}).values()}

    def subscriptions(self) -> dict[str, str]:
        """For whom messages are kept: the subject of each subscription, by the server's name for it."""
        found: dict[str, str] = {}
        while True:
            page = self._ask(f"CONSUMER.LIST.{MESSAGES}", {"offset": len(found)})
            found |= {entry["name"]: entry["config"].get("filter_subject", "") for entry in page["consumers"] or []}
            if len(found) >= int(page["total"]) or not page["consumers"]:
                return found

    def hold(self) -> None:
        """Keep every message, whoever else wants it, until `HOLD` is dropped."""
        policy = {"ack_policy": "explicit", "deliver_policy": "all"}
        config = {"name": HOLD, "durable_name": HOLD, **policy}
        self._ask(f"CONSUMER.CREATE.{MESSAGES}.{HOLD}", {"stream_name": MESSAGES, "config": config})

    def drop(self, subscription: str) -> None:
        """Keep nothing for it any more."""
        self._ask(f"CONSUMER.DELETE.{MESSAGES}.{subscription}", {})

    def forget(self, last_place: int) -> None:
        """Drop all messages up to a place, whoever they are for."""
        self._stream("PURGE", {"seq": last_place + 1})

    def last_place(self) -> int:
        """Place of the newest message there ever was."""
        return int(self._stream("INFO")["state"]["last_seq"])

    def waiting(self, last_place: int) -> Iterator[Waiting]:
        """The messages up to a place, oldest first."""
        place = 0
        while True:
            answer = self._request(f"STREAM.MSG.GET.{MESSAGES}", {"seq": place + 1, "next_by_subj": SUBJECTS})
            if answer.get("error", {}).get("err_code") == _NO_MESSAGE:
                return
            message = _checked(answer)["message"]
            place = int(message["seq"])
            if place > last_place:
                return
            headers, payload = (base64.b64decode(message.get(name) or "") for name in ("hdrs", "data"))
            yield Waiting(place, message["subject"], headers, payload)

    def put(self, message: Waiting) -> None:
        """Put it in again, behind the others. Returns when it is on disk."""
        size = len(message.headers)
        sizes = f"{size} {size + len(message.payload)}" if size else str(len(message.payload))
        words = f"{'HPUB' if size else 'PUB'} {message.subject} {ANSWERS} {sizes}\r\n"
        self._socket.sendall(words.encode() + message.headers + message.payload + b"\r\n")
        _checked(self._answer())

    def close(self) -> None:
        self._lines.close()
        self._socket.close()

    def __enter__(self) -> Keeper:
        return self

    def __exit__(self, *_exc: object) -> None:
        self.close()

    def _stream(self, what: str, about: dict[str, Any] | None = None) -> dict[str, Any]:
        return self._ask(f"STREAM.{what}.{MESSAGES}", about or {})

    def _ask(self, request: str, about: dict[str, Any]) -> dict[str, Any]:
        return _checked(self._request(request, about))

    def _request(self, request: str, about: dict[str, Any]) -> dict[str, Any]:
        body = json.dumps(about) if about else ""
        self._socket.sendall(f"PUB {_API}{request} {ANSWERS} {len(body)}\r\n{body}\r\n".encode())
        return self._answer()

    def _answer(self) -> dict[str, Any]:
        while line := self._lines.readline():
            if line.startswith(b"PING"):
                self._socket.sendall(b"PONG\r\n")
            elif line.startswith(b"-ERR"):
                raise OSError(line.decode(errors="replace").strip())
            elif line.startswith(b"MSG"):
                answer: dict[str, Any] = json.loads(self._lines.read(int(line.split()[-1]) + 2))
                return answer
            elif line.startswith(b"HMSG"):  # nobody there: the server says so in a header
                self._lines.read(int(line.split()[-1]) + 2)
                raise OSError("the server does not keep messages now")
        raise OSError("the server hung up")


def _checked(answer: dict[str, Any]) -> dict[str, Any]:
    if "error" in answer:
        raise OSError(str(answer["error"].get("description", answer["error"])))
    return answer
