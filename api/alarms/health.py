"""Water that may make people ill: both supplies open together, water that stands too long, water too warm."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from api.alarms.facts import Facts, Finding, unknown
from api.alarms.history import HOURS
from api.alarms.judging import judge
from api.alarms.kinds import AlarmId, AlarmType
from forecast.model.geometry import geometry_of
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from ingest.reading import Reading
from ingest.saying import Figure, Saying, celsius, days, instant, litres, name, say, template
from ingest.site import Draw, Sensor, Site
from ingest.store.records import Evidence
from ingest.totals import increments

BOTH_OPEN: Final = AlarmType(
    key="both-supplies-open",
    title="Both supplies seem to be open together",
    cause="The backup supply was opened and the rain water was not shut, or the other way round.",
    consequence="Untreated rain water can get into the piped supply and make people ill, at other taps too. Or the "
    "backup "
    "runs into the tank and over its brim.",
    action="Shut one of the two now: the rain water, while the backup is needed. Let nobody drink from either until it "
    "is clear what has mixed. Between the supplies there must be an air gap or a listed backflow preventer, fitted by "
    "a "
    "licensed plumber; have it inspected. Write the change-over down in the site's log.",
    respond_within_h=1,
    priority="high",
    on_delay_ms=0,  # the half hour that a change-over by hand may take is in the rule
    off_delay_ms=HOUR_MS,
    realarm_ms=DAY_MS,
)
WATER_WARM: Final = AlarmType(
    key="water-warm",
    title="Water in tank {part} is warm",
    cause="Hot weather, a tank in the sun, or little water in it.",
    consequence="From 25 to 45 °C Legionella and other germs multiply; spray carries them into lungs.",
    action="Use the water where it makes no spray. Shade the tank. Let nobody breathe the spray of hoses or "
    "sprinklers; "
    "before showers or sprinklers are used again, ask whoever looks after water hygiene here.",
    respond_within_h=72,
    priority="low",
    on_delay_ms=12 * HOUR_MS,  # longer than an afternoon
    off_delay_ms=48 * HOUR_MS,
    realarm_ms=14 * DAY_MS,
    bridge_ms=6 * HOUR_MS,
    cycle_ms=2 * DAY_MS,
    deadband=1.0,
    deadband_unit="°C",
)
WATER_STANDING: Final = AlarmType(
    key="water-standing",
    title="Water from tank {part} is hardly used",
    cause="Nobody is here, or a draw is out of order.",
    consequence="Water that stands in pipes and tank goes stale: germs, Legionella among them, multiply, most of all "
    "in "
    "warmth. Mosquitoes breed where a screen is broken.",
    action="Before anybody uses it again, let every tap run for some minutes without spray: take shower heads and "
    "sprinklers off, open gently, stand back. See that lid and screens are whole.",
    respond_within_h=168,
    priority="low",
    on_delay_ms=DAY_MS,
    off_delay_ms=DAY_MS,
    realarm_ms=14 * DAY_MS,
    cycle_ms=7 * DAY_MS,
    deadband=0.5,
    deadband_unit="of the days",
)
TYPES: Final = (BOTH_OPEN, WATER_WARM, WATER_STANDING)

#: Legionella multiplies from 25 °C on: WHO 2007, Legionella and the prevention of legionellosis.
WARM_CEL: Final = 25.0
#: Water that would last so long at the use of the last two weeks stands too long: a week without use makes
#: it so, and outlets are flushed weekly. (common practice, no source)
STANDING_DAYS: Final = 90
_USE_DAYS: Final = 14
#: A change-over by hand takes this long at most; and this much through the meters is a draw. [L]
CHANGE_OVER_MS: Final = 30 * MINUTE_MS
_DRAWN_L: Final = 3.0
#: Nothing drawn for a day beside an open backup: the rain water is shut. A night alone tells nothing.
SHUT_MS: Final = DAY_MS
#: Why both are thought to be open. What was written down may have been overtaken by what nobody wrote down.
_BY_SENSOR: Final = template(
    "By its sensor the backup supply has been open since {opened}, and {drawn} of rain water were drawn beside it, the "
    "last at {last}."
)
_BY_LOG: Final = template(
    "By the site's log the backup supply has been open since {opened}, and {drawn} of rain water were drawn beside it, "
    "the last at {last}. If it is shut by now, write that down."
)


def alarms(site: Site) -> Iterator[AlarmId]:
    """Both open: where a person changes over, and gravity draws are metered."""
    if site.backup is not None and site.backup.changeover == "by hand" and _gravity_meters(site):
        yield AlarmId(BOTH_OPEN)
    for tank in site.tank:
        if site.sensors_of(f"tank.{tank.id}.temperature"):
            yield AlarmId(WATER_WARM, tank.id)
        draws = [draw for draw in site.draw if draw.tank == tank.id]
        level = bool(site.sensors_of(f"tank.{tank.id}.level"))
        if level and draws and all(_is_metered(site, draw) for draw in draws):
            yield AlarmId(WATER_STANDING, tank.id)


def both_open(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    """The backup stands open, by sensor or by the site's log, and rain water is drawn beside it."""
    opened_ms = _opened_ms(facts, now_ms)
    if opened_ms is None:
        return unknown("It is not known whether the backup is open.")
    if opened_ms == 0:
        closed = facts.log.get(("backup-closed", facts.site.backup.id if facts.site.backup else ""))
        held = alarm.kind.off_delay_ms if closed is not None else _closed_for_ms(facts, now_ms)
        return Finding(
            False, held, say("The backup supply is shut."), facts.evidence(*facts.site.sensors_of("backup.open"))
        )
    settled_ms = max(opened_ms + CHANGE_OVER_MS, now_ms - SHUT_MS)
    steps = [
        step
        for sensor in _gravity_meters(facts.site)
        for step in increments(facts.series.get(sensor.id, ()))
        if step.start_ms >= settled_ms and step.amount > 0
    ]
    drawn_l = sum(step.amount for step in steps)
    evidence = (
        Evidence("backup.open", opened_ms, 1.0),
        *facts.evidence(*_gravity_meters(facts.site)),
    )
    if drawn_l >= _DRAWN_L:
        told = {"opened": instant(opened_ms), "drawn": litres(drawn_l), "last": instant(steps[-1].end_ms)}
        by_sensor = facts.fresh("backup.open", now_ms) is not None
        return Finding(True, 0, say(_BY_SENSOR if by_sensor else _BY_LOG, **told), evidence)
    if now_ms - opened_ms >= SHUT_MS + CHANGE_OVER_MS and drawn_l == 0:
        return Finding(
            False, alarm.kind.off_delay_ms, say("The backup supply is open, and no rain water is drawn."), evidence
        )
    return unknown("The backup is open; it does not show yet whether the rain water is shut.")


