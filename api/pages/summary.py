"""What the pages say about a site, sentence by sentence: missing is said, stale is said. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from api.alarms.rules import brim_m
from api.alarms.standing import Standing
from api.current import CurrentForecast, SiteState, TankState, missing_of
from api.pages.alarms import AlarmLine, alarm_lines
from api.pages.awaited import awaited
from api.pages.passage import cuts_off, lasts, lasts_more, overflows, span_of
from api.pages.statement import Statement, measured
from api.pages.today import today
from api.pages.upkeep import Supply, Task, never_written
from api.speech import Speaker
from forecast.result import Forecast, TankForecast
from ingest import saying
from ingest.instants import DAY_MS
from ingest.saying import Saying, Sentence, say
from ingest.site import Site

#: An overflow less likely than this is not put in litres.
_SPILL_CHANCE: Final = 0.1


@dataclass(frozen=True)
class Summary:
    """A site at a glance, and the speaker for its reader.

    lasts, more   days until empty for the whole site, in large letters, and what there is to add: how sure that is
    overflow      days until overflow, and what would spill
    forecast      when the forecast was made, and why it must not be taken as fresh
    battery       voltage and days until cut-off; empty: the site has none
    fills         water as a share of what each tank holds; None: not known
    today         what somebody should do today; empty: nothing, as far as is known
    unwritten     what nobody has written down yet, and should; None: all of it was
    awaited       devices that were never heard, and what to do if they are not
    heard         anything was, ever
    """

    site: Site
    speaker: Speaker
    alarms: list[AlarmLine]
    lasts: Statement
    more: list[Sentence]
    overflow: list[Statement]
    forecast: Statement
    tanks: list[Statement]
    battery: list[Statement]
    fills: list[float | None]
    today: list[Sentence]
    unwritten: Saying | None
    awaited: list[Saying]
    heard: bool

    @property
    def blind(self) -> bool:
        """Whether something is stale or missing: then no alarm is no proof that all is well."""
        return any(said.stale or said.missing for said in (self.forecast, *self.tanks, *self.battery))

    @property
    def urgency(self) -> tuple[int, bool, bool, bool]:
        """Sorts the sites: alarms by their priority, then what is due today, then what cannot be judged."""
        worst = min((alarm.rank for alarm in self.alarms), default=9)
        return worst, not self.today, not self.lasts.missing, not self.blind


def summarise(
    state: SiteState,
    standings: Sequence[Standing],
    tasks: Sequence[Task],
    supply: Supply | None,
    since_ms: int | None,
    speaker: Speaker,
) -> Summary:
    """Everything the front page says about a site.

    since_ms  since when its levels have been measured, where that is not long; None: long enough [UTC ms]
    """
    alarms = alarm_lines(standings)
    lasting, more = lasting_of(state, since_ms)
    return Summary(
        state.site,
        speaker,
        alarms,
        lasting,
        more,
        [overflowing(state), *spilling(state)],
        issued(state),
        [tank_statement(tank, heard=_doubted(state, f"tank.{tank.tank.id}.level")) for tank in state.tanks],
        battery_statements(state),
        [tank.share for tank in state.tanks],
        today(state, alarms, tasks, supply),
        never_written(state.site, supply, tasks),
        awaited(state, alarms),
        any(value.reading is not None for value in state.values.values()),
    )


def lasting_of(state: SiteState, since_ms: int | None) -> tuple[Statement, list[Sentence]]:
    """Days until the rain water runs out, and what there is to add."""
    drawn_from = {draw.tank for draw in state.site.draw}
    dry = [
        tank.tank.id for tank in state.tanks if tank.usable_l == 0 and not _stale(tank) and tank.tank.id in drawn_from
    ]
    if dry:
        return (
            Statement(say("No rain water can be drawn")),
            [say("Tank {tanks} is down to its outlet.", tanks=saying.names(dry))],
        )
    if not drawn_from:
        return Statement(say("Nothing draws from this supply")), []
    current = state.forecast
    if current is None:
        return Statement(say("How long rain water lasts is not known"), missing=True), [
            say("There is no forecast yet: the first is made some minutes after the first level.")
        ]
    forecast = current.forecast
    span = span_of(forecast.runs_out, forecast.issued_ms, forecast.horizon_h)
    more: list[Sentence] = [lasts_more(span, state.now_ms), *_rests_on(forecast, since_ms)]
    return Statement(lasts(span, state.now_ms), stale=current.stale), more


def _rests_on(forecast: Forecast, since_ms: int | None) -> list[Sentence]:
    """What makes a forecast less sure than it sounds: a short history, no weather to come."""
    by_season = _by_season(forecast)
    if since_ms is None:
        return [say("By the season, without a weather forecast.")] if by_season else []
    since = saying.instant(since_ms)
    if forecast.issued_ms - since_ms < DAY_MS:
        if by_season:
            return [say("A first guess: measured since {time}, use as planned, rain by the season.", time=since)]
        return [say("A first guess: measured since {time}, use as planned.", time=since)]
    if by_season:
        return [say("Measured only since {time}; use as planned, rain by the season.", time=since)]
    return [say("Measured only since {time}; use as planned.", time=since)]


def _by_season(forecast: Forecast) -> bool:
    """Whether the rain to come is what the season brings: an outlook that was never issued."""
    outlooks = [entry for entry in forecast.inputs if _text(entry.name) == "rain outlook"]
    return bool(outlooks) and all(entry.time_ms is None for entry in outlooks)


def _text(sentence: Sentence) -> str:
    return sentence if isinstance(sentence, str) else sentence.text


def overflowing(state: SiteState) -> Statement:
    """Days until the first litre leaves the site over a brim."""
    full = [tank.tank.id for tank in state.tanks if tank.tank.overflow_to is None and _at_brim(tank)]
    if full:
        return Statement(say("Tank {tanks} is at the brim: what runs in now runs over.", tanks=saying.names(full)))
    current = state.forecast
    if current is None:
        return Statement(say("When it overflows is not known: there is no forecast yet."), missing=True)
    forecast = current.forecast
    span = span_of(forecast.overflows, forecast.issued_ms, forecast.horizon_h)
    return Statement(overflows(span, state.now_ms), stale=current.stale)


def spilling(state: SiteState) -> list[Statement]:
    """What would run over each brim in the days looked at, and how fast; nothing while that is unlikely."""
    current = state.forecast
    if current is None:
        return []
    leaving = {tank.id for tank in state.site.tank if tank.overflow_to is None}
    return [
        Statement(_spill(tank), stale=current.stale)
        for tank in current.forecast.tanks
        if tank.tank in leaving and tank.overflows.within >= _SPILL_CHANCE and tank.spill_l.p95[-1] > 0
    ]


def _spill(tank: TankForecast) -> Saying:
    known = {
        "tank": saying.name(tank.tank),
        "most": saying.litres(tank.spill_l.p95[-1]),
        "peak": saying.litres_a_minute(tank.spill_peak_l_min),
    }
    if tank.spill_l.p50[-1] > 0:
        return say(
            "Some {median} may run over from tank {tank}, hardly more than {most}; up to {peak} in the worst hour.",
            median=saying.litres(tank.spill_l.p50[-1]),
            **known,
        )
    return say("Up to {most} may run over from tank {tank}; up to {peak} in the worst hour.", **known)


def issued(state: SiteState) -> Statement:
    """When the forecast was made, what makes it stale, and what it had to do without."""
    current = state.forecast
    if current is None:
        return Statement(say("No forecast yet."), missing=True)
    time = saying.instant(current.forecast.issued_ms)
    without = [entry.name for entry in missing_of(current.forecast)]
    lacks = say("Made without {inputs}", inputs=saying.names(without)) if without else None
    if current.stale:
        text = say(
            "Forecast made {time}, {age} ago: do not take it as fresh, because {doubts}.",
            time=time,
            age=saying.duration(max(0, current.age_ms)),
            doubts=saying.names(current.doubts),
        )
        return Statement(text, lacks, stale=True)
    return Statement(say("Forecast made {time}.", time=time), lacks)


def _doubted(state: SiteState, measures: str) -> bool:
    """Whether something is heard of what is measured, and not believed."""
    return any(sensor.id in state.disbelieved for sensor in state.site.sensors_of(measures))


def tank_statement(state: TankState, *, heard: bool = False) -> Statement:
    """How much is in a tank: all of it, and the part that can be drawn.

    heard  whether a level is heard, which is not believed
    """
    tank = saying.name(state.tank.id)
    if state.level is None or state.share is None or state.volume_l is None or state.usable_l is None:
        if not state.measured:
            return Statement(say("Tank {tank}: its level is not measured.", tank=tank), missing=True)
        if heard:
            return Statement(say("Tank {tank}: no level yet that can be believed.", tank=tank), missing=True)
        return Statement(say("Tank {tank}: no level heard yet.", tank=tank), missing=True)
    text = say(
        "Tank {tank}: {share} full, {usable} to draw ({volume} of {capacity}).",
        tank=tank,
        share=saying.share(state.share),
        usable=saying.litres(state.usable_l),
        volume=saying.litres(state.volume_l),
        capacity=saying.litres(state.geometry.capacity_l),
    )
    return Statement(text, measured(state.level), state.level.stale)


def battery_statements(state: SiteState) -> list[Statement]:
    """Battery voltage and days until cut-off; nothing for a site without a battery."""
    battery = state.site.battery
    if battery is None:
        return []
    value = state.measuring("battery.voltage")
    if not state.site.sensors_of("battery.voltage"):
        volts = Statement(say("Battery: its voltage is not measured."), missing=True)
    elif value is None or value.reading is None:
        none = say("Battery: no voltage heard yet.")
        if _doubted(state, "battery.voltage"):
            none = say("Battery: no voltage yet that can be believed.")
        volts = Statement(none, missing=True)
    else:
        text = say(
            "Battery: {voltage} (low below {low}, cut-off at {cutoff}).",
            voltage=saying.volts(value.reading.value),
            low=saying.volts(battery.low_v),
            cutoff=saying.volts(battery.cutoff_v),
        )
        volts = Statement(text, measured(value), value.stale)
    return [volts, _cutting_off(state.forecast, state)]


def _cutting_off(current: CurrentForecast | None, state: SiteState) -> Statement:
    if current is None or current.forecast.battery is None:
        return Statement(say("Days until battery cut-off: not known, there is no forecast of it."), missing=True)
    forecast = current.forecast
    span = span_of(current.forecast.battery.cutoff, forecast.issued_ms, forecast.horizon_h)
    return Statement(cuts_off(span, state.now_ms), stale=current.stale)


def _at_brim(tank: TankState) -> bool:
    if tank.level is None or tank.level_m is None or tank.level.stale:
        return False
    return tank.level_m >= brim_m(tank.tank, tank.level.sensor)


def _stale(tank: TankState) -> bool:
    return tank.level is None or tank.level.stale
