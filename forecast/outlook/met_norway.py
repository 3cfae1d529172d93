"""MET Norway's locationforecast 2.0: one course of weather for any place on earth, as GeoJSON.

Its documentation (https://docs.api.met.no/doc/ForecastJSON, read November 2026): `instant` holds
at `time`; `next_1_hours` and `next_6_hours` hold the amount of the *following* period, and
overlap: every hour of the first two days brings six hours too. Units stand in `meta.units`, times
are UTC. The last entry has no period. Its terms ask for a User-Agent with a contact, at most four
decimals in a coordinate, and heed of Expires; a deprecated version answers 203. Data under CC BY 4.0.
"""

from __future__ import annotations

from typing import Final

import msgspec
import numpy as np

from forecast.outlook.delivery import UNREADABLE, Delivery, Intervals, check_delivery
from forecast.outlook.resample import between_instants
from ingest.errors import OutlookUnavailable
from ingest.instants import HOUR_MS, from_rfc3339
from ingest.units import weather_scale

NAME: Final = "met-norway"
BASE: Final = "https://api.met.no"
_RAIN, _AIR = "precipitation_amount", "air_temperature"


class _Details(msgspec.Struct):
    precipitation_amount: float | None = None
    air_temperature: float | None = None


class _Period(msgspec.Struct):
    details: _Details = msgspec.field(default_factory=_Details)


class _Data(msgspec.Struct):
    instant: _Period = msgspec.field(default_factory=_Period)
    next_1_hours: _Period | None = None
    next_6_hours: _Period | None = None
    next_12_hours: _Period | None = None


class _Entry(msgspec.Struct):
    time: str
    data: _Data


class _Meta(msgspec.Struct):
    updated_at: str
    units: dict[str, str]


class _Properties(msgspec.Struct):
    meta: _Meta
    timeseries: list[_Entry]


class _Document(msgspec.Struct):
    """The part of the answer that is read; anything else in it is passed over."""

    properties: _Properties


def query(latitude: float, longitude: float) -> tuple[str, dict[str, str]]:
    """Path and parameters to ask with. [degrees]"""
    return "/weatherapi/locationforecast/2.0/compact", {"lat": f"{latitude:.4f}", "lon": f"{longitude:.4f}"}


def parse(body: bytes) -> Delivery:
    """Read an answer. Raises OutlookUnavailable on anything other than what the service documents."""
    try:
        return _delivery(msgspec.json.decode(body, type=_Document).properties)
    except UNREADABLE as error:
        raise OutlookUnavailable(f"{NAME}: {error}") from error


def _delivery(given: _Properties) -> Delivery:
    rain = weather_scale("mm", given.meta.units.get(_RAIN))
    rows: list[tuple[int, int, float]] = []
    instants: list[tuple[int, float]] = []
    for entry in given.timeseries:
        time_ms = from_rfc3339(entry.time)
        data = entry.data
        if data.instant.details.air_temperature is not None:
            instants.append((time_ms, data.instant.details.air_temperature))
        for hours, period in ((1, data.next_1_hours), (6, data.next_6_hours), (12, data.next_12_hours)):
            # A period without an amount is not dry: it says nothing of rain.
            if period is not None and period.details.precipitation_amount is not None:
                rows.append((time_ms, time_ms + hours * HOUR_MS, period.details.precipitation_amount * rain.factor))
    delivery = Delivery(
        rain=Intervals(
            np.array([row[0] for row in rows], dtype=np.int64),
            np.array([row[1] for row in rows], dtype=np.int64),
            np.array([row[2] for row in rows], dtype=np.float64)[:, None],
        ),
        source="MET Norway locationforecast (CC BY 4.0)",
        issued_ms=from_rfc3339(given.meta.updated_at),
        temperature=_temperature(instants, given.meta.units.get(_AIR)) if len(instants) > 1 else None,
    )
    check_delivery(delivery)
    return delivery


def _temperature(instants: list[tuple[int, float]], label: str | None) -> Intervals:
    scale = weather_scale("Cel", label)
    times = np.array([time_ms for time_ms, _ in instants], dtype=np.int64)
    return between_instants(times, np.array([[value * scale.factor + scale.offset] for _, value in instants]))
