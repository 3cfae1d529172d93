"""What the page of one site says beyond its summary: each tank ahead, inputs, sensors, what is not believed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from markupsafe import Markup

from api import words
from api.commissioning.heard import ahead_of
from api.commissioning.words import what
from api.current import SiteState, TankState, Value
from api.measures import shown, symbol
from api.pages.passage import lasts, lasts_more, overflows, span_of
from api.pages.pictures import level_picture, tank_forecast
from api.pages.statement import Statement
from api.service import Service
from api.speech import Speaker
from forecast.result import Input, TankForecast
from ingest import saying
from ingest.instants import DAY_MS
from ingest.payload import is_for
from ingest.quality import NO_CLOCK_MS
from ingest.reading import SUSPECT, flag_sayings
from ingest.saying import Saying, Sentence, say
from ingest.units import MINUTES_PER_HOUR

_REJECTS_READ: Final = 100
_REJECTS_SHOWN: Final = 3

#: Unit kept inside → decimals as exactly as a sensor gives it, and as many for readers of US units.
_EXACT: Final[dict[str, tuple[int, int]]] = {
    "m": (3, 1),
    "L": (0, 0),
    "L/min": (1, 2),
    "mm": (1, 2),
    "mm/h": (1, 2),
    "V": (2, 2),
    "A": (1, 1),
    "Cel": (1, 1),
    "1": (2, 2),
}


@dataclass(frozen=True)
class Row:
    """A line of a table, in the reader's language: what, its value or source, its time; id: as the site file has it."""

    name: str
    value: str
    when: str
    stale: bool
    missing: bool
    id: str = ""


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


def input_rows(state: SiteState, speaker: Speaker) -> list[Row]:
    """What the forecast was made from, with the time of each."""
    if state.forecast is None:
        return []
    return [_input_row(entry, state, speaker) for entry in state.forecast.forecast.inputs]


def sensor_rows(state: SiteState, speaker: Speaker) -> list[Row]:
    """Each sensor's newest value."""
    return [_sensor_row(value, speaker) for value in state.values.values()]


def disbelieved(state: SiteState) -> list[Statement]:
    """Sensors that send newer values than the one shown, which cannot be believed, and why."""
    said = []
    for sensor_id, sent in state.disbelieved.items():
        value = state.values[sensor_id]
        why = saying.said(flag_sayings(sent.flags & SUSPECT))
        sensor = saying.name(value.sensor.id)
        if sent.time_ms > state.now_ms:
            text = say(
                "Values of {sensor} arrive, but dated {ahead} in the future: the clock of {device} is wrong. Set it, "
                "or leave out the times (bt and t).",
                sensor=sensor,
                ahead=ahead_of(sent, state.now_ms),
                device=saying.name(value.sensor.device),
            )
        elif sent.time_ms < NO_CLOCK_MS:
            text = say(
                "Values of {sensor} arrive, but dated {date}: the clock of {device} is not set. Set it, or leave out "
                "the times (bt and t).",
                sensor=sensor,
                date=saying.date(sent.time_ms),
                device=saying.name(value.sensor.device),
            )
        elif value.reading is None:
            text = say("Values of {sensor} arrive but are not believed: {why}.", sensor=sensor, why=why)
        else:
            text = say(
                "Newer values of {sensor} arrive but are not believed: {why}. The figure shown is from {time}.",
                sensor=sensor,
                why=why,
                time=saying.instant(value.reading.time_ms),
            )
        said.append(Statement(text, stale=True))
    return said


def refused(state: SiteState, service: Service) -> list[Statement]:
    """The last messages of this site's devices that were refused within a day."""
    since_ms = state.now_ms - DAY_MS
    found = [
        reject
        for reject in service.readings.rejects(_REJECTS_READ)
        if reject.time_ms >= since_ms and is_for(state.site, reject.topic)
    ]
    return [Statement(f"{reject.topic}: {reject.reason}.", _at(reject.time_ms)) for reject in found[:_REJECTS_SHOWN]]


def _at(time_ms: int) -> Saying:
    return say("{time}", time=saying.instant(time_ms))


def _sentences(state: SiteState, ahead: TankForecast | None) -> list[Statement]:
    """Each tank's own days ahead, where there is more than one tank."""
    if len(state.tanks) < 2 or ahead is None or state.forecast is None:
        return []
    issued_ms, horizon_h = state.forecast.forecast.issued_ms, state.forecast.forecast.horizon_h
    runs_out, spills = (span_of(passage, issued_ms, horizon_h) for passage in (ahead.runs_out, ahead.overflows))
    first = say("{lasts}. {more}", **_parts(lasts(runs_out, state.now_ms), lasts_more(runs_out, state.now_ms)))
    return [Statement(text, stale=state.forecast.stale) for text in (first, overflows(spills, state.now_ms))]


def _parts(first: Sentence, more: Sentence) -> dict[str, saying.Figure]:
    return {"lasts": saying.said([first]), "more": saying.said([more])}


def _input_row(entry: Input, state: SiteState, speaker: Speaker) -> Row:
    if entry.missing:
        when = say("missing")
    elif entry.time_ms is None:
        when = say("has no time")
    else:
        age = saying.duration(max(0, state.now_ms - entry.time_ms))
        time = saying.instant(entry.time_ms)
        when = say("{time}, {age} ago", time=time, age=age) if entry.stale else _at(entry.time_ms)
    return Row(speaker.say(entry.name), speaker.say(entry.source), speaker.say(when), entry.stale, entry.missing)


def _sensor_row(value: Value, speaker: Speaker) -> Row:
    reading, called = value.reading, speaker.say(what(value.sensor))
    if reading is None:
        missing, never = speaker.say(say("missing")), speaker.say(say("never heard"))
        return Row(called, missing, never, stale=True, missing=True, id=value.sensor.id)
    when = _at(reading.time_ms)
    if value.stale:
        age = saying.duration(value.age_ms)
        when = say("{time}, {age} ago", time=saying.instant(reading.time_ms), age=age)
    figure = bare_figure(reading.value, value.sensor.quantity.unit, speaker)
    flags = "; ".join(map(speaker.say, flag_sayings(reading.flags)))
    shown_as = f"{figure} ({flags})" if flags else figure
    return Row(called, shown_as, speaker.say(when), value.stale, missing=False, id=value.sensor.id)


def bare_figure(value: float, inside: str, speaker: Speaker) -> str:
    """A value with its unit, as exactly as a sensor gives it."""
    if inside == "L/h":  # the balance goes by the hour, people by the minute
        value, inside = value / MINUTES_PER_HOUR, "L/min"
    decimals = _EXACT[inside][speaker.units == "us-gallon"]
    figure = words.number(shown(value, inside, speaker.units), decimals, speaker.language)
    return f"{figure} {symbol(inside, speaker.units, speaker.language)}".strip()
