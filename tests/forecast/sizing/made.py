"""Sites and rain made by hand for the design check."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from forecast.outlook.record import RainRecord
from forecast.sizing.years import Year, Years
from ingest.instants import DAY_MS, HOUR_MS, from_rfc3339, to_rfc3339
from ingest.site import Site
from ingest.sitefile import parse_site

START_MS: Final = from_rfc3339("2021-01-01T00:00:00Z")
YEAR_H: Final = 8_760


def site_of(**changes: Any) -> Site:
    """One roof of 50 m², a box of 1 m² and 2 m, 60 L a day. A change replaces a whole table."""
    data: dict[str, Any] = {
        "id": "made", "name": "Made by hand", "latitude": 50.0, "longitude": 0.0, "timezone": "UTC",
        "roof": [
            {"id": "roof", "plan_area_m2": 50.0, "runoff_coefficient": 0.8, "wetting_loss_mm": 0.0, "tank": "box"},
        ],
        "tank": [
            {"id": "box", "shape": "rectangular", "length_m": 1.0, "width_m": 1.0, "outlet_height_m": 0.0,
             "overflow_height_m": 2.0},
        ],
        "draw": [{"id": "tap", "tank": "box", "feed": "gravity", "litres_per_day": 60.0}],
        "design": {"rain_mm": [60.0] * 12},
    }  # fmt: skip
    return parse_site(data | changes, "made")


def showers(count: int = 3, seed: int = 1) -> RainRecord:
    """Years of hourly showers, some 600 mm each, by chance."""
    rng = np.random.default_rng(seed)
    hours = (from_rfc3339(f"{2021 + count}-01-01T00:00:00Z") - START_MS) // HOUR_MS
    rain = rng.exponential(1.4, hours) * (rng.random(hours) < 0.05)
    return RainRecord(START_MS, rain, "showers")


def daily_csv(file: Path, count: int) -> None:
    """The same showers as a daily record on disk."""
    days = showers(count).rain_mm.reshape(-1, 24).sum(axis=1)
    rows = (f"{to_rfc3339(START_MS + day * DAY_MS)},{depth:.2f}" for day, depth in enumerate(days))
    file.write_text("time,rain_mm\n" + "\n".join(rows) + "\n")


def years_of(*rain_mm: npt.NDArray[np.float64]) -> Years:
    """Years of rain made by hand, each of 8,760 h."""
    found = [
        Year(f"{2021 + place}", from_rfc3339(f"{2021 + place}-01-01T00:00:00Z"), rain)
        for place, rain in enumerate(rain_mm)
    ]
    return Years(found, "made", [], 0, daily=False, stand_in=False, peak_factor=None)
