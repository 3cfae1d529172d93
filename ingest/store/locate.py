"""From where readings are kept, as a setting says it, to the store."""

from __future__ import annotations

import logging
import threading
from pathlib import Path
from typing import Final

from ingest.errors import SettingsError, StoreUnavailable
from ingest.store.readings import ReadingStore
from ingest.store.sqlite import SqliteStore

log = logging.getLogger("ullage.store")

#: The collector makes the store; others that start beside it wait this long before they complain.
PATIENCE_S: Final = 30.0
_RETRY_S: Final = 0.25


def open_readings(location: str, *, writer: bool = False) -> ReadingStore:
    """The readings store at a location: a file for SQLite.

    Raises StoreUnavailable, StoreCorrupt, or SettingsError on a location of an unknown kind.
    """
    if "://" in location:
        raise SettingsError(f"readings = {location!r}: expected the path of a SQLite file")
    return SqliteStore(Path(location), writer=writer)


def await_readings(location: str, stop: threading.Event) -> ReadingStore:
    """The store for reading, once the collector has made it. Raises StoreUnavailable when it does not come."""
    waited_s = 0.0
    while True:
        try:
            return open_readings(location)
        except StoreUnavailable as error:
            if waited_s >= PATIENCE_S or stop.wait(_RETRY_S):
                raise
            if not waited_s:
                log.info("waiting for the readings store: %s", error)
            waited_s += _RETRY_S
