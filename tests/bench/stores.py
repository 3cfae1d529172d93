"""How fast and how large the stores are: a site with ten sensors, each heard every minute.

    .venv/bin/python -m tests.bench.stores [--days 365] [--points 200000] [--json]

SQLite: a store of so many days; what its questions take (the median of seven; the file is in the
machine's memory by then). InfluxDB 1.6, by itself and behind nginx: readings a second through
InfluxStore.write, a thousand at a time, as a ratio to posting the same lines, made ready before, by
the standard library's HTTP client, and by the client library that the store uses.
"""

from __future__ import annotations

import argparse
import http.client
import json
import math
import statistics
import tempfile
import time
from base64 import b64encode
from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from pathlib import Path
from urllib.parse import urlsplit

from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from ingest.reading import Reading
from ingest.store.influx import BATCH, InfluxStore
from ingest.store.influx_client import InfluxClient
from ingest.store.influx_lines import Lines
from ingest.store.influx_place import parse_place
from ingest.store.sqlite import SqliteStore
from tests.ingest.store.influxd import PASSWORD, TOKEN, USER, Influxd, Nginx

SITE = "skerrow-head"
SENSORS = [f"post-{number}/level" for number in range(10)]
#: For InfluxDB: a few sites at work. With ten, a thousand readings are a backlog that marks new hours in every batch.
MANY = [f"post-{number}/level" for number in range(200)]
BEGIN_MS = 1_764_547_200_000  # 2025-12-01T00:00:00Z
TIMES = 7


def made(minutes: int, sensors: Sequence[str] = SENSORS) -> Iterator[Reading]:
    """Readings in the order in which they come: levels that rise and fall, to the millimetre as sensors send them."""
    for minute in range(minutes):
        for number, sensor in enumerate(sensors):
            value = round(1.0 + 0.5 * math.sin(minute / 700 + number), 3)
            yield Reading(SITE, BEGIN_MS + minute * MINUTE_MS + number, sensor, value)


def batches(readings: Iterator[Reading], size: int) -> Iterator[list[Reading]]:
    while batch := list(islice(readings, size)):
        yield batch


def took_ms(question: Callable[[], object]) -> float:
    """Median of several. [ms]"""
    times = []
    for _ in range(TIMES):
        begin = time.perf_counter()
        question()
        times.append((time.perf_counter() - begin) * 1000)
    return round(statistics.median(times), 2)


def sqlite_figures(folder: Path, days: int) -> dict[str, float]:
    """What a store of so many days takes, in room and time."""
    file = folder / "readings.db"
    store = SqliteStore(file)
    begin = time.perf_counter()
    for batch in batches(made(days * 1440), 1000):
        store.write(batch)
    written_s = time.perf_counter() - begin
    end_ms = BEGIN_MS + days * DAY_MS
    readings = days * 1440 * len(SENSORS)

    def year() -> object:
        return store.aggregate(SITE, SENSORS[3], BEGIN_MS, end_ms, HOUR_MS, "mean")

    from_readings_ms = took_ms(year)
    begin = time.perf_counter()
    hours = store.roll_up(end_ms)
    rolled_up_s = time.perf_counter() - begin
    figures = {
        "readings": readings,
        "written_per_s": round(readings / written_s),
        "latest_ms": took_ms(lambda: store.latest(SITE, end_ms)),
        "day_raw_ms": took_ms(lambda: store.range(SITE, SENSORS[3], end_ms - DAY_MS, end_ms)),
        "all_in_hourly_means_ms": took_ms(year),
        "the_same_before_roll_up_ms": from_readings_ms,
        "roll_up_s": round(rolled_up_s, 2),
        "hours_rolled_up": hours,
    }
    store.close()
    return figures | {"bytes_per_reading": round(file.stat().st_size / readings, 1)}


def influx_figures(folder: Path, points: int, sensors: Sequence[str]) -> dict[str, float]:
    """Writing through our store against posting ready-made bytes, by itself and behind nginx.

    The three ways take turns batch by batch, each into a database of its own, so that whatever else
    the machine does strikes them alike.
    """
    figures: dict[str, float] = {}
    work = list(batches(islice(made(points, sensors), points), BATCH))
    lines = Lines()
    bodies = ["\n".join(lines.of(batch).lines).encode() for batch in work]
    (folder / "influxd").mkdir()
    (folder / "nginx").mkdir()
    with Influxd(folder / "influxd") as server, Nginx(folder / "nginx", server) as front:
        basic = "Basic " + b64encode(f"{USER}:{PASSWORD}".encode()).decode()
        for way in ("direct", "nginx"):
            url = server.url if way == "direct" else front.url
            path = "/write?db={}&rp=autogen&precision=ms"
            location, secret, authorization = "/?db={}&rp=autogen", f"{USER}:{PASSWORD}", basic
            if way == "nginx":
                path = "/api/v2/write?org=o&bucket={}%2Fautogen&precision=ms"
                location, secret, authorization = "/?org=o&bucket={}/autogen", TOKEN, f"Token {TOKEN}"
            names = [f"{way}-{kind}" for kind in ("ready", "client", "ours")]
            for name in names:
                server.location(name)
            connection = http.client.HTTPConnection(urlsplit(url).netloc, timeout=30)
            places = [parse_place(url + location.format(name), {"ULLAGE_INFLUX_TOKEN": secret}) for name in names[1:]]
            client, store = InfluxClient(places[0]), InfluxStore(places[1], folder / f"{way}.db", writer=True)
            spent = [0.0, 0.0, 0.0]
            for batch, body in zip(work, bodies, strict=True):
                begin = time.perf_counter()
                connection.request("POST", path.format(names[0]), body, {"Authorization": authorization})
                status = connection.getresponse()
                status.read()
                ready = time.perf_counter()
                client.send(places[0].raw, body)
                sent = time.perf_counter()
                store.write(batch)
                done = time.perf_counter()
                assert status.status == 204
                spent = [spent[0] + ready - begin, spent[1] + sent - ready, spent[2] + done - sent]
            assert store.counts()["readings"] == points
            for closing in (connection, client, store):
                closing.close()
            figures[f"{way}_written_per_s"] = round(points / spent[2])
            figures[f"{way}_ratio_to_ready_bytes"] = round(spent[0] / spent[2], 2)
            figures[f"{way}_ratio_same_client"] = round(spent[1] / spent[2], 2)
    return figures


def run(days: int, points: int) -> dict[str, dict[str, float]]:
    """All figures, in a folder that is gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="ullage-bench-") as name:
        figures = {"sqlite": sqlite_figures(Path(name), days)}
        for kind, sensors in (("influxdb", MANY), ("influxdb-backlog", SENSORS)):
            folder = Path(name) / kind
            folder.mkdir()
            figures[kind] = influx_figures(folder, points, sensors)
    return figures


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure the stores of readings.")
    parser.add_argument("--days", type=int, default=365, help="days of one site in SQLite")
    parser.add_argument("--points", type=int, default=200_000, help="readings written to InfluxDB, each time")
    parser.add_argument("--json", action="store_true", help="print JSON")
    options = parser.parse_args()
    figures = run(options.days, options.points)
    if options.json:
        print(json.dumps(figures, indent=2))
        return
    for store, its in figures.items():
        for name, value in its.items():
            print(f"{store:18}{name:32}{value:>14,}")


if __name__ == "__main__":
    main()
