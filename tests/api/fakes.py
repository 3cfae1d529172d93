"""Stand-ins for tests: a store of readings in memory, a clock that is set, and forecasts made by hand."""

from __future__ import annotations

import pickle
from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Callable, Sequence
from typing import Any

import msgspec

from forecast.aside import do
from forecast.backroom import Backroom
from forecast.result import Bands, BatteryForecast, Forecast, Input, Passage, TankForecast
from ingest.errors import StoreError
from ingest.instants import HOUR_MS, from_rfc3339
from ingest.reading import Reading, Reject
from ingest.store.readings import Aggregate, Bucket, WriteResult

#: A Wednesday, before noon; Europe/London is on UTC.
NOW_MS = from_rfc3339("2026-11-25T12:04:00Z")


_FIGURES: dict[str, Callable[[list[float]], float]] = {
    "mean": lambda values: sum(values) / len(values),
    "min": min,
    "max": max,
    "first": lambda values: values[0],
    "last": lambda values: values[-1],
    "count": len,
}


class Here(Backroom):
    """Does at once and in this process what the real one does in another; by pickles too, as they travel."""

    def ask(self, name: str, *arguments: object) -> Any:
        result, failure = pickle.loads(pickle.dumps(do(name, pickle.loads(pickle.dumps(arguments)))))
        if failure is not None:
            raise failure
        return result


class Clock:
    """A clock that stands until it is set."""

    def __init__(self, now_ms: int = NOW_MS) -> None:
        self.now_ms = now_ms

    def __call__(self) -> int:
        return self.now_ms


def _time(reading: Reading) -> int:
    return reading.time_ms


class MemoryReadings:
    """Readings in memory, kept as the protocol says. `failure`: every call raises it."""

    def __init__(self) -> None:
        self.kept: dict[tuple[str, str], list[Reading]] = defaultdict(list)
        self.refused: list[Reject] = []
        self.failure: StoreError | None = None

    def write(self, readings: Sequence[Reading], rejects: Sequence[Reject] = ()) -> WriteResult:
        self.ping()
        for reading in readings:
            kept = self.kept[reading.site, reading.sensor]
            place = bisect_left(kept, reading.time_ms, key=_time)
            if place == len(kept) or kept[place].time_ms != reading.time_ms:
                kept.insert(place, reading)
        return WriteResult(len(readings), [])

    def latest(self, site: str, until_ms: int) -> dict[str, Reading]:
        self.ping()
        found = {}
        for (kept_site, sensor), kept in self.kept.items():
            until = bisect_right(kept, until_ms, key=_time)
            newest = next((reading for reading in reversed(kept[:until]) if reading.usable), None)
            if kept_site == site and newest is not None:
                found[sensor] = newest
        return found

    def range(
        self, site: str, sensor: str, start_ms: int, end_ms: int, *, limit: int = 100_000, usable: bool = True
    ) -> list[Reading]:
        self.ping()
        kept = self.kept.get((site, sensor), [])
        within = kept[bisect_left(kept, start_ms, key=_time) : bisect_left(kept, end_ms, key=_time)]
        return [reading for reading in within if reading.usable or not usable][:limit]

    def aggregate(
        self, site: str, sensor: str, start_ms: int, end_ms: int, every_ms: int, fn: Aggregate
    ) -> list[Bucket]:
        values = defaultdict(list)
        for reading in self.range(site, sensor, start_ms, end_ms):
            values[reading.time_ms - reading.time_ms % every_ms].append(reading.value)
        return [Bucket(start, _FIGURES[fn](held), len(held)) for start, held in values.items()]

    def rejects(self, limit: int = 100, before: tuple[int, int] | None = None) -> list[Reject]:
        return [one for one in self.refused if before is None or (one.time_ms, one.id) < before][:limit]

    def counts(self) -> dict[str, int]:
        return {"readings": sum(map(len, self.kept.values())), "rejects": 0}

    def ping(self) -> None:
        if self.failure is not None:
            raise self.failure

    def close(self) -> None:
        pass


def passage(by_day: Sequence[float] = (), days: int = 16) -> Passage:
    """A first passage with these probabilities by day, the last one going on to the horizon."""
    filled = [*by_day, *[by_day[-1] if by_day else 0.0] * (days - len(by_day))]
    return Passage(filled, filled[-1])


def rising(first: float, last: float, days: int = 16) -> Passage:
    """A passage whose probability rises evenly from 0 at day `first` to 1 at day `last`."""
    by_day = [min(1.0, max(0.0, (d + 1 - first) / (last - first))) for d in range(days)]
    return Passage(by_day, by_day[-1])


def falling(start: float, per_day: float, spread: float, low: float, high: float, hours: int = 384) -> Bands:
    """Bands that fall evenly and open like a fan, kept between two bounds."""

    def line(shift: float) -> list[float]:
        return [
            round(min(high, max(low, start - per_day * h / 24 + shift * spread * h / 24)), 3)
            for h in range(1, hours + 1)
        ]

    return Bands(line(-1), line(-0.4), line(0), line(0.4), line(1))


def tank_forecast(tank: str = "main", **changes: Any) -> TankForecast:
    """A tank that slowly empties; the figures fit the main tank of Skerrow Head."""
    usual: dict[str, Any] = {
        "tank": tank,
        "start_level_m": 1.06,
        "start_volume_l": 2131.0,
        "start_sd_l": 8.0,
        "dead_l": 241.3,
        "capacity_l": 3619.1,
        "level_m": falling(1.06, 0.08, 0.05, 0.12, 1.8),
        "volume_l": falling(2131, 160, 100, 241, 3619),
        "runs_out": rising(8.5, 14.5),
        "overflows": passage((0.0, 0.01, 0.02, 0.04)),
        "spill_l": falling(0, 0, 0, 0, 0),
        "spill_peak_l_min": 0.0,
    }
    return TankForecast(**(usual | changes))


def forecast_of(site: str = "skerrow-head", issued_ms: int = NOW_MS - 4 * 60_000, **changes: Any) -> Forecast:
    """A forecast made by hand, with one tank unless said otherwise."""
    tank = tank_forecast()
    usual: dict[str, Any] = {
        "site": site,
        "issued_ms": issued_ms,
        "start_ms": issued_ms - issued_ms % HOUR_MS,
        "horizon_h": 384,
        "members": 50,
        "inputs": [
            Input("level main", "post-1/level", issued_ms - 60_000),
            Input("rain outlook", "record of 11 years", None),
        ],
        "tanks": [tank],
        "runs_out": tank.runs_out,
        "overflows": tank.overflows,
        "rain_mm": falling(2, 0, 0.1, 0, 40, 16),
        "demand_l_day": 70.0,
        "battery": BatteryForecast(0.8, falling(0.8, 0.02, 0.02, 0, 1), passage((0.0, 0.02, 0.05))),
        "reasons": ["Little rain is expected, and the taps take 70 L a day."],
        "unknown": ["Whether a tap is left open."],
    }
    return Forecast(**(usual | changes))


def put(records: Any, forecast: Forecast) -> None:
    """Keep a forecast as the worker does."""
    records.put_forecast(forecast.site, forecast.issued_ms, msgspec.json.encode(forecast))
