"""What a site's telemetry teaches of its roofs, draws and tanks, and what it does not. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from forecast.learn import Floats, Predicted, events_of, fit_leak, fit_runoff, fit_use, prior_runoff
from forecast.learned import Leak, Learned, Runoff
from forecast.model.draw import local_hours
from forecast.model.geometry import geometry_of
from forecast.model.plan import plan_of
from forecast.model.sun import drying_mm, extraterrestrial_mj_m2
from forecast.model.wetness import roof_inflow_l
from forecast.telemetry import Hourly
from ingest.saying import Saying, litres_a_day, name, names, number, say
from ingest.site import Roof, Site, Tank

#: Nights are read between these local hours, after so many hours without rain.
NIGHT: Final = (0, 5)
DRY_BEFORE_H: Final = 12
#: A tank this close to its brim may have spilt: its level tells no inflow. [share of capacity]
BRIM: Final = 0.98
#: Level and meters that differ by more than this are worth a sentence. (common practice, no source)
_METER_ERROR: Final = 0.1


def learn_all(seen: Sequence[tuple[Site, Hourly]]) -> list[Learned]:
    """What each of some sites teaches."""
    return [learn(site, hours) for site, hours in seen]


def learn(site: Site, seen: Hourly) -> Learned:
    """Everything that these hours teach, and sentences on what they do not."""
    roofs = {roof.id: runoff for roof in site.roof if (runoff := _roof(site, roof, seen)).events > 0}
    draws = {}
    for index, draw in enumerate(site.draw):
        tank = next(tank for tank in site.tank if tank.id == draw.tank)
        volume_l = seen.volume_l.get(draw.tank)
        floor_l = geometry_of(tank).dead_l + draw.reserve_l
        # Without a level nobody knows whether there was water for those who wanted it.
        if draw.id in seen.metered_l and volume_l is not None:
            enough = np.nan_to_num(volume_l, nan=np.inf) > floor_l + 1.0
            if (use := fit_use(site, index, seen.metered_l[draw.id], seen.start_ms, enough)) is not None:
                draws[draw.id] = use
    leaks = {tank.id: leak for tank in site.tank if (leak := _leak(site, tank, seen)) is not None}
    return Learned(roofs, draws, leaks, tuple(_notes(site, Learned(roofs, draws, leaks))))


def _roof(site: Site, roof: Roof, seen: Hourly) -> Runoff:
    """From the roof's own meter; else from the level of its tank, if no other roof or tank feeds that."""
    prior = prior_runoff(roof)
    caught_l = seen.caught_l.get(roof.id)
    alone = all(other.tank != roof.tank for other in site.roof if other.id != roof.id)
    if caught_l is None and not (alone and _told_by_level(site, roof.tank, seen)):
        return prior
    spells, litres = [], []
    for first, end in events_of(seen.rain_mm):
        came = _rise_l(site, roof.tank, seen, first, end) if caught_l is None else float(caught_l[first:end].sum())
        if not np.isnan(came):
            spells.append((first, end))
            litres.append(came)
    return fit_runoff(_by_hours(site, roof, seen, spells), np.array(litres) / roof.plan_area_m2, prior)


def _by_hours(site: Site, roof: Roof, seen: Hourly, spells: list[tuple[int, int]]) -> Predicted:
    """Runoff of the spells by the hours before and in them: how wet the roof and full its first flush were. [mm]

    Unknown hours count as dry for what comes after them; spells with such hours are not among these.
    """
    plan, index = plan_of(site), site.roof.index(roof)
    rain_mm = np.nan_to_num(seen.rain_mm)
    drying = drying_mm(extraterrestrial_mj_m2(site.latitude, site.longitude, seen.start_ms, len(rain_mm)))

    def predicted(coefficient: float, loss_mm: float) -> Floats:
        inflow_l = roof_inflow_l(plan, index, rain_mm, drying, coefficient, loss_mm)
        return np.array([inflow_l[first:end].sum() for first, end in spells]) / roof.plan_area_m2

    return predicted


