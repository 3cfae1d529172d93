"""Open-Meteo's ensemble API: an ensemble of a weather model, hour by hour, as JSON.

Its documentation (https://open-meteo.com/en/docs/ensemble-api, read November 2026):
precipitation is the sum, and radiation the mean, of the *preceding* step; temperature is of the
instant; times are local without an offset, beside `utc_offset_seconds`, or Unix seconds, which
are UTC; `hourly_units` names the units; a member that a model lacks is null.
Its free address is for use without commerce; data under CC BY 4.0.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime
from itertools import pairwise
from typing import Final

import msgspec
import numpy as np

from forecast.outlook.delivery import UNREADABLE, Delivery, Integers, Intervals, check_delivery
from forecast.outlook.ensemble import Floats
from forecast.outlook.resample import between_instants
from ingest.errors import OutlookUnavailable
from ingest.instants import SECOND_MS, from_datetime
from ingest.saying import Saying, number, say
from ingest.units import weather_scale

NAME: Final = "open-meteo"
BASE: Final = "https://ensemble-api.open-meteo.com"
#: The model asked for unless the settings name another.
MODEL: Final = "ecmwf_ifs025"
DAYS: Final = 16
_RAIN, _AIR, _SUN = "precipitation", "temperature_2m", "shortwave_radiation"
_MEMBER: Final = re.compile(r"^precipitation_member\d+(?P<model>_\w+)?$")


class _Document(msgspec.Struct):
    """The part of the answer that is read; anything else in it is passed over."""

    hourly: dict[str, list[float | str | None]]
    hourly_units: dict[str, str]
    utc_offset_seconds: int | None = None


class _Refusal(msgspec.Struct):
    error: bool = False
    reason: str = "no reason given"


def query(latitude: float, longitude: float, model: str = MODEL) -> tuple[str, dict[str, str]]:
    """Path and parameters to ask with. [degrees]"""
    return "/v1/ensemble", {
        "latitude": f"{latitude:.4f}",
        "longitude": f"{longitude:.4f}",
        "hourly": f"{_RAIN},{_AIR},{_SUN}",
        "models": model or MODEL,
        "forecast_days": str(DAYS),
        "past_days": "1",
        "timeformat": "unixtime",
        "timezone": "GMT",
    }


def parse(body: bytes, fetched_ms: int) -> Delivery:
    """Read an answer. The service does not say when its model ran, so `fetched_ms` is the issue.

    Raises OutlookUnavailable on anything other than what the service documents.
    """
    try:
        document = msgspec.json.decode(body, type=_Document)
        return _delivery(document, fetched_ms)
    except UNREADABLE as error:
        raise OutlookUnavailable(f"{NAME}: {_reason(body) or error}") from error


def _reason(body: bytes) -> str | None:
    """What the service itself says was wrong, if it does."""
    try:
        refusal = msgspec.json.decode(body, type=_Refusal)
    except UNREADABLE:
        return None
    return refusal.reason if refusal.error else None


def _delivery(document: _Document, fetched_ms: int) -> Delivery:
    times = _times(document)
    keys = _members(document)
    rain = _values(document, keys, "mm", times)
    given = np.flatnonzero(~np.isnan(rain).all(axis=0))
    empty = len(keys) - len(given)
    keys = [keys[place] for place in given]
    air = [key.replace(_RAIN, _AIR, 1) for key in keys]
    sun = [key.replace(_RAIN, _SUN, 1) for key in keys]
    starts, ends = _preceding(times)
    delivery = Delivery(
        rain=Intervals(starts, ends, rain[:, given]),
        source=f"Open-Meteo ensemble, {len(keys)} members (CC BY 4.0)",
        issued_ms=fetched_ms,
        temperature=between_instants(times, _values(document, air, "Cel", times)) if _all(document, air) else None,
        radiation=Intervals(starts, ends, _values(document, sun, "W/m2", times)) if _all(document, sun) else None,
        notes=(_came_empty(empty, empty + len(keys)),) if empty else (),
    )
    check_delivery(delivery)
    return delivery


def _came_empty(empty: int, of: int) -> Saying:
    return say(
        "{empty} of the weather service's {members} members came empty.", empty=number(empty), members=number(of)
    )


def _members(document: _Document) -> list[str]:
    """Names of the members' rain, the control runs' first; of a model without members its only run."""
    numbered = [key for key in document.hourly if _MEMBER.match(key)]
    models = {_MEMBER.sub(lambda found: found["model"] or "", key) for key in numbered} or {""}
    controls = [_RAIN + model for model in sorted(models) if _RAIN + model in document.hourly]
    if not controls + numbered:
        raise ValueError("no precipitation in the answer")
    return controls + numbered


def _all(document: _Document, keys: list[str]) -> bool:
    return bool(keys) and all(key in document.hourly for key in keys)


def _values(document: _Document, keys: list[str], inside: str, times: Integers) -> Floats:
    """The named series side by side, in the unit kept inside, null as NaN. (N, M)"""
    columns = []
    for key in keys:
        series = document.hourly[key]
        if len(series) != len(times) or any(isinstance(value, str) for value in series):
            raise ValueError(f"hourly.{key} does not hold {len(times)} numbers")
        scale = weather_scale(inside, document.hourly_units.get(key))
        columns.append(np.array(series, dtype=np.float64) * scale.factor + scale.offset)
    return np.stack(columns, axis=1)


def _preceding(times: Integers) -> tuple[Integers, Integers]:
    """The steps that end at the instants; the first is as long as the second."""
    return np.concatenate([[2 * times[0] - times[1]], times[:-1]]), times


def _times(document: _Document) -> Integers:
    """The instants of the answer. [UTC ms] Raises ValueError when they are naive and no offset stands beside them."""
    unit = document.hourly_units.get("time")
    given = document.hourly.get("time", [])
    if unit == "unixtime":
        times = [round(float(value) * SECOND_MS) for value in given if isinstance(value, float)]
    elif unit == "iso8601":
        times = [_instant(value, document.utc_offset_seconds) for value in given if isinstance(value, str)]
    else:
        raise ValueError(f"hourly_units.time is {unit!r}, expected unixtime or iso8601")
    if len(times) < 2 or len(times) != len(given) or any(a >= b for a, b in pairwise(times)):
        raise ValueError("hourly.time is not a rising list of times")
    return np.array(times, dtype=np.int64)


def _instant(text: str, offset_s: int | None) -> int:
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is not None:
        return from_datetime(moment)
    if offset_s is None:
        raise ValueError(f"the time {text} is local and no utc_offset_seconds says where")
    return from_datetime(moment.replace(tzinfo=UTC)) - offset_s * SECOND_MS
