"""How the members of a forecast differ beyond their rain: coefficient, draw, sun.

Members that differ in rain alone give early bands that are far too narrow.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.chance import even_normal
from forecast.model.balance import Drivers
from forecast.model.draw import DAY_SIGMA, FIGURE_SIGMA, demand_l
from forecast.model.plan import Plan
from forecast.model.sun import MJ_PER_KWH, drying_mm, extraterrestrial_mj_m2, on_panel, panel_wh, tilted
from forecast.panel import beam_ratio, tilt_of
from ingest.site import Battery, Site

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Truths = npt.NDArray[np.bool_]

#: In place of a variance of zero.
_SMALL: Final = 1e-12

#: Spread of a roof's true coefficient about the site file's (common practice, no source; lognormal sigma).
COEFFICIENT_SIGMA: Final = 0.08
#: Share of the sun that comes through on a dry day and on a day of rain, and its spread from day to
#: day (common practice, no source; lognormal sigma).
CLEARNESS: Final = (0.55, 0.25)
CLEARNESS_SIGMA: Final = 0.25
#: Spread of a season's clearness about the usual one: the same all along (common practice, no source).
SKY_SIGMA: Final = 0.10
CLEARNESS_LIMITS: Final = (0.05, 0.75)
#: The sun above the atmosphere counts as at least this when clearness is read from a radiation. [W/m²]
_DARK_W_M2: Final = 5.0
#: A day with more rain than this is a day of rain. [mm] (WMO counts 1 mm as a wet day)
WET_DAY_MM: Final = 1.0


class Beliefs(NamedTuple):
    """What is believed of a site's coefficients and use: medians and lognormal sigmas. R roofs, D draws.

    coefficient, coefficient_sigma   of the roofs; (R, 1), or (R, M) where members' beliefs differ
    use, use_sigma                   what is drawn over what the demand says, all along; (D, 1) or (D, M)
    day_sigma                        from day to day
    """

    coefficient: Floats
    coefficient_sigma: Floats
    use: Floats
    use_sigma: Floats
    day_sigma: float = DAY_SIGMA


def site_beliefs(site: Site) -> Beliefs:
    """The site file's figures, with the usual spread about them; their means are the figures themselves."""
    coefficient = np.array([[roof.runoff_coefficient] for roof in site.roof])
    return Beliefs(
        coefficient=coefficient * np.exp(-(COEFFICIENT_SIGMA**2) / 2),
        coefficient_sigma=np.full_like(coefficient, COEFFICIENT_SIGMA),
        use=np.full((len(site.draw), 1), np.exp(-(FIGURE_SIGMA**2) / 2)),
        use_sigma=np.full((len(site.draw), 1), FIGURE_SIGMA),
    )


def metered_use(beliefs: Beliefs, ratio: Floats, counted: Truths) -> Beliefs:
    """Beliefs of the use after days on which a meter counted it.

    ratio    metered litres of a day over the demand of that day; (days, D, N), N = 1 or the members
    counted  the days that count: metered, and water enough for whoever wanted it. (days, D, N)

    The mean ratio of n days has a spread of its own, from day to day, over √n; it and what was
    believed before weigh by their precision (normal, on the logarithm).
    """
    days = counted.sum(axis=0)
    mean = np.where(counted, ratio, 0.0).sum(axis=0) / np.maximum(1, days)
    seen = days * (mean > 0) / max(_SMALL, np.expm1(beliefs.day_sigma**2))
    before = 1 / np.maximum(_SMALL, beliefs.use_sigma**2)
    log_use = (before * np.log(beliefs.use) + seen * np.log(np.where(mean > 0, mean, 1.0))) / (before + seen)
    return beliefs._replace(use=np.exp(log_use), use_sigma=1 / np.sqrt(before + seen))


