"""A storage as its hours show it: its level sensor, its leak, and use that no meter counted. Pure.

The order matters: a level sensor that moved would look like a leak, and a leak like use.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.account.levels import SensorError, at_the_brim, at_the_outlet, sensor_error
from forecast.account.losses import NIGHT, Loss, dry_stretches, loss_of
from forecast.account.scene import Scene
from forecast.model.geometry import Geometry
from forecast.model.sun import EVAPORATION_TO_DRYING
from ingest.units import LITRES_PER_M3

Floats = npt.NDArray[np.float64]
Truths = npt.NDArray[np.bool_]

#: A tank within this of its capacity may be running over,
BRIM_SHARE: Final = 0.0075
#: or within so many standard deviations: water that falls in makes waves. (no source)
NEAR: Final = 4.0
#: Of a draw without a meter, so much is not known from the hours about it. (common practice, no source)
UNMETERED_SHARE: Final = 0.3
#: A tank surely holds what it shows beyond this many standard deviations.
SURE: Final = 3.0
#: Hours of a kind that it takes to say what such an hour takes; pairs of quiet hours to say how still they are.
FEWEST_ALIKE: Final = 3
FEWEST_STILL: Final = 24


@dataclass(frozen=True)
class TankFound:
    """One storage: a tank, or several joined at their foot.

    volume_l   at the full hours, the sensor's error taken out; NaN: not measured (H + 1,)
    noise_l    standard deviation of one such volume
    still      full hours whose volume rests on the means of quiet hours (H + 1,); still_noise_l: its deviation
    brim       hours in which it may have run over (H,)
    use_l      what was drawn, metered or told by the level; NaN: not known (H,)
    metered_l  the part of it that a meter counted (H,)
    guessed_l  the part of it that neither meter nor level told (H,)
    loss_l     leak, and what the meters did not count (H,)
    unmetered  draws without a meter
    """

    ids: tuple[str, ...]
    volume_l: Floats
    noise_l: float
    still: Truths
    still_noise_l: float
    brim: Truths
    use_l: Floats
    metered_l: Floats
    guessed_l: Floats
    loss_l: Floats
    evaporated_l: Floats
    sensor: SensorError | None
    loss: Loss | None
    unmetered: tuple[str, ...]


def tank_found(scene: Scene, storage: int, came_l: Floats | None = None) -> TankFound:
    """What the hours show of one storage.

    came_l  what its roofs as found brought; None: not known yet, as the site file has them (H,)
    """
    found = _found(scene, storage, came_l, stops_at_outlet=True)
    if found.sensor is not None and found.loss is not None and found.loss.leaks:
        # A leak goes on below the outlet: a level that falls slowly there is no sensor that moved.
        return _found(scene, storage, came_l, stops_at_outlet=False)
    return found


def _found(scene: Scene, storage: int, came_l: Floats | None, *, stops_at_outlet: bool) -> TankFound:
    seen, geometry, ids = scene.seen, scene.storages[storage].geometry, scene.ids(storage)
    draws = [place for place, tank in enumerate(scene.plan.draw_tank) if tank == storage]
    unmetered = [place for place in draws if scene.site.draw[place].id not in seen.drawn_l]
    metered_l = np.zeros(seen.hours)
    for place in draws:
        if place not in unmetered:
            metered_l = metered_l + seen.drawn_l[scene.site.draw[place].id]
    noise_l = scene.noise_m(storage) * geometry.surface_m2(geometry.levels_m[-1]) * LITRES_PER_M3
    usual_l = scene.wanted_l[:, unmetered].sum(axis=1)
    sensor = _sensor(scene, storage, np.nan_to_num(metered_l), stops_at_outlet=stops_at_outlet)
    expected_l = np.nan_to_num(metered_l + usual_l)
    floor_l = min((scene.plan.draw_floor_l[draw] for draw in draws), default=0.0)
    volume_l, still = _volumes(scene, storage, sensor, noise_l, expected_l / 2, floor_l if unmetered else -np.inf)
    dry = scene.dry(volume_l, noise_l)
    near_l = geometry.capacity_l - max(BRIM_SHARE * geometry.capacity_l, NEAR * noise_l)
    with np.errstate(invalid="ignore"):
        # It may have run over within the hour, and been drawn down again before its end.
        brim = (volume_l[:-1] > near_l) | (volume_l[1:] + expected_l > near_l)
    evaporated_l = EVAPORATION_TO_DRYING * scene.drying_mm * scene.plan.open_m2[storage]
    risen_l = volume_l + np.concatenate([[0.0], np.cumsum(evaporated_l)])
    came_l = _came(scene, storage) if came_l is None else came_l
    # A tank that ran empty shows a little by its noise, and leaks no more than comes in.
    leakable_l = np.where(volume_l[:-1] > noise_l, np.inf, came_l)
    loss = _loss(scene, risen_l, metered_l, dry & ~brim & (leakable_l > 0), noise_l, unmetered)
    loss_l = np.zeros(seen.hours)
    if loss is not None:
        loss_l += np.minimum(loss.leak_l_h, leakable_l) * loss.leaks
        loss_l += (loss.gain - 1) * loss.meter_errs * np.nan_to_num(metered_l)
    use_l, guessed_l = metered_l, np.zeros(seen.hours)
    if unmetered:
        told_l, told = -np.diff(volume_l) - loss_l - evaporated_l - metered_l, dry
        if (counted_l := _came_by_meter(scene, storage)) is not None:
            told_l, told = told_l + counted_l, dry | ~brim
        before_l, after_l = volume_l[:-1] - floor_l, volume_l[1:] - floor_l
        held, filled = before_l > 2 * noise_l, after_l > 2 * noise_l
        there_l = np.where(held | filled, np.fmax(before_l, after_l), came_l)
        # Where the water came within the hour, it was there for half of it.
        besides_l = _unmetered(scene, told_l, told, held, there_l, np.where(filled & ~held, 0.5, 1.0), usual_l)
        use_l, guessed_l = metered_l + besides_l, np.where(told, 0.0, np.nan_to_num(besides_l))
    names = tuple(scene.site.draw[place].id for place in unmetered)
    # What no meter counted is told by the level itself: only where nobody draws it shows the level's noise.
    left_l = np.where(usual_l > 0, np.nan, metered_l + loss_l + evaporated_l)
    return TankFound(
        ids, volume_l, noise_l, still, _still_noise_l(volume_l, left_l, still, noise_l), brim, use_l, metered_l,
        guessed_l, loss_l, evaporated_l, sensor, loss, names,
    )  # fmt: skip


def _still_noise_l(volume_l: Floats, left_l: Floats, still: Truths, noise_l: float) -> float:
    """Standard deviation of a volume that rests on quiet hours, by how they follow each other."""
    misses_l = (np.diff(volume_l) + left_l)[still[:-1] & still[1:]]
    misses_l = misses_l[~np.isnan(misses_l)]
    if len(misses_l) < FEWEST_STILL:
        return noise_l
    return min(noise_l, float(1.4826 * np.median(np.abs(misses_l)) / np.sqrt(2)))


def _sensor(scene: Scene, storage: int, metered_l: Floats, *, stops_at_outlet: bool) -> SensorError | None:
    level_m = next((scene.seen.level_m[tank] for tank in scene.ids(storage) if tank in scene.seen.level_m), None)
    if level_m is None:
        return None
    geometry = scene.storages[storage].geometry
    surface_m2 = geometry.surface_m2(geometry.levels_m[-1])
    brim_m = float(geometry.level_m(geometry.capacity_l))
    marks = [at_the_brim(level_m, brim_m, (_came(scene, storage) - metered_l) / surface_m2 / LITRES_PER_M3)]
    draws = [place for place, tank in enumerate(scene.plan.draw_tank) if tank == storage]
    if draws and stops_at_outlet:
        mean_m = next(scene.seen.mean_m[tank] for tank in scene.ids(storage) if tank in scene.seen.level_m)
        outlet_m = float(geometry.level_m(min(scene.plan.draw_floor_l[draws])))
        thirsty = (scene.wanted_l[:, draws].sum(axis=1) > 0) & (scene.seen.rain_mm == 0)
        marks.append(at_the_outlet(mean_m, outlet_m, thirsty))
    return sensor_error(marks)


def _volumes(
    scene: Scene, storage: int, sensor: SensorError | None, noise_l: float, half_l: Floats, floor_l: float
) -> tuple[Floats, Truths]:
    """Volumes at the full hours, without the sensor's error and with little noise, and which rest on quiet hours.

    half_l  half of each hour's use (H,); floor_l  below which nobody can draw
    """
    named = next((tank for tank in scene.ids(storage) if tank in scene.seen.level_m), None)
    if named is None:
        return np.full(scene.seen.hours + 1, np.nan), np.zeros(scene.seen.hours + 1, dtype=bool)
    levels = [scene.seen.level_m[named], scene.seen.mean_m[named]]
    if sensor is not None:
        levels = [sensor.corrected(level_m) for level_m in levels]
    volume_l, mean_l = (volume_of(scene.storages[storage].geometry, level_m) for level_m in levels)
    quiet = scene.dry(volume_l, noise_l) & (half_l < noise_l) & ~np.isnan(mean_l)
    still = np.append(quiet, False) | np.insert(quiet, 0, False)
    # Whoever wants water draws none from a tank that is used up.
    half_l = np.clip(np.nan_to_num(mean_l) - floor_l, 0.0, half_l)
    return steadied(volume_l, mean_l, half_l, quiet), still & ~np.isnan(volume_l)


def volume_of(geometry: Geometry, level_m: Floats) -> Floats:
    """Volume at a level, above the brim as if the walls went on: a reading cut off there would be biased. (N,)"""
    over_m = np.maximum(0.0, level_m - geometry.levels_m[-1])
    standing_l = (
        geometry.volume_l(np.nan_to_num(level_m)) + over_m * geometry.surface_m2(geometry.levels_m[-1]) * LITRES_PER_M3
    )
    return np.where(np.isnan(level_m), np.nan, standing_l)


def steadied(volume_l: Floats, mean_l: Floats, half_l: Floats, quiet: Truths) -> Floats:
    """Volumes at the full hours from the means of the hours beside them, where these are quiet. (H + 1,)

    A mean of many readings has less noise than one; in a quiet hour it lies half a use from either end.
    Rain, or a large draw, moves the level at an instant nobody knows: there the reading itself stands.

    volume_l  by the readings (H + 1,); mean_l  of the hours, half_l  of what is drawn in them (H,)
    quiet     hours without rain and with little use (H,)
    """
    after = np.append(np.where(quiet, mean_l + half_l, np.nan), np.nan)
    before = np.insert(np.where(quiet, mean_l - half_l, np.nan), 0, np.nan)
    both = np.where(np.isnan(after), before, np.where(np.isnan(before), after, (before + after) / 2))
    return np.where(np.isnan(both) | np.isnan(volume_l), volume_l, both)


def _loss(
    scene: Scene, volume_l: Floats, metered_l: Floats, dry: Truths, noise_l: float, unmetered: list[int]
) -> Loss | None:
    night = (scene.hour >= NIGHT[0]) & (scene.hour < NIGHT[1])
    if unmetered:
        # Only hours outside all hours of use are sure to be without an unseen draw.
        night = ~np.any(scene.wanted_l[:, unmetered] > 0, axis=1)
    stretches = dry_stretches(volume_l, metered_l, dry, night)
    return loss_of(stretches, noise_l, metered=not unmetered, rests=bool(night.any()))


def _came(scene: Scene, storage: int) -> Floats:
    """What a storage's roofs brought, by their meters, else as the site file has them. (H,)"""
    out = np.zeros(scene.seen.hours)
    for place in scene.feeding(storage):
        counted_l = scene.metered_l(scene.catchments[place])
        out += scene.as_designed[place] if counted_l is None else np.nan_to_num(counted_l)
    return out


