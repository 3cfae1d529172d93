"""What the hours show of a site's parts: level sensors, leaks, use without a meter, roofs. Pure.

The order matters: a level sensor that moved would look like a leak, and a leak like a poor roof.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.account.catchment import Catchment, Way, catchments_of, inflow_l
from forecast.account.designed import drying_of
from forecast.account.levels import SensorError, sensor_error
from forecast.account.losses import NIGHT, Loss, dry_stretches, loss_of
from forecast.account.measured import Measured
from forecast.account.roofs import KINDS, Spells, as_found
from forecast.facts import LEVEL_NOISE_M
from forecast.learn import events_of
from forecast.model.draw import demand_l, local_hours
from forecast.model.plan import Plan, plan_of
from forecast.model.storage import Storage, storages_of
from forecast.model.sun import EVAPORATION_TO_DRYING
from ingest.site import Site
from ingest.units import LITRES_PER_M3

Floats = npt.NDArray[np.float64]
Truths = npt.NDArray[np.bool_]

#: A tank within this of its capacity may be running over.
BRIM_SHARE: Final = 0.01
#: Hours without rain after which nothing runs off a roof any more.
DRAINED_H: Final = 3
#: Of a draw without a meter, so much is known from the hours about it. (common practice, no source)
UNMETERED_SHARE: Final = 0.3


@dataclass(frozen=True)
class TankFound:
    """One storage: a tank, or several joined at their foot.

    volume_l   at the full hours, the sensor's error taken out; NaN: not measured (H + 1,)
    noise_l    standard deviation of one such volume
    brim       hours in which it may have run over (H,)
    use_l      what was drawn, metered or told by the level; NaN: not known (H,)
    metered_l  the part of it that a meter counted (H,)
    guessed_l  the part of it that neither meter nor level told (H,)
    loss_l     leak, and what the meters did not count (H,)
    """

    ids: tuple[str, ...]
    volume_l: Floats
    noise_l: float
    brim: Truths
    use_l: Floats
    metered_l: Floats
    guessed_l: Floats
    loss_l: Floats
    evaporated_l: Floats
    sensor: SensorError | None
    loss: Loss | None
    unmetered: tuple[str, ...]


@dataclass(frozen=True)
class RoofsFound:
    """One catchment, and what it would have brought by the hour. (H,) each [L]

    as_designed  with the site file's figures, in the measured rain
    by_runoff    with the coefficient and loss that were learnt, by_gutter with its gutters as found,
    by_flush     with its first flush as found: all that is known of it
    over_l, flushed_l  over its gutters' sides and into its first flush, as found
    metered_l    by its meter; None: it has none
    """

    catchment: Catchment
    found: AsFound
    as_designed: Floats
    by_runoff: Floats
    by_gutter: Floats
    by_flush: Floats
    over_l: Floats
    flushed_l: Floats
    metered_l: Floats | None


@dataclass(frozen=True)
class Inspection:
    """All parts of a site, in the order of the model's storages and of the catchments."""

    plan: Plan
    tanks: list[TankFound] = field(default_factory=list)
    roofs: list[RoofsFound] = field(default_factory=list)


def inspect(site: Site, measured: Measured) -> Inspection:
    """What the hours show of every part."""
    return _Inspector(site, measured).inspection()