def member_drivers(
    site: Site,
    plan: Plan,
    rain_mm: Floats,
    start_ms: int,
    rng: np.random.Generator,
    beliefs: Beliefs | None = None,
    *,
    demand: tuple[Floats, Integers] | None = None,
    radiation_w_m2: Floats | None = None,
) -> Drivers:
    """Drivers of the hours from `start_ms` on, one member for each column of `rain_mm`. (H, M) [mm]

    beliefs, demand  what was learnt of the site; by default its file's figures
    radiation_w_m2  global radiation, where an outlook gives it; NaN and None: as the season has it (≥ H, M) [W/m²]
    """
    hours, members = rain_mm.shape
    beliefs = beliefs or site_beliefs(site)
    radiation = extraterrestrial_mj_m2(site.latitude, site.longitude, start_ms, hours)
    wanted, day = demand or demand_l(site, start_ms, hours)
    coefficient = beliefs.coefficient * np.exp(beliefs.coefficient_sigma * even_normal(rng, len(site.roof), members))
    clearness = _clearness(rain_mm, day, rng) if site.battery else None
    draw_factor = _draw_factors(beliefs, int(day[-1]) + 1, members, rng)
    if site.battery is None or clearness is None:
        sun_wh = np.zeros((hours, members))
    else:
        # A member whose sky is clearer than the season's stays so.
        clearness = np.clip(clearness * np.exp(SKY_SIGMA * even_normal(rng, members)), *CLEARNESS_LIMITS)
        sun_wh = _panel_wh(site, site.battery, radiation, start_ms, clearness, day, radiation_w_m2)
    return Drivers(
        rain_mm=rain_mm,
        drying_mm=drying_mm(radiation),
        sun_wh=sun_wh,
        coefficient=np.minimum(1.0, coefficient),
        leak_l_h=np.zeros((len(plan.dead_l), members)),
        demand_l=wanted,
        draw_day=day,
        draw_factor=draw_factor,
    )


def _draw_factors(beliefs: Beliefs, days: int, members: int, rng: np.random.Generator) -> Floats:
    """How much more or less than the demand each member draws on each day. (days, D, M)"""
    draws = len(beliefs.use)
    all_along = beliefs.use * np.exp(beliefs.use_sigma * even_normal(rng, draws, members))
    daily = np.exp(rng.normal(-(beliefs.day_sigma**2) / 2, beliefs.day_sigma, (days, draws, members)))
    return np.asarray(all_along * daily)


def _panel_wh(
    site: Site,
    battery: Battery,
    above_mj_m2: Floats,
    start_ms: int,
    clearness: Floats,
    day: Integers,
    radiation_w_m2: Floats | None,
) -> Floats:
    """Energy of the tilted panel, by hour and member. (H, M) [Wh]

    above_mj_m2  sun above the atmosphere (H,); clearness  of each day and member (days, M)
    """
    hours = len(above_mj_m2)
    ratio, tilt_deg = beam_ratio(site, battery, start_ms, hours), tilt_of(site, battery)
    direct, diffuse = on_panel(clearness, tilt_deg)
    sun_wh = tilted(panel_wh(above_mj_m2, battery.panel_w), ratio, direct, diffuse, day)
    if radiation_w_m2 is None:
        return sun_wh
    above_w_m2 = above_mj_m2[:, None] / MJ_PER_KWH * 1000.0
    given = np.clip(radiation_w_m2[:hours] / np.maximum(above_w_m2, _DARK_W_M2), 0.0, 1.0)
    direct, diffuse = on_panel(given, tilt_deg)
    given_wh = panel_wh(above_mj_m2[:, None] * (direct * ratio[:, None] + diffuse), battery.panel_w)
    return np.where(np.isnan(given), sun_wh, given_wh)


def _clearness(rain_mm: Floats, day: Integers, rng: np.random.Generator) -> Floats:
    """Share of the sun above the atmosphere that comes down, by day and member; wet days are dull. (days, M)"""
    days, members = int(day[-1]) + 1, rain_mm.shape[1]
    daily_mm = np.add.reduceat(rain_mm, np.searchsorted(day, np.arange(days)))
    share = np.where(daily_mm > WET_DAY_MM, CLEARNESS[1], CLEARNESS[0])
    return np.asarray(share * np.exp(rng.normal(0.0, CLEARNESS_SIGMA, (days, members))))
