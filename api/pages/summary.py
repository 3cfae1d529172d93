"""What the pages say about a site, sentence by sentence: missing is said, stale is said. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

from api.alarms.lifecycle import ACTIVE
from api.alarms.rules import brim_m
from api.alarms.types import PRIORITIES, Priority, alarm_id, wording
from api.current import CurrentForecast, SiteState, TankState, Value, missing_of
from api.pages.passage import cuts_off, lasts, overflows, span_of
from api.speech import Speaker
from api.words import clock_time, duration, listed, litres, percent
from ingest.instants import HOUR_MS
from ingest.site import Site
from ingest.store.records import Transition

#: A shape for each urgency, so that colour is never the only sign.
SHAPES: Final[dict[Priority, str]] = {"high": "▲", "medium": "◆", "low": "●"}


@dataclass(frozen=True)
class Statement:
    """A sentence, its time in words, and whether it can be trusted as it stands."""

    text: str
    when: str = ""
    stale: bool = False
    missing: bool = False


@dataclass(frozen=True)
class AlarmLine:
    """An active alarm; shape and priority are empty for a type that no longer exists."""

    shape: str
    priority: str
    title: str
    since: str
    reason: str
    consequence: str
    action: str
    respond_within: str


@dataclass(frozen=True)
class Summary:
    """A site at a glance.

    lasts, overflow   days until empty and until overflow, for the whole site
    forecast          when the forecast was made, and why it must not be taken as fresh
    battery           voltage and days until cut-off; empty: the site has none
    """

    site: Site
    alarms: list[AlarmLine]
    lasts: Statement
    overflow: Statement
    forecast: Statement
    tanks: list[Statement]
    battery: list[Statement]

    @property
    def blind(self) -> bool:
        """Whether something is stale or missing: then no alarm is no proof that all is well."""
        return any(said.stale or said.missing for said in (self.forecast, *self.tanks, *self.battery))


def summarise(state: SiteState, last: Mapping[str, Transition]) -> Summary:
    """Everything the front page says about a site."""
    return Summary(
        state.site,
        alarm_lines(last.values(), state.site.zone, state.site),
        lasting(state),
        overflowing(state),
        issued(state),
        [tank_statement(tank, state.site.zone) for tank in state.tanks],
        battery_statements(state),
    )


def alarm_lines(last: Iterable[Transition], zone: ZoneInfo, site: Site | None = None) -> list[AlarmLine]:
    """The active alarms, the most urgent first. site: None for those of the installation"""
    active = [entry for entry in last if entry.new in ACTIVE]
    return [_alarm_line(entry, zone, site) for entry in sorted(active, key=_urgency)]


def lasting(state: SiteState) -> Statement:
    """Days until the rain water runs out."""
    drawn_from = {draw.tank for draw in state.site.draw}
    dry = [
        tank.tank.id for tank in state.tanks if tank.usable_l == 0 and not _stale(tank) and tank.tank.id in drawn_from
    ]
    if dry:
        return Statement(f"No rain water can be drawn from tank {listed(dry)}: the level is at or below the outlet.")
    if not drawn_from:
        return Statement("Nothing draws from this supply.")
    current = state.forecast
    if current is None:
        return Statement("How long rain water lasts is not known: there is no forecast yet.", missing=True)
    forecast = current.forecast
    span = span_of(forecast.runs_out, forecast.issued_ms, forecast.horizon_h)
    return Statement(lasts(span, state.now_ms, state.site.zone), stale=current.stale)


def overflowing(state: SiteState) -> Statement:
    """Days until the first litre leaves the site over a brim."""
    full = [tank.tank.id for tank in state.tanks if tank.tank.overflow_to is None and _at_brim(tank)]
    if full:
        return Statement(f"Tank {listed(full)} is at the brim: what runs in now runs over.")
    current = state.forecast
    if current is None:
        return Statement("When it overflows is not known: there is no forecast yet.", missing=True)
    forecast = current.forecast
    span = span_of(forecast.overflows, forecast.issued_ms, forecast.horizon_h)
    return Statement(overflows(span, state.now_ms, state.site.zone), stale=current.stale)


def issued(state: SiteState) -> Statement:
    """When the forecast was made, what makes it stale, and what it had to do without."""
    current = state.forecast
    if current is None:
        return Statement("No forecast yet.", missing=True)
    made = f"Forecast made {clock_time(current.forecast.issued_ms, state.site.zone)}"
    without = [entry.name for entry in missing_of(current.forecast)]
    lacks = f" Made without {listed(without)}: missing." if without else ""
    if current.stale:
        age = f", {duration(current.age_ms)} ago" if current.age_ms > 0 else ""
        return Statement(f"{made}{age}: do not take it as fresh, because {listed(current.doubts)}.{lacks}", stale=True)
    return Statement(f"{made}.{lacks}")


def tank_statement(state: TankState, zone: ZoneInfo) -> Statement:
    """How much is in a tank: all of it, and the part that can be drawn."""
    name = f"Tank {state.tank.id}"
    if state.level is None or state.share is None or state.volume_l is None or state.usable_l is None:
        return Statement(f"{name}: level missing, nothing has been heard from its sensor.", missing=True)
    text = (
        f"{name}: {percent(state.share)} full, {litres(state.volume_l)} of {litres(state.geometry.capacity_l)}, "
        f"of which {litres(state.usable_l)} can be drawn. Level {state.level_m:.2f} m."
    )
    return Statement(text, measured(state.level, zone), state.level.stale)


def battery_statements(state: SiteState) -> list[Statement]:
    """Battery voltage and days until cut-off; nothing for a site without a battery."""
    battery = state.site.battery
    if battery is None:
        return []
    value = state.measuring("battery.voltage")
    if value is None or value.reading is None:
        volts = Statement("Battery: voltage missing, nothing has been heard from its sensor.", missing=True)
    else:
        text = f"Battery: {value.reading.value:.2f} V (low below {battery.low_v:.2f} V, "
        text += f"cut-off at {battery.cutoff_v:.2f} V)."
        volts = Statement(text, measured(value, state.site.zone), value.stale)
    return [volts, _cutting_off(state.forecast, state)]


def measured(value: Value, zone: ZoneInfo) -> str:
    """`Measured Wed 25 Nov, 12:04`, and its age once that is what matters."""
    if value.reading is None:
        return "Never heard"
    when = f"Measured {clock_time(value.reading.time_ms, zone)}"
    # A fresh figure is shown by its time alone: the page then changes only when a figure does.
    return f"{when}, {duration(value.age_ms)} ago" if value.stale else when


def _cutting_off(current: CurrentForecast | None, state: SiteState) -> Statement:
    if current is None or current.forecast.battery is None:
        return Statement("Days until battery cut-off: not known, there is no forecast of it.", missing=True)
    forecast = current.forecast
    span = span_of(current.forecast.battery.cutoff, forecast.issued_ms, forecast.horizon_h)
    return Statement(cuts_off(span, state.now_ms, state.site.zone), stale=current.stale)


def _alarm_line(entry: Transition, zone: ZoneInfo, site: Site | None) -> AlarmLine:
    alarm, since = alarm_id(entry.alarm), clock_time(entry.time_ms, zone)
    if alarm is None:
        return AlarmLine("●", "", entry.alarm, since, entry.reason, "", "", "")
    kind, words, speaker = alarm.kind, wording(alarm, site), Speaker(zone)
    within = duration(round(kind.respond_within_h * HOUR_MS))
    return AlarmLine(
        SHAPES[kind.priority],
        kind.priority,
        alarm.title,
        since,
        entry.reason,
        speaker.say(words.consequence),
        speaker.say(words.action),
        within,
    )


def _urgency(entry: Transition) -> tuple[int, int]:
    alarm = alarm_id(entry.alarm)
    return (len(PRIORITIES) if alarm is None else PRIORITIES.index(alarm.kind.priority), -entry.time_ms)


def _at_brim(tank: TankState) -> bool:
    if tank.level is None or tank.level_m is None or tank.level.stale:
        return False
    return tank.level_m >= brim_m(tank.tank, tank.level.sensor)


def _stale(tank: TankState) -> bool:
    return tank.level is None or tank.level.stale
