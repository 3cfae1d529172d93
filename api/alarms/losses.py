"""Water that goes where it should not, or does not come where it should: a leak, and rain without inflow."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, NamedTuple

import numpy as np

from api.alarms.facts import Facts, Finding, unknown
from api.alarms.history import HOURS, NIGHT, History, Night
from api.alarms.kinds import AlarmId, AlarmType
from forecast.model.geometry import Geometry, geometry_of
from ingest.instants import DAY_MS, HOUR_MS
from ingest.saying import instant, litres, millimetres, name, number, say
from ingest.site import Draw, Roof, Sensor, Site, Tank
from ingest.store.records import Evidence

LEAK_SUSPECTED: Final = AlarmType(
    key="leak-suspected",
    title="Tank {part} may leak",
    cause="Its level falls at night, while it is dry and nobody draws: a dripping tap or valve, a leaking fitting or "
    "tank. But also a level sensor that drifts, a draw too small for its meter, or evaporation would look like this.",
    consequence="Water is lost day and night, and can undermine the ground under the tank.",
    action="Walk along the tank's foot, its fittings, the pipe and every tap: look and feel for water. If all is dry, "
    "measure the level from outside with a stick or a tape tonight and at dawn: if it has not fallen, the sensor is "
    "wrong. Do not climb into the tank.",
    respond_within_h=48,
    priority="medium",
    on_delay_ms=0,  # two dry nights are the delay: see NIGHTS_LEAKING
    off_delay_ms=0,  # and two dry nights clear it
    realarm_ms=7 * DAY_MS,
    cycle_ms=DAY_MS,
    deadband=0.5,
    deadband_unit="of the threshold",
)
RAIN_WITHOUT_INFLOW: Final = AlarmType(
    key="rain-without-inflow",
    title="It rains on roof {part} and little arrives",
    cause="A blocked gutter, downpipe or filter, a first-flush diverter that stays open, a pipe that has come apart; "
    "or "
    "a meter that has stopped.",
    consequence="The tank does not fill. Water that goes over the side can soak walls and footings.",
    action="Look from the ground while it rains or just after: where does the water go? Clean filter and first-flush "
    "diverter. Leave gutters to somebody with a proper ladder and a second person, in dry weather.",
    respond_within_h=48,
    priority="medium",
    on_delay_ms=HOUR_MS,  # the last water of a shower is still on its way
    off_delay_ms=HOUR_MS,
    realarm_ms=7 * DAY_MS,
    cycle_ms=DAY_MS,
    deadband=0.2,
    deadband_unit="of what was expected",
)
TYPES: Final = (LEAK_SUSPECTED, RAIN_WITHOUT_INFLOW)

#: So many of the newest dry nights must agree.
NIGHTS_LEAKING: Final = 2
#: A night's fall that is a leak, and so many times the standard error of the nights' mean. [L/h]
LEAK_L_H: Final = 2.0
LEAK_ERRORS: Final = 4.0
#: Roofs drip on: a night counts when it was dry from so many hours before it on.
_DRY_BEFORE_H: Final = 12
#: A level within so many noises of the tank's floor is that of an empty tank.
_BOTTOM_NOISES: Final = 3.0
#: Fewer levels tell nothing of a night.
_FEWEST_LEVELS: Final = 8
#: Rain counts over this window; so little of what was expected is "little"; and so much rain must be expected to
#: run off, beyond wetting and first flush, before anything is said. [h], share, [mm], [L]
_WINDOW_H: Final = 24
_LITTLE: Final = 0.3
_RUNOFF_MM: Final = 4.0
_RUNOFF_L: Final = 50.0


def alarms(site: Site) -> Iterator[AlarmId]:
    """Where level and meters can tell."""
    for tank in site.tank:
        if site.sensors_of(f"tank.{tank.id}.level") and _still_at_night(site, tank):
            yield AlarmId(LEAK_SUSPECTED, tank.id)
    if site.sensors_of("rain.total") or site.sensors_of("rain.rate"):
        for roof in site.roof:
            if _metered(site, roof) or _told_by_level(site, roof):
                yield AlarmId(RAIN_WITHOUT_INFLOW, roof.id)


class Fall(NamedTuple):
    """What a tank lost in a dry night without use, and the standard error. [L/h]"""

    night: Night
    l_h: float
    error_l_h: float

    @property
    def falls(self) -> bool:
        return self.l_h > max(LEAK_L_H, 2 * self.error_l_h)


def leak_suspected(alarm: AlarmId, facts: Facts, _now_ms: int) -> Finding:
    """The newest dry nights without use: all of them fall, or none does; a night of rain tells nothing."""
    tank = facts.tank(alarm.part)
    falls = facts.history.once(("falls", tank.id), lambda: _falls(facts, tank))
    if len(falls) < NIGHTS_LEAKING:
        return unknown("Too few dry nights.")
    said_l_h = float(np.mean([fall.l_h for fall in falls]))
    night = falls[-1].night
    evidence = tuple(
        Evidence(reading.sensor, reading.time_ms, reading.value)
        for fall in falls
        for reading in (fall.night.levels[0], fall.night.levels[-1])
    )
    told = {"tank": name(tank.id), "nights": number(len(falls)), "last": instant(night.end_ms)}
    # Each night falls by itself; that it is no chance, all of them say together.
    error_l_h = float(np.sqrt(sum(fall.error_l_h**2 for fall in falls))) / len(falls)
    if all(fall.falls for fall in falls) and said_l_h > LEAK_ERRORS * error_l_h:
        return Finding(
            True,
            0,
            say(
                "Tank {tank} lost {fall} an hour in the last {nights} dry nights, the last until {last}, with no draw "
                "counted. A fixed error of its meter or a drift of its level sensor looks the same.",
                fall=litres(said_l_h),
                **told,
            ),
            evidence,
        )
    if all(fall.l_h < LEAK_L_H * alarm.kind.deadband + fall.error_l_h for fall in falls):
        return Finding(
            False, 0, say("Tank {tank} kept its water in the last {nights} dry nights, the last until {last}.", **told),
            evidence,
        )  # fmt: skip
    return unknown("The nights do not agree.")


def rain_without_inflow(alarm: AlarmId, facts: Facts, _now_ms: int) -> Finding:
    roof = next(roof for roof in facts.site.roof if roof.id == alarm.part)
    # The present hour has only begun when it is read.
    found = facts.history.once(
        ("arrived", roof.id), lambda: [_arrived(facts, roof, hour) for hour in (HOURS - 2, HOURS - 3)]
    )
    if found[0] is None:
        return unknown("Too little rain to tell, or not all of it was measured.")
    rain_mm, wanted_l, came_l = found[0]
    share = came_l / wanted_l
    holds = share < _LITTLE
    if not holds and share < _LITTLE + alarm.kind.deadband:
        return unknown("Within the deadband: no change.")
    lasted = found[1] is not None and (found[1][2] / found[1][1] < _LITTLE) == holds
    told = {"came": litres(came_l), "wanted": litres(wanted_l), "roof": name(roof.id), "rain": millimetres(rain_mm)}
    if holds:
        said = say(
            "{rain} of rain in the last 24 hours should bring about {wanted} from roof {roof}; {came} came.", **told
        )
    else:
        said = say(
            "{rain} of rain in the last 24 hours brought {came} from roof {roof}; about {wanted} were expected.", **told
        )
    gauges = facts.site.sensors_of("rain.total") + facts.site.sensors_of("rain.rate")
    return Finding(holds, HOUR_MS if lasted else 0, said, facts.evidence(*gauges, *_meters_of(facts.site, roof)))


def _falls(facts: Facts, tank: Tank) -> list[Fall]:
    """The newest dry nights without use, as many as have to agree, oldest first."""
    geometry, history = geometry_of(tank), facts.history
    draws = [draw for draw in facts.site.draw if draw.tank == tank.id]
    sensor = facts.site.sensors_of(f"tank.{tank.id}.level")[0]
    bottom_m = _BOTTOM_NOISES * max(sensor.noise or 0.0, 0.004)
    found: list[Fall] = []
    for night in reversed(history.nights.get(tank.id, ())):
        # An empty tank loses nothing more: its nights neither show a leak nor speak against one.
        wet = bool(night.levels) and float(np.median([reading.value for reading in night.levels])) > bottom_m
        if wet and _dry(history, draws, night) and (fall := _fall(geometry, night)) is not None:
            found.insert(0, fall)
        if len(found) == NIGHTS_LEAKING:
            break
    return found


def _dry(history: History, draws: list[Draw], night: Night) -> bool:
    """Whether no rain fell nor drained, and no meter counted; what is not measured is not known to be dry."""
    first, end = history.hour(night.start_ms), history.hour(night.end_ms - 1) + 1
    if first < _DRY_BEFORE_H or history.rain_mm is None:
        return False
    rain = history.rain_mm[first - _DRY_BEFORE_H : end]
    metered = [history.drawn_l[draw.id][first:end] for draw in draws if draw.id in history.drawn_l]
    return bool((rain == 0).all()) and all(bool((used < 0.5).all()) for used in metered)


def _fall(geometry: Geometry, night: Night) -> Fall | None:
    """The slope of a line through the night's volumes, readings far from it left out once."""
    if len(night.levels) < _FEWEST_LEVELS or night.levels[-1].time_ms - night.levels[0].time_ms < 3 * HOUR_MS:
        return None
    hours = np.array([(reading.time_ms - night.start_ms) / HOUR_MS for reading in night.levels])
    volume_l = np.asarray(geometry.volume_l(np.array([reading.value for reading in night.levels])))
    for _ in range(2):
        slope = float(np.cov(hours, volume_l)[0, 1] / hours.var(ddof=1))
        miss = volume_l - volume_l.mean() - slope * (hours - hours.mean())
        sd = 1.4826 * float(np.median(np.abs(miss))) + 1e-9
        near = np.abs(miss) < 4 * sd
        if near.sum() < _FEWEST_LEVELS:
            return None
        hours, volume_l = hours[near], volume_l[near]
    error = sd / (float(hours.std()) * np.sqrt(len(hours)))
    return Fall(night, -slope, float(error))


