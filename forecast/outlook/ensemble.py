"""What an outlook is, whoever gives it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Outlook:
    """Rain to come, as members that are each a whole, plausible course of weather.

    rain_mm   rain of the hours from `start_ms` on, each `[start, end)` in UTC. (H, M) [mm]
    start_ms  start of the first hour [UTC ms]
    source    where it comes from, in words
    issued_ms when its giver made it; None for a climatology, which has no age
    distinct  how many independent courses stand behind the members; few means little is known
    """

    rain_mm: Floats
    start_ms: int
    source: str
    issued_ms: int | None = None
    distinct: int = 0
