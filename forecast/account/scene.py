"""A site and its hours, prepared once for those who inspect its tanks and roofs. Pure."""

from __future__ import annotations

from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.account.catchment import Catchment, Way, catchments_of, inflow_l
from forecast.account.designed import drying_of
from forecast.account.measured import Measured
from forecast.facts import LEVEL_NOISE_M
from forecast.model.draw import demand_l, local_hours
from forecast.model.plan import plan_of
from forecast.model.storage import storages_of
from ingest.site import Site

Floats = npt.NDArray[np.float64]
Truths = npt.NDArray[np.bool_]

#: Hours without rain after which nothing runs off a roof any more.
DRAINED_H: Final = 3


class Scene:
    """rain_mm is known in every hour here: unknown hours count as dry for what comes after them."""

    def __init__(self, site: Site, measured: Measured) -> None:
        self.site, self.seen = site, measured
        self.plan = plan_of(site)
        self.storages = storages_of(site)
        self.rain_mm = np.nan_to_num(measured.rain_mm)
        self.drying_mm = drying_of(site, measured.start_ms, measured.rain_mm)
        self.hour, self.month, _ = local_hours(site, measured.start_ms, measured.hours)
        self.wanted_l, _ = demand_l(site, measured.start_ms, measured.hours)
        self.catchments = catchments_of(site, measured)

    @cached_property
    def as_designed(self) -> list[Floats]:
        """What each catchment would bring by the site file's figures. (H,) each"""
        return [self.inflow_l(catchment, Way()) for catchment in self.catchments]

    def inflow_l(self, catchment: Catchment, way: Way) -> Floats:
        """What a catchment brings by a way. (H,)"""
        return inflow_l(self.site, self.plan, catchment, self.rain_mm, self.drying_mm, way)

    def metered_l(self, catchment: Catchment) -> Floats | None:
        """What its own meter counted. (H,)"""
        return self.seen.caught_l[self.site.roof[catchment.roofs[0]].id] if catchment.metered else None

    def ids(self, storage: int) -> tuple[str, ...]:
        """The tanks of a storage."""
        return tuple(self.site.tank[place].id for place in self.storages[storage].tanks)

    def feeding(self, storage: int) -> list[int]:
        """The catchments of a storage."""
        return [place for place, found in enumerate(self.catchments) if found.tank in self.ids(storage)]

    def above(self, storage: int) -> list[int]:
        """The storages that run over into it."""
        return [place for place, following in enumerate(self.plan.tank_next) if following == storage]

    def noise_m(self, storage: int) -> float:
        """Standard deviation of one level."""
        sensors = [sensor for tank in self.ids(storage) for sensor in self.site.sensors_of(f"tank.{tank}.level")]
        return next((sensor.noise for sensor in sensors if sensor.noise is not None), LEVEL_NOISE_M)

    def dry(self, volume_l: Floats, noise_l: float) -> Truths:
        """Hours in which nothing comes from a roof; without a gauge, in which the level does not rise. (H,)"""
        unknown = np.isnan(self.seen.rain_mm)
        with np.errstate(invalid="ignore"):
            rising = np.diff(volume_l) > 4 * noise_l
        wet = (self.rain_mm > 0) | (unknown & rising)
        return np.asarray(np.convolve(wet, np.ones(DRAINED_H))[: len(wet)] == 0)
