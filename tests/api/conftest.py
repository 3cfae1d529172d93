"""A web application over an empty site, with a clock that stands."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from api.access.scope import CONFIGURE, ScopeName
from api.app import create_app
from api.settings import Settings
from ingest.reading import Reading
from ingest.site import Site
from ingest.store.records import Records
from tests.api.fakes import NOW_MS, Clock, Here, MemoryReadings


class Client:
    """Calls an application in this process, as a program would; an escaping exception is a 500.

    scope  of the token that it sends; None: it sends none
    """

    def __init__(self, app: FastAPI, scope: ScopeName | None = CONFIGURE) -> None:
        self.app = app
        self.headers = {"Host": "ullage.test"}
        if scope is not None:
            token, _ = app.state.service.access.issue("test", scope, "the tests")
            self.headers["Authorization"] = f"Bearer {token}"

    def get(self, path: str, **options: Any) -> httpx.Response:
        return self.request("GET", path, **options)

    def post(self, path: str, **options: Any) -> httpx.Response:
        return self.request("POST", path, **options)

    def request(self, method: str, path: str, **options: Any) -> httpx.Response:
        options["headers"] = {**self.headers, **options.get("headers", {})}
        return self.send(method, path, "http://ullage.test", "192.0.2.7", **options)

    def send(self, method: str, path: str, base: str, address: str, **options: Any) -> httpx.Response:
        """A request to `base`, seen to come from `address`."""

        async def call() -> httpx.Response:
            transport = httpx.ASGITransport(self.app, raise_app_exceptions=False, client=(address, 40_000))
            async with httpx.AsyncClient(transport=transport, base_url=base) as client:
                return await client.request(method, path, **options)

        return asyncio.run(call())


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def readings() -> MemoryReadings:
    return MemoryReadings()


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Records]:
    kept = Records(f"sqlite:///{tmp_path / 'records.db'}")
    yield kept
    kept.close()


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(data=tmp_path)


@pytest.fixture
def client(
    skerrow_head: Site,
    tarn_orchard: Site,
    readings: MemoryReadings,
    records: Records,
    clock: Clock,
    settings: Settings,
) -> Client:
    sites = {site.id: site for site in (skerrow_head, tarn_orchard)}
    return Client(create_app(sites, readings, records, clock, settings, backroom=Here()))


@pytest.fixture
def heard(readings: MemoryReadings) -> MemoryReadings:
    """Skerrow Head a minute ago: every sensor is fresh; the tank stands at 1.06 m."""
    values = {
        "level": 1.06,
        "inflow-total": 15_400.0,
        "taps-total": 9_100.0,
        "irrigation-flow": 0.0,
        "battery": 12.62,
        "rain-total": 412.2,
    }
    time_ms = NOW_MS - 60_000
    readings.write([Reading("skerrow-head", time_ms, f"post-1/{name}", value) for name, value in values.items()])
    return readings
