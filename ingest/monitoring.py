"""The bundled broker seen from inside: is it well, how much waits in it, and how much may.

NATS answers on a monitoring page of its own; its keeper (`keeper.py`) comes by the server's own protocol.
"""

from __future__ import annotations

import json
import shutil
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any, Final, NamedTuple

from ingest.keeper import MESSAGES, Keeper

_WITHIN_S: Final = 2.0


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

    def keeper(self, password: str) -> Keeper:
        """A connection of the keeper. Raises OSError, ValueError or KeyError while the server does not listen."""
        return Keeper(self._address("nats"), password)

    def _open(self, page: str) -> Any:
        return urllib.request.urlopen(self._url("monitoring") + page, timeout=_WITHIN_S)  # noqa: S310 - loopback, http

    def _address(self, kind: str) -> tuple[str, int]:
        host, _, port = self._url(kind).rpartition("//")[2].rpartition(":")
        return host, int(port)

    def _url(self, kind: str) -> str:
        return str(json.loads(self._ports.read_text(encoding="utf-8"))[kind][0])


def _error_in(body: bytes) -> str | None:
    try:
        return str(json.loads(body)["error"])
    except (ValueError, KeyError, TypeError):
        return None