def _rise_l(site: Site, tank_id: str, seen: Hourly, first: int, end: int) -> float:
    """What a tank took in: its rise and what was drawn meanwhile. NaN where it may have spilt, or was not measured."""
    tank = next(tank for tank in site.tank if tank.id == tank_id)
    volume_l = seen.volume_l[tank_id][first - 1 : end]
    if volume_l.max() > BRIM * geometry_of(tank).capacity_l:
        return float("nan")
    draws = [draw.id for draw in site.draw if draw.tank == tank_id]
    return float(volume_l[-1] - volume_l[0]) + sum(float(seen.metered_l[draw][first:end].sum()) for draw in draws)


def _told_by_level(site: Site, tank_id: str, seen: Hourly) -> bool:
    """Whether a tank's level and meters tell all its water but the rain: roofed, on its own, every draw metered."""
    tank = next(tank for tank in site.tank if tank.id == tank_id)
    joined = tank.joined_with is not None or any(other.joined_with == tank_id for other in site.tank)
    fed = any(other.overflow_to == tank_id for other in site.tank)
    poured = site.backup is not None and site.backup.tank == tank_id
    metered = all(draw.id in seen.metered_l for draw in site.draw if draw.tank == tank_id)
    return tank_id in seen.volume_l and metered and not (joined or fed or poured or tank.open_top)


def _leak(site: Site, tank: Tank, seen: Hourly) -> Leak | None:
    """From the nights and days without rain; only where every draw of the tank has a meter."""
    if not _told_by_level(site, tank.id, seen):
        return None
    draws = [draw.id for draw in site.draw if draw.tank == tank.id]
    volume_l = seen.volume_l[tank.id]
    hours = len(volume_l)
    metered_l = np.sum([seen.metered_l[draw] for draw in draws], axis=0) if draws else np.zeros(hours)
    hour, _, day = local_hours(site, seen.start_ms, hours)
    fed_by = np.convolve(np.nan_to_num(seen.rain_mm, nan=1.0), np.ones(DRY_BEFORE_H))[:hours]
    dry = (fed_by == 0) & (volume_l > geometry_of(tank).dead_l)
    falls = -np.diff(volume_l, prepend=np.nan)
    night = (hour >= NIGHT[0]) & (hour < NIGHT[1])
    nights, day_falls, day_metered = [], [], []
    for index in range(int(day[-1]) + 1):
        whole = day == index
        asleep = whole & night
        if asleep.sum() == NIGHT[1] - NIGHT[0] and dry[asleep].all() and (metered_l[asleep] == 0).all():
            nights.append(float(falls[asleep].mean()))
        if whole.sum() == 24 and dry[whole].all():
            day_falls.append(float(falls[whole].sum()))
            day_metered.append(float(metered_l[whole].sum()))
    known = ~np.isnan(np.add(day_falls, day_metered))
    at_night = np.array(nights)
    return fit_leak(at_night[~np.isnan(at_night)], np.array(day_falls)[known], np.array(day_metered)[known])


def _notes(site: Site, learned: Learned) -> list[Saying]:
    """What was learnt, and what stays the site file's figure."""
    said = []
    if missing := [roof.id for roof in site.roof if roof.id not in learned.roofs]:
        said.append(
            say(
                "Too little rain was measured to learn what {roofs} yields: the site file's figure stands.",
                roofs=names(missing),
            )
        )
    if missing := [draw.id for draw in site.draw if draw.id not in learned.draws]:
        said.append(
            say(
                "Too few days were metered to learn the use of {draws}: the site file's figure stands.",
                draws=names(missing),
            )
        )
    for tank, leak in learned.leaks.items():
        if leak.l_h > 2 * leak.sd_l_h:
            said.append(
                say(
                    "Tank {tank} loses water at night, at a rate of {loss}, while its meters stand still: "
                    "a leak, evaporation, or a draw too small for its meter.",
                    tank=name(tank),
                    loss=litres_a_day(24 * leak.l_h),
                )
            )
        if leak.fall_over_meters is not None and abs(leak.fall_over_meters - 1) > _METER_ERROR:
            said.append(
                say(
                    "The level of tank {tank} falls {times} times what its meters count: "
                    "the meters or the tank's measures are wrong.",
                    tank=name(tank),
                    times=number(round(leak.fall_over_meters, 2)),
                )
            )
    return said
