"""The US National Weather Service's gridpoint data: one course of weather for a place in the United States.

Its documentation (https://weather-gov.github.io/api/gridpoints, read November 2026): `/points`
gives the address of the grid cell's data; each layer has a unit `uom` and values over ISO 8601
intervals, start and duration, of differing length; a value may be null. Equal neighbours are merged into
one longer interval in every layer but the amounts: `quantitativePrecipitation` is the total of
its own interval (weather-gov/api, issue 21). The service asks for a User-Agent with a contact.
Data in the public domain.
"""

from __future__ import annotations

import re
from typing import Final
from urllib.parse import urlsplit

import msgspec
import numpy as np

from forecast.outlook.delivery import UNREADABLE, Delivery, Intervals, check_delivery
from ingest.errors import OutlookUnavailable
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS, from_rfc3339
from ingest.units import weather_scale

NAME: Final = "nws"
BASE: Final = "https://api.weather.gov"

#: Durations that mean the same everywhere: weeks, days and times, no months or years.
_DURATION: Final = re.compile(
    r"^P(?:(?P<weeks>\d+)W)?(?:(?P<days>\d+)D)?(?:T(?:(?P<hours>\d+)H)?(?:(?P<minutes>\d+)M)?(?:(?P<seconds>\d+)S)?)?$"
)
_PART_MS: Final = {"weeks": 7 * DAY_MS, "days": DAY_MS, "hours": HOUR_MS, "minutes": MINUTE_MS, "seconds": SECOND_MS}


class _Value(msgspec.Struct):
    valid_time: str = msgspec.field(name="validTime")
    value: float | None = None


class _Layer(msgspec.Struct):
    values: list[_Value]
    uom: str | None = None


class _Grid(msgspec.Struct):
    update_time: str = msgspec.field(name="updateTime")
    rain: _Layer = msgspec.field(name="quantitativePrecipitation")
    temperature: _Layer | None = None
    valid_times: str | None = msgspec.field(name="validTimes", default=None)


class _GridDocument(msgspec.Struct):
    """The part of the answer that is read; anything else in it is passed over."""

    properties: _Grid


class _Point(msgspec.Struct):
    grid: str = msgspec.field(name="forecastGridData")


class _PointDocument(msgspec.Struct):
    properties: _Point


def query(latitude: float, longitude: float) -> str:
    """Path that tells the grid cell of a place. [degrees] Zeros at the end would be answered by a redirection."""
    place = [f"{degrees:.4f}".rstrip("0").rstrip(".") for degrees in (latitude, longitude)]
    return f"/points/{','.join(place)}"


def parse_point(body: bytes) -> str:
    """Path of the grid cell's data. Only the path of the link is taken: the host stays the one that was set.

    Raises OutlookUnavailable on anything other than what the service documents.
    """
    try:
        path = urlsplit(msgspec.json.decode(body, type=_PointDocument).properties.grid).path
    except UNREADABLE as error:
        raise OutlookUnavailable(f"{NAME}: {error}") from error
    if not re.fullmatch(r"/gridpoints/[A-Z]{3}/\d+,\d+", path):
        raise OutlookUnavailable(f"{NAME}: {path!r} is not the address of a grid cell")
    return path


def parse(body: bytes) -> Delivery:
    """Read a grid cell's data. Raises OutlookUnavailable on anything other than what the service documents."""
    try:
        grid = msgspec.json.decode(body, type=_GridDocument).properties
        delivery = Delivery(
            rain=_intervals(grid.rain, "mm"),
            source="US National Weather Service, gridpoint forecast",
            issued_ms=from_rfc3339(grid.update_time),
            temperature=_intervals(grid.temperature, "Cel") if grid.temperature and grid.temperature.values else None,
            valid_until_ms=interval_ms(grid.valid_times)[1] if grid.valid_times else None,
        )
        check_delivery(delivery)
    except UNREADABLE as error:
        raise OutlookUnavailable(f"{NAME}: {error}") from error
    return delivery


def interval_ms(text: str) -> tuple[int, int]:
    """Start and end of an ISO 8601 interval of a start and a duration or an end. [UTC ms]

    Raises ValueError on any other text, on months and years, and on a length of nothing.
    """
    start, slash, rest = text.partition("/")
    if not slash:
        raise ValueError(f"{text!r} is not an interval such as 2026-03-01T12:00:00+00:00/PT6H")
    start_ms = from_rfc3339(start)
    end_ms = start_ms + _duration_ms(rest) if rest.startswith("P") else from_rfc3339(rest)
    if end_ms <= start_ms:
        raise ValueError(f"{text!r} does not last")
    return start_ms, end_ms


def _duration_ms(text: str) -> int:
    found = _DURATION.match(text)
    if not found:
        raise ValueError(f"{text!r} is not a duration in weeks, days, hours, minutes or seconds")
    return sum(int(found[part] or 0) * part_ms for part, part_ms in _PART_MS.items())


def _intervals(layer: _Layer, inside: str) -> Intervals:
    # `wmoUnit:mm`, and `unit:mm` in older answers.
    scale = weather_scale(inside, layer.uom.rpartition(":")[2] if layer.uom else None)
    spans = [interval_ms(entry.valid_time) for entry in layer.values]
    values = [np.nan if entry.value is None else entry.value * scale.factor + scale.offset for entry in layer.values]
    return Intervals(
        np.array([start for start, _ in spans], dtype=np.int64),
        np.array([end for _, end in spans], dtype=np.int64),
        np.array(values, dtype=np.float64)[:, None],
    )
