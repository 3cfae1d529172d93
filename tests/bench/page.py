"""How long a page takes, and how many bytes it is, with a year stored.

    .venv/bin/python -m tests.bench.page [--days 365] [--rounds 50] [--json]

The example site with its six sensors heard every five minutes, SQLite on disk with its hourly roll-ups,
hourly forecasts of the last three days and their judgements' table. A page is asked for in this process,
without a network; the least and the median of the rounds, for this machine may have other work. Beside
each: the same page with two days stored. Bytes are those of the body, as sent with gzip.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import math
import statistics
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import httpx
from fastapi import FastAPI

from api.app import create_app
from api.settings import Settings
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from ingest.reading import Reading
from ingest.sitefile import load_sites
from ingest.store.records import LogEntry, Records
from ingest.store.sqlite import SqliteStore
from tests.api.fakes import NOW_MS, Clock, forecast_of, put

ROOT: Final = Path(__file__).parent.parent.parent
SITE: Final = "skerrow-head"
PATHS: Final = ("/", f"/sites/{SITE}")
_BATCH: Final = 20_000


def readings(days: int) -> Iterator[Reading]:
    """A tank that rises and falls, meters that run, a battery that charges by day."""
    for at in range(NOW_MS - days * DAY_MS, NOW_MS, 5 * MINUTE_MS):
        hour = at / HOUR_MS
        values = {
            "level": 1.0 + 0.5 * math.sin(hour / 100),
            "taps-total": hour * 3,
            "inflow-total": hour * 4,
            "rain-total": hour * 0.1,
            "irrigation-flow": 0.0,
            "battery": 12.6 + 0.4 * max(0.0, math.sin(hour / 24 * 2 * math.pi)),
        }
        yield from (Reading(SITE, at, f"post-1/{name}", value) for name, value in values.items())


def stored(folder: Path, days: int) -> FastAPI:
    """The application over so many days."""
    store = SqliteStore(folder / "readings.db")
    batch: list[Reading] = []
    for reading in readings(days):
        batch.append(reading)
        if len(batch) == _BATCH:
            store.write(batch)
            batch = []
    store.write(batch)
    while store.roll_up(NOW_MS):
        pass
    records = Records(f"sqlite:///{folder / 'records.db'}")
    for age in range(min(days, 3) * 24, -1, -1):
        put(records, forecast_of(issued_ms=NOW_MS - age * HOUR_MS - 4 * MINUTE_MS))
    for day in range(1, days, 7):
        records.append_log(LogEntry(SITE, NOW_MS - day * DAY_MS, "upkeep", "clean-gutters", "warden"))
    sites = {SITE: load_sites(ROOT / "deploy" / "sites")[SITE]}
    return create_app(sites, store, records, Clock(), Settings(data=folder, demo=True))


async def _ask(app: FastAPI, rounds: int) -> dict[str, Any]:
    """Each page's time and bytes. [ms], [B]"""
    found: dict[str, Any] = {}
    transport = httpx.ASGITransport(app=app)
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
        for path in PATHS:
            spent = []
            for _ in range(rounds + 3):
                begun = time.perf_counter()
                answer = await client.get(path, headers={"Accept-Encoding": "gzip"})
                spent.append(1_000 * (time.perf_counter() - begun))
                assert answer.status_code == 200, answer.status_code
            warm = spent[3:]  # the first ones compile templates and read catalogues
            found[path] = {
                "least_ms": round(min(warm), 2),
                "median_ms": round(statistics.median(warm), 2),
                "body_bytes": int(answer.headers["content-length"]),
            }
    return found


def measure(*, days: int, rounds: int) -> dict[str, Any]:
    """Times and bytes of both pages, over so many days and over two, and the ratio of their least times."""
    found = {}
    for span in (days, 2):
        with tempfile.TemporaryDirectory() as folder:
            found[span] = asyncio.run(_ask(stored(Path(folder), span), rounds))
    return {
        "days": days,
        "pages": found[days],
        "with_two_days": found[2],
        "times_two_days": {p: round(found[days][p]["least_ms"] / found[2][p]["least_ms"], 2) for p in PATHS},
    }


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure how long a page takes, and how many bytes it is.")
    parser.add_argument("--days", type=int, default=365, help="days of readings")
    parser.add_argument("--rounds", type=int, default=50, help="how often each page is asked for")
    parser.add_argument("--json", action="store_true", help="print JSON")
    options = parser.parse_args()
    figures = measure(days=options.days, rounds=options.rounds)
    if options.json:
        print(json.dumps(figures, indent=2))
        return
    for path, page in figures["pages"].items():
        ratio = figures["times_two_days"][path]
        print(
            f"{path:24}{page['least_ms']:>8} ms least {page['median_ms']:>8} ms median {page['body_bytes']:>8} B", ratio
        )


if __name__ == "__main__":
    main()