def _still_at_night(site: Site, tank: Tank) -> bool:
    """Whether nothing but a leak moves the level in a dry night: every draw metered, or shut at night; a roof over "
    "it.
    """
    joined = tank.joined_with is not None or any(other.joined_with == tank.id for other in site.tank)
    poured = site.backup is not None and site.backup.tank == tank.id
    rain = bool(site.sensors_of("rain.total") or site.sensors_of("rain.rate"))
    draws = [draw for draw in site.draw if draw.tank == tank.id]
    quiet = all(_metered_draw(site, draw) or (draw.hours is not None and draw.hours[0] >= NIGHT[1]) for draw in draws)
    return rain and quiet and not (joined or poured or tank.open_top)


def _arrived(facts: Facts, roof: Roof, hour: int) -> tuple[float, float, float] | None:
    """Rain [mm], what should have come [L] and what came [L] in the window that ends with an hour; None: unknown."""
    history = facts.history
    if history.rain_mm is None:
        return None
    span = slice(hour + 1 - _WINDOW_H, hour + 1)
    rain = history.rain_mm[span]
    if np.isnan(rain).any():
        return None
    rain_mm = float(rain.sum())
    flush_l = roof.first_flush.volume_l if roof.first_flush else 0.0
    wanted_l = roof.plan_area_m2 * roof.runoff_coefficient * max(0.0, rain_mm - roof.wetting_loss_mm) - flush_l
    if wanted_l < max(_RUNOFF_L, _RUNOFF_MM * roof.plan_area_m2 * roof.runoff_coefficient):
        return None
    came_l = _through_meter(history, roof, span) if _metered(facts.site, roof) else _into_tank(facts, roof, span)
    return None if came_l is None else (rain_mm, wanted_l, came_l)


