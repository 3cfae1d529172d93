"""How the members of a forecast differ beyond their rain: coefficient, draw, sun.

Members that differ in rain alone give early bands that are far too narrow.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.model.balance import Drivers
from forecast.model.draw import demand_l, draw_factors
from forecast.model.plan import Plan
from forecast.model.sun import drying_mm, extraterrestrial_mj_m2, panel_wh
from ingest.site import Site

Floats = npt.NDArray[np.float64]

#: Spread of a roof's true coefficient about the site file's (common practice, no source; lognormal sigma).
COEFFICIENT_SIGMA: Final = 0.08
#: Share of the sun that comes through on a dry day and on a day of rain, and its spread from day to
#: day (common practice, no source; lognormal sigma).
CLEARNESS: Final = (0.55, 0.25)
CLEARNESS_SIGMA: Final = 0.25
#: A day with more rain than this is a day of rain. [mm] (WMO counts 1 mm as a wet day)
WET_DAY_MM: Final = 1.0


def member_drivers(site: Site, plan: Plan, rain_mm: Floats, start_ms: int, rng: np.random.Generator) -> Drivers:
    """Drivers of the hours from `start_ms` on, one member for each column of `rain_mm`. (H, M) [mm]"""
    hours, members = rain_mm.shape
    radiation = extraterrestrial_mj_m2(site.latitude, site.longitude, start_ms, hours)
    wanted, day = demand_l(site, start_ms, hours)
    coefficient = np.array([roof.runoff_coefficient for roof in site.roof])[:, None]
    spread = rng.lognormal(-(COEFFICIENT_SIGMA**2) / 2, COEFFICIENT_SIGMA, (len(site.roof), members))
    if site.battery is None:
        sun_wh = np.zeros((hours, members))
    else:
        sun_wh = panel_wh(radiation, site.battery.panel_w)[:, None] * _clearness(rain_mm, day, rng)
    return Drivers(
        rain_mm=rain_mm,
        drying_mm=drying_mm(radiation),
        sun_wh=sun_wh,
        coefficient=np.minimum(1.0, coefficient * spread),
        leak_l_h=np.zeros((len(plan.dead_l), members)),
        demand_l=wanted,
        draw_day=day,
        draw_factor=draw_factors(int(day[-1]) + 1, len(site.draw), members, rng),
    )


def _clearness(rain_mm: Floats, day: npt.NDArray[np.int64], rng: np.random.Generator) -> Floats:
    """Share of the sun above the atmosphere that reaches the panel, by hour and member; wet days are dull."""
    days, members = int(day[-1]) + 1, rain_mm.shape[1]
    daily_mm = np.zeros((days, members))
    np.add.at(daily_mm, day, rain_mm)
    share = np.where(daily_mm > WET_DAY_MM, CLEARNESS[1], CLEARNESS[0])
    share = share * rng.lognormal(0.0, CLEARNESS_SIGMA, (days, members))
    return np.asarray(np.clip(share, 0.05, 0.75)[day])
