"""All sizes side by side through the hourly balance, month after month, and what is kept of it.

One member a size, members innermost, a month at a time, so that it all stays in the processor's cache. The first
year is run once before, so that it does not matter how full the tanks were said to be at first.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.members import CLEARNESS, WET_DAY_MM
from forecast.model.balance import BACKUP, DRAWN, INFLOW, SPILLED, Drivers, Trace, blank_state, run
from forecast.model.draw import local_hours, wanted_l
from forecast.model.plan import Plan
from forecast.model.sun import drying_mm, extraterrestrial_mj_m2, on_panel, panel_wh
from forecast.panel import beam_ratio, tilt_of
from forecast.sizing.batch import Size, factors_of
from forecast.sizing.years import Year, Years
from ingest.instants import HOUR_MS, from_rfc3339
from ingest.site import Site

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Truths = npt.NDArray[np.bool_]

#: A day is short when more than this was wanted in vain. [L]
SHORT_L: Final = 0.5
#: A tank counts as used up within this much of it. [L]
_EMPTY_L: Final = 0.5
#: A first-flush chamber that neither drips nor has a valve is emptied by hand this often (a guess: said). [h]
HAND_EMPTIED_H: Final = 7 * 24
#: The sun's way over the site is taken from this year.
_SUN_YEAR_MS: Final = from_rfc3339("2021-01-01T00:00:00Z")
_YEAR_H: Final = 8_760


class Weathered(NamedTuple):
    """A month's drivers that all sizes share. (H,) each but demand (H, D); day from 0 on"""

    rain_mm: Floats
    drying_mm: Floats
    sun_wh: Floats
    demand_l: Floats
    day: Integers


class Tally(NamedTuple):
    """What is kept. N months in turn, M members, member 0 the site as it is; litres.

    month       [N]            of the year, 0 to 11
    ledger      [N, 8, M]      as in LEDGER, summed by local month
    wanted_l    [N, M]
    days        [N]            days on which something is wanted
    short       [N, M]         of these, days on which rain water did not reach for all of it
    rain_mm     [N]
    spill_l_h, inflow_l_h  [N] largest hourly mean of the month, over the brim, and from the roofs; member 0
    empty_days  [N]            days that end with a tank used up which somebody draws from; member 0
    cutoff_days [N]            days on which the battery was at its cut-off; member 0
    day_*       [D]            of each day in turn, member 0: rain [mm], inflow and wanted [L], whether short
    """

    month: Integers
    ledger: Floats
    wanted_l: Floats
    days: Integers
    short: Integers
    rain_mm: Floats
    spill_l_h: Floats
    inflow_l_h: Floats
    empty_days: Integers
    cutoff_days: Integers
    day_rain_mm: Floats
    day_inflow_l: Floats
    day_wanted_l: Floats
    day_short: Truths


class _Sun(NamedTuple):
    """The sun of a usual year, by the hour (8760,): drying [mm], and panel [Wh] on a dry and on a wet day."""

    drying_mm: Floats
    dry_wh: Floats
    wet_wh: Floats


def sun_of(site: Site) -> _Sun:
    """One year stands for all: its hours differ by minutes from those of another."""
    radiation = extraterrestrial_mj_m2(site.latitude, site.longitude, _SUN_YEAR_MS, _YEAR_H)
    panels = [np.zeros(_YEAR_H), np.zeros(_YEAR_H)]
    if site.battery is not None:
        ratio = beam_ratio(site, site.battery, _SUN_YEAR_MS, _YEAR_H)
        for place, clearness in enumerate(CLEARNESS):
            direct, diffuse = on_panel(np.array(clearness), tilt_of(site, site.battery))
            panels[place] = panel_wh(radiation * (direct * ratio + diffuse), site.battery.panel_w)
    return _Sun(drying_mm(radiation), panels[0], panels[1])