def _through_meter(history: History, roof: Roof, span: slice) -> float | None:
    caught = history.caught_l.get(roof.id)
    return None if caught is None or np.isnan(caught[span]).any() else float(caught[span].sum())


def _into_tank(facts: Facts, roof: Roof, span: slice) -> float | None:
    """What a tank rose by and gave; None where it may have run over, or not all of it was measured."""
    tank = facts.tank(roof.tank)
    geometry, level = geometry_of(tank), facts.history.level_m[tank.id][span]
    drawn = [facts.history.drawn_l[draw.id][span] for draw in facts.site.draw if draw.tank == tank.id]
    if np.isnan(level).any() or any(np.isnan(used).any() for used in drawn):
        return None
    if level.max() > tank.overflow_height_m - 0.05:
        return None
    rose_l = float(geometry.volume_l(level[-1]) - geometry.volume_l(level[0]))
    return rose_l + sum(float(used.sum()) for used in drawn)


def _told_by_level(site: Site, roof: Roof) -> bool:
    """Whether the level of its tank tells a roof's water: no other roof, tank or backup feeds it, all draws metered."""
    tank = next(tank for tank in site.tank if tank.id == roof.tank)
    alone = sum(other.tank == tank.id for other in site.roof) == 1
    fed = any(other.overflow_to == tank.id for other in site.tank)
    metered = all(_metered_draw(site, draw) for draw in site.draw if draw.tank == tank.id)
    return (
        bool(site.sensors_of(f"tank.{tank.id}.level")) and alone and metered and not fed and _still_at_night(site, tank)
    )


def _meters_of(site: Site, roof: Roof) -> list[Sensor]:
    return site.sensors_of(f"roof.{roof.id}.total") or site.sensors_of(f"roof.{roof.id}.flow")


def _metered(site: Site, roof: Roof) -> bool:
    return bool(_meters_of(site, roof))


def _metered_draw(site: Site, draw: Draw) -> bool:
    return bool(site.sensors_of(f"draw.{draw.id}.total") or site.sensors_of(f"draw.{draw.id}.flow"))


RULES: Final = {LEAK_SUSPECTED.key: leak_suspected, RAIN_WITHOUT_INFLOW.key: rain_without_inflow}
