"""A sensor beside a measurement by hand. Pure.

A gauge (level, voltage, temperature) is compared at the moment of the measurement. A flow or a rain
gauge is compared by amount: somebody lets a known amount run through within an hour, then writes it
down. How far apart the two may be is this project's own choice.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

from ingest.instants import HOUR_MS, MINUTE_MS
from ingest.reading import Reading, quantity_of
from ingest.site import Sensor, Site
from ingest.store.records import LogEntry
from ingest.totals import increments

#: The amount is what ran through in so long before it was written down. [ms]
AMOUNT_MS: Final = HOUR_MS
#: Unit kept inside → how far apart sensor and hand may be, in that unit.
_APART: Final = {"m": 0.02, "V": 0.1, "Cel": 1.0, "A": 0.5, "1": 0.5}
#: Two levels tell a scale when they are this share of the tank's height apart: within 0.02 m each, a scale that
#: is wrong by a tenth then shows. (common practice, no source)
WELL_APART_SHARE: Final = 0.25
#: Of an amount, as a share of what was measured: a household meter's class is far better, a bucket is not.
_APART_SHARE: Final = 0.05
#: Sensors and people write decimals, and these are binary.
_ROUNDING: Final = 1e-9
#: What a rate is a rate of.
_AMOUNT_OF: Final = {"L/h": "L", "mm/h": "mm"}


class Comparison(NamedTuple):
    """The newest measurement by hand and what the sensor said; sensor None: it said nothing near that time.

    unit   of all three: of an amount where the sensor gives a rate
    apart  how far apart they may be
    """

    time_ms: int
    who: str
    unit: str
    hand: float
    sensor: float | None
    apart: float

    @property
    def agrees(self) -> bool:
        return self.sensor is not None and abs(self.sensor - self.hand) <= self.apart + _ROUNDING


def apart_of(sensor: Sensor) -> float:
    """How far a gauge and a hand may be apart, in the gauge's unit."""
    return max(_APART[sensor.quantity.unit], 3 * (sensor.noise or 0.0))


def is_amount(sensor: Sensor) -> bool:
    """Whether it is compared by the amount that ran through."""
    return sensor.quantity.counter or sensor.quantity.unit in _AMOUNT_OF


def compares(site: Site, sensor_id: str, value: float) -> bool:
    """Whether a measurement by hand tells anything of a sensor: of a meter, nothing that ran through tells nothing."""
    return value > 0 or not any(is_amount(sensor) for sensor in site.sensor if sensor.id == sensor_id)


def well_apart_m(sensor: Sensor, site: Site) -> float | None:
    """How far apart two levels must be to tell whether the scale is right. [m] None: it is no level."""
    quantity, part = quantity_of(sensor.measures)
    if quantity.pattern != "tank.*.level":
        return None
    return WELL_APART_SHARE * next(tank.overflow_height_m for tank in site.tank if tank.id == part)


def unit_by_hand(sensor: Sensor) -> str:
    """The unit of a measurement by hand."""
    return _AMOUNT_OF.get(sensor.quantity.unit, sensor.quantity.unit)


def span_ms(sensor: Sensor, entry: LogEntry) -> tuple[int, int]:
    """Of which time readings are needed to compare: `[start, end)`. [ms]"""
    around_ms = max(round(2_000 * sensor.every_s), 10 * MINUTE_MS)
    return entry.time_ms - (AMOUNT_MS if is_amount(sensor) else 0) - around_ms, entry.time_ms + around_ms


def compare(sensor: Sensor, entry: LogEntry, readings: Sequence[Reading]) -> Comparison:
    """Hold a measurement against the usable readings of `span_ms`, oldest first. The entry must have a value."""
    hand = entry.value
    if hand is None:
        raise ValueError(f"{entry} has no value")
    unit = unit_by_hand(sensor)
    if is_amount(sensor):
        found, apart = _amount(sensor, entry, readings), _APART_SHARE * abs(hand)
    else:
        nearest = min(readings, key=lambda reading: abs(reading.time_ms - entry.time_ms), default=None)
        found = None if nearest is None else nearest.value
        apart = apart_of(sensor)
    return Comparison(entry.time_ms, entry.who, unit, hand, found, apart)


def _amount(sensor: Sensor, entry: LogEntry, readings: Sequence[Reading]) -> float | None:
    """What the sensor counted in the hour, and in the intervals that reach into it."""
    every_ms = round(1_000 * sensor.every_s)
    start_ms, end_ms = entry.time_ms - AMOUNT_MS - every_ms, entry.time_ms + every_ms
    heard = [reading for reading in readings if start_ms <= reading.time_ms <= end_ms]
    if not heard:
        return None
    if sensor.quantity.counter:
        return sum(step.amount for step in increments(heard))
    return sum(reading.value for reading in heard) * every_ms / HOUR_MS
