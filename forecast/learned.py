"""What was learnt of a site, as the forecasts use it. What learns it stands in `learn.py`, with heavier libraries."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.members import Beliefs, site_beliefs
from forecast.model.draw import Integers, demand_l, local_hours
from forecast.model.plan import Plan
from ingest.instants import to_datetime
from ingest.saying import Saying
from ingest.site import Site

Floats = npt.NDArray[np.float64]


class Runoff(NamedTuple):
    """A roof's coefficient and wetting loss [mm] after `events` events, and their sd."""

    coefficient: float
    coefficient_sd: float
    loss_mm: float
    loss_sd_mm: float
    events: int


class Use(NamedTuple):
    """Use over the site file's demand: median and lognormal sigma, and how it lies over time. D days counted.

    by_hour     share of the day in each local hour; (24,), sums to 1
    by_weekday  (7,) Monday first, and by_month (12,): factors about 1
    """

    use: float
    sigma: float
    by_hour: Floats
    by_weekday: Floats
    by_month: Floats
    days: int


class Leak(NamedTuple):
    """What leaves a tank at night while its meters stand still. [L/h]

    fall_over_meters  litres that the level lost by day for each litre metered; 1 where meters are right.
                      None: use was too even, or too little, to tell it from a leak.
    """

    l_h: float
    sd_l_h: float
    nights: int
    fall_over_meters: float | None


@dataclass(frozen=True)
class Learned:
    """What is known of a site beyond its file: roofs, draws and tanks by id; absent: nothing learnt.

    notes  what was learnt and what not, as sentences for the forecast's `unknown`
    """

    roofs: dict[str, Runoff] = field(default_factory=dict)
    draws: dict[str, Use] = field(default_factory=dict)
    leaks: dict[str, Leak] = field(default_factory=dict)
    notes: tuple[Saying, ...] = ()

    def beliefs(self, site: Site) -> Beliefs:
        """What the members' coefficients and use are drawn from."""
        base = site_beliefs(site)
        for index, roof in enumerate(site.roof):
            if (runoff := self.roofs.get(roof.id)) is not None:
                sigma = runoff.coefficient_sd / runoff.coefficient
                base.coefficient[index] = runoff.coefficient * np.exp(-(sigma**2) / 2)
                base.coefficient_sigma[index] = sigma
        for index, draw in enumerate(site.draw):
            if (use := self.draws.get(draw.id)) is not None:
                base.use[index], base.use_sigma[index] = use.use, use.sigma
        return base

    def plan(self, site: Site, plan: Plan) -> Plan:
        """The same plan with the wetting losses that were learnt."""
        losses = [self.roofs[roof.id].loss_mm if roof.id in self.roofs else roof.wetting_loss_mm for roof in site.roof]
        return plan._replace(wetting_loss_mm=np.array(losses, dtype=np.float64))

    def demand_l(self, site: Site, start_ms: int, hours: int) -> tuple[Floats, Integers]:
        """As `draw.demand_l`, laid over hours, weekdays and months as it was seen to lie. (hours, D), (hours,)"""
        wanted, day = demand_l(site, start_ms, hours)
        hour, month, _ = local_hours(site, start_ms, hours)
        weekday = weekdays(site, start_ms, day)
        for index, draw in enumerate(site.draw):
            if (use := self.draws.get(draw.id)) is not None:
                used = np.isin(month, draw.months) if draw.months is not None else np.ones(hours, dtype=bool)
                shape = use.by_hour[hour] * use.by_weekday[weekday] * use.by_month[month - 1]
                wanted[:, index] = used * draw.litres_per_day * shape
        return wanted, day

    def leak_l_h(self, site: Site, plan: Plan, members: int, rng: np.random.Generator) -> Floats:
        """Leak of each tank and member, never below zero; none where none stands out of its own error. (T, M)"""
        leak = np.zeros((len(plan.dead_l), members))
        for index, tank in enumerate(site.tank):
            if (found := self.leaks.get(tank.id)) is not None and found.l_h > 2 * found.sd_l_h:
                leak[plan.tank_storage[index]] += np.maximum(0.0, rng.normal(found.l_h, found.sd_l_h, members))
        return leak


def weekdays(site: Site, start_ms: int, day: Integers) -> Integers:
    """Local weekday, Monday 0, of hours whose local day is numbered from the first. (hours,)"""
    first = to_datetime(start_ms).astimezone(site.zone).weekday()
    return np.asarray((first + day) % 7)