def _came_by_meter(scene: Scene, storage: int) -> Floats | None:
    """What a storage took in, where every roof of it has a meter and nothing else feeds it. (H,)"""
    counted = [scene.metered_l(scene.catchments[place]) for place in scene.feeding(storage)]
    besides = scene.above(storage) or scene.plan.open_m2[storage] > 0 or storage == scene.plan.backup_tank
    known = [litres for litres in counted if litres is not None]
    if besides or not known or len(known) < len(counted):
        return None
    return np.asarray(sum(known, np.zeros(scene.seen.hours)))


def _unmetered(
    scene: Scene, told_l: Floats, told: Truths, held: Truths, there_l: Floats, while_h: Floats, usual_l: Floats
) -> Floats:
    """What the level lost in hours that tell it; else what such an hour of that month takes while there is water. (H,)

    held     hours in which the storage surely held water for whoever wanted it
    there_l  that water; where there was none, what came in the hour (H,)
    while_h  for how much of the hour it was there; usual_l  what is taken by the site file (H,)
    """
    out = np.where(told, told_l, np.nan)
    for month in np.unique(scene.month).tolist():
        for hour in range(24):
            inside = (scene.month == month) & (scene.hour == hour)
            if not inside.any():
                continue
            known = inside & held & ~np.isnan(out)
            alike = out[known] if known.sum() >= FEWEST_ALIKE else usual_l[inside]
            guessed = inside & ~told
            out[guessed] = np.where(
                np.isnan(told_l[guessed]), np.nan, np.minimum(alike.mean() * while_h[guessed], there_l[guessed])
            )
    return out