def water_warm(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    tank = facts.tank(alarm.part)
    sensor = facts.fresh(f"tank.{tank.id}.temperature", now_ms)
    if sensor is None:
        return unknown("No fresh temperature.")
    cool = WARM_CEL - alarm.kind.deadband

    def says(newest: Reading, holds: bool, held: Figure) -> Saying:
        told = {"now": celsius(newest.value), "tank": name(tank.id), "at": instant(newest.time_ms), "held": held}
        if holds:
            return say("Water in tank {tank} {now} at {at}: {warm} or more for {held}.", warm=celsius(WARM_CEL), **told)
        return say("Water in tank {tank} {now} at {at}: below {cool} for {held}.", cool=celsius(cool), **told)

    return judge(alarm, facts, sensor, now_ms, lambda c: c >= WARM_CEL, lambda c: c < cool, says)


def water_standing(alarm: AlarmId, facts: Facts, _now_ms: int) -> Finding:
    """How long what the tank holds would last at the use of the last two weeks; today, and a day ago too."""
    tank = facts.tank(alarm.part)
    found = facts.history.once(
        ("lasts", tank.id), lambda: [_lasts_days(facts, tank.id, HOURS - back) for back in (0, 24)]
    )
    if found[0] is None:
        return unknown("Not all use was measured, or there is hardly any water.")
    lasts, drawn_l, held_l = found[0]
    holds = lasts > STANDING_DAYS
    if not holds and lasts > STANDING_DAYS * alarm.kind.deadband:
        return unknown("Within the deadband: no change.")
    lasted = found[1] is not None and (found[1][0] > STANDING_DAYS) == holds
    told = {"drawn": litres(drawn_l), "tank": name(tank.id), "held": litres(held_l), "days": days(_USE_DAYS)}
    if holds:
        said = say("Only {drawn} were drawn from tank {tank} in the last {days}; it holds {held}.", **told)
    else:
        said = say("{drawn} were drawn from tank {tank} in the last {days}; it holds {held}.", **told)
    return Finding(
        holds, DAY_MS if lasted else 0, said, facts.evidence(*facts.site.sensors_of(f"tank.{tank.id}.level"))
    )


def _opened_ms(facts: Facts, now_ms: int) -> int | None:
    """Since when the backup stands open [ms]; 0: it is shut; None: nobody knows. A sensor goes before the log."""
    site = facts.site
    sensor = facts.fresh("backup.open", now_ms)
    if sensor is not None:
        since = 0
        for sample in reversed(facts.samples(sensor)):
            if sample.value < 0.5:
                break
            since = sample.time_ms
        return since
    backup = site.backup.id if site.backup else ""
    opened, closed = facts.log.get(("backup-opened", backup)), facts.log.get(("backup-closed", backup))
    if opened is None:
        return None if closed is None else 0
    return 0 if closed is not None and closed.time_ms >= opened.time_ms else opened.time_ms


def _closed_for_ms(facts: Facts, now_ms: int) -> int:
    sensor = facts.fresh("backup.open", now_ms)
    if sensor is None:
        return 0
    since = now_ms
    for sample in reversed(facts.samples(sensor)):
        if sample.value >= 0.5:
            break
        since = sample.time_ms
    return now_ms - since


def _lasts_days(facts: Facts, tank_id: str, end: int) -> tuple[float, float, float] | None:
    """Days that the water lasts at the use of the two weeks before an hour; what was drawn; what it holds. [d], [L], "
    "[L]
    """
    history, span = facts.history, slice(end - _USE_DAYS * 24, end)
    draws = [history.drawn_l.get(draw.id) for draw in facts.site.draw if draw.tank == tank_id]
    level = history.level_m.get(tank_id)
    if level is None or span.start < 0 or np.isnan(level[span]).all():
        return None
    if any(drawn is None or np.isnan(drawn[span]).sum() > 24 for drawn in draws):
        return None
    geometry = geometry_of(facts.tank(tank_id))
    held_l = float(geometry.volume_l(level[span][~np.isnan(level[span])][-1]))
    if held_l - geometry.dead_l < 0.05 * geometry.capacity_l:
        return None
    drawn_l = sum(float(np.nansum(drawn[span])) for drawn in draws if drawn is not None)
    return held_l / max(drawn_l / _USE_DAYS, 1e-6), drawn_l, held_l


def _gravity_meters(site: Site) -> list[Sensor]:
    """Running totals of what gravity draws take from the tanks."""
    return [
        sensor for draw in site.draw if draw.feed == "gravity" for sensor in site.sensors_of(f"draw.{draw.id}.total")
    ]


def _is_metered(site: Site, draw: Draw) -> bool:
    return bool(site.sensors_of(f"draw.{draw.id}.total") or site.sensors_of(f"draw.{draw.id}.flow"))


RULES: Final = {BOTH_OPEN.key: both_open, WATER_WARM.key: water_warm, WATER_STANDING.key: water_standing}
#: Both-open looks as far back as it takes to see that the rain water is shut.
LOOK_BACK: Final = {"tank.*.temperature": (WATER_WARM,)}
