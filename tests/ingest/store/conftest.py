"""Every reading store, for the suite that all of them must pass.

A new store joins by one more entry in `KINDS` and a fixture that opens it, again and again on the
same data. InfluxDB is Debian's influxd 1.6.7 with its users switched on, met in two ways: by itself
at /write, as a 1.x, and through nginx as if it were a 2.x, at /api/v2/write with a token. 1.6 has no
such address, and nginx has no store: together they test what we send to a 2.x, not a 2.x.

The records stand in SQLite and in Debian's PostgreSQL, side by side.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from ingest.store.influx import InfluxStore
from ingest.store.influx_place import TOKEN_VARIABLE, parse_place
from ingest.store.readings import RollupStore
from ingest.store.records import Records
from ingest.store.sqlite import SqliteStore
from tests.ingest.store.answering import Answering, kindly
from tests.ingest.store.influxd import TOKEN, Influxd, Nginx
from tests.postgres import Postgres

RECORDS = ("sqlite", "postgresql")
Open = Callable[[], RollupStore]
OpenInflux = Callable[[str], InfluxStore]


@dataclass(frozen=True)
class Kind:
    """A store, and what it promises beyond the protocol.

    first_wins  of two readings of one sensor and instant the first is kept; else the last
    atomic      a batch is seen whole or not at all
    """

    name: str
    first_wins: bool
    atomic: bool


KINDS = [
    Kind("sqlite", first_wins=True, atomic=True),
    Kind("influx-1", first_wins=False, atomic=False),
    Kind("influx-2", first_wins=False, atomic=False),
]


@pytest.fixture(params=RECORDS)
def new_database(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The URL of a database for records, of each kind, without a table."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'records.db'}"
    server: Postgres = request.getfixturevalue("postgres")
    return server.empty()


@pytest.fixture(params=RECORDS)
def records(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Records]:
    """An empty store of records, of each kind."""
    if request.param == "sqlite":
        store = Records(f"sqlite:///{tmp_path / 'records.db'}")
    else:
        server: Postgres = request.getfixturevalue("postgres")
        store = Records(server.migrated())
    yield store
    store.close()


@pytest.fixture(scope="session")
def influxd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influxd]:
    """A running influxd, for all tests that do not kill it."""
    with Influxd(tmp_path_factory.mktemp("influxd")) as server:
        yield server


@pytest.fixture(scope="session")
def nginx(influxd: Influxd, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Nginx]:
    """nginx before it."""
    with Nginx(tmp_path_factory.mktemp("nginx"), influxd) as server:
        yield server


_databases = itertools.count()


@pytest.fixture
def influx_location(influxd: Influxd) -> str:
    """Two fresh databases."""
    return influxd.location(f"ullage{next(_databases)}")


@pytest.fixture(params=KINDS, ids=lambda kind: kind.name)
def kind(request: pytest.FixtureRequest) -> Kind:
    chosen: Kind = request.param
    return chosen


@pytest.fixture
def open_store(kind: Kind, request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Open]:
    """Opens the store under test; what was opened is closed at the end."""
    opened: list[RollupStore] = []
    if kind.name == "sqlite":
        make: Open = lambda: SqliteStore(tmp_path / "readings.db")  # noqa: E731
    else:
        server: Influxd = request.getfixturevalue("influxd")
        name = f"ullage{next(_databases)}"
        location, environment = server.location(name), {}
        if kind.name == "influx-2":
            front: Nginx = request.getfixturevalue("nginx")
            location, environment = f"{front.url}/?org=observatory&bucket={name}/autogen", {TOKEN_VARIABLE: TOKEN}
        place = parse_place(location, environment)
        make = lambda: InfluxStore(place, tmp_path / "notes.db", writer=True)  # noqa: E731

    def opener() -> RollupStore:
        opened.append(make())
        return opened[-1]

    yield opener
    for store in opened:
        store.close()


@pytest.fixture
def store(open_store: Open) -> RollupStore:
    return open_store()


@pytest.fixture
def server() -> Iterator[Answering]:
    with Answering(kindly).running() as server:
        yield server


@pytest.fixture
def open_influx(tmp_path: Path) -> Iterator[OpenInflux]:
    stores: list[InfluxStore] = []

    def opener(location: str) -> InfluxStore:
        stores.append(InfluxStore(parse_place(location, {}), tmp_path / "notes.db", writer=True))
        return stores[-1]

    yield opener
    for store in stores:
        store.close()
