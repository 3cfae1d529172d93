"""How long the API lets people wait: `latest` and `forecast` beside a route that does nothing, in one run.

    python -m tests.bench.api [--sites N] [--clients N] [--requests N] [--rounds N] [--json]

A server of its own process, sites in SQLite, each with its readings and a forecast; every client asks
for a site drawn at random, over a connection that stays open, with a token, and takes gzip. The empty
route is `health/live`: the same application, the same layers around it, the same token.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import random
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Final

import msgspec

from api.access.access import Access
from api.access.scope import READ
from api.role import serve
from api.settings import Settings
from ingest.reading import Reading
from ingest.site import Site
from ingest.sitefile import load_site
from ingest.store.access import AccessStore
from ingest.store.records import Records
from ingest.store.sqlite import SqliteStore
from tests.api.fakes import forecast_of
from tests.conftest import SITES, find_free_port

EMPTY: Final = "/api/v1/health/live"
PATHS: Final = {"empty": EMPTY, "latest": "/api/v1/sites/{}/latest", "forecast": "/api/v1/sites/{}/forecast"}


def now_ms() -> int:
    return time.time_ns() // 1_000_000


def sites_of(count: int) -> dict[str, Site]:
    """So many copies of Skerrow Head."""
    site = load_site(SITES / "skerrow-head.toml")
    return {name: site.model_copy(update={"id": name}) for name in (f"site-{n}" for n in range(count))}


def fill(data: Path, count: int) -> str:
    """Readings and a forecast of every site; a token to ask with."""
    sites, at_ms = sites_of(count), now_ms()
    readings = SqliteStore(data / "readings.db")
    for site in sites.values():
        readings.write([Reading(site.id, at_ms, sensor.id, 1.0 + 0.1 * n) for n, sensor in enumerate(site.sensor)])
    readings.close()
    records = Records(f"sqlite:///{data / 'records.db'}")
    issued = [(name, at_ms, msgspec.json.encode(forecast_of(name, at_ms))) for name in sites]
    for start in range(0, count, 100):
        records.put_forecasts(issued[start : start + 100])
    access = Access(AccessStore(records), now_ms)
    access.add_person("bench", "a kettle on the north wind", "configure")
    token, _ = access.issue("bench", READ, "bench")
    records.close()
    return token


def run_server(data: Path, count: int, port: int) -> None:
    """The role as it runs in use, but for the limits of rate."""
    settings = Settings(data=data, port=port, alarms=False, rate_per_s=1e6)
    records = Records(settings.records)
    readings = SqliteStore(data / "readings.db", writer=False)
    serve(sites_of(count), readings, records, now_ms, settings, threading.Event())


async def ask(port: int, token: str, path: str, count: int, requests: int, seed: int) -> list[float]:
    """One client: seconds from the request to the last byte of its answer."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    chance, seconds = random.Random(seed), []
    for _ in range(requests):
        target = path.format(f"site-{chance.randrange(count)}")
        start = time.perf_counter()
        writer.write(
            f"GET {target} HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {token}\r\n"
            "Accept-Encoding: gzip\r\n\r\n".encode()
        )
        head = await reader.readuntil(b"\r\n\r\n")
        if not head.startswith(b"HTTP/1.1 200"):
            raise RuntimeError(head.decode())
        length = next(line for line in head.lower().split(b"\r\n") if line.startswith(b"content-length:"))
        await reader.readexactly(int(length.split(b":")[1]))
        seconds.append(time.perf_counter() - start)
    writer.close()
    return seconds


async def load(port: int, token: str, path: str, count: int, clients: int, requests: int) -> tuple[list[float], float]:
    """All clients at once: every wait, and how long it took. [s]"""
    start = time.perf_counter()
    asked = [ask(port, token, path, count, requests // clients, seed) for seed in range(clients)]
    waits = [wait for one in await asyncio.gather(*asked) for wait in one]
    return waits, time.perf_counter() - start


def await_server(port: int, process: subprocess.Popen[bytes]) -> None:
    end = time.monotonic() + 60
    while time.monotonic() < end and process.poll() is None:
        try:
            asyncio.run(asyncio.wait_for(asyncio.open_connection("127.0.0.1", port), 1))
        except OSError:
            time.sleep(0.1)
        else:
            return
    raise RuntimeError("the server did not start")


def measure(count: int, clients: int, requests: int, rounds: int) -> dict[str, dict[str, float]]:
    """Milliseconds and requests a second by route; the first round warms up and is not counted."""
    with tempfile.TemporaryDirectory() as folder:
        token, port = fill(Path(folder), count), find_free_port()
        command = [sys.executable, "-m", "tests.bench.api", "--serve", folder, "--sites", str(count)]
        with subprocess.Popen([*command, "--port", str(port)]) as process:
            try:
                await_server(port, process)
                waits: dict[str, list[float]] = {name: [] for name in PATHS}
                took = dict.fromkeys(PATHS, 0.0)
                for turn in range(rounds + 1):
                    for name, path in PATHS.items():
                        found, seconds = asyncio.run(load(port, token, path, count, clients, requests))
                        if turn:
                            waits[name] += found
                            took[name] += seconds
            finally:
                process.terminate()
    return {name: _figures(waits[name], took[name], waits["empty"]) for name in PATHS}


def _figures(waits: list[float], seconds: float, empty: list[float]) -> dict[str, float]:
    return {
        "p50_ms": round(1_000 * quantile(waits, 0.5), 2),
        "p99_ms": round(1_000 * quantile(waits, 0.99), 2),
        "p99_to_empty": round(quantile(waits, 0.99) / quantile(empty, 0.99), 2),
        "requests_s": round(len(waits) / seconds),
    }


def quantile(values: list[float], share: float) -> float:
    return sorted(values)[min(len(values) - 1, int(share * len(values)))]


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sites", type=int, default=1_000)
    parser.add_argument("--clients", type=int, default=50)
    parser.add_argument("--requests", type=int, default=5_000, help="of each route in a round")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--serve", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--port", type=int, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.serve is not None:
        run_server(given.serve, given.sites, given.port)
        return
    figures = measure(given.sites, given.clients, given.requests, given.rounds)
    if given.json:
        print(json.dumps(figures))
        return
    for name, row in figures.items():
        print(f"{name:9}" + "  ".join(f"{key} {value:g}" for key, value in row.items()))


if __name__ == "__main__":
    main()
