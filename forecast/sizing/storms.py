"""How fast water comes: overflow by return period, gutters against their design rain, first flushes."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.sizing.result import FlushCheck, Gutter, ReturnLevel, Storms
from forecast.sizing.sweep import Tally
from forecast.sizing.years import Years
from ingest.site import Roof, Site
from ingest.units import MINUTES_PER_HOUR

Floats = npt.NDArray[np.float64]

RETURN_YEARS: Final = (2, 5, 10, 30, 100)
#: A record says nothing of what is rarer than so many times its length (common practice, no source).
MOST_TIMES_RECORD: Final = 2.0
#: How much harder it may rain within an hour than in its mean, where nobody knows (common practice, no
#: source): 10-minute over hourly depths of one return period, times six. Of daily rain that was laid on
#: three hours, up to three times more.
PEAK_RANGE: Final = (1.5, 4.0)
DAILY_PEAK_RANGE: Final = (1.5, 12.0)
#: EN 12056-3: 0.021 L/s per m² is an example of a design rain in countries without statistics. [mm/h]
DESIGN_RAIN_MM_H: Final = 75.0
#: Nominal diameters of half-round gutters. [mm]
HALF_ROUNDS_MM: Final = (75, 100, 112, 125, 150, 180, 200, 250)
#: Rains are apart when so many hours between them are dry (common practice, no source). [h]
APART_H: Final = 6
_RAIN_MM: Final = 1.0
#: A drip that takes longer than this takes this long. [h]
_YEAR_H: Final = 8_766.0
_EULER: Final = 0.5772156649


def storms(site: Site, years: Years, tally: Tally) -> Storms:
    """Peak overflow and peak delivery of the roofs, by return period, from the largest hour of each year."""
    number = len(years.years)
    over, roofs = (values.reshape(-1, 12).max(axis=1) for values in (tally.spill_l_h, tally.inflow_l_h))
    known = site.rain_peak_factor or years.peak_factor
    low, high = (known, known) if known else (DAILY_PEAK_RANGE if years.daily else PEAK_RANGE)
    levels = []
    for period in RETURN_YEARS:
        overflow, full = gumbel_level(over, period), gumbel_level(roofs, period)
        levels.append(
            ReturnLevel(
                years=period,
                overflow_l_min=round(overflow / MINUTES_PER_HOUR, 2),
                # Two fits of few years may cross; water does not.
                all_roofs_l_min=round(max(overflow, full) / MINUTES_PER_HOUR, 2),
                beyond_record=period > MOST_TIMES_RECORD * number,
            )
        )
    return Storms(
        levels=levels, years=number, peak_low=round(low, 2), peak_high=round(high, 2), peak_known=known is not None,
        hardest_hour_mm=round(max(float(year.rain_mm.max()) for year in years.years), 1),
    )  # fmt: skip


def gumbel_level(largest: Floats, period: float) -> float:
    """The value that yearly largest ones reach or pass once in `period` years.

    Gumbel by L-moments: β = λ₂/ln 2, μ = λ₁ − γβ (Hosking 1990, J. R. Stat. Soc. B 52, from memory).
    Of one year only that year's largest is known.
    """
    ordered = np.sort(largest)
    number = len(ordered)
    if number == 1:
        return float(ordered[0])
    weights = np.arange(number) / (number - 1)
    second = 2 * float((weights * ordered).mean()) - float(ordered.mean())
    scale = second / np.log(2)
    place = float(ordered.mean()) - _EULER * scale
    return float(max(0.0, place - scale * np.log(-np.log(1 - 1 / period))))


def half_round_l_min(diameter_mm: float) -> float:
    """What a level half-round eaves gutter carries: 0.9 · 2.78·10⁻⁵ · A^1.25 L/s, A in mm². [L/min]

    EN 12056-3 (from memory); short gutters, outlet of the same capacity, no angle near it.
    """
    area_mm2 = np.pi * diameter_mm**2 / 8
    return float(0.9 * 2.78e-5 * area_mm2**1.25 * 60.0)


def gutter(site: Site, roof: Roof) -> Gutter:
    """Design rain times the area seen from above, all of it running off; wind-driven rain comes on top."""
    rate = (site.design and site.design.gutter_rain_mm_h) or DESIGN_RAIN_MM_H
    needed = rate * roof.plan_area_m2 / MINUTES_PER_HOUR
    capacity = roof.gutter_capacity_l_min
    return Gutter(
        roof=roof.id,
        design_rain_mm_h=rate,
        needed_l_min=round(needed, 1),
        capacity_l_min=capacity,
        carries_mm_h=None if capacity is None else round(capacity * MINUTES_PER_HOUR / roof.plan_area_m2, 1),
        half_round_mm=next((size for size in HALF_ROUNDS_MM if half_round_l_min(size) >= needed), None),
    )


def first_flush(roof: Roof, rains_mm: Floats) -> FlushCheck | None:
    """A roof's chamber; None where it has none. rains_mm: depths of the rains, see `rains_of`."""
    flush = roof.first_flush
    if flush is None or flush.volume_l <= 0:
        return None
    by_valve = flush.empties_after_dry_h is not None
    runoff_l = np.maximum(0.0, rains_mm - roof.wetting_loss_mm) * roof.plan_area_m2 * roof.runoff_coefficient
    return FlushCheck(
        roof=roof.id,
        volume_l=flush.volume_l,
        depth_mm=round(flush.volume_l / roof.plan_area_m2, 2),
        emptying_h=round(min(_YEAR_H, flush.volume_l / flush.drip_l_h), 1) if flush.drip_l_h > 0 else None,
        empties_after_dry_h=flush.empties_after_dry_h,
        by_hand=not by_valve and flush.drip_l_h == 0,
        swallowed=round(float((runoff_l <= flush.volume_l).mean()), 3) if len(rains_mm) else 0.0,
    )


def rains_of(years: Years) -> Floats:
    """Depth of each rain of 1 mm and more, apart by six dry hours. [mm]"""
    rain = np.concatenate([year.rain_mm for year in years.years])
    wet = np.flatnonzero(rain > 0)
    if not len(wet):
        return np.zeros(0)
    begins = np.concatenate([[0], np.flatnonzero(np.diff(wet) > APART_H) + 1])
    depth = np.add.reduceat(rain[wet], begins)
    return np.asarray(depth[depth >= _RAIN_MM])
