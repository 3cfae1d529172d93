"""What a sensor says: the reading, its quality, and the table of quantities."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, NamedTuple

from ingest.saying import Saying, say

# Quality of a reading, as bits. Plain integers: an enum costs a microsecond a reading.
GOOD: Final = 0
OUT_OF_RANGE: Final = 1
FAST_CHANGE: Final = 2
STUCK: Final = 4
AHEAD_OF_CLOCK: Final = 8
BEFORE_COMMISSIONING: Final = 16
#: The device sent no time; the time of arrival stands in. Usable, but not suspect.
TIME_OF_ARRIVAL: Final = 32

#: Any of these, and the value is kept but never used.
SUSPECT: Final = OUT_OF_RANGE | FAST_CHANGE | STUCK | AHEAD_OF_CLOCK | BEFORE_COMMISSIONING

FLAG_WORDS: Final[dict[int, Saying]] = {
    OUT_OF_RANGE: say("outside the range that is possible here"),
    FAST_CHANGE: say("changed faster than is possible here"),
    STUCK: say("the same to the last digit for too long"),
    AHEAD_OF_CLOCK: say("dated in the future"),
    BEFORE_COMMISSIONING: say("dated before the site was commissioned"),
    TIME_OF_ARRIVAL: say("dated by its arrival, the device sent no time"),
}


class Reading(NamedTuple):
    """One value of one sensor at one instant, in the unit kept inside.

    site      id of the site
    time_ms   when it was measured [UTC ms]
    sensor    `DEVICE/NAME` as in the site file
    value     in the unit of the sensor's quantity, see QUANTITIES
    flags     quality bits; 0 is good
    """

    site: str
    time_ms: int
    sensor: str
    value: float
    flags: int = GOOD

    @property
    def usable(self) -> bool:
        """Whether the value may enter a sum, a forecast or an alarm."""
        return not self.flags & SUSPECT


class Reject(NamedTuple):
    """A message, or one record of it, that could not become a reading. id: its number once it is kept."""

    time_ms: int
    topic: str
    reason: str
    payload: bytes
    id: int = 0


@dataclass(frozen=True)
class Quantity:
    """A kind of thing that can be measured at a site.

    pattern  what `measures` says in the site file; `*` stands for an id
    unit     unit kept inside
    low, high  what is physically possible anywhere; a sensor may narrow it
    counter  a running total: only its increase means anything
    """

    pattern: str
    unit: str
    low: float
    high: float
    meaning: str
    counter: bool = False


QUANTITIES: Final[tuple[Quantity, ...]] = (
    Quantity("tank.*.level", "m", -0.05, 30.0, "water level above the tank floor"),
    Quantity("tank.*.temperature", "Cel", -5.0, 60.0, "temperature of the stored water"),
    Quantity("roof.*.flow", "L/h", 0.0, 200_000.0, "flow from a roof into its tank"),
    Quantity("roof.*.total", "L", 0.0, 1e10, "running total from a roof into its tank", counter=True),
    Quantity("draw.*.flow", "L/h", 0.0, 50_000.0, "flow of a draw"),
    Quantity("draw.*.total", "L", 0.0, 1e10, "running total of a draw", counter=True),
    Quantity("backup.flow", "L/h", 0.0, 50_000.0, "flow of the backup supply"),
    Quantity("backup.total", "L", 0.0, 1e10, "running total of the backup supply", counter=True),
    Quantity("backup.open", "1", 0.0, 1.0, "whether the backup supply is open"),
    Quantity("pump.running", "1", 0.0, 1.0, "share of the interval in which the pump ran"),
    Quantity("battery.voltage", "V", 0.0, 80.0, "voltage at the battery's terminals"),
    Quantity("battery.current", "A", -500.0, 500.0, "current into the battery"),
    Quantity("rain.total", "mm", 0.0, 1e7, "running total of rain", counter=True),
    Quantity("rain.rate", "mm/h", 0.0, 1_000.0, "rain rate"),
    Quantity("air.temperature", "Cel", -60.0, 60.0, "air temperature"),
)

_PATTERNS: Final = tuple(
    (re.compile(re.escape(quantity.pattern).replace(r"\*", "([a-z0-9][a-z0-9-]*)")), quantity)
    for quantity in QUANTITIES
)


def quantity_of(measures: str) -> tuple[Quantity, str | None]:
    """The quantity that a sensor measures, and the id of the part it belongs to.

    `tank.main.level` → (level, "main"); `battery.voltage` → (voltage, None).
    Raises ValueError listing what may be measured.
    """
    for pattern, quantity in _PATTERNS:
        if match := pattern.fullmatch(measures):
            return quantity, match.group(1) if match.groups() else None
    raise ValueError("one of " + ", ".join(quantity.pattern for quantity in QUANTITIES))


def flag_sayings(flags: int) -> list[Saying]:
    """The flags of a reading in words."""
    return [words for bit, words in FLAG_WORDS.items() if flags & bit]


def flag_words(flags: int) -> list[str]:
    """The same in English."""
    return [words.text for words in flag_sayings(flags)]