def months_of(site: Site, year: Year, sun: _Sun) -> Iterator[tuple[int, Weathered]]:
    """The months of a year, 0 to 11, and their drivers."""
    hours = len(year.rain_mm)
    hour, month, day = local_hours(site, year.start_ms, hours)
    wanted = wanted_l(site, hour, month)
    of_year = ((year.start_ms - _SUN_YEAR_MS) // HOUR_MS + np.arange(hours)) % _YEAR_H
    wet = (np.bincount(day, year.rain_mm) > WET_DAY_MM)[day]
    panel = np.where(wet, sun.wet_wh[of_year], sun.dry_wh[of_year])
    drying = sun.drying_mm[of_year]
    edges = np.flatnonzero(np.concatenate([[True], np.diff(month) != 0, [True]]))
    for begin, end in itertools.pairwise(edges.tolist()):
        here = slice(begin, end)
        weather = Weathered(year.rain_mm[here], drying[here], panel[here], wanted[here], day[here] - day[begin])
        yield int(month[begin]) - 1, weather


def sweep(site: Site, plan: Plan, years: Years, sizes: list[Size], *, spill_first: bool = False) -> Tally:
    """Run every size over all years."""
    members, sun = len(sizes), sun_of(site)
    coefficient = np.array([[roof.runoff_coefficient] for roof in site.roof])
    coefficient = coefficient * factors_of(sizes, "roof") * factors_of(sizes, "coefficient")
    capacity = plan.dead_l[:, None] + (plan.capacity_l - plan.dead_l)[:, None] * factors_of(sizes, "tank")
    flush = plan.flush_volume_l[:, None] * factors_of(sizes, "first_flush")
    draw = factors_of(sizes, "draw")
    state = blank_state(plan, members, volume_l=(plan.dead_l[:, None] + capacity) / 2)
    parts = []
    for place, year in enumerate([years.years[0], *years.years]):
        for month, weather in months_of(site, year, sun):
            days = int(weather.day[-1]) + 1
            drivers = Drivers(
                rain_mm=_wide(weather.rain_mm, members),
                drying_mm=weather.drying_mm,
                sun_wh=_wide(weather.sun_wh, members),
                coefficient=coefficient,
                leak_l_h=np.zeros((len(plan.dead_l), members)),
                demand_l=weather.demand_l,
                draw_day=weather.day,
                draw_factor=np.ones((days, len(site.draw), 1)) * draw,
                emptied=_emptied(plan, len(weather.rain_mm)),
                capacity_l=capacity,
                flush_volume_l=flush,
            )
            trace = run(plan, drivers, state, ledger=True, spill_first=spill_first)
            if place > 0:
                parts.append(_tallied(plan, month, weather, trace, draw))
    return Tally(*(np.concatenate(values) for values in zip(*parts, strict=True)))


def _tallied(plan: Plan, month: int, weather: Weathered, trace: Trace, draw: Floats) -> Tally:
    """One month, as a tally of one."""
    begins = np.searchsorted(weather.day, np.arange(int(weather.day[-1]) + 1))
    ends = np.append(begins[1:], len(weather.day)) - 1
    wanted_day = np.add.reduceat(weather.demand_l.sum(axis=1), begins)
    from_rain = trace.ledger[DRAWN] - trace.ledger[BACKUP]
    short = wanted_day[:, None] * draw - np.add.reduceat(from_rain, begins) > SHORT_L
    drawn_from = np.unique(plan.draw_tank)
    left_l = trace.volume_l[ends][:, drawn_from, 0] - plan.used_up_l[drawn_from]
    least_wh = np.minimum.reduceat(trace.charge_wh[:, 0], begins) if len(trace.charge_wh) else np.full(1, np.inf)
    return Tally(
        month=np.array([month]),
        ledger=trace.ledger.sum(axis=1)[None],
        wanted_l=(wanted_day.sum() * draw)[None],
        days=np.array([int((wanted_day > 0).sum())]),
        short=short.sum(axis=0)[None],
        rain_mm=np.array([weather.rain_mm.sum()]),
        spill_l_h=np.array([trace.ledger[SPILLED, :, 0].max()]),
        inflow_l_h=np.array([trace.ledger[INFLOW, :, 0].max()]),
        empty_days=np.array([int((left_l <= _EMPTY_L).any(axis=1).sum())]),
        cutoff_days=np.array([int((least_wh <= plan.cutoff_wh).sum())]),
        day_rain_mm=np.add.reduceat(weather.rain_mm, begins),
        day_inflow_l=np.add.reduceat(trace.ledger[INFLOW, :, 0], begins),
        day_wanted_l=wanted_day,
        day_short=short[:, 0],
    )


def _wide(values: Floats, members: int) -> Floats:
    return np.repeat(values[:, None], members, axis=1)


def _emptied(plan: Plan, hours: int) -> Floats:
    """Chambers that only a hand can empty are emptied once a week. (H, R), or (0, 0)"""
    by_hand = (plan.flush_volume_l > 0) & (plan.flush_drip_l_h == 0) & np.isinf(plan.flush_dry_h)
    if not by_hand.any():
        return np.zeros((0, 0))
    weekly = np.arange(hours) % HAND_EMPTIED_H == 0
    return np.asarray((weekly[:, None] & by_hand).astype(float))
