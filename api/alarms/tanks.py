"""The water in the tanks: low, at the brim, and likely to be."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from statistics import median
from typing import Final

from api.alarms.facts import Facts, Finding, Outlook, Sample, held_ms, unknown
from api.alarms.judging import Threshold, judge, predicted
from api.alarms.kinds import AlarmId, AlarmType
from forecast.model.geometry import geometry_of
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from ingest.reading import Reading
from ingest.saying import Figure, Saying, days, duration, instant, litres, litres_a_minute, metres, name, say, share
from ingest.site import Sensor, Site, Tank
from ingest.totals import increments

TANK_LOW: Final = AlarmType(
    key="tank-low",
    title="Tank {part} is low",
    cause="More was drawn than rained in. Or a tap left open, a leak, a blocked gutter or inlet.",
    consequence="Soon no rain water can be drawn from this tank.",
    action="Draw less. Walk round and look for an open tap, a wet patch, a blocked gutter.",
    action_with_backup="Draw less. Walk round and look for an open tap, a wet patch, a blocked gutter. Make ready to "
    "change over to the backup supply; never have both supplies open together.",
    action_backup_open="Draw less. Walk round and look for an open tap, a wet patch, a blocked gutter. By {source} the "
    "backup supply is open already: leave the rain water shut; never have both supplies open together.",
    respond_within_h=24,
    priority="medium",
    on_delay_ms=30 * MINUTE_MS,
    off_delay_ms=24 * HOUR_MS,  # a day of use: a shower lifts the level over the threshold for a morning
    bridge_ms=2 * HOUR_MS,
    cycle_ms=DAY_MS,
    deadband=0.1,
    deadband_unit="of low_l",
)
OVERFLOW_NOW: Final = AlarmType(
    key="overflow-now",
    title="Tank {part} is running over",
    cause="It is at its brim and more flows in.",
    consequence="The water is lost, and can wash out the ground below the overflow.",
    action="Look, from firm ground, whether the overflow runs along its proper way. Clear its grating if it is "
    "blocked; "
    "keep off soft ground and out of the tank. In daylight unless something is being washed away.",
    action_with_backup="Close the backup supply if it is open. Look, from firm ground, whether the overflow runs along "
    "its proper way. Clear its grating if it is blocked; keep off soft ground and out of the tank. In daylight unless "
    "something is being washed away.",
    action_backup_open="Close the backup supply: by {source} it is open. Look, from firm ground, whether the overflow "
    "runs along its proper way. Clear its grating if it is blocked; keep off soft ground and out of the tank. In "
    "daylight unless something is being washed away.",
    action_backup_shut="By {source} the backup supply is shut: see that it is. Look, from firm ground, whether the "
    "overflow runs along its proper way. Clear its grating if it is blocked; keep off soft ground and out of the tank. "
    "In daylight unless something is being washed away.",
    respond_within_h=4,
    priority="medium",
    on_delay_ms=10 * MINUTE_MS,
    off_delay_ms=24 * HOUR_MS,  # the showers of wet days come in groups
    realarm_ms=DAY_MS,
    bridge_ms=2 * HOUR_MS,
    deadband=0.03,
    deadband_unit="m",
)
EMPTY_PREDICTED: Final = AlarmType(
    key="empty-predicted",
    title="Tank {part} is likely to run out",
    cause="At the present use, the rain to come is unlikely to keep up.",
    consequence="No rain water can be drawn from it until it rains.",
    action="Save water. Tell whoever irrigates.",
    action_with_backup="Save water, tell whoever irrigates, and plan the change-over to the backup supply: there must "
    "be an air gap or a listed backflow preventer between the supplies, fitted by a licensed plumber.",
    action_backup_open="Save water and tell whoever irrigates. By {source} the backup supply is open already: leave "
    "the rain water shut; never have both supplies open together.",
    respond_within_h=72,
    priority="low",
    on_delay_ms=HOUR_MS,  # every forecast of an hour agrees
    off_delay_ms=24 * HOUR_MS,
    realarm_ms=7 * DAY_MS,
    bridge_ms=6 * HOUR_MS,
    deadband=0.15,
    deadband_unit="of probability",
)
OVERFLOW_PREDICTED: Final = AlarmType(
    key="overflow-predicted",
    title="Tank {part} is likely to run over",
    cause="More rain is coming than the tank has room for.",
    consequence="What does not fit runs over the brim, is lost, and can wash out the ground below the overflow.",
    action="Use water now where it does good. Before the rain, see that the overflow, its grating and its way down the "
    "slope are clear.",
    respond_within_h=24,
    priority="low",
    on_delay_ms=HOUR_MS,
    off_delay_ms=24 * HOUR_MS,
    bridge_ms=6 * HOUR_MS,
    deadband=0.2,
    deadband_unit="of probability",
)
TYPES: Final = (TANK_LOW, OVERFLOW_NOW, EMPTY_PREDICTED, OVERFLOW_PREDICTED)

#: A tank counts as being at its brim this far below it, or twice its sensor's noise if that is more. [m]
BRIM_TOLERANCE_M: Final = 0.01
#: Water flows in while so much came within an hour: rain, or litres through a meter.
_RAIN_MM: Final = 0.2
_CAME_L: Final = 2.0
_LATELY_MS: Final = HOUR_MS
#: A rising tank takes in water, whatever no meter counts: so many times its sensor's noise (in still water) between
#: the older and the newer half of an hour, or of so many intervals of its sensor; of fewer levels nothing is told.
_RISE_NOISES: Final = 5.0
_RISE_INTERVALS: Final = 6
_FEWEST_OF_A_RISE: Final = 4

_EMPTY: Final = Threshold(days=7, likely=0.5)
OVERFLOW: Final = Threshold(days=3, likely=0.6)


def alarms(site: Site) -> Iterator[AlarmId]:
    """Those of each tank, in the order of the site file."""
    drawn_from = {draw.tank for draw in site.draw}
    for tank in site.tank:
        measured = bool(site.sensors_of(f"tank.{tank.id}.level"))
        if measured and tank.low_l is not None:
            yield AlarmId(TANK_LOW, tank.id)
        # What runs over into the next tank is not lost and washes nothing away.
        leaves = tank.overflow_to is None
        if measured and leaves:
            yield AlarmId(OVERFLOW_NOW, tank.id)
        if tank.id in drawn_from:
            yield AlarmId(EMPTY_PREDICTED, tank.id)
        if leaves:
            yield AlarmId(OVERFLOW_PREDICTED, tank.id)


def brim_m(tank: Tank, sensor: Sensor) -> float:
    """The level from which a tank counts as being at its brim. [m]"""
    return tank.overflow_height_m - max(BRIM_TOLERANCE_M, 2 * (sensor.noise or 0.0))


def tank_low(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    tank = facts.tank(alarm.part)
    sensor = facts.fresh(f"tank.{tank.id}.level", now_ms)
    if sensor is None or tank.low_l is None:
        return unknown("No fresh level.")
    geometry, low_l, well_l = geometry_of(tank), tank.low_l, tank.low_l * (1 + alarm.kind.deadband)
    low_m, well_m = (float(geometry.level_m(geometry.dead_l + usable_l)) for usable_l in (low_l, well_l))

    def says(newest: Reading, holds: bool, held: Figure) -> Saying:
        left_l = max(0.0, float(geometry.volume_l(newest.value)) - geometry.dead_l)
        told = {"left": litres(left_l), "tank": name(tank.id), "at": instant(newest.time_ms), "held": held}
        if holds:
            return say(
                "{left} can be drawn from tank {tank} at {at}: below {low} for {held}.", low=litres(low_l), **told
            )
        return say(
            "{left} can be drawn from tank {tank} at {at}: not below {well} for {held}.", well=litres(well_l), **told
        )

    return judge(alarm, facts, sensor, now_ms, lambda h: h < low_m, lambda h: h >= well_m, says)


def overflow_now(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    """At the brim while water flows in. A full tank into which nothing flows is no alarm, it is a good tank."""
    tank = facts.tank(alarm.part)
    sensor = facts.fresh(f"tank.{tank.id}.level", now_ms)
    if sensor is None:
        return unknown("No fresh level.")
    newest, at_brim_m = facts.latest[sensor.id], brim_m(tank, sensor)
    below_m = at_brim_m - alarm.kind.deadband
    levels = facts.samples(sensor)
    # Most of the year no level is near the brim, and nobody need ask what flows in.
    coming = sorted(_inflows(tank, sensor, facts)) if any(one.value >= below_m for one in levels) else []

    def over(reading: Reading) -> bool | None:
        """At the brim and water comes; None: within the deadband."""
        if reading.value < below_m or not _lately(coming, reading.time_ms):
            return False
        return True if reading.value >= at_brim_m else None

    # Within the deadband it stays what it was: the trough of a wave in a full tank ends nothing.
    samples, state = [], None
    for reading in levels:
        state = state if (seen := over(reading)) is None else seen
        if state is not None:
            samples.append(Sample(reading.time_ms, float(state)))
    if state is None:
        return unknown("Within the deadband: no change.")
    bridge_ms = max(alarm.kind.bridge_ms, facts.limit_ms(sensor))
    held = held_ms(samples, lambda value: value == float(state), bridge_ms, now_ms)
    told = {
        "level": metres(newest.value),
        "tank": name(tank.id),
        "at": instant(newest.time_ms),
        "brim": metres(tank.overflow_height_m),
        "held": duration(held),
    }
    if state:
        said = say(
            "Level of tank {tank} {level} at {at}, brim {brim}: at the brim, water flowing in, for {held}.", **told
        )
    elif newest.value >= below_m and not _lately(coming, newest.time_ms):
        said = say("Tank {tank} was at its brim, {level} at {at}: full, and nothing has flowed in for {held}.", **{
            key: told[key] for key in ("tank", "level", "at", "held")
        })  # fmt: skip
    else:
        said = say("Level of tank {tank} {level} at {at}, brim {brim}: below the brim for {held}.", **told)
    return Finding(state, held, said, facts.evidence(sensor))


def empty_predicted(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    tank = facts.tank(alarm.part)
    sensor, geometry = facts.fresh(f"tank.{tank.id}.level", now_ms), geometry_of(tank)
    if sensor is not None and geometry.volume_l(facts.latest[sensor.id].value) <= geometry.dead_l:
        return unknown("It is empty already: there is nothing to predict.")

    def says(newest: Outlook, chance: float) -> Saying:
        return say(
            "Probability that tank {tank} runs out of rain water within {days}: {chance}, by the forecast of {issued}.",
            tank=name(tank.id),
            days=days(_EMPTY.days),
            chance=share(chance),
            issued=instant(newest.issued_ms),
        )

    return predicted(alarm, facts, now_ms, lambda outlook: outlook.runs_out.get(tank.id), _EMPTY, says)


def overflow_predicted(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    tank = facts.tank(alarm.part)
    sensor = facts.fresh(f"tank.{tank.id}.level", now_ms)
    if sensor is not None and facts.latest[sensor.id].value >= brim_m(tank, sensor):
        return unknown("It is at its brim already: there is nothing to predict.")

    def says(newest: Outlook, chance: float) -> Saying:
        told = {
            "tank": name(tank.id),
            "days": days(OVERFLOW.days),
            "chance": share(chance),
            "issued": instant(newest.issued_ms),
        }
        if (spill := newest.spill.get(tank.id)) is None:
            return say(
                "Probability that tank {tank} runs over within {days}: {chance}, by the forecast of {issued}.", **told
            )
        return say(
            "Probability that tank {tank} runs over within {days}: {chance}, by the forecast of {issued}. About "
            "{middle} "
            "then, {bad} in a bad case, at up to {peak} as an hour's mean: the overflow and the slope have to take "
            "that.",
            middle=litres(spill.middle_l),
            bad=litres(spill.bad_l),
            peak=litres_a_minute(spill.peak_l_min),
            **told,
        )

    return predicted(alarm, facts, now_ms, lambda outlook: outlook.overflows.get(tank.id), OVERFLOW, says)


def _lately(times: Sequence[int], time_ms: int) -> bool:
    """Whether one of these instants, in order, lies within the hour before another."""
    place = bisect_right(times, time_ms)
    return place > 0 and time_ms - times[place - 1] < _LATELY_MS


def _inflows(tank: Tank, level: Sensor, facts: Facts) -> list[int]:
    """When water came towards a tank, by gauge, meters and its own rise. [UTC ms]"""
    site = facts.site
    roofs = [roof.id for roof in site.roof if roof.tank == tank.id]
    totals = [("rain.total", _RAIN_MM), ("backup.total", _CAME_L), *((f"roof.{roof}.total", _CAME_L) for roof in roofs)]
    rates = [("rain.rate", _RAIN_MM), ("backup.flow", _CAME_L), *((f"roof.{roof}.flow", _CAME_L) for roof in roofs)]
    times = []
    for measures, least in totals:
        for sensor in site.sensors_of(measures):
            times += [step.end_ms for step in increments(facts.series.get(sensor.id, ())) if step.amount >= least]
    for measures, least in rates:
        for sensor in site.sensors_of(measures):
            times += [reading.time_ms for reading in facts.series.get(sensor.id, ()) if reading.value >= least]
    span_ms = max(_LATELY_MS, _RISE_INTERVALS * level.every_s * 1000)
    times += _rises(facts.samples(level), _RISE_NOISES * max(level.noise or 0.0, 0.004), span_ms)
    return times


def _rises(samples: Sequence[Reading], least_m: float, span_ms: float) -> list[int]:
    """When the newer half of a span's levels stood this much above its older half, by their medians. [UTC ms]

    Of single levels noise alone would do that: in a full tank that nobody draws from it has weeks for it.
    """
    found, first = [], 0
    for index, sample in enumerate(samples):
        while sample.time_ms - samples[first].time_ms > span_ms:
            first += 1
        span = samples[first : index + 1]
        if len(span) < _FEWEST_OF_A_RISE or sample.value < span[0].value:
            continue
        half = len(span) // 2
        if median(one.value for one in span[half:]) - median(one.value for one in span[:half]) >= least_m:
            found.append(sample.time_ms)
    return found


RULES: Final = {
    TANK_LOW.key: tank_low,
    OVERFLOW_NOW.key: overflow_now,
    EMPTY_PREDICTED.key: empty_predicted,
    OVERFLOW_PREDICTED.key: overflow_predicted,
}
LOOK_BACK: Final = {
    "tank.*.level": (TANK_LOW, OVERFLOW_NOW),
    "rain.total": (OVERFLOW_NOW,),
    "rain.rate": (OVERFLOW_NOW,),
    "roof.*.total": (OVERFLOW_NOW,),
    "roof.*.flow": (OVERFLOW_NOW,),
    "backup.total": (OVERFLOW_NOW,),
    "backup.flow": (OVERFLOW_NOW,),
}
