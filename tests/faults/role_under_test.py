"""The ingest role as its command runs it, but for what a fault needs: a slow disk, another store, another clock."""

from __future__ import annotations

import argparse
import contextlib
import logging
import signal
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from ingest.collector import system_clock
from ingest.errors import UllageError
from ingest.reading import Reading, Reject
from ingest.role import READINGS_FILE, IngestSettings, run_ingest
from ingest.store.locate import open_readings
from ingest.store.readings import RollupStore, WriteResult


def slowed(store: RollupStore, commit_s: float) -> RollupStore:
    """Takes its time before each commit: a kill then falls between receiving and committing."""
    write = store.write

    def slow_write(readings: Sequence[Reading], rejects: Sequence[Reject] = ()) -> WriteResult:
        time.sleep(commit_s)
        return write(readings, rejects)

    store.write = slow_write  # type: ignore[method-assign]
    return store


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=Path, required=True)
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--broker", help="left out: the bundled one")
    parser.add_argument("--port", type=int, default=1883, help="of the bundled broker")
    parser.add_argument("--readings", help="left out: SQLite in the data folder")
    parser.add_argument("--commit-s", type=float, default=0.0, help="wait before each commit")
    parser.add_argument("--clock", type=Path, help="file with the seconds by which the clock is wrong")
    options = parser.parse_args()
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s")
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())

    def clock() -> int:
        wrong_s = 0.0
        with contextlib.suppress(OSError, TypeError, ValueError):
            wrong_s = float(options.clock.read_text()) if options.clock else 0.0
        return system_clock() + round(wrong_s * 1000)

    try:
        location = options.readings or str(options.data / READINGS_FILE)
        store = slowed(open_readings(location, writer=True, data=options.data), options.commit_s)
        settings = IngestSettings(options.sites, options.data, options.broker, port=options.port)
        run_ingest(settings, stop, store=store, clock=clock)
        store.close()
    except UllageError as error:
        sys.exit(str(error))


if __name__ == "__main__":
    main()
