"""The ingest role on a slow disk: a kill then falls between receiving and committing more often than not."""

from __future__ import annotations

import signal
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from ingest.reading import Reading, Reject
from ingest.role import IngestSettings, run_ingest
from ingest.store.readings import WriteResult
from ingest.store.sqlite import SqliteStore


class SlowDisk(SqliteStore):
    """Takes its time before each commit."""

    def write(self, readings: Sequence[Reading], rejects: Sequence[Reject] = ()) -> WriteResult:
        time.sleep(0.05)
        return super().write(readings, rejects)


def main(sites: str, data: str, broker_url: str) -> None:
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    store = SlowDisk(Path(data) / "readings.db")
    run_ingest(IngestSettings(Path(sites), Path(data), broker_url), stop, store=store)


if __name__ == "__main__":
    import logging

    logging.basicConfig(level=logging.INFO)
    main(*sys.argv[1:])
