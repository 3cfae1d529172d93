"""A roof in rain: wetting, gutter, first flush. One hour, one roof, one member.

These functions are compiled into the balance. With NUMBA_DISABLE_JIT=1 they run as the plain
Python that stands here, which is the oracle of the tests.
"""

from __future__ import annotations

import numpy as np

from forecast.model.compiled import compiled
from forecast.model.plan import Floats, Plan


@compiled
def wet_roof(rain_mm: float, wet_mm: float, wetting_loss_mm: float, drying_mm: float) -> tuple[float, float]:
    """Runoff depth of an hour, and the water that the roof then still holds. [mm], [mm]

    Runoff is what exceeds the roof's hold: max(0, w + P − w_c). What stays dries afterwards.
    The initial-loss form of Butler and Memon, Water Demand Management, 2006, ch. 2 (from memory).
    """
    held = wet_mm + rain_mm
    runoff_mm = max(0.0, held - wetting_loss_mm)
    return runoff_mm, max(0.0, held - runoff_mm - drying_mm)


@compiled
def through_gutter(caught_l: float, capacity_l: float) -> float:
    """What the gutter passes on in an hour: min(q, Q_g·Δt); the rest goes over its side. [L], [L] → [L]

    An hourly mean hides the peaks within the hour. The plan therefore divides the capacity by a peak
    factor, as if the hour's rain fell in that share of the hour; with a factor of 1 losses are understated.
    """
    return min(caught_l, capacity_l)


@compiled
def first_flush(passed_l: float, held_l: float, volume_l: float, drip_l_h: float) -> tuple[float, float]:
    """What the first-flush chamber takes in an hour, and what it then holds. [L], [L]

    y = min(g, F_max − F), g what the gutter passes, F what is held (the volume method of the Texas Manual on
    Rainwater Harvesting, 3rd ed. 2005, from memory): a partial fill stays where it is, but for what drips. [L]
    """
    taken_l = min(passed_l, max(0.0, volume_l - held_l))
    return taken_l, max(0.0, held_l + taken_l - drip_l_h)


@compiled
def valve(passed_l: float, dry_h: float, held_l: float, empties_after_dry_h: float) -> tuple[float, float]:
    """Hours since water last came, and what the chamber holds once its valve has opened after so many. [h], [L]"""
    dry_h = 0.0 if passed_l > 0.0 else dry_h + 1.0
    return dry_h, 0.0 if dry_h >= empties_after_dry_h else held_l


@compiled
def roof_inflow_l(
    plan: Plan, roof: int, rain_mm: Floats, drying_mm: Floats, coefficient: float, loss_mm: float
) -> Floats:
    """What a roof, its gutter and its first flush hand on in each hour, from dry. (H,) [L]"""
    out = np.empty(len(rain_mm))
    wet_mm, held_l, dry_h = 0.0, 0.0, 0.0
    for h in range(len(rain_mm)):
        runoff_mm, wet_mm = wet_roof(rain_mm[h], wet_mm, loss_mm, drying_mm[h])
        passed_l = through_gutter(runoff_mm * plan.roof_area_m2[roof] * coefficient, plan.gutter_l_h[roof])
        taken_l, held_l = first_flush(passed_l, held_l, plan.flush_volume_l[roof], plan.flush_drip_l_h[roof])
        dry_h, held_l = valve(passed_l, dry_h, held_l, plan.flush_dry_h[roof])
        out[h] = passed_l - taken_l
    return out
