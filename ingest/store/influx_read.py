"""The queries of the InfluxDB store, in InfluxQL: every value bound, every name a constant, every answer bounded."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from ingest.reading import Reading
from ingest.store.influx_client import InfluxClient, Series
from ingest.store.influx_lines import MEASUREMENT
from ingest.store.influx_place import Bucket as Place
from ingest.store.readings import Aggregate, Bucket, Rollup

_NS: Final = 1_000_000
#: What InfluxDB can date: 64-bit nanoseconds, less a little at the ends. [ms]
_FIRST_MS: Final = -9_223_372_036_854
_END_MS: Final = 9_223_372_036_854
_HERE: Final = "site = $site AND sensor = $sensor AND time >= $start AND time < $end"
_FIGURES: Final = "count(value), mean(value), min(value), max(value), first(value), last(value)"

_LATEST: Final = (
    f"SELECT value, flags FROM {MEASUREMENT} WHERE site = $site AND suspect = 0 AND time <= $until "  # noqa: S608
    "GROUP BY sensor ORDER BY time DESC LIMIT 1"
)
_RANGE: Final = f"SELECT value, flags FROM {MEASUREMENT} WHERE {_HERE}"  # noqa: S608
_PARTS: Final = f"SELECT {_FIGURES} FROM {MEASUREMENT} WHERE {_HERE} AND suspect = 0 GROUP BY time"  # noqa: S608
_ROLLUPS: Final = f"SELECT readings, mean, min, max, first, last FROM reading_hourly WHERE {_HERE} ORDER BY time"  # noqa: S608
_HOURS: Final = f"SELECT count(value) FROM {MEASUREMENT} WHERE {_HERE} GROUP BY time(1h) fill(none)"  # noqa: S608
_DELETE: Final = f"DELETE FROM {MEASUREMENT} WHERE {_HERE}"  # noqa: S608
_COUNT: Final = f"SELECT count(value) FROM {MEASUREMENT}"  # noqa: S608
_TOUCH: Final = f"SELECT value FROM {MEASUREMENT} LIMIT 1"  # noqa: S608


def latest(client: InfluxClient, place: Place, site: str, until_ms: int) -> dict[str, Reading]:
    """The newest usable reading of each sensor of a site: one row a sensor."""
    found: dict[str, Reading] = {}
    for series in client.query(place, _LATEST, {"site": site, "until": _clamped(until_ms) * _NS}):
        sensor = series.tags["sensor"]
        for time_ms, value, flags in series.values:
            found[sensor] = Reading(site, int(time_ms or 0), sensor, float(value or 0), int(flags or 0))
    return found


def readings(
    client: InfluxClient, place: Place, site: str, sensor: str, start_ms: int, end_ms: int, limit: int, *, usable: bool
) -> list[Reading]:
    """Readings of a sensor in `[start_ms, end_ms)`, oldest first, at most so many."""
    if limit < 1:
        return []
    condition = " AND suspect = 0" if usable else ""
    statement = f"{_RANGE}{condition} ORDER BY time LIMIT {int(limit)}"
    found = client.query(place, statement, _bounds(site, sensor, start_ms, end_ms))
    return [
        Reading(site, int(time_ms or 0), sensor, float(value or 0), int(flags or 0))
        for series in found
        for time_ms, value, flags in series.values
    ]


def parts(
    client: InfluxClient, place: Place, site: str, sensor: str, start_ms: int, end_ms: int, every_ms: int
) -> list[Rollup]:
    """Usable readings of a sensor by interval, made by the database from the readings themselves."""
    if end_ms <= start_ms:
        return []
    statement = f"{_PARTS}({int(every_ms)}ms) fill(none)"
    return _rollups(client.query(place, statement, _bounds(site, sensor, start_ms, end_ms)))


def hours(client: InfluxClient, place: Place, site: str, sensor: str, end_ms: int) -> dict[int, int]:
    """How many readings there are before an instant, suspect ones too, by the start of their hour. [UTC ms]"""
    found = client.query(place, _HOURS, _bounds(site, sensor, _FIRST_MS, end_ms))
    return {int(row[0] or 0): int(row[1] or 0) for series in found for row in series.values}


def rollups(client: InfluxClient, place: Place, site: str, sensor: str, start_ms: int, end_ms: int) -> list[Rollup]:
    """Roll-ups as they are kept, of hours that start in `[start_ms, end_ms)`."""
    return _rollups(client.query(place, _ROLLUPS, _bounds(site, sensor, start_ms, end_ms)))


def series(client: InfluxClient, place: Place, measurement: str = MEASUREMENT) -> list[tuple[str, str]]:
    """The (site, sensor) pairs of a measurement."""
    sites = client.query(place, f"SHOW TAG VALUES FROM {measurement} WITH KEY = site")
    pairs: list[tuple[str, str]] = []
    for site in _second(sites):
        sensors = client.query(
            place, f"SHOW TAG VALUES FROM {measurement} WITH KEY = sensor WHERE site = $site", {"site": site}
        )
        pairs += [(site, sensor) for sensor in _second(sensors)]
    return pairs


def delete(client: InfluxClient, place: Place, site: str, sensor: str, start_ms: int, end_ms: int) -> None:
    """Delete the readings of a sensor in `[start_ms, end_ms)`."""
    client.query(place, _DELETE, _bounds(site, sensor, start_ms, end_ms))


def count(client: InfluxClient, place: Place) -> int:
    """How many readings there are."""
    return sum(int(row[1] or 0) for series in client.query(place, _COUNT) for row in series.values)


def touch(client: InfluxClient, place: Place) -> None:
    """Ask for next to nothing: it fails as any query would."""
    client.query(place, _TOUCH)


def merged(ordered: Sequence[Rollup], every_ms: int, fn: Aggregate) -> list[Bucket]:
    """Figures of shorter intervals, in order, as those of longer ones."""
    by_start: dict[int, list[Rollup]] = {}
    for part in ordered:
        by_start.setdefault(part.start_ms - part.start_ms % every_ms, []).append(part)
    return [Bucket(start, _MERGES[fn](held), _total(held)) for start, held in by_start.items()]


def _total(held: Sequence[Rollup]) -> int:
    return sum(part.readings for part in held)


_MERGES: Final[dict[Aggregate, Callable[[Sequence[Rollup]], float]]] = {
    "mean": lambda held: sum(part.mean * part.readings for part in held) / _total(held),
    "min": lambda held: min(part.min for part in held),
    "max": lambda held: max(part.max for part in held),
    "first": lambda held: held[0].first,
    "last": lambda held: held[-1].last,
    "count": lambda held: float(_total(held)),
}


def _rollups(found: Sequence[Series]) -> list[Rollup]:
    return [
        Rollup(int(row[0] or 0), int(row[1] or 0), *(float(figure or 0) for figure in row[2:]))
        for series in found
        for row in series.values
        if row[1]  # none: the hour's readings have all become suspect
    ]


def _second(found: Sequence[Series]) -> list[str]:
    """The values of an answer of keys and values."""
    return [str(row[1]) for series in found for row in series.values]


def _bounds(site: str, sensor: str, start_ms: int, end_ms: int) -> dict[str, str | int]:
    return {"site": site, "sensor": sensor, "start": _clamped(start_ms) * _NS, "end": _clamped(end_ms) * _NS}


def _clamped(time_ms: int) -> int:
    return min(max(time_ms, _FIRST_MS), _END_MS)
