"""Hand calculations that others will have done, beside the run: each with where it comes from.

None knows all of first flush, spill and the size of the tank; the run does.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.model.plan import Plan
from forecast.sizing.result import DrySpells, Month, SimpleMethod
from forecast.sizing.sweep import Tally
from forecast.sizing.yields import share
from ingest.units import litres_from_rain

Floats = npt.NDArray[np.float64]

#: Efficiency of a filter before the tank, in the 5 % rule.
FILTER: Final = 0.9


class Daily(NamedTuple):
    """What a day-by-day rule gives: drawn and spilled in all. [L]"""

    drawn_l: float
    spilled_l: float


def simple_methods(
    plan: Plan, coefficient: float, tally: Tally, rows: list[Month], spells: DrySpells
) -> list[SimpleMethod]:
    """All of them. coefficient: of all roofs, by area; rows as `yields.months` gives them."""
    year, months = rows[0], rows[1:]
    area_m2 = float(plan.roof_area_m2.sum())
    usable_l = float((plan.capacity_l - plan.dead_l).sum())
    yield_l = coefficient * litres_from_rain(year.rain_mm, area_m2)
    days, wanted = np.count_nonzero(tally.day_wanted_l), float(tally.day_wanted_l.sum())
    inflow, demand = tally.day_inflow_l, tally.day_wanted_l
    by_month = sequent_peak_l([row.captured_l for row in months] * 2, [row.wanted_l for row in months] * 2)
    before, after = (
        by_the_day(inflow, demand, usable_l, start_l=usable_l / 2, spill_first=order) for order in (False, True)
    )
    amounts: dict[str, tuple[float | None, str]] = {
        "area_times_rain": (litres_from_rain(year.rain_mm, area_m2), "L/a"),
        "area_times_rain_times_coefficient": (yield_l, "L/a"),
        "five_percent": (0.05 * min(yield_l * FILTER, year.wanted_l), "L"),
        "six_percent": (0.06 * min(yield_l, year.wanted_l), "L"),
        "longest_dry_spell": (spells.longest_days * wanted / days if days else None, "L"),
        "sequent_peak_months": (by_month if year.captured_l >= year.wanted_l else None, "L"),
        "sequent_peak_days": (sequent_peak_l(inflow, demand) if inflow.sum() >= demand.sum() else None, "L"),
        "before_spillage_daily": (share(before.drawn_l, wanted), "1"),
        "after_spillage_daily": (share(after.drawn_l, wanted), "1"),
    }  # fmt: skip
    return [
        SimpleMethod(method=method, amount=None if amount is None else round(amount, 3), unit=unit)
        for method, (amount, unit) in amounts.items()
    ]


def sequent_peak_l(inflow: npt.ArrayLike, release: npt.ArrayLike) -> float:
    """Storage that never lets a release down: the deepest fall of the sum of inflow less release.

    K = max(0, K₋ + R − Q), its largest value (Thomas and Burden 1963; in Loucks and van Beek, as METHODS says).
    """
    lacking = np.cumsum(np.subtract(release, inflow, dtype=np.float64))
    lowest = np.minimum.accumulate(np.concatenate([[0.0], lacking]))[1:]
    return float(max(0.0, (lacking - lowest).max(initial=0.0)))


def by_the_day(
    inflow_l: Floats, demand_l: Floats, usable_l: float, *, start_l: float = 0.0, spill_first: bool
) -> Daily:
    """One tank by daily steps: before spillage Y = min(D, V + Q), after it Y = min(D, V)."""
    volume, drawn, spilled = start_l, 0.0, 0.0
    for came, wanted in zip(inflow_l.tolist(), demand_l.tolist(), strict=True):
        used = min(wanted, volume if spill_first else volume + came)
        full = usable_l - used if spill_first else usable_l
        volume += came - used
        over = max(0.0, volume - full)
        volume -= over
        drawn += used
        spilled += over
    return Daily(drawn, spilled)
