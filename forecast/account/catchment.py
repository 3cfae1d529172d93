"""A catchment: roofs whose water is seen at one place, by a meter or by the rise of their tank.

Roofs that share a tank and have no meter of their own are one catchment: what they bring can be
told together only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast.account.measured import Measured
from forecast.learn import prior_runoff
from forecast.learned import Runoff
from forecast.model.plan import Plan
from forecast.model.storage import storages_of
from forecast.model.wetness import roof_inflow_l
from ingest.site import Site

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Catchment:
    """roofs: their places in the site file; tank: id of the one they feed; metered: by a meter of its own."""

    roofs: tuple[int, ...]
    tank: str
    metered: bool

    def name(self, site: Site) -> str:
        """The roofs' ids."""
        return " + ".join(site.roof[roof].id for roof in self.roofs)

    def area_m2(self, site: Site) -> float:
        return sum(site.roof[roof].plan_area_m2 for roof in self.roofs)

    def prior(self, site: Site) -> Runoff:
        """The site file's coefficient and loss, by area, with their usual spread."""
        priors = [prior_runoff(site.roof[roof]) for roof in self.roofs]
        areas = np.array([site.roof[roof].plan_area_m2 for roof in self.roofs])
        mean = (areas[:, None] * np.array([prior[:4] for prior in priors])).sum(axis=0) / areas.sum()
        coefficient, coefficient_sd, loss_mm, loss_sd_mm = map(float, mean)
        return Runoff(coefficient, coefficient_sd, loss_mm, loss_sd_mm, events=0)


@dataclass(frozen=True)
class Way:
    """How a catchment's water comes to its tank: figures that `inflow_l` runs with.

    coefficient, loss_mm  of all its roofs; None: those of the site file
    gutter_share          of the gutters' capacity that is clear; infinite: nothing goes over their sides
    wasted_l_h            what open first-flush valves let go in an hour
    flush                 whether there are first-flush chambers at all
    """

    coefficient: float | None = None
    loss_mm: float | None = None
    gutter_share: float = 1.0
    wasted_l_h: float = 0.0
    flush: bool = True


def catchments_of(site: Site, measured: Measured) -> list[Catchment]:
    """Metered roofs each by itself, then the others by storage: joined tanks rise together."""
    found = [
        Catchment((index,), roof.tank, metered=True)
        for index, roof in enumerate(site.roof)
        if roof.id in measured.caught_l
    ]
    for storage in storages_of(site):
        tanks = [site.tank[place].id for place in storage.tanks]
        rest = tuple(
            index for index, roof in enumerate(site.roof) if roof.tank in tanks and roof.id not in measured.caught_l
        )
        if rest:
            found.append(Catchment(rest, tanks[0], metered=False))
    return found


def inflow_l(site: Site, plan: Plan, catchment: Catchment, rain_mm: Floats, dry_mm: Floats, way: Way) -> Floats:
    """What the catchment hands to its tank in each hour, from dry roofs on. (H,) [L]

    rain_mm  known in every hour; dry_mm  by which a wet roof dries (H,)
    """
    prior = catchment.prior(site)
    out = np.zeros(len(rain_mm))
    for index in catchment.roofs:
        roof = site.roof[index]
        share = 1.0 if way.coefficient is None else way.coefficient / prior.coefficient
        loss_mm = roof.wetting_loss_mm if way.loss_mm is None else roof.wetting_loss_mm + way.loss_mm - prior.loss_mm
        out += roof_inflow_l(
            _altered(plan, index, way), index, rain_mm, dry_mm, roof.runoff_coefficient * share, max(0.0, loss_mm)
        )
    return out


def _altered(plan: Plan, roof: int, way: Way) -> Plan:
    """A partly blocked gutter passes less; an open valve makes room for what it lets go, rain or not."""
    if way.gutter_share == 1.0 and way.wasted_l_h == 0.0 and way.flush:
        return plan
    gutter, volume, drip = plan.gutter_l_h.copy(), plan.flush_volume_l.copy(), plan.flush_drip_l_h.copy()
    gutter[roof] = 0.0 if way.gutter_share == 0.0 else gutter[roof] * way.gutter_share
    volume[roof] = volume[roof] + way.wasted_l_h if way.flush else 0.0
    drip[roof] += way.wasted_l_h
    return plan._replace(gutter_l_h=gutter, flush_volume_l=volume, flush_drip_l_h=drip)
