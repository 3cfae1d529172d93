"""Panel, battery and pump: what a day needs and gets, month by month, and how long the battery lasts without sun."""

from __future__ import annotations

from typing import Final

import numpy as np

from forecast.members import WET_DAY_MM
from forecast.model.draw import local_hours
from forecast.model.power import power_of
from forecast.sizing.result import PowerCheck, PowerMonth
from forecast.sizing.sweep import sun_of
from forecast.sizing.years import Years
from ingest.instants import from_rfc3339
from ingest.site import Site
from ingest.units import MINUTES_PER_HOUR

#: Temperature of a battery in an unheated place in the worst month (common practice, no source). [°C]
COLD_C: Final = 5.0
#: A night that takes more than this many charges takes just that many: it is absurd either way.
_MOST_NIGHTS: Final = 99.0
_SUN_YEAR_MS: Final = from_rfc3339("2021-01-01T00:00:00Z")


def power_check(site: Site, years: Years, cutoff_days: float) -> PowerCheck | None:
    """The power side; None where there is no battery. cutoff_days: a year, as the run had them."""
    if site.battery is None:
        return None
    power, sun = power_of(site, COLD_C), sun_of(site)
    _, month, _ = local_hours(site, _SUN_YEAR_MS, len(sun.dry_wh))
    wet = _wet_share(site, years)
    usual = sun.dry_wh * (1 - wet[month - 1]) + sun.wet_wh * wet[month - 1]
    rows, pumps = [], []
    for number in range(1, 13):
        at = month == number
        days = at.sum() / 24
        pumps.append(_pump_wh(site, power.pump_w, number))
        sun_wh = power.charge_efficiency * float(usual[at].sum()) / days
        rows.append(
            PowerMonth(month=number, sun_wh=round(sun_wh, 1), load_wh=round(24 * power.standing_w + pumps[-1], 1))
        )
    worst = min(rows, key=lambda row: row.sun_wh - row.load_wh)
    usable = power.battery_wh - power.cutoff_wh
    night = _longest_night_h(sun.dry_wh)
    return PowerCheck(
        months=rows,
        worst_month=worst.month,
        pump_wh=round(max(pumps), 1),
        usable_wh=round(usable, 1),
        usable_share=round(usable / (site.battery.capacity_ah * site.battery.nominal_v), 3),
        autonomy_days=round(usable / max(row.load_wh for row in rows), 2),
        longest_night_h=float(night),
        night_share=round(min(_MOST_NIGHTS, night * power.standing_w / max(usable, 1e-9)), 3),
        cutoff_days=round(cutoff_days, 1),
    )


def _pump_wh(site: Site, pump_w: float, month: int) -> float:
    """What the pump takes on a day of use of a month, delivering all that is wanted of it. [Wh]"""
    if site.pump is None:
        return 0.0
    litres = sum(
        draw.litres_per_day
        for draw in site.draw
        if draw.feed == "pumped" and (draw.months is None or month in draw.months)
    )
    return litres / (site.pump.flow_l_min * MINUTES_PER_HOUR) * pump_w


def _wet_share(site: Site, years: Years) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Share of the days of each month that are wet and so dull. (12,)"""
    wet, days = np.zeros(12), np.zeros(12)
    for year in years.years:
        _, month, day = local_hours(site, year.start_ms, len(year.rain_mm))
        begins = np.searchsorted(day, np.arange(int(day[-1]) + 1))
        of_day = month[begins] - 1
        wet += np.bincount(of_day, np.add.reduceat(year.rain_mm, begins) > WET_DAY_MM, 12)
        days += np.bincount(of_day, minlength=12)
    return wet / days


def _longest_night_h(panel_wh: np.ndarray[tuple[int], np.dtype[np.float64]]) -> int:
    """The longest run of hours in which the panel gives nothing. [h]"""
    dark = np.concatenate([[0], (panel_wh <= 0).astype(int), [0]])
    edges = np.flatnonzero(np.diff(dark)).reshape(-1, 2)
    return int((edges[:, 1] - edges[:, 0]).max(initial=0))
