"""For each alarm: does its condition hold, since how long, and why. Pure: facts and now in, a finding out.

A finding of None means that the facts do not tell: such a finding neither raises nor clears.
How long a condition has held is read off the stored readings each time, so a restart forgets
nothing and a backlog that arrives late is counted by the times at which it was measured.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from api.alarms import types
from api.alarms.types import AlarmId
from api.settings import Settings
from forecast.model.geometry import geometry_of
from ingest.instants import from_datetime
from ingest.reading import Reading, flag_words
from ingest.saying import (
    Figure,
    Saying,
    duration,
    instant,
    litres,
    metres,
    name,
    names,
    number,
    said,
    say,
    share,
    volts,
)
from ingest.saying import days as whole_days
from ingest.site import Sensor, Site, Tank
from ingest.store.records import Evidence


class Outlook(NamedTuple):
    """What one issued forecast says about the tanks: probability by day, per tank id."""

    issued_ms: int
    stale: bool
    runs_out: Mapping[str, Sequence[float]]
    overflows: Mapping[str, Sequence[float]]


@dataclass(frozen=True)
class Facts:
    """All that the rules may know about a site.

    watching_since_ms  since when this process watches: earlier silence may be its own [ms]
    series    recent usable readings by sensor id, oldest first, none dated after now
    latest    the newest usable reading by sensor id, of any age
    suspect   the newest reading, suspect, of sensors that still send but nothing usable
    outlooks  recent forecasts, oldest first
    """

    site: Site
    settings: Settings
    watching_since_ms: int
    series: Mapping[str, Sequence[Reading]]
    latest: Mapping[str, Reading]
    suspect: Mapping[str, Reading]
    outlooks: Sequence[Outlook]

    def limit_ms(self, sensor: Sensor) -> int:
        return self.settings.stale_after_ms(sensor.every_s)


class Finding(NamedTuple):
    """What the facts say of one alarm.

    verdict   it holds, it does not, or the facts do not tell
    held_ms   since how long, to the facts' knowledge [ms]
    said      why, with figures
    evidence  the readings that decided
    """

    verdict: bool | None
    held_ms: int
    said: Saying
    evidence: tuple[Evidence, ...] = ()


class Sample(NamedTuple):
    """A value and its time."""

    time_ms: int
    value: float


Test = Callable[[float], bool]


def find(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    """What the facts say about one alarm now."""
    return _RULES[alarm.kind.key](alarm, facts, now_ms)


def held_ms(samples: Sequence[Sample], holds: Test, bridge_ms: int, now_ms: int) -> int:
    """How long, up to now, every sample has passed the test without a gap over `bridge_ms`. [ms]"""
    since = now_ms
    for sample in reversed(samples):
        if since - sample.time_ms > bridge_ms or not holds(sample.value):
            break
        since = sample.time_ms
    return now_ms - since


def brim_m(tank: Tank, sensor: Sensor) -> float:
    """The level from which a tank counts as being at its brim. [m]"""
    return tank.overflow_height_m - max(types.BRIM_TOLERANCE_M, 2 * (sensor.noise or 0.0))


def _battery_low(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    sensor = _heard_last(facts, "battery.voltage")
    battery = facts.site.battery
    if sensor is None or battery is None or _is_old(facts, sensor, now_ms):
        return unknown("No fresh battery voltage.")
    low_v, well_v = battery.low_v, battery.low_v + alarm.kind.deadband

    def says(newest: Reading, holds: bool, held: Figure) -> Saying:
        told = {"now": volts(newest.value), "at": instant(newest.time_ms), "held": held}
        if holds:
            return say("Battery {now} at {at}: below {low} for {held}.", low=volts(low_v), **told)
        return say("Battery {now} at {at}: not below {well} for {held}.", well=volts(well_v), **told)

    return _judge(alarm, facts, sensor, now_ms, lambda v: v < low_v, lambda v: v >= well_v, says)


def _tank_low(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    tank = _tank(facts.site, alarm.part)
    sensor = _heard_last(facts, f"tank.{tank.id}.level")
    if sensor is None or tank.low_l is None or _is_old(facts, sensor, now_ms):
        return unknown("No fresh level.")
    geometry, low_l, well_l = geometry_of(tank), tank.low_l, tank.low_l * (1 + alarm.kind.deadband)

    def usable_l(level_m: float) -> float:
        return float(geometry.volume_l(level_m)) - geometry.dead_l

    def says(newest: Reading, holds: bool, held: Figure) -> Saying:
        left_l = max(0.0, usable_l(newest.value))
        told = {"left": litres(left_l), "tank": name(tank.id), "at": instant(newest.time_ms), "held": held}
        if holds:
            return say(
                "{left} can be drawn from tank {tank} at {at}: below {low} for {held}.", low=litres(low_l), **told
            )
        return say(
            "{left} can be drawn from tank {tank} at {at}: not below {well} for {held}.", well=litres(well_l), **told
        )

    return _judge(alarm, facts, sensor, now_ms, lambda h: usable_l(h) < low_l, lambda h: usable_l(h) >= well_l, says)


def _overflow_now(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    tank = _tank(facts.site, alarm.part)
    sensor = _heard_last(facts, f"tank.{tank.id}.level")
    if sensor is None or _is_old(facts, sensor, now_ms):
        return unknown("No fresh level.")
    at_brim_m = brim_m(tank, sensor)
    below_m = at_brim_m - alarm.kind.deadband

    def says(newest: Reading, holds: bool, held: Figure) -> Saying:
        told = {
            "level": metres(newest.value),
            "tank": name(tank.id),
            "at": instant(newest.time_ms),
            "brim": metres(tank.overflow_height_m),
            "held": held,
        }
        if holds:
            return say("Level of tank {tank} {level} at {at}, brim {brim}: at the brim for {held}.", **told)
        return say("Level of tank {tank} {level} at {at}, brim {brim}: below the brim for {held}.", **told)

    return _judge(alarm, facts, sensor, now_ms, lambda h: h >= at_brim_m, lambda h: h < below_m, says)


def _empty_predicted(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    tank = _tank(facts.site, alarm.part)
    level_m, geometry = _fresh_level_m(tank, facts, now_ms), geometry_of(tank)
    if level_m is not None and geometry.volume_l(level_m) <= geometry.dead_l:
        return unknown("It is empty already: there is nothing to predict.")
    days, likely = types.EMPTY_WITHIN_DAYS, types.EMPTY_PROBABILITY
    says = "Probability that tank {tank} runs out of rain water within {days}: {chance}, by the forecast of {issued}."
    return _predicted(alarm, facts, now_ms, lambda outlook: outlook.runs_out, days, likely, says)


def _overflow_predicted(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    tank = _tank(facts.site, alarm.part)
    level_m, sensor = _fresh_level_m(tank, facts, now_ms), _heard_last(facts, f"tank.{tank.id}.level")
    if level_m is not None and sensor is not None and level_m >= brim_m(tank, sensor):
        return unknown("It is at its brim already: there is nothing to predict.")
    days, likely = types.OVERFLOW_WITHIN_DAYS, types.OVERFLOW_PROBABILITY
    says = "Probability that tank {tank} runs over within {days}: {chance}, by the forecast of {issued}."
    return _predicted(alarm, facts, now_ms, lambda outlook: outlook.overflows, days, likely, says)


def _nothing_heard(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    """All sensors of one device in one alarm: whatever silences a device silences them together."""
    sensors = [sensor for sensor in facts.site.sensor if sensor.device == alarm.part]
    old = [sensor for sensor in sensors if _is_old(facts, sensor, now_ms)]
    silent = [sensor for sensor in old if now_ms - _heard_ms(facts, sensor) > facts.limit_ms(sensor)]
    if silent:
        said = _silence(alarm.part, silent, len(silent) == len(sensors), facts, now_ms)
        return Finding(True, 0, said, tuple(_last_of(facts, sensor) for sensor in silent if sensor.id in facts.latest))
    if old:
        return unknown("Still waiting to hear some of its sensors.")
    heard = min(held_ms(_samples(facts, sensor), lambda _: True, facts.limit_ms(sensor), now_ms) for sensor in sensors)
    told = {"device": name(alarm.part), "count": number(len(sensors)), "held": duration(heard)}
    return Finding(False, heard, say("{device} is heard again, all {count} of its sensors, for {held}.", **told))


_RULES: Mapping[str, Callable[[AlarmId, Facts, int], Finding]] = {
    types.BATTERY_LOW.key: _battery_low,
    types.TANK_LOW.key: _tank_low,
    types.OVERFLOW_NOW.key: _overflow_now,
    types.EMPTY_PREDICTED.key: _empty_predicted,
    types.OVERFLOW_PREDICTED.key: _overflow_predicted,
    types.NOTHING_HEARD.key: _nothing_heard,
}


def _judge(
    alarm: AlarmId,
    facts: Facts,
    sensor: Sensor,
    now_ms: int,
    trips: Test,
    clears: Test,
    says: Callable[[Reading, bool, Figure], Saying],
) -> Finding:
    """Hold a fresh value against its threshold; between `trips` and `clears` lies the deadband."""
    newest = facts.latest[sensor.id]
    holds = trips(newest.value)
    if not holds and not clears(newest.value):
        return unknown("Within the deadband: no change.")
    bridge_ms = max(alarm.kind.bridge_ms, facts.limit_ms(sensor))
    held = held_ms(_samples(facts, sensor), trips if holds else clears, bridge_ms, now_ms)
    return Finding(holds, held, says(newest, holds, duration(held)), (_last_of(facts, sensor),))


def _predicted(
    alarm: AlarmId,
    facts: Facts,
    now_ms: int,
    events: Callable[[Outlook], Mapping[str, Sequence[float]]],
    days: int,
    likely: float,
    says: str,
) -> Finding:
    """Hold the probability within so many days against what counts as likely."""
    fresh = [
        Sample(outlook.issued_ms, by_day[min(days, len(by_day)) - 1])
        for outlook in facts.outlooks
        if not outlook.stale and (by_day := events(outlook).get(alarm.part))
    ]
    if not fresh or fresh[-1].time_ms != facts.outlooks[-1].issued_ms:
        return unknown("No fresh forecast.")
    newest, unlikely = fresh[-1], likely - alarm.kind.deadband
    if now_ms - newest.time_ms > facts.settings.stale_forecast_ms:
        return unknown("The newest forecast is too old.")
    holds = newest.value >= likely
    if not holds and newest.value >= unlikely:
        return unknown("Within the deadband: no change.")
    held = held_ms(fresh, (lambda p: p >= likely) if holds else (lambda p: p < unlikely), alarm.kind.bridge_ms, now_ms)
    told = {
        "tank": name(alarm.part),
        "days": whole_days(days),
        "chance": share(newest.value),
        "issued": instant(newest.time_ms),
    }
    evidence = Evidence(f"forecast/{alarm.kind.key}", newest.time_ms, newest.value)
    return Finding(holds, held, say(says, **told), (evidence,))


def _silence(device: str, silent: list[Sensor], whole: bool, facts: Facts, now_ms: int) -> Saying:
    last = [facts.latest[sensor.id].time_ms for sensor in silent if sensor.id in facts.latest]
    told = {"device": name(device)}
    if not whole:
        told["sensors"] = names([sensor.name for sensor in silent])
    if last:
        told |= {"since": instant(max(last)), "age": duration(now_ms - max(last))}
    silence = say(_SILENCES[whole, bool(last)], **told)
    suspect = [sensor for sensor in silent if sensor.id in facts.suspect]
    if not suspect:
        return silence
    words = dict.fromkeys(word for sensor in suspect for word in flag_words(facts.suspect[sensor.id].flags))
    return say(
        "{silence} Values of {sensors} still arrive but cannot be used: {why}.",
        silence=said([silence]),
        sensors=names([sensor.name for sensor in suspect]),
        why=said([say(word) for word in words]),
    )


#: Whether all sensors of a device are silent, and whether they were ever heard → what is said.
_SILENCES: Final = {
    (True, True): "Nothing usable heard from any sensor of {device} since {since} ({age}).",
    (True, False): "Nothing usable heard from any sensor of {device} at all.",
    (False, True): "Nothing usable heard from {sensors} of {device} since {since} ({age}).",
    (False, False): "Nothing usable heard from {sensors} of {device} at all.",
}


def _last_of(facts: Facts, sensor: Sensor) -> Evidence:
    newest = facts.latest[sensor.id]
    return Evidence(sensor.id, newest.time_ms, newest.value)


def _heard_ms(facts: Facts, sensor: Sensor) -> int:
    """From when on a sensor's silence counts. [ms] Not from before this process watched, nor the commissioning."""
    reading, commissioned = facts.latest.get(sensor.id), facts.site.commissioned
    return max(
        facts.watching_since_ms,
        0 if reading is None else reading.time_ms,
        0 if commissioned is None else from_datetime(commissioned),
    )


