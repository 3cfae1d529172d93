"""What somebody delivered of the weather to come, before it is laid on hours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import msgspec
import numpy as np
import numpy.typing as npt

from forecast.outlook.ensemble import Floats
from forecast.outlook.limits import MOST_MM_DAY, MOST_MM_HOUR, RADIATION_W_M2, TEMPERATURE_C
from ingest.instants import DAY_MS, HOUR_MS, to_rfc3339
from ingest.saying import Sentence

Integers = npt.NDArray[np.int64]

#: What reading an answer raises that is not as documented: of another shape, beyond all bounds, nested without end.
UNREADABLE: Final = (msgspec.DecodeError, UnicodeDecodeError, ValueError, OverflowError, RecursionError)
#: Rounding may leave a dry hour this much below zero. [mm]
_BELOW_ZERO_MM: Final = 1e-6
#: No outlook spans more; a longer one is a mistyped date. [d]
LONGEST_DAYS: Final = 60


@dataclass(frozen=True)
class Intervals:
    """One value a member for each interval `[start, end)`; NaN: not known.

    start_ms, end_ms  (N,) [UTC ms], every end after its start
    values            (N, M), in the unit of what they are
    """

    start_ms: Integers
    end_ms: Integers
    values: Floats


@dataclass(frozen=True)
class Delivery:
    """A delivery as its giver cut it.

    rain            amounts [mm]
    source          who delivered it, in words
    issued_ms       when it was made, or fetched where its giver does not say [UTC ms]
    temperature     means of the air temperature [°C], or None
    radiation       means of the global radiation [W/m²], or None
    valid_until_ms  until when the giver stands by it, or None [UTC ms]
    notes           what is wanting in it, as sentences
    """

    rain: Intervals
    source: str
    issued_ms: int
    temperature: Intervals | None = None
    radiation: Intervals | None = None
    valid_until_ms: int | None = None
    notes: tuple[Sentence, ...] = ()


def check_delivery(delivery: Delivery) -> None:
    """Raise ValueError, naming value and interval, on what cannot be weather: the unit is wrong then."""
    rain = delivery.rain
    if not len(rain.start_ms) or np.isnan(rain.values).all():
        raise ValueError("no amount of rain in it")
    if (days := int(rain.end_ms.max() - rain.start_ms.min()) // DAY_MS) > LONGEST_DAYS:
        raise ValueError(f"it spans {days} days, more than {LONGEST_DAYS}")
    hours = ((rain.end_ms - rain.start_ms) / HOUR_MS)[:, None]
    most = np.minimum(MOST_MM_HOUR * np.maximum(hours, 1.0), MOST_MM_DAY * np.maximum(hours / 24, 1.0))
    _refuse(rain, rain.values < -_BELOW_ZERO_MM, "mm of rain: less than nothing")
    _refuse(rain, rain.values > most, "mm of rain: more than ever fell in such a time; is the unit mm?")
    for given, (least, most_of_it), unit in (
        (delivery.temperature, TEMPERATURE_C, "°C"),
        (delivery.radiation, RADIATION_W_M2, "W/m²"),
    ):
        if given is not None:
            beyond = (given.values < least) | (given.values > most_of_it)
            _refuse(given, beyond, f"{unit}: not between {least:g} and {most_of_it:g}")


def _refuse(given: Intervals, wrong: npt.NDArray[np.bool_], said: str) -> None:
    if wrong.any():
        row, member = (int(place[0]) for place in np.nonzero(wrong))
        start, end = to_rfc3339(int(given.start_ms[row])), to_rfc3339(int(given.end_ms[row]))
        raise ValueError(f"{start} to {end}, member {member + 1}: {given.values[row, member]:g} {said}")
