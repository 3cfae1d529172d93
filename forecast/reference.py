"""Reference forecasts, made at the same issue from the same facts: what any forecast must beat.

Verification holds a forecast against what costs nothing. Two of the three are the balance on paper,
with the use that the forecast itself expects: rain of the season's mean, and no rain at all (what
can be drawn over what is drawn). The third, that the level stays as it is, needs no run. Pure.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from forecast.allowance import Ahead
from forecast.cases import HORIZON_D, LEADS_D, Floats
from forecast.model.balance import Drivers, State, run
from forecast.model.geometry import geometry_of
from forecast.model.storage import storages_of
from forecast.result import Reference
from forecast.verify import MEAN_RAIN, NO_RAIN
from ingest.site import Site

#: Those that need a run, in the order of its members.
_RUN: Final = (MEAN_RAIN, NO_RAIN)


def references(site: Site, ahead: Ahead, offset_h: float) -> list[Reference]:
    """The references that need a run of the balance, from the hour of the issue on.

    offset_h  how far into that hour the issue is

    As on paper: rain times roof times coefficient. Mean rain is a drizzle that never ends, and
    wetting and first flush, hour by hour, would leave nothing of it.
    """
    plan = ahead.plan._replace(
        wetting_loss_mm=np.zeros_like(ahead.plan.wetting_loss_mm),
        flush_volume_l=np.zeros_like(ahead.plan.flush_volume_l),
    )
    trace = run(plan, _of_means(ahead.drivers), State(*(_twice(values.mean(axis=-1)) for values in ahead.state)))
    runs_out_h = trace.runs_out_h[plan.feeds].min(axis=0)
    overflows_h = trace.overflows_h[plan.ends].min(axis=0)
    at_leads = trace.volume_l[np.array(LEADS_D) * 24 - 1]
    return [
        Reference(
            way,
            _by_tank(site, at_leads[:, :, place]),
            _days(runs_out_h[place] - offset_h),
            _days(overflows_h[place] - offset_h),
        )
        for place, way in enumerate(_RUN)
    ]


def _of_means(drivers: Drivers) -> Drivers:
    """Two members with the ensemble's mean of everything; the second without rain."""
    rain_mm = _twice(drivers.rain_mm.mean(axis=1))
    rain_mm[:, _RUN.index(NO_RAIN)] = 0.0
    return drivers._replace(
        rain_mm=rain_mm,
        sun_wh=_twice(drivers.sun_wh.mean(axis=1)),
        coefficient=_twice(drivers.coefficient.mean(axis=1)),
        leak_l_h=_twice(drivers.leak_l_h.mean(axis=1)),
        draw_factor=_twice(drivers.draw_factor.mean(axis=2)),
        capacity_l=np.zeros((0, 0)),
        flush_volume_l=np.zeros((0, 0)),
    )


def _twice(values: Floats) -> Floats:
    """The same for both members. (...) → (..., 2)"""
    return np.repeat(np.asarray(values)[..., None], len(_RUN), axis=-1)


def _by_tank(site: Site, volume_l: Floats) -> dict[str, list[float]]:
    """Volumes of the storages at the leads, as those of the tanks. (L, T) [L]"""
    found = {}
    for index, storage in enumerate(storages_of(site)):
        levels_m = storage.geometry.level_m(volume_l[:, index])
        for place in storage.tanks:
            tank = site.tank[place]
            own = volume_l[:, index] if len(storage.tanks) == 1 else geometry_of(tank).volume_l(levels_m)
            found[tank.id] = np.round(own, 1).tolist()
    return found


def _days(passage_h: float) -> float | None:
    days = max(0.0, passage_h) / 24
    return round(float(days), 2) if days <= HORIZON_D else None
