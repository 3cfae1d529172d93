"""The bundled broker seen from inside: is it well, how much waits in it, and how much may.

NATS answers on a monitoring page of its own, and lets a keeper, whom only we know, change the
bounds of the stream in which the devices' messages wait.
"""

from __future__ import annotations

import json
import shutil
import socket
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any, Final, NamedTuple

from ingest.errors import BrokerError

KEEPER: Final = "keeper"
#: What the keeper may ask for, and where the answer goes.
MESSAGES: Final = "$MQTT_msgs"
KEEPER_MAY: Final = tuple(f"$JS.API.STREAM.{what}.{MESSAGES}" for what in ("INFO", "CREATE", "UPDATE"))
ANSWERS: Final = "_INBOX.keeper"

_WITHIN_S: Final = 2.0
#: Of the room on disk, what is not for the devices' messages: a full broker must still know its sessions.
_RESERVE: Final = 64_000_000


class Stored(NamedTuple):
    """What waits for the collector.

    messages  how many
    share     of what the bounds and the disk allow, 0 to 1
    """

    messages: int
    share: float


class Monitoring:
    """The pages and the stream of one server.

    ports  the file in which it says where it listens
    """

    def __init__(self, ports: Path) -> None:
        self._ports = ports

    def trouble(self) -> str | None:
        """Why it is not well, in its words; None: it is. It says so too while it starts."""
        try:
            with self._open("/healthz"):
                return None
        except urllib.error.HTTPError as error:
            with error:
                return _error_in(error.read()) or str(error)
        except (OSError, ValueError, KeyError, IndexError) as error:
            return f"it does not answer: {error}"

    def stored(self) -> Stored | None:
        """None: it does not say, or no device has sent anything yet."""
        try:
            with self._open("/jsz?streams=true&config=true") as answer:
                accounts = json.load(answer)["account_details"]
            stream = next(
                stream for account in accounts for stream in account["stream_detail"] if stream["name"] == MESSAGES
            )
            used, most = int(stream["state"]["bytes"]), int(stream["config"]["max_bytes"])
            free = shutil.disk_usage(self._ports.parent).free
            most = used + free if most < 0 else min(most, used + free)
            return Stored(int(stream["state"]["messages"]), used / most if most else 1.0)
        except (OSError, ValueError, KeyError, StopIteration):
            return None

    def bound(self, password: str, max_file_bytes: int) -> None:
        """Let the devices' messages not take everything, and refuse new ones rather than drop old ones.

        Raises BrokerError.
        """
        reserve = min(_RESERVE, max_file_bytes // 8)
        bounds = {"max_bytes": max_file_bytes - reserve, "discard": "new"}
        try:
            with _Keeper(self._address("nats"), password) as keeper:
                for _ in range(2):  # a first device may make the stream between question and answer
                    known = keeper.ask("INFO", {})
                    if "config" in known:
                        told = keeper.ask("UPDATE", {**known["config"], **bounds})
                    else:
                        told = keeper.ask("CREATE", {**_STREAM, **bounds})
                    if "error" not in told:
                        return
        except (OSError, ValueError, KeyError, IndexError) as error:
            raise BrokerError(f"the broker's store cannot be bounded: {error}") from error
        raise BrokerError(f"the broker's store cannot be bounded: {told['error'].get('description')}")

    def _open(self, page: str) -> Any:
        return urllib.request.urlopen(self._url("monitoring") + page, timeout=_WITHIN_S)  # noqa: S310 - loopback, http

    def _address(self, kind: str) -> tuple[str, int]:
        host, _, port = self._url(kind).rpartition("//")[2].rpartition(":")
        return host, int(port)

    def _url(self, kind: str) -> str:
        return str(json.loads(self._ports.read_text(encoding="utf-8"))[kind][0])


#: As the server itself makes it for its MQTT clients (seen in 2.15), but for the bounds.
_STREAM: Final = {
    "name": MESSAGES,
    "subjects": ["$MQTT.msgs.>"],
    "retention": "interest",
    "storage": "file",
    "num_replicas": 1,
}


class _Keeper:
    """A client of the server's own protocol, of which it needs four words: CONNECT, SUB, PUB and PONG."""

    def __init__(self, address: tuple[str, int], password: str) -> None:
        self._socket = socket.create_connection(address, timeout=_WITHIN_S)
        self._lines = self._socket.makefile("rb")
        who = {"user": KEEPER, "pass": password, "verbose": False, "pedantic": False, "lang": "python", "version": "1"}
        self._socket.sendall(f"CONNECT {json.dumps(who)}\r\nSUB {ANSWERS} 1\r\n".encode())

    def ask(self, what: str, about: dict[str, Any]) -> dict[str, Any]:
        """What the server answers to a question about the stream of messages."""
        body = json.dumps(about).encode() if about else b""
        self._socket.sendall(b"PUB $JS.API.STREAM.%b.%b %b %d\r\n%b\r\n" % (
            what.encode(), MESSAGES.encode(), ANSWERS.encode(), len(body), body,
        ))  # fmt: skip
        while line := self._lines.readline():
            if line.startswith(b"PING"):
                self._socket.sendall(b"PONG\r\n")
            elif line.startswith(b"-ERR"):
                raise OSError(line.decode(errors="replace").strip())
            elif line.startswith(b"MSG"):
                answer: dict[str, Any] = json.loads(self._lines.read(int(line.split()[-1]) + 2))
                return answer
        raise OSError("the server hung up")

    def __enter__(self) -> _Keeper:
        return self

    def __exit__(self, *_exc: object) -> None:
        self._lines.close()
        self._socket.close()


def _error_in(body: bytes) -> str | None:
    try:
        return str(json.loads(body)["error"])
    except (ValueError, KeyError, TypeError):
        return None
