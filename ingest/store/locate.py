"""From where readings are kept, as a setting says it, to the store."""

from __future__ import annotations

import logging
import os
import threading
from pathlib import Path
from typing import Final

from ingest.errors import SettingsError, StoreUnavailable
from ingest.store.readings import ReadingStore, RollupStore
from ingest.store.sqlite import SqliteStore

log = logging.getLogger("ullage.store")

#: The collector makes the store; others that start beside it wait this long before they complain.
PATIENCE_S: Final = 30.0
_RETRY_S: Final = 0.25
_NOTES_FILE: Final = "influx-notes.db"


def open_readings(location: str, *, writer: bool = False, data: Path = Path("ullage-data")) -> RollupStore:
    """The readings store at a location: the path of a SQLite file, or the http(s) URL of an InfluxDB.

    data  folder for what the InfluxDB store keeps beside the database (influx-notes.db)
    How the URL is written, and where the secret goes, stands in influx_place.py.
    Raises StoreUnavailable, StoreCorrupt, StoreRefused, or SettingsError on a location that cannot be used.
    """
    if location.startswith(("http://", "https://")):
        # Here, because the client library costs 40 MB of memory, which SQLite's users need not pay.
        from ingest.store.influx import InfluxStore  # noqa: PLC0415
        from ingest.store.influx_place import parse_place  # noqa: PLC0415

        return InfluxStore(parse_place(location, os.environ), data / _NOTES_FILE, writer=writer)
    if "://" in location:
        scheme = location.partition("://")[0]
        raise SettingsError(f"readings = {scheme}://…: expected the path of a SQLite file or an http(s) URL")
    return SqliteStore(Path(location), writer=writer)


def await_readings(location: str, stop: threading.Event, data: Path = Path("ullage-data")) -> ReadingStore:
    """The store for reading, once the collector has made it. Raises StoreUnavailable when it does not come."""
    waited_s = 0.0
    while True:
        try:
            return open_readings(location, data=data)
        except StoreUnavailable as error:
            if waited_s >= PATIENCE_S or stop.wait(_RETRY_S):
                raise
            if not waited_s:
                log.info("waiting for the readings store: %s", error)
            waited_s += _RETRY_S
