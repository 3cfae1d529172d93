"""What an outlook is, whoever gives it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ingest.instants import HOUR_MS
from ingest.saying import Sentence

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Outlook:
    """Weather to come, as members that are each a whole, plausible course of it.

    Row h of each array is the hour `[start_ms + h, start_ms + h + 1)` in UTC, column m a member.
    NaN is not known, which is not zero.

    rain_mm   rain of each hour. (H, M) [mm]
    start_ms  start of the first hour [UTC ms]
    source    where it comes from, in words
    issued_ms when its giver made it; None for a climatology, which has no age
    distinct  how many independent courses stand behind the members; few means little is known
    temperature_c   mean air temperature of each hour; None where nobody gave it. (H, M) [°C]
    radiation_w_m2  mean global radiation on the horizontal of each hour; None likewise. (H, M) [W/m²]
    valid_until_ms  until when its giver stands by it; None: not said
    stale     older than its giver stands by it, or than we do
    notes     what is wanting in it, as sentences for the forecast's `unknown`
    """

    rain_mm: Floats
    start_ms: int
    source: Sentence
    issued_ms: int | None = None
    distinct: int = 0
    temperature_c: Floats | None = None
    radiation_w_m2: Floats | None = None
    valid_until_ms: int | None = None
    stale: bool = False
    notes: tuple[Sentence, ...] = ()

    @property
    def members(self) -> int:
        return int(self.rain_mm.shape[1])

    @property
    def end_ms(self) -> int:
        return self.start_ms + HOUR_MS * len(self.rain_mm)

    def over(self, start_ms: int, hours: int) -> Outlook:
        """The same outlook on another stretch of hours; NaN where it says nothing.

        start_ms  must stand a whole number of hours from the outlook's own start.
        """
        return replace(
            self,
            rain_mm=_shifted(self.rain_mm, self.start_ms, start_ms, hours),
            start_ms=start_ms,
            temperature_c=_maybe_shifted(self.temperature_c, self.start_ms, start_ms, hours),
            radiation_w_m2=_maybe_shifted(self.radiation_w_m2, self.start_ms, start_ms, hours),
        )

    def noting(self, *notes: Sentence) -> Outlook:
        """The same outlook with more to say about it."""
        return replace(self, notes=(*self.notes, *notes))


def _maybe_shifted(values: Floats | None, own_ms: int, start_ms: int, hours: int) -> Floats | None:
    return None if values is None else _shifted(values, own_ms, start_ms, hours)


def _shifted(values: Floats, own_ms: int, start_ms: int, hours: int) -> Floats:
    out = np.full((hours, values.shape[1]), np.nan)
    first = (start_ms - own_ms) // HOUR_MS
    low, high = max(0, first), min(len(values), first + hours)
    if low < high:
        out[low - first : high - first] = values[low:high]
    return out
