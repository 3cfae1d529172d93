"""What somebody wrote beside a sensor: a number, perhaps with its unit; and whether another unit was meant. Pure.

A phone in wet hands leaves the point out, and a tape counts centimetres: 135 where the page asks for metres. What
cannot be, or is far from the sensor where another unit would agree, is asked back and not written down.
"""

from __future__ import annotations

import re
from typing import Final, NamedTuple

from api.commissioning.hand import apart_of, is_amount, unit_by_hand
from api.languages.reader import Units
from api.measures import kept
from ingest.quality import limits_of
from ingest.saying import Saying, say
from ingest.site import Sensor, Site
from ingest.units import WRITTEN_UNITS

_WRITTEN: Final = re.compile(r"([+-]?\d[\d.,\s]*|[+-]?[.,]\d+)\s*(\D*)")
#: Units that people mix up with the one asked for, the likeliest first, and their names.
_MIXED_UP: Final[dict[str, dict[str, Saying]]] = {
    "m": {
        "cm": say("centimetres"), "mm": say("millimetres"), "in": say("inches"), "ft": say("feet"), "m": say("metres"),
    },
    "V": {"mV": say("millivolts")},
    "Cel": {"°F": say("degrees Fahrenheit"), "°C": say("degrees Celsius")},
}  # fmt: skip

#: A battery below the one share of its nominal voltage has failed, and none is charged above the other.
#: (common practice, no source)
_BATTERY_LOW: Final = 0.25
_BATTERY_HIGH: Final = 1.6


class Written(NamedTuple):
    """A number as it was written, and the value that it is in the unit kept inside; named: with its unit."""

    number: float
    value: float
    named: bool


class Doubt(NamedTuple):
    """Why a value is asked back. All values are in the unit kept inside.

    low, high  what is possible there
    heard      what the sensor says; None: nothing fresh
    meant      what it would be in another unit; None: no other makes sense; in_unit: the name of that unit
    """

    value: float
    low: float
    high: float
    heard: float | None
    meant: float | None
    in_unit: Saying | None

    @property
    def possible(self) -> bool:
        """Whether the value itself may be right."""
        return self.low <= self.value <= self.high


def written(text: str, sensor: Sensor, units: Units) -> Written | None:
    """Read `1.35`, `1,35`, `135 cm` or `53 in`; without a unit it is the reader's. None: that is no number."""
    found = _WRITTEN.fullmatch(text.strip())
    if found is None:
        return None
    digits = "".join(found[1].split())
    number = _number(digits)
    if number is None:
        return None
    unit = found[2].strip().rstrip(".")
    inside = unit_by_hand(sensor)
    if not unit:
        return Written(number, kept(number, inside, units), named=False)
    scale = WRITTEN_UNITS.get(inside, {}).get(unit)
    return None if scale is None else Written(number, scale.factor * number + scale.offset, named=True)


def doubt(wrote: Written, sensor: Sensor, site: Site, heard: float | None) -> Doubt | None:
    """Whether another unit may have been meant; None: it can be taken as it is.

    heard  what the sensor says now; None: nothing fresh
    """
    if is_amount(sensor):
        return None  # of what ran through, everything is possible
    inside = sensor.quantity.unit
    low, high = range_of(sensor, site)
    others = {} if wrote.named else _MIXED_UP.get(inside, {})
    meant = {
        unit: value
        for unit in others
        if low <= (value := _scaled(wrote.number, inside, unit)) <= high and abs(value - wrote.value) > 1e-9
    }
    if not low <= wrote.value <= high:
        unit = next(iter(meant), "")
        if heard is not None and meant:
            unit = min(meant, key=lambda one: abs(meant[one] - heard))
        return Doubt(wrote.value, low, high, heard, meant.get(unit), others.get(unit))
    if heard is None or abs(wrote.value - heard) <= apart_of(sensor):
        return None
    close = next((unit for unit, value in meant.items() if abs(value - heard) <= apart_of(sensor)), None)
    return None if close is None else Doubt(wrote.value, low, high, heard, meant[close], others[close])


def range_of(sensor: Sensor, site: Site) -> tuple[float, float]:
    """What a person can measure there, in the unit kept inside."""
    pattern = sensor.quantity.pattern
    if pattern == "battery.voltage" and site.battery is not None:
        return _BATTERY_LOW * site.battery.nominal_v, _BATTERY_HIGH * site.battery.nominal_v
    # A sensor may see less than is there: what it can see binds nobody with a rod.
    limits = limits_of(site, sensor.model_copy(update={"low": None, "high": None}))
    return max(0.0, limits.low) if pattern == "tank.*.level" else limits.low, limits.high


def other_unit(number: float, sensor: Sensor, low: float, high: float) -> tuple[Saying, float] | None:
    """The likeliest unit in which a number would be possible, and its value inside; None: in none."""
    inside = sensor.quantity.unit
    for unit, words in _MIXED_UP.get(inside, {}).items():
        value = _scaled(number, inside, unit)
        if unit != inside and low <= value <= high and (value > 0 or inside == "Cel"):
            return words, value
    return None


def _scaled(number: float, inside: str, unit: str) -> float:
    scale = WRITTEN_UNITS[inside][unit]
    return scale.factor * number + scale.offset


def _number(digits: str) -> float | None:
    """With a decimal point or a decimal comma: the last of both; one that stands more than once sets off thousands."""
    last = max(digits.rfind("."), digits.rfind(","))
    if last >= 0 and digits.count(digits[last]) == 1:
        digits = digits[:last].replace(",", "").replace(".", "") + "." + digits[last + 1 :]
    else:
        digits = digits.replace(",", "").replace(".", "")
    try:
        return float(digits)
    except ValueError:
        return None
