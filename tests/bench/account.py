"""How long the account of a year takes, beside reading that year's minutes one by one.

A site-year of six sensors heard every minute (3,153,600 readings) in SQLite, rolled up by the hour as
the collector does. The account reads the hours; the ratio says what it would cost to read the
readings of its sensors themselves.

    .venv/bin/python -m tests.bench.account [--json] [--days 365]
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

import numpy as np

from forecast.account.account import account
from forecast.account.measured import Measured, read_measured
from ingest.instants import DAY_MS, MINUTE_MS, from_rfc3339
from ingest.reading import Reading
from ingest.site import Site
from ingest.sitefile import load_site
from ingest.store.sqlite import SqliteStore
from tests.conftest import SITES

START_MS: Final = from_rfc3339("2025-01-01T00:00:00Z")
_ROUNDS: Final = 5


def filled(site: Site, store: SqliteStore, days: int) -> int:
    """A year of plausible figures, every minute; how many."""
    minutes = days * 24 * 60
    rng = np.random.default_rng(1)
    rain_mm = np.cumsum((rng.random(minutes) < 0.002) * rng.gamma(0.8, 1.0, minutes))
    drawn = np.cumsum((rng.random(minutes) < 0.01) * 5.0)
    columns = {
        "post-1/level": 1.0 + 0.6 * np.sin(np.arange(minutes) / 40_000) + rng.normal(0, 0.004, minutes),
        "post-1/inflow-total": rain_mm * 60,
        "post-1/taps-total": drawn,
        "post-1/irrigation-flow": np.zeros(minutes),
        "post-1/battery": np.full(minutes, 12.6),
        "post-1/rain-total": rain_mm,
    }
    for first in range(0, minutes, 10_000):
        block = range(first, min(minutes, first + 10_000))
        store.write([
            Reading(site.id, START_MS + minute * MINUTE_MS, sensor, float(values[minute]))
            for minute in block
            for sensor, values in columns.items()
        ])  # fmt: skip
    store.roll_up(START_MS + (days + 1) * DAY_MS)
    return minutes * len(columns)


def median_s(work: Callable[[], object], rounds: int = _ROUNDS) -> float:
    """Seconds of processor time, the median of some rounds."""
    took = []
    for _ in range(rounds):
        start = time.process_time()
        work()
        took.append(time.process_time() - start)
    return float(np.median(took))


def measure(days: int) -> dict[str, float]:
    """Seconds and ratios."""
    site = load_site(SITES / "skerrow-head.toml")
    end_ms = START_MS + days * DAY_MS
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore(Path(folder) / "readings.db")
        readings = filled(site, store, days)

        def hours() -> Measured:
            return read_measured(site, store, START_MS, end_ms)

        def minutes() -> int:
            sensors = [sensor.id for sensor in site.sensor if sensor.measures != "battery.voltage"]
            return sum(len(store.range(site.id, sensor, START_MS, end_ms, limit=readings)) for sensor in sensors)

        measured = hours()
        account(site, measured)  # the compiler's turn
        read_s, made_s = median_s(hours), median_s(lambda: account(site, measured))
        raw_s = median_s(minutes, 1)
        store.close()
    read_s, made_s = round(read_s, 3), round(made_s, 3)
    whole_s = read_s + made_s
    return {
        "days": days,
        "readings": readings,
        "read_hours_s": read_s,
        "account_s": made_s,
        "together_s": round(whole_s, 3),
        "read_minutes_s": round(raw_s, 3),
        "reading_minutes_over_the_account": round(raw_s / whole_s, 2),
    }


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description="What the account of a year costs.")
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.add_argument("--days", type=int, default=365, help="days of readings")
    options = parser.parse_args()
    found = measure(options.days)
    if options.json:
        print(json.dumps(found, indent=2))
        return
    for name, value in found.items():
        print(f"{name:34}{value:>12}")


if __name__ == "__main__":
    main()
