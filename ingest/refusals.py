"""What the bundled broker refuses before the collector sees it: wrong passwords, and topics of somebody else.

The broker acknowledges a message that its sender may not publish, and drops it; who gives a wrong
password is only told that he is not authorised. Both stand in the broker's log and nowhere else, so
that is read, and each becomes a reject like that of any other message, its payload not known. The
lines are those of nats-server 2.15; of others nothing is made, and nothing is lost but the hint.
"""

from __future__ import annotations

import logging
import re
from pathlib import Path
from typing import Final

from ingest.continuity import topic_of
from ingest.natsconfig import DEVICE
from ingest.payload import BY_BROKER
from ingest.reading import Reject
from ingest.store.readings import ReadingStore

log = logging.getLogger(__name__)

EVERY_MS: Final = 1_000
#: So many in one look, and so much of the log; who tries passwords by the thousand fills no table.
_MOST: Final = 20
_MOST_BYTES: Final = 200_000
_MOST_TOLD: Final = 1_000
_CLIENT: Final = re.compile(r'\[ERR\] (?P<address>\S+):\d+ - mid:\d+ - "(?P<client>.*?)" - (?P<what>.+)$')
_PUBLISH: Final = re.compile(r'Publish Violation - Subject "(?P<subject>.*)"$')
#: Names that devices have; anything else may be a password in the place of the name, and is not shown.
_NAME: Final = re.compile(rf"{DEVICE}|[^/]{{1,40}}/[^/]{{1,40}}")
_PASSWORD: Final = re.compile(r'authentication error - User "(?P<user>.*)"$')
_NO_NAME: Final = ("authentication error", "empty user name not allowed")
_CUT_OFF: Final = ("character not supported for MQTT topics", "invalid character in client ID")


class Refusals:
    """Reads on in the broker's log from where it ends now, and stores what it refused; cheap to ask often.

    log_file  the broker's, which it only ever adds to
    prefix    first part of the topics
    """

    def __init__(self, log_file: Path, prefix: str, store: ReadingStore) -> None:
        self._file = log_file
        self._prefix = prefix.strip("/")
        self._store = store
        self._place = log_file.stat().st_size if log_file.exists() else 0
        self._due_ms = 0
        self._told: set[tuple[str, str]] = set()

    def work(self, now_ms: int) -> None:
        """Look, if it is time. [UTC ms] Raises what the store raises; then the same lines are read again."""
        if self._due_ms - EVERY_MS <= now_ms < self._due_ms:  # the clock may be set back
            return
        self._due_ms = now_ms + EVERY_MS
        lines, place = self._new_lines()
        found = {(reject.topic, reject.reason): reject for line in lines if (reject := self._reject(line, now_ms))}
        rejects = list(found.values())[:_MOST]
        if rejects:
            self._store.write([], rejects)
        self._place = place
        for reject in rejects:
            self._tell(reject)

    def _new_lines(self) -> tuple[list[str], int]:
        """The whole lines since the last look, and where they end."""
        try:
            size = self._file.stat().st_size
            if size <= self._place:  # it was emptied, or nothing was added
                return [], size
            with self._file.open("rb") as file:
                file.seek(max(self._place, size - _MOST_BYTES))
                text = file.read(_MOST_BYTES)
        except OSError:
            return [], self._place
        whole = text[: text.rfind(b"\n") + 1]
        return whole.decode("utf-8", "replace").splitlines(), size - len(text) + len(whole)

    def _reject(self, line: str, now_ms: int) -> Reject | None:
        found = _CLIENT.search(line)
        if found is None:
            return None
        client, what, address = found["client"], found["what"], found["address"]
        if (published := _PUBLISH.search(what)) is not None:
            topic = topic_of(published["subject"])
            why = (
                f"the device with the client id {client!r} may not publish here. With a password of its own it may to "
                f"{self._prefix}/SITE/DEVICE/senml, by its own SITE and DEVICE, and to topics that its site file names"
            )
        elif (gave := _PASSWORD.search(what)) is not None:
            named = _NAME.fullmatch(gave["user"])
            topic = f"{self._prefix}/{named[0]}" if named else self._prefix
            called = f"called {named[0]!r}" if named else "whose name is none of a device (name and password swapped?)"
            why = (
                f"somebody at {address} {called} gave a name or a password that the broker does not know: give what "
                "`ullage token device SITE/DEVICE` printed, or let it print a new one"
            )
        elif what.startswith(_NO_NAME):
            topic, why = self._prefix, f"somebody at {address} gave no name: a device has a user and a password"
        elif what.startswith(_CUT_OFF):
            topic, why = self._prefix, f"{client!r} at {address} was cut off: {what}. Letters, digits and hyphens go"
        else:
            return None
        return Reject(now_ms, topic, f"{BY_BROKER}: {why}", b"")

    def _tell(self, reject: Reject) -> None:
        """In our own log too, each once."""
        if (reject.topic, reject.reason) in self._told:
            return
        if len(self._told) >= _MOST_TOLD:
            self._told.clear()
        self._told.add((reject.topic, reject.reason))
        log.warning("refused on %s: %s", reject.topic, reject.reason)
