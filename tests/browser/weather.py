"""What the device of the live service measures: days without rain, a downpour, the days after it. Invented."""

from __future__ import annotations

import math
from collections.abc import Callable

from ingest.instants import DAY_MS, HOUR_MS

#: SenML unit and value.
Told = tuple[str, float]
Values = Callable[[int], dict[str, Told]]


def dry(begin_ms: int) -> Values:
    """Use without rain, up to begin."""

    def values(at: int) -> dict[str, Told]:
        days = (at - begin_ms) / DAY_MS + 4
        return {
            "level": ("m", round(1.0 - 0.035 * days, 4)),
            "taps-total": ("m3", round(5 + 0.07 * days, 5)),
            "inflow-total": ("m3", 9.0),
            "rain-total": ("mm", 200.0),
            "irrigation-flow": ("m3/s", 0.0),
            "battery": ("V", round(12.6 + 0.05 * math.sin(20 * days), 3)),
        }

    return values


def raining(begin_ms: int) -> Values:
    """A downpour of three hours, up to begin: the tank fills within one, then it runs over."""
    usual = dry(begin_ms)

    def values(at: int) -> dict[str, Told]:
        hours = (at - begin_ms) / HOUR_MS + 3
        return usual(at) | {
            "level": ("m", round(min(1.8, 0.86 + hours), 4)),
            "rain-total": ("mm", round(200 + 9 * hours, 3)),
            "inflow-total": ("m3", round(9.0 + 0.65 * hours, 4)),
        }

    return values


def drawing(begin_ms: int) -> Values:
    """After begin: no more rain, and the taps draw from a full tank."""
    usual, last = dry(begin_ms), raining(begin_ms)(begin_ms)

    def values(at: int) -> dict[str, Told]:
        hours, told = (at - begin_ms) / HOUR_MS, usual(at)
        level = ("m", round(1.78 - 0.0015 * hours, 4))
        return last | {"level": level, "taps-total": told["taps-total"], "battery": told["battery"]}

    return values