def _is_old(facts: Facts, sensor: Sensor, now_ms: int) -> bool:
    reading = facts.latest.get(sensor.id)
    return reading is None or now_ms - reading.time_ms > facts.limit_ms(sensor)


def _heard_last(facts: Facts, measures: str) -> Sensor | None:
    """Of the sensors for one thing, the one heard last."""
    heard = [sensor for sensor in facts.site.sensors_of(measures) if sensor.id in facts.latest]
    return max(heard, key=lambda sensor: facts.latest[sensor.id].time_ms, default=None)


def _fresh_level_m(tank: Tank, facts: Facts, now_ms: int) -> float | None:
    """The level of a tank; None: not known now. [m]"""
    sensor = _heard_last(facts, f"tank.{tank.id}.level")
    return None if sensor is None or _is_old(facts, sensor, now_ms) else facts.latest[sensor.id].value


def _samples(facts: Facts, sensor: Sensor) -> list[Sample]:
    return [Sample(reading.time_ms, reading.value) for reading in facts.series.get(sensor.id, ())]


def _tank(site: Site, tank_id: str) -> Tank:
    return next(tank for tank in site.tank if tank.id == tank_id)


def unknown(why: str) -> Finding:
    """The facts do not tell."""
    return Finding(None, 0, say(why))
