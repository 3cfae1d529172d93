"""Weather made by hand, so that a test knows every drop."""

from __future__ import annotations

import numpy as np

from ingest.instants import from_rfc3339
from simulator.weather import Weather

MAY_DAY_MS = from_rfc3339("2026-05-01T00:00:00Z")


def still(
    minutes: int, rain: dict[int, float] | None = None, *, start_ms: int = MAY_DAY_MS, sun_w_m2: float = 0.0
) -> Weather:
    """Ten degrees, no sun unless asked for, and rain only in the minutes named. [mm]"""
    rain_mm = np.zeros(minutes)
    for minute, mm in (rain or {}).items():
        rain_mm[minute] = mm
    return Weather(start_ms, rain_mm, np.full(minutes, 10.0), np.full(minutes, sun_w_m2))
