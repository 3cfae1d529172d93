"""Rows to export, a few at a time, so that memory stays flat however many there are.

Rows come in one order, and the key of a row (see `columns.KEYS`) says where it stands in it. So the
key of the last row that arrived is the cursor: going on needs nothing from whoever sent it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from math import isnan
from typing import Final

import msgspec

from forecast.account.columns import COLUMNS, FIGURES, KEYS
from forecast.account.result import Account, Period
from forecast.result import Forecast
from ingest.errors import SettingsError
from ingest.instants import DAY_MS, HOUR_MS, from_rfc3339, to_rfc3339
from ingest.site import Sensor, Site
from ingest.store.readings import ReadingStore

Cell = str | float | int | None
Row = tuple[Cell, ...]

#: Readings, and hours, asked of a store at a time.
READINGS_AT_ONCE: Final = 5_000
HOURS_AT_ONCE: Final = 31 * 24


def cursor_of(table: str, row: Sequence[Cell]) -> str:
    """The cursor after a row: its key, in a line."""
    names = [column.name for column in COLUMNS[table]]
    return ",".join(str(row[names.index(key)]) for key in KEYS[table])


def key_of(table: str, cursor: str) -> list[str]:
    """A cursor taken apart. Raises SettingsError."""
    key, names = cursor.split(","), KEYS[table]
    if len(key) != len(names):
        raise SettingsError(f"cursor {cursor!r}: expected {','.join(names)} of the last row that you have")
    return key


def reading_rows(
    site: Site, store: ReadingStore, start_ms: int, end_ms: int, sensors: Sequence[str] = (), after: str | None = None
) -> Iterator[Row]:
    """Every stored reading in `[start_ms, end_ms)`, the suspect ones with their flags, by sensor and time."""
    for sensor, since_ms in _left(site, sensors, "readings", start_ms, after, 1):
        next_ms, more = since_ms, since_ms < end_ms
        while more:
            found = store.range(site.id, sensor.id, next_ms, end_ms, limit=READINGS_AT_ONCE, usable=False)
            for one in found:
                yield (*_sensor_cells(site, sensor, one.time_ms), one.value, one.flags)
            more = len(found) == READINGS_AT_ONCE
            next_ms = found[-1].time_ms + 1 if found else end_ms


def hourly_rows(
    site: Site, store: ReadingStore, start_ms: int, end_ms: int, sensors: Sequence[str] = (), after: str | None = None
) -> Iterator[Row]:
    """Figures of the usable readings of each hour, by sensor and time; an hour without readings has no row."""
    first_ms, last_ms = -(-start_ms // HOUR_MS) * HOUR_MS, end_ms // HOUR_MS * HOUR_MS
    for sensor, since_ms in _left(site, sensors, "hourly", first_ms, after, HOUR_MS):
        for from_ms in range(since_ms, last_ms, HOURS_AT_ONCE * HOUR_MS):
            until_ms = min(last_ms, from_ms + HOURS_AT_ONCE * HOUR_MS)
            figures = [store.aggregate(site.id, sensor.id, from_ms, until_ms, HOUR_MS, fn) for fn in FIGURES]
            for of_hour in zip(*figures, strict=True):
                head = _sensor_cells(site, sensor, of_hour[0].start_ms)
                yield (*head, of_hour[0].readings, *(figure.value for figure in of_hour))


def account_rows(found: Account, after: str | None = None) -> Iterator[Row]:
    """The account by month."""
    (done,) = key_of("account", after) if after is not None else [""]
    for month in found.months:
        if month.name > done:
            yield _month_cells(found.site, month)


def forecast_rows(
    site: Site, forecasts: Callable[[str, int, int], list[bytes]], start_ms: int, end_ms: int, after: str | None = None
) -> Iterator[Row]:
    """Each kept forecast of a span: a row a tank and day ahead. forecasts: as `Records.forecasts`"""
    done: tuple[int, str, int] | None = None
    if after is not None:
        issued, tank, lead_h = key_of("forecasts", after)
        done = (_instant(issued), tank, int(lead_h))
        start_ms = max(start_ms, done[0])
    for from_ms in range(start_ms, end_ms, DAY_MS):
        for document in forecasts(site.id, from_ms, min(end_ms, from_ms + DAY_MS)):
            forecast = msgspec.json.decode(document, type=Forecast)
            for key, row in _forecast_cells(site, forecast):
                if done is not None and key == done:
                    done = None
                elif done is None or key[0] > done[0]:
                    yield row


def _left(
    site: Site, sensors: Sequence[str], table: str, start_ms: int, after: str | None, step_ms: int
) -> Iterator[tuple[Sensor, int]]:
    """The sensors that are still to come, each with where to begin."""
    known = {sensor.id: sensor for sensor in site.sensor}
    for name in sensors:
        if name not in known:
            raise SettingsError(f"sensor {name}: {site.id} has {', '.join(known)}")
    wanted = [sensor for sensor in site.sensor if not sensors or sensor.id in sensors]
    if after is not None:
        name, time = key_of(table, after)
        places = [place for place, sensor in enumerate(wanted) if sensor.id == name]
        if not places:
            raise SettingsError(f"cursor {after!r}: {name} is none of the sensors that are exported")
        wanted = wanted[places[0] :]
        yield wanted[0], max(start_ms, _instant(time) + step_ms)
        wanted = wanted[1:]
    yield from ((sensor, start_ms) for sensor in wanted)


def _instant(text: str) -> int:
    try:
        return from_rfc3339(text)
    except ValueError as error:
        raise SettingsError(f"cursor: {error}") from None


def _sensor_cells(site: Site, sensor: Sensor, time_ms: int) -> Row:
    return site.id, sensor.id, to_rfc3339(time_ms), sensor.measures, sensor.quantity.unit


def _month_cells(site: str, month: Period) -> Row:
    figures = (
        month.design_rain_mm, month.rain_mm, month.designed_yield_l, month.untold_yield_l, month.actual_yield_l,
        month.yield_sd_l,
        month.actual.inflow_l, month.inflow_sd_l, month.actual.spilled_l, month.spilled_sd_l, month.actual.lost_l,
        month.actual.stored_l, month.actual.closure_l, month.shortfall_l,
        *(month.part(part.cause) for part in month.parts),
    )  # fmt: skip
    times = to_rfc3339(month.start_ms), to_rfc3339(month.end_ms)
    known = (None if isnan(figure) else round(figure, 3) for figure in figures)
    return site, month.name, *times, month.hours, month.drawn_h, month.told_h, *known


def _forecast_cells(site: Site, forecast: Forecast) -> Iterator[tuple[tuple[int, str, int], Row]]:
    for tank in forecast.tanks:
        for day in range(len(tank.runs_out.by_day)):
            lead_h = 24 * (day + 1)
            hour = lead_h - 1
            if hour >= len(tank.level_m.p50):
                break
            bands = [
                getattr(band, point)[hour]
                for band in (tank.level_m, tank.volume_l)
                for point in ("p05", "p25", "p50", "p75", "p95")
            ]
            time_ms = forecast.issued_ms + lead_h * HOUR_MS
            yield (
                (forecast.issued_ms, tank.tank, lead_h),
                (
                    site.id, to_rfc3339(forecast.issued_ms), tank.tank, lead_h, to_rfc3339(time_ms), *bands,
                    tank.runs_out.by_day[day], tank.overflows.by_day[day],
                ),
            )  # fmt: skip