class _Inspector:
    def __init__(self, site: Site, measured: Measured) -> None:
        self.site, self.seen = site, measured
        self.plan = plan_of(site)
        self.storages = storages_of(site)
        self.rain_mm = np.nan_to_num(measured.rain_mm)
        self.drying_mm = drying_of(site, measured.start_ms, measured.rain_mm)
        self.hour, self.month, _ = local_hours(site, measured.start_ms, measured.hours)
        self.wanted_l, _ = demand_l(site, measured.start_ms, measured.hours)
        self.catchments = catchments_of(site, measured)
        self.as_designed = [self._inflow(catchment, Way()) for catchment in self.catchments]

    def inspection(self) -> Inspection:
        tanks = [self._tank(index, storage) for index, storage in enumerate(self.storages)]
        roofs = [self._roofs(index, tanks) for index in range(len(self.catchments))]
        return Inspection(self.plan, tanks, roofs)

    def _inflow(self, catchment: Catchment, way: Way) -> Floats:
        return inflow_l(self.site, self.plan, catchment, self.rain_mm, self.drying_mm, way)

    # Tanks.

    def _tank(self, index: int, storage: Storage) -> TankFound:
        ids = tuple(self.site.tank[place].id for place in storage.tanks)
        draws = [place for place, tank in enumerate(self.plan.draw_tank) if tank == index]
        names = [self.site.draw[place].id for place in draws]
        metered = [self.seen.drawn_l[name] for name in names if name in self.seen.drawn_l]
        metered_l = np.sum(metered, axis=0) if metered else np.zeros(self.seen.hours)
        unmetered = tuple(name for name in names if name not in self.seen.drawn_l)
        level_m = next((self.seen.level_m[name] for name in ids if name in self.seen.level_m), None)
        surface_m2 = storage.geometry.surface_m2(storage.geometry.levels_m[-1])
        noise_l = self._noise_m(ids) * surface_m2 * LITRES_PER_M3
        sensor = None
        if level_m is None:
            volume_l = np.full(self.seen.hours + 1, np.nan)
        else:
            sensor = self._sensor(index, storage, level_m, surface_m2, np.nan_to_num(metered_l))
            level_m = level_m if sensor is None else sensor.corrected(level_m)
            volume_l = np.where(np.isnan(level_m), np.nan, storage.geometry.volume_l(np.nan_to_num(level_m)))
        if level_m is not None:
            dry = self._dry(volume_l, noise_l)
            mean_m = self.seen.mean_m[next(name for name in ids if name in self.seen.mean_m)]
            if sensor is not None:
                mean_m = sensor.corrected(mean_m)
            mean_l = np.where(np.isnan(mean_m), np.nan, storage.geometry.volume_l(np.nan_to_num(mean_m)))
            half_l = (metered_l + self.wanted_l[:, [draw for draw in draws if self.site.draw[draw].id in unmetered]].sum(axis=1)) / 2
            volume_l = steadied(volume_l, mean_l, np.nan_to_num(half_l), dry)
        near_l = storage.geometry.capacity_l - max(BRIM_SHARE * storage.geometry.capacity_l, 2 * noise_l)
        with np.errstate(invalid="ignore"):
            brim = (volume_l[:-1] > near_l) | (volume_l[1:] > near_l)
        dry = self._dry(volume_l, noise_l)
        evaporated_l = EVAPORATION_TO_DRYING * self.drying_mm * self.plan.open_m2[index]
        loss = self._loss(draws, volume_l, metered_l, dry & ~brim, noise_l, evaporated_l, unmetered)
        loss_l = np.zeros(self.seen.hours)
        if loss is not None:
            loss_l += loss.leak_l_h * loss.leaks + (loss.gain - 1) * loss.meter_errs * np.nan_to_num(metered_l)
        use_l, guessed_l = metered_l, np.zeros(self.seen.hours)
        if unmetered:
            told_l = -np.diff(volume_l) - loss_l - evaporated_l - metered_l
            floor_l = min(self.plan.draw_floor_l[draw] for draw in draws)
            with np.errstate(invalid="ignore"):
                held = volume_l[:-1] > floor_l + noise_l
            besides_l = self._unmetered(told_l, dry, held, draws, unmetered)
            use_l, guessed_l = metered_l + besides_l, np.where(dry, 0.0, np.nan_to_num(besides_l))
        return TankFound(
            ids, volume_l, noise_l, brim, use_l, metered_l, guessed_l, loss_l, evaporated_l, sensor, loss, unmetered
        )  # fmt: skip

    def _noise_m(self, tanks: tuple[str, ...]) -> float:
        sensors = [sensor for tank in tanks for sensor in self.site.sensors_of(f"tank.{tank}.level")]
        return next((sensor.noise for sensor in sensors if sensor.noise is not None), LEVEL_NOISE_M)

    def _fed_by(self, index: int) -> list[int]:
        """The catchments of a storage."""
        ids = [self.site.tank[place].id for place in self.storages[index].tanks]
        return [place for place, catchment in enumerate(self.catchments) if catchment.tank in ids]

    def _sensor(
        self, index: int, storage: Storage, level_m: Floats, surface_m2: float, metered_l: Floats
    ) -> SensorError | None:
        came_l = np.zeros(self.seen.hours)
        for place in self._fed_by(index):
            metered = self._metered_l(self.catchments[place])
            came_l += self.as_designed[place] if metered is None else np.nan_to_num(metered)
        brim_m = float(storage.geometry.level_m(storage.geometry.capacity_l))
        return sensor_error(level_m, brim_m, (came_l - metered_l) / surface_m2 / LITRES_PER_M3)

    def _dry(self, volume_l: Floats, noise_l: float) -> Truths:
        """Hours in which nothing comes from a roof; without a gauge, in which the level does not rise. (H,)"""
        unknown = np.isnan(self.seen.rain_mm)
        wet = np.where(unknown, 0.0, self.seen.rain_mm) > 0
        with np.errstate(invalid="ignore"):
            rising = np.diff(volume_l) > 4 * noise_l
        wet |= unknown & rising
        return np.asarray(np.convolve(wet, np.ones(DRAINED_H))[: len(wet)] == 0)

    def _loss(
        self,
        draws: list[int],
        volume_l: Floats,
        metered_l: Floats,
        dry: Truths,
        noise_l: float,
        evaporated_l: Floats,
        unmetered: tuple[str, ...],
    ) -> Loss | None:
        night = (self.hour >= NIGHT[0]) & (self.hour < NIGHT[1])
        in_use = [self.wanted_l[:, draw] > 0 for draw in draws if self.site.draw[draw].id in unmetered]
        if in_use:
            night = ~np.any(in_use, axis=0)
        volume_l = volume_l + np.concatenate([[0.0], np.cumsum(evaporated_l)])
        stretches = dry_stretches(volume_l, metered_l, dry, night)
        return loss_of(stretches, noise_l, metered=not unmetered, rests=bool(night.any()))

    def _unmetered(
        self, told_l: Floats, dry: Truths, held: Truths, draws: list[int], unmetered: tuple[str, ...]
    ) -> Floats:
        """In dry hours what the level tells; else what such an hour of that month takes where there is water. (H,)"""
        usual = self.wanted_l[:, [draw for draw in draws if self.site.draw[draw].id in unmetered]].sum(axis=1)
        out = np.where(dry, told_l, np.nan)
        for month in np.unique(self.month).tolist():
            for hour in range(24):
                inside = (self.month == month) & (self.hour == hour)
                known = inside & held & ~np.isnan(out)
                # Where nothing was seen of such hours, the site file's figure stands in.
                mean_l = float(out[known].mean()) if known.sum() > 2 else float(usual[inside].mean())
                guessed = inside & ~dry
                out[guessed] = np.where(np.isnan(told_l[guessed]), np.nan, mean_l * held[guessed])
        return out

    # Roofs.

    def _roofs(self, place: int, tanks: list[TankFound]) -> RoofsFound:
        catchment, usual = self.catchments[place], self.as_designed[place]
        spells = self._spells(catchment, tanks)

        def expected(way: Way) -> Floats:
            passed = np.concatenate([[0.0], np.cumsum(self._inflow(catchment, way))])
            return np.asarray(passed[spells.end_h] - passed[spells.first_h])

        area_m2 = catchment.area_m2(self.site)
        found = as_found(spells, expected, catchment.prior(self.site), area_m2, self.seen.hours)
        way = Way(found.runoff.coefficient, found.runoff.loss_mm) if found.runoff.events else Way()

        def as_far_as(*kinds: str, **bare: object) -> Floats:
            """Inflow with the faults of these kinds; `bare` leaves gutter or first flush out."""
            out = self._inflow(catchment, replace(way, **bare))  # type: ignore[arg-type]
            for fault in found.faults:
                if fault.kind in kinds:
                    here = slice(fault.first_h, fault.end_h)
                    out[here] = self._inflow(catchment, replace(fault.way, **bare))[here]  # type: ignore[arg-type]
            return out

        arrived_l = as_far_as("coefficient", gutter_share=np.inf, flush=False)
        passed_l = as_far_as("coefficient", "gutter", flush=False)
        by_flush = as_far_as(*KINDS)
        return RoofsFound(
            catchment,
            found,
            as_designed=usual,
            by_runoff=as_far_as("coefficient"),
            by_gutter=as_far_as("coefficient", "gutter"),
            by_flush=by_flush,
            over_l=arrived_l - passed_l,
            flushed_l=passed_l - by_flush,
            metered_l=self._metered_l(catchment),
        )

    def _metered_l(self, catchment: Catchment) -> Floats | None:
        return self.seen.caught_l[self.site.roof[catchment.roofs[0]].id] if catchment.metered else None

    def _spells(self, catchment: Catchment, tanks: list[TankFound]) -> Spells:
        """What came of each spell of rain that can be told: not where a tank may have run over."""
        index = next(i for i, tank in enumerate(tanks) if catchment.tank in tank.ids)
        tank = tanks[index]
        above = [other for other, following in enumerate(self.plan.tank_next) if following == index]
        blind = np.isnan(tank.use_l) | tank.brim
        for other in above:
            blind |= tanks[other].brim | np.isnan(tanks[other].volume_l[1:])
        besides_l = np.zeros(self.seen.hours)
        for other in self.catchments:
            if other.tank in tank.ids and other.metered and other is not catchment:
                besides_l += self._metered_l(other)
        out = np.concatenate([[0.0], np.cumsum(np.nan_to_num(tank.use_l) + tank.loss_l + tank.evaporated_l)])
        in_ = np.concatenate([[0.0], np.cumsum(np.nan_to_num(besides_l + self.rain_mm * self.plan.open_m2[index]))])
        poured = self.seen.backup_l if index == self.plan.backup_tank else None
        rows = []
        for first, end in events_of(self.seen.rain_mm):
            if catchment.metered:
                came_l = float(self.seen.caught_l[self.site.roof[catchment.roofs[0]].id][first:end].sum())
                noise_l = 0.02 * came_l + 1.0
            else:
                if blind[first:end].any() or (poured is not None and np.nansum(poured[first:end]) > 0):
                    continue
                came_l = float(tank.volume_l[end] - tank.volume_l[first] + out[end] - out[first] - in_[end] + in_[first])
                guessed_l = float(tank.guessed_l[first:end].sum())
                noise_l = float(np.hypot(1.5 * tank.noise_l, UNMETERED_SHARE * guessed_l))
            if not np.isnan(came_l):
                rows.append((first, end, came_l, noise_l))
        columns = np.array(rows, dtype=np.float64).reshape(-1, 4).T
        return Spells(columns[0].astype(np.int64), columns[1].astype(np.int64), columns[2], columns[3])


def steadied(volume_l: Floats, mean_l: Floats, half_l: Floats, dry: Truths) -> Floats:
    """Volumes at the full hours from the means of the hours beside them, where these are dry. (H + 1,)

    A mean of many readings has less noise than one; in a dry hour it lies half a use from either end.
    In rain the level rises at an instant nobody knows: there the reading itself stands.

    volume_l  by the readings (H + 1,); mean_l  of the hours, half_l  of what is drawn in them (H,)
    """
    after = np.append(np.where(dry, mean_l + half_l, np.nan), np.nan)
    before = np.insert(np.where(dry, mean_l - half_l, np.nan), 0, np.nan)
    both = np.where(np.isnan(after), before, np.where(np.isnan(before), after, (before + after) / 2))
    return np.where(np.isnan(both) | np.isnan(volume_l), volume_l, both)
