"""Month by month and year by year: what falls, what is lost, what is drawn and what spills."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.model.balance import BACKUP, DRAWN, EVAPORATED, FIRST_FLUSH, GUTTER_LOSS, INFLOW, SPILLED
from forecast.model.plan import Plan
from forecast.model.wetness import roof_inflow_l
from forecast.sizing.result import DrySpells, Month, YearOfRun
from forecast.sizing.sweep import Tally, months_of, sun_of
from forecast.sizing.years import Years
from ingest.site import Site

Floats = npt.NDArray[np.float64]

#: A day with less rain is dry (WMO, Guidelines on the calculation of climate normals: wet from 1 mm; from memory).
DRY_DAY_MM: Final = 1.0
#: Dry spells from this on are counted. [d]
WEEK_D: Final = 7
#: A tank that lasts longer than this is said to last this long. [d]
_LONGEST_D: Final = 3_650.0


def months(site: Site, plan: Plan, years: Years, tally: Tally) -> list[Month]:
    """The mean months, and first the year, of the site as it is."""
    wet_l = _past_wetting_l(site, plan, years)
    open_m2, area_m2 = float(plan.open_m2.sum()), float(plan.roof_area_m2.sum())
    rain = tally.rain_mm
    ledger = tally.ledger[:, :, 0]
    fallen_l = rain * (area_m2 + open_m2)
    off_roof_l = ledger[:, GUTTER_LOSS] + ledger[:, FIRST_FLUSH] + ledger[:, INFLOW] - rain * open_m2
    drawn_l = ledger[:, DRAWN] - ledger[:, BACKUP]
    columns = {
        "rain_mm": rain,
        "roof_rain_l": fallen_l,
        "wetting_loss_l": rain * area_m2 - wet_l,
        "coefficient_loss_l": wet_l - off_roof_l,
        "gutter_loss_l": ledger[:, GUTTER_LOSS],
        "first_flush_l": ledger[:, FIRST_FLUSH],
        "captured_l": ledger[:, INFLOW],
        "wanted_l": tally.wanted_l[:, 0],
        "drawn_l": drawn_l,
        "backup_l": tally.wanted_l[:, 0] - drawn_l,
        "spilled_l": ledger[:, SPILLED],
        "evaporated_l": ledger[:, EVAPORATED],
        "short_days": tally.short[:, 0].astype(float),
    }
    number = len(years.years)
    means = {name: np.bincount(tally.month, values, 12) / number for name, values in columns.items()}
    rows = [{name: float(values.sum()) for name, values in means.items()}]
    rows += [{name: float(values[month]) for name, values in means.items()} for month in range(12)]
    return [
        Month(month=month, **{name: round(value, 1) + 0.0 for name, value in row.items()})
        for month, row in enumerate(rows)
    ]


def by_year(years: Years, tally: Tally) -> list[YearOfRun]:
    """Each year of the site as it is; every year has twelve months."""
    wanted, days, short = (values.reshape(-1, 12) for values in (tally.wanted_l[:, 0], tally.days, tally.short[:, 0]))
    drawn = (tally.ledger[:, DRAWN, 0] - tally.ledger[:, BACKUP, 0]).reshape(-1, 12)
    found = []
    for place, year in enumerate(years.years):
        here = slice(12 * place, 12 * place + 12)
        found.append(
            YearOfRun(
                label=year.label,
                rain_mm=round(float(tally.rain_mm[here].sum()), 1),
                reliable_volume=share(drawn[place].sum(), wanted[place].sum()),
                reliable_days=share(days[place].sum() - short[place].sum(), days[place].sum()),
                short_days=int(short[place].sum()),
                empty_days=int(tally.empty_days[here].sum()),
                spilled_l=round(float(tally.ledger[here, SPILLED, 0].sum()), 1),
            )
        )
    return found


def dry_spells(site: Site, plan: Plan, tally: Tally) -> DrySpells:
    """How long dry spells were, and which of them were outlasted. A spell counts as far as water is wanted."""
    dry = (tally.day_rain_mm < DRY_DAY_MM) & (tally.day_wanted_l > 0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], dry.astype(int), [0]])))
    spells = [(end - begin, bool(tally.day_short[begin:end].any())) for begin, end in edges.reshape(-1, 2).tolist()]
    weeks = [short for length, short in spells if length >= WEEK_D]
    greatest = max(_daily_use(site, month) for month in range(1, 13))
    usable_l = float((plan.capacity_l - plan.dead_l).sum())
    return DrySpells(
        longest_days=max((length for length, _ in spells), default=0),
        outlasted_days=max((length for length, short in spells if not short), default=0),
        of_a_week=len(weeks),
        of_a_week_outlasted=weeks.count(False),
        full_tank_days=round(min(_LONGEST_D, usable_l / greatest), 1) if greatest > 0 else None,
    )


def share(part: float, whole: float) -> float:
    """A share of what was wanted; where nothing was, nothing was lacking."""
    return round(float(min(1.0, max(0.0, part / whole))), 4) if whole > 0 else 1.0


def _daily_use(site: Site, month: int) -> float:
    return sum(draw.litres_per_day for draw in site.draw if draw.months is None or month in draw.months)


def _past_wetting_l(site: Site, plan: Plan, years: Years) -> Floats:
    """Runoff of all roofs after wetting and before any other loss, by month in turn. [L]"""
    bare = plan._replace(
        gutter_l_h=np.full_like(plan.gutter_l_h, np.inf), flush_volume_l=np.zeros_like(plan.flush_volume_l)
    )
    sun = sun_of(site)
    pieces = [weather for year in [years.years[0], *years.years] for _, weather in months_of(site, year, sun)]
    rain, drying = (np.concatenate([piece[column] for piece in pieces]) for column in (0, 1))
    runoff = np.zeros(len(rain))
    for place, roof in enumerate(site.roof):
        runoff += roof_inflow_l(bare, place, rain, drying, 1.0, roof.wetting_loss_mm)
    begins = np.concatenate([[0], np.cumsum([len(piece.rain_mm) for piece in pieces])[:-1]])
    return np.add.reduceat(runoff, begins)[12:]
