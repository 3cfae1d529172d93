"""What the page of one site says beyond its summary: charts, each tank ahead, inputs, sensors."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from markupsafe import Markup

from api.current import SiteState, TankState, Value
from api.pages.passage import lasts, overflows, span_of
from api.pages.pictures import level_picture, tank_forecast
from api.pages.summary import Statement
from api.service import Service
from api.speech import Speaker
from api.words import clock_time, duration
from forecast.result import Input, TankForecast
from ingest.instants import DAY_MS
from ingest.reading import flag_words

_REJECTS_READ: Final = 100
_REJECTS_SHOWN: Final = 3

#: Unit kept inside → how it is written, and with how many decimals.
_SHOWN: Final[dict[str, tuple[str, int]]] = {
    "m": ("m", 3),
    "L": ("L", 0),
    "L/h": ("L/h", 0),
    "mm": ("mm", 1),
    "mm/h": ("mm/h", 1),
    "V": ("V", 2),
    "A": ("A", 1),
    "Cel": ("°C", 1),
    "1": ("", 2),
}


@dataclass(frozen=True)
class Row:
    """A line of a table: what, its value or source, its time in words."""

    name: str
    value: str
    when: str
    stale: bool
    missing: bool


@dataclass(frozen=True)
class TankDetail:
    """A tank's picture and its own sentences ahead."""

    tank: str
    chart: Markup
    ahead: list[Statement]


def tank_detail(state: SiteState, tank: TankState, service: Service, speaker: Speaker) -> TankDetail:
    """Read the last days of a tank's level and draw them with the days ahead."""
    sentences = _sentences(state, tank_forecast(state, tank.tank.id))
    return TankDetail(tank.tank.id, level_picture(state, tank, service, speaker), sentences)


def input_rows(state: SiteState) -> list[Row]:
    """What the forecast was made from, with the time of each."""
    if state.forecast is None:
        return []
    return [_input_row(entry, state) for entry in state.forecast.forecast.inputs]


def sensor_rows(state: SiteState) -> list[Row]:
    """Each sensor's newest value."""
    return [_sensor_row(value, state) for value in state.values.values()]


def refused(state: SiteState, service: Service) -> list[Statement]:
    """The last messages of this site's devices that were refused within a day."""
    own = {sensor.topic for sensor in state.site.sensor if sensor.topic}
    since_ms = state.now_ms - DAY_MS
    found = [
        reject
        for reject in service.readings.rejects(_REJECTS_READ)
        if reject.time_ms >= since_ms and (f"/{state.site.id}/" in reject.topic or reject.topic in own)
    ]
    return [
        Statement(f"{reject.topic}: {reject.reason}.", clock_time(reject.time_ms, state.site.zone))
        for reject in found[:_REJECTS_SHOWN]
    ]


def _sentences(state: SiteState, ahead: TankForecast | None) -> list[Statement]:
    """Each tank's own days ahead, where there is more than one tank."""
    if len(state.tanks) < 2 or ahead is None or state.forecast is None:
        return []
    issued_ms, horizon_h = state.forecast.forecast.issued_ms, state.forecast.forecast.horizon_h
    says = ((lasts, ahead.runs_out), (overflows, ahead.overflows))
    return [
        Statement(
            say(span_of(passage, issued_ms, horizon_h), state.now_ms, state.site.zone), stale=state.forecast.stale
        )
        for say, passage in says
    ]


def _input_row(entry: Input, state: SiteState) -> Row:
    if entry.missing:
        when = "missing"
    elif entry.time_ms is None:
        when = "has no time"
    else:
        when = f"{clock_time(entry.time_ms, state.site.zone)}, {duration(max(0, state.now_ms - entry.time_ms))} ago"
    return Row(entry.name, entry.source, when, entry.stale, entry.missing)


def _sensor_row(value: Value, state: SiteState) -> Row:
    reading = value.reading
    if reading is None:
        return Row(value.sensor.id, "missing", "never heard", True, True)
    unit, decimals = _SHOWN[value.sensor.quantity.unit]
    figure = f"{reading.value:,.{decimals}f} {unit}".strip()
    when = f"{clock_time(reading.time_ms, state.site.zone)}"
    if value.stale:
        when += f", {duration(value.age_ms)} ago"
    words = "; ".join(flag_words(reading.flags))
    return Row(value.sensor.id, f"{figure} ({words})" if words else figure, when, value.stale, False)
