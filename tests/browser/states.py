"""Every page in every state that a reader may meet it in, from stores in memory and a clock that stands.

A state is an application of its own; one server shows one after the other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from fastapi import FastAPI
from starlette.types import Receive, Scope, Send

from api.app import create_app
from api.settings import Settings
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from ingest.reading import Reading
from ingest.site import Site
from ingest.sitefile import load_site
from ingest.store.records import Records, Transition
from tests.api.fakes import NOW_MS, Clock, Here, MemoryReadings, forecast_of, passage, put, rising, tank_forecast
from tests.api.season import season
from tests.browser.serving import serving
from tests.conftest import SITES

SKERROW, TARN = "skerrow-head", "tarn-orchard"


@dataclass(frozen=True)
class Store:
    """What a state is built in."""

    readings: MemoryReadings
    records: Records


@dataclass(frozen=True)
class State:
    """A page in a state.

    build  fills the stores
    demo   whether everybody may see everything; without, a stranger is asked who he is
    """

    name: str
    path: str
    build: Callable[[Store], None]
    demo: bool = True


def _nothing(_: Store) -> None:
    """A service that has heard nothing yet."""


def _heard(store: Store, until_ms: int = NOW_MS) -> None:
    """Ten days of both sites, every quarter of an hour."""
    told = []
    for n in range(10 * 96 + 1):
        at = until_ms - 4 * MINUTE_MS - n * 15 * MINUTE_MS
        days = (NOW_MS - at) / DAY_MS
        taps, inflow = 9100 - 70 * days, 15_400 - (650 if days > 3 else 0) - (400 if days > 6 else 0)
        values = {
            "level": 1.06 + 0.035 * days - (0.3 if days > 3 else 0), "taps-total": taps, "inflow-total": inflow,
            "rain-total": 412.2 - (9 if days > 3 else 0), "irrigation-flow": 0.0,
            "battery": 12.62 + 0.5 * max(0.0, 1 - abs((at % DAY_MS) / DAY_MS - 0.5) * 6),
        }  # fmt: skip
        told += [Reading(SKERROW, at, f"post-1/{name}", value) for name, value in values.items()]
        told += [Reading(TARN, at, f"{tank}-post/level", 0.5 + 0.01 * days) for tank in ("upper", "lower")]
    store.readings.write(told)


def _fresh(store: Store) -> None:
    _heard(store)
    put(store.records, forecast_of(reasons=[], unknown=[]))
    tanks = [tank_forecast("upper", runs_out=rising(2, 4)), tank_forecast("lower", runs_out=rising(6, 9))]
    put(store.records, forecast_of(TARN, tanks=tanks, battery=None))


def _stale(store: Store) -> None:
    """The link dropped yesterday, and the forecast is of then."""
    _heard(store, NOW_MS - DAY_MS)
    put(store.records, forecast_of(issued_ms=NOW_MS - DAY_MS))


def _alarms(store: Store) -> None:
    """Spilling, and the battery weak."""
    _heard(store)
    store.readings.write([Reading(SKERROW, NOW_MS - MINUTE_MS, "post-1/level", 1.8)])
    put(store.records, forecast_of(overflows=passage((0.97,))))
    raised = (
        ("overflow-now:main", "Level of tank main 1.80 m, brim 1.80 m."),
        ("battery-low", "Battery 11.90 V: below 12.00 V."),
        ("nothing-heard:post-1", "Nothing heard."),
    )
    store.records.append_transitions(
        [Transition(SKERROW, alarm, NOW_MS - HOUR_MS, "normal", "unacknowledged", reason) for alarm, reason in raised],
        [],
    )


def _season(store: Store) -> None:
    """A hundred days of one site as the simulator has them, every half hour: long enough for an account."""
    store.readings.write(season(load_site(SITES / f"{SKERROW}.toml"), 100))


STATES: Final = (
    State("setup", "/setup", _nothing, demo=False),
    State("empty-overview", "/", _nothing),
    State("empty", f"/sites/{SKERROW}", _nothing),
    State("overview", "/", _fresh),
    State("fresh", f"/sites/{SKERROW}", _fresh),
    State("two-tanks", f"/sites/{TARN}", _fresh),
    State("stale-overview", "/", _stale),
    State("stale", f"/sites/{SKERROW}", _stale),
    State("alarm-overview", "/", _alarms),
    State("alarm", f"/sites/{SKERROW}", _alarms),
    State("design", f"/sites/{SKERROW}/design", _fresh),
    State("commissioning", f"/sites/{SKERROW}/commissioning", _fresh),
    State("handover", f"/sites/{SKERROW}/handover", _fresh),
    State("people", "/people", _nothing),
    State("error", "/sites/nowhere", _fresh),
    State("account", f"/sites/{SKERROW}/account", _season),
    State("report", f"/sites/{SKERROW}/report", _season),
)


class Stage:
    """Shows one state at a time at one address. What is built alike is built once: only its clock's time is shown."""

    def __init__(self, folder: Path, sites: dict[str, Site]) -> None:
        self._folder = folder
        self._sites = sites
        self._built: dict[tuple[Callable[[Store], None], bool], FastAPI] = {}
        self._shown: FastAPI | None = None
        self._parts = ExitStack()
        self.url = ""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        assert self._shown is not None
        await self._shown(scope, receive, send)

    def show(self, state: State) -> str:
        """The address of a state's page."""
        key = state.build, state.demo
        if key not in self._built:
            self._built[key] = self._app(state)
        self._shown = self._built[key]
        return f"{self.url}{state.path}"

    def _app(self, state: State) -> FastAPI:
        folder = self._folder / str(len(self._built))
        folder.mkdir()
        records = Records(f"sqlite:///{folder / 'records.db'}")
        self._parts.callback(records.close)
        readings = MemoryReadings()
        state.build(Store(readings, records))
        return create_app(
            self._sites, readings, records, Clock(), Settings(data=folder, demo=state.demo), backroom=Here()
        )

    @property
    def setup_code(self) -> str:
        """What the first account of the state shown costs."""
        assert self._shown is not None
        return str(self._shown.state.service.access.offer_setup())

    def close(self) -> None:
        self._parts.close()


@contextmanager
def stage(folder: Path) -> Iterator[Stage]:
    """A server of states."""
    sites = {name: load_site(SITES / f"{name}.toml") for name in (SKERROW, TARN)}
    shown = Stage(folder, sites)
    with serving(shown) as url:
        shown.url = url
        yield shown
    shown.close()
