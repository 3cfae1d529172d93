"""Is a reading believable? Pure checks that give flag bits; a flagged value is kept, never used.

The clock, the commissioning date and the range need the reading alone. Rate of change and
"stuck" need what came before: a small state, given and returned. Readings older than the state
are not judged by it, so a backlog out of order confuses nothing. The thresholds are common
practice, without a source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final, NamedTuple

from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, from_datetime, from_rfc3339
from ingest.reading import (
    AHEAD_OF_CLOCK,
    BEFORE_COMMISSIONING,
    FAST_CHANGE,
    GOOD,
    OUT_OF_RANGE,
    STUCK,
    Reading,
    quantity_of,
)
from ingest.site import Sensor, Site

#: Clocks of devices and servers differ; more than this is wrong.
CLOCK_TOLERANCE_MS: Final = 5 * MINUTE_MS
#: Whoever looks for readings of clocks that are ahead looks so far: a century. [ms]
AHEAD_MS: Final = 36_525 * DAY_MS
#: No such device measured before 2010: a clock that nobody set begins in 1970, 1980 or 2000 (from memory). [UTC ms]
NO_CLOCK_MS: Final = from_rfc3339("2010-01-01T00:00:00Z")
#: Water stands above the brim while it runs over, and sensors are mounted with some error.
_ABOVE_BRIM_SHARE: Final = 0.10
_ABOVE_BRIM_M: Final = 0.10
#: A noisy sensor that repeats itself to the last digit for this long, this often, has died.
STUCK_AFTER_MS: Final = DAY_MS
STUCK_READINGS: Final = 24


class Rate(NamedTuple):
    """Fastest possible change: `per_h` an hour, and `slack` at once, in the unit kept inside."""

    per_h: float
    slack: float


#: A tanker may fill a metre in five minutes; nothing else is faster. Voltages jump with every load.
_RATES: Final[dict[str, Rate]] = {
    "tank.*.level": Rate(12.0, 0.05),
    "tank.*.temperature": Rate(20.0, 3.0),
    "air.temperature": Rate(60.0, 5.0),
}


class Limits(NamedTuple):
    """What is possible for one sensor at its place.

    low, high        range in the unit kept inside
    rate             None: may jump
    noisy            the site file gives it noise, so equal values for long mean that it is dead
    commissioned_ms  None: not known
    """

    low: float
    high: float
    rate: Rate | None = None
    noisy: bool = False
    commissioned_ms: int | None = None


class RateState(NamedTuple):
    """The last value believed, and the last one that was not: a second like it is believed."""

    time_ms: int
    value: float
    doubted_ms: int | None = None
    doubted: float = 0.0


class StuckState(NamedTuple):
    """A value, since when and how often it has been repeated."""

    value: float
    since_ms: int
    last_ms: int
    readings: int


def limits_of(site: Site, sensor: Sensor) -> Limits:
    """The limits of a sensor: the site file's, else the tank's brim, else the quantity's."""
    quantity, part = quantity_of(sensor.measures)
    low = quantity.low if sensor.low is None else sensor.low
    high = quantity.high if sensor.high is None else sensor.high
    if quantity.pattern == "tank.*.level" and sensor.high is None:
        brim = next(tank.overflow_height_m for tank in site.tank if tank.id == part)
        high = brim + max(_ABOVE_BRIM_M, _ABOVE_BRIM_SHARE * brim)
    commissioned = None if site.commissioned is None else from_datetime(site.commissioned)
    return Limits(low, high, _RATES.get(quantity.pattern), bool(sensor.noise), commissioned)


def plain_flags(time_ms: int, value: float, limits: Limits, now_ms: int) -> int:
    """Flags that need this reading alone: range, clock, commissioning."""
    flags = GOOD if limits.low <= value <= limits.high else OUT_OF_RANGE
    if time_ms > now_ms + CLOCK_TOLERANCE_MS:
        flags |= AHEAD_OF_CLOCK
    if limits.commissioned_ms is not None and time_ms < limits.commissioned_ms:
        flags |= BEFORE_COMMISSIONING
    return flags


def judge_rate(state: RateState | None, time_ms: int, value: float, rate: Rate) -> tuple[RateState, int]:
    """FAST_CHANGE if the value is too far from the last one believed and does not confirm a doubted one."""
    if state is None:
        return RateState(time_ms, value), GOOD
    if time_ms <= state.time_ms:
        return state, GOOD
    if _reachable(value - state.value, time_ms - state.time_ms, rate):
        return RateState(time_ms, value), GOOD
    if state.doubted_ms is not None:
        if time_ms <= state.doubted_ms:
            return state, FAST_CHANGE
        if _reachable(value - state.doubted, time_ms - state.doubted_ms, rate):
            return RateState(time_ms, value), GOOD
    return RateState(state.time_ms, state.value, time_ms, value), FAST_CHANGE


def judge_stuck(state: StuckState | None, time_ms: int, value: float) -> tuple[StuckState, int]:
    """STUCK once the value has been the same to the last digit for too long and too often."""
    if state is None:
        return StuckState(value, time_ms, time_ms, 1), GOOD
    if time_ms <= state.last_ms:
        return state, GOOD
    if value != state.value:
        return StuckState(value, time_ms, time_ms, 1), GOOD
    state = StuckState(value, state.since_ms, time_ms, state.readings + 1)
    long_enough = time_ms - state.since_ms >= STUCK_AFTER_MS and state.readings >= STUCK_READINGS
    return state, STUCK if long_enough else GOOD


class Checks:
    """All checks for the sensors of some sites, with the state that they need.

    The state begins empty: after a restart the first reading of a sensor is believed.
    """

    def __init__(self, sites: Mapping[str, Site]) -> None:
        self._limits = {
            (site.id, sensor.id): limits_of(site, sensor) for site in sites.values() for sensor in site.sensor
        }
        self._rates: dict[tuple[str, str], RateState] = {}
        self._stuck: dict[tuple[str, str], StuckState] = {}

    def flag(self, readings: Iterable[Reading], now_ms: int) -> list[Reading]:
        """The readings, with what is doubtful about them added to their flags."""
        checked: list[Reading] = []
        for reading in readings:
            key = (reading.site, reading.sensor)
            limits = self._limits.get(key)
            if limits is not None:  # a status has no limits
                flags = plain_flags(reading.time_ms, reading.value, limits, now_ms) or self._follow(
                    key, limits, reading
                )
                if flags:
                    checked.append(reading._replace(flags=reading.flags | flags))
                    continue
            checked.append(reading)
        return checked

    def _follow(self, key: tuple[str, str], limits: Limits, reading: Reading) -> int:
        """Flags that need the past; only readings without other faults become part of it."""
        flags = GOOD
        if limits.rate is not None:
            self._rates[key], flags = judge_rate(self._rates.get(key), reading.time_ms, reading.value, limits.rate)
        if limits.noisy:
            self._stuck[key], stuck = judge_stuck(self._stuck.get(key), reading.time_ms, reading.value)
            flags |= stuck
        return flags


def _reachable(change: float, elapsed_ms: int, rate: Rate) -> bool:
    return abs(change) <= rate.slack + rate.per_h * elapsed_ms / HOUR_MS
