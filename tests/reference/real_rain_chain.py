"""The whole chain on rain that nobody here invented.

The Schwingbach record drives the simulated roof for a wet and a dry month; its devices speak over
a real broker; the collector stores what they say; and a forecast is issued every morning from what
the store held then, with the record's own year left out. How often does the 90 % band of the level
three days on hold the true level?

    .venv/bin/python -m tests.reference.real_rain_chain [--json]
"""

from __future__ import annotations

import argparse
import json
import tempfile
import threading
from pathlib import Path
from typing import NamedTuple

import numpy as np

from forecast.worker import forecast_site
from ingest.broker import COLLECTOR, DEVICE, Broker
from ingest.brokerurl import parse_url
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, from_rfc3339
from ingest.payload import Decoder
from ingest.reading import Reading
from ingest.role import IngestSettings, run_ingest
from ingest.session import Session
from ingest.site import Site
from ingest.sitefile import load_site
from ingest.store.sqlite import SqliteStore
from ingest.watch import BROKER_SITE, DROPPED
from simulator.packs import senml_messages
from simulator.plant import Plant
from simulator.publish import SiteLinks
from simulator.sensors import Sensors
from simulator.weather import HourlyRain, recorded_weather
from tests.reference.rain_records import schwingbach

SITES = Path(__file__).parent.parent.parent / "deploy" / "sites"
SITE = SITES / "skerrow-head.toml"
#: A wet and a dry month of the record: 217 mm and 8 mm in their first 28 days.
MONTHS = {"wet": "2014-07-01T09:00:00Z", "dry": "2015-05-01T09:00:00Z"}
MORNINGS = 28
LEAD_H = 72
#: What the devices have been saying before the first morning, for roofs and first flush.
_BEFORE_MS = 16 * DAY_MS


class Morning(NamedTuple):
    """One forecast: the 90 % band of the level three days on, and the level that came. [m]"""

    issued_ms: int
    low_m: float
    high_m: float
    came_m: float

    @property
    def held(self) -> bool:
        return self.low_m <= self.came_m <= self.high_m


class Month(NamedTuple):
    """What came of a month: its rain [mm], what was sent and stored, and its mornings."""

    rain_mm: float
    sent: int
    stored: int
    mornings: list[Morning]

    @property
    def held(self) -> float:
        """Share of mornings whose band held the truth."""
        return float(np.mean([morning.held for morning in self.mornings]))


def run_month(first: str, device_url: str, collector_url: str, folder: Path) -> Month:
    """Simulate, send, collect, forecast. first: the first morning (RFC 3339)"""
    site = load_site(SITE)
    record = schwingbach()
    first_ms = from_rfc3339(first)
    start_ms = first_ms - _BEFORE_MS
    hours = (first_ms + MORNINGS * DAY_MS + LEAD_H * HOUR_MS - start_ms) // HOUR_MS
    known = HourlyRain(start_ms + HOUR_MS * np.arange(hours, dtype=np.int64), record.window(start_ms, hours))
    truth = Plant(site, seed=3).run(recorded_weather(site, known, start_ms, hours, seed=3))
    readings = Sensors(site, seed=3, dropout=0.002, slosh_m=0.004).read(truth)
    store = SqliteStore(folder / "readings.db")
    try:
        _send_and_collect(site, readings, device_url, collector_url, folder, store, start_ms + hours * HOUR_MS)
        levels = truth.tanks["main"].level_m
        year = int(first[:4])
        mornings = []
        for day in range(MORNINGS):
            now_ms = first_ms + day * DAY_MS
            band = forecast_site(site, store, record, now_ms, without_year=year).tanks[0].level_m
            came = levels[(now_ms + LEAD_H * HOUR_MS - start_ms) // MINUTE_MS - 1]
            mornings.append(Morning(now_ms, band.p05[LEAD_H - 1], band.p95[LEAD_H - 1], round(float(came), 3)))
        stored = _kept(store, site)
    finally:
        store.close()
    rain_mm = float(record.window(first_ms, MORNINGS * 24).sum())
    return Month(round(rain_mm, 1), len(readings), stored, mornings)


def _send_and_collect(
    site: Site,
    readings: list[Reading],
    device_url: str,
    collector_url: str,
    folder: Path,
    store: SqliteStore,
    end_ms: int,
) -> None:
    """The devices send everything as a backlog while the collector, in a thread, takes it in."""
    stop = threading.Event()
    settings = IngestSettings(SITE, folder, collector_url, client_id=f"collector-{end_ms}")
    # A broker keeps messages for sessions that it knows: this one must be there before the devices.
    Session(parse_url(collector_url), settings.client_id, Decoder({site.id: site}).filters).close()
    collecting = threading.Thread(
        target=run_ingest,
        args=(settings, stop),
        kwargs={"store": store, "clock": lambda: end_ms},
    )
    collecting.start()
    try:
        with SiteLinks(site, device_url, "ullage", stop) as links:
            links.send(senml_messages(site, "ullage", readings, 100))
            links.settle()
        for _ in range(600):
            if _kept(store, site) >= len(readings):
                break
            stop.wait(0.05)
    finally:
        stop.set()
        collecting.join()


def _kept(store: SqliteStore, site: Site) -> int:
    """Readings in the store, without what devices say of their coming and going, and a broker of what it dropped."""
    beside = [(site.id, f"{device}/status") for device in dict.fromkeys(sensor.device for sensor in site.sensor)]
    beside.append((BROKER_SITE, DROPPED))
    return store.counts()["readings"] - sum(len(store.range(*sensor, 0, 2**62)) for sensor in beside)


def main() -> None:
    """Run both months over the bundled broker and print the table."""
    parser = argparse.ArgumentParser(description="The chain on the Schwingbach record, over the bundled broker.")
    parser.add_argument("--json", action="store_true", help="print JSON")
    options = parser.parse_args()
    table = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with Broker(folder / "broker", port=0) as broker:
            for month, first in MONTHS.items():
                table[month] = run_month(first, broker.url(DEVICE), broker.url(COLLECTOR), folder / month)
    rows = [
        {"month": month, "from": MONTHS[month], "rain_mm": found.rain_mm, "readings_sent": found.sent,
         "readings_stored": found.stored, "forecasts": len(found.mornings), "band_90_held": round(found.held, 3)}
        for month, found in table.items()
    ]  # fmt: skip
    if options.json:
        print(json.dumps(rows, indent=2))
        return
    for row in rows:
        print("  ".join(f"{name} {value}" for name, value in row.items()))


if __name__ == "__main__":
    main()
