"""Where the water really went, hour by hour: from meters where there are any, else from the level.

For each storage, in the order the water passes them:

    below the brim   inflow = ΔV + use + loss + evaporation − backup − what the storage above ran over
    at the brim      the level tells nothing; inflow is what the roofs as found bring (or their meter counts),
                     and what ran over is what is left of the balance over the whole spell

so volumes telescope: a level's noise enters a sum twice, however many hours there are.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.account.brim import Over, ran_over
from forecast.account.inspection import Inspection, RoofsFound
from forecast.account.measured import Measured
from forecast.account.tanks import SURE, TankFound
from forecast.model.plan import NOWHERE
from ingest.site import Site

Floats = npt.NDArray[np.float64]
Truths = npt.NDArray[np.bool_]


class Actual(NamedTuple):
    """The site's balance as measured, by the hour. (H,) each [L]

    told         hours in which all of it is known
    drawn        hours in which the draws are known
    inflow_l     from roofs (and the open sky) into tanks
    yield_l      rain water that was drawn: what was drawn less what a backup poured in
    spilled_l    off the site
    lost_l       leaks, and what meters did not count
    stored_l     change of what stands in the tanks
    closure_l    inflow less all of these: how far meters and levels disagree; None: no tank's inflow has meters
    undrawn_l    wanted by the design while there was water, and not drawn
    at_brim_l    inflow while a tank ran over: no level tells it; at_brim_l2: variance of what ran over, spell by spell
    """

    told: Truths
    drawn: Truths
    inflow_l: Floats
    yield_l: Floats
    spilled_l: Floats
    lost_l: Floats
    evaporated_l: Floats
    stored_l: Floats
    closure_l: Floats | None
    undrawn_l: Floats
    at_brim_l: Floats
    at_brim_l2: Floats


class _Tank(NamedTuple):
    inflow_l: Floats
    over: Over
    closure_l: Floats | None
    told: Truths


def actual(site: Site, measured: Measured, inspection: Inspection, wanted_l: Floats) -> Actual:
    """The balance as measured. wanted_l: of each draw by the design (H, D)"""
    plan, hours = inspection.plan, measured.hours
    over_to: dict[int, Floats] = {}
    parts, poured_l = [], np.zeros(hours)
    spilled_l, undrawn_l = np.zeros(hours), np.zeros(hours)
    for index, tank in enumerate(inspection.tanks):
        backup_l = np.zeros(hours)
        if index == plan.backup_tank and measured.backup_l is not None:
            backup_l = np.nan_to_num(measured.backup_l)
            poured_l += backup_l
        open_l = np.nan_to_num(measured.rain_mm) * plan.open_m2[index]
        part = _tank(inspection, measured, tank, over_to.get(index), backup_l, open_l)
        following = int(plan.tank_next[index])
        if following == NOWHERE:
            spilled_l += part.over.over_l
        else:
            over_to[following] = over_to.get(following, np.zeros(hours)) + part.over.over_l
        held_l, enough = wanted_while_held(site, inspection, tank, wanted_l)
        undrawn_l += np.where(enough & ~np.isnan(tank.use_l), held_l - np.nan_to_num(tank.use_l), 0.0)
        parts.append(part)
    tanks = inspection.tanks
    closures = [part.closure_l for part in parts if part.closure_l is not None]
    drawn = ~np.any([np.isnan(tank.use_l) for tank in tanks], axis=0)
    yield_l = np.sum([np.nan_to_num(tank.use_l) for tank in tanks], axis=0) - poured_l
    return Actual(
        told=drawn & np.all([part.told for part in parts], axis=0),
        drawn=drawn,
        inflow_l=np.sum([part.inflow_l for part in parts], axis=0),
        yield_l=yield_l,
        spilled_l=spilled_l,
        lost_l=np.sum([tank.loss_l for tank in tanks], axis=0),
        evaporated_l=np.sum([tank.evaporated_l for tank in tanks], axis=0),
        stored_l=np.sum([np.diff(tank.volume_l) for tank in tanks], axis=0),
        closure_l=np.sum(closures, axis=0) if closures else None,
        undrawn_l=undrawn_l,
        at_brim_l=np.sum([part.over.came_l for part in parts], axis=0),
        at_brim_l2=np.sum([part.over.variance_l2 for part in parts], axis=0),
    )


def _tank(
    inspection: Inspection,
    measured: Measured,
    tank: TankFound,
    above_l: Floats | None,
    backup_l: Floats,
    open_l: Floats,
) -> _Tank:
    hours = measured.hours
    roofs = [found for found in inspection.roofs if found.catchment.tank in tank.ids]
    metered = all(found.catchment.metered for found in roofs)
    came_l = open_l + _came(inspection, measured, tank)
    from_above_l = np.zeros(hours) if above_l is None else above_l
    # What the storage needs to have taken in from its roofs, so that its volumes come out right.
    needed_l = np.diff(tank.volume_l) + tank.use_l + tank.loss_l + tank.evaporated_l - backup_l - from_above_l
    told = ~np.isnan(needed_l) & ~np.isnan(measured.rain_mm) & ~np.isnan(came_l)
    over = ran_over(
        tank, came_l + from_above_l, needed_l + from_above_l, tank.brim, told, _spell_share(roofs), metered=metered
    )
    inflow_l = came_l if metered else needed_l + over.over_l
    inflow_l, needed_l = (np.where(told, column, 0.0) for column in (inflow_l, needed_l))
    # Without a meter the inflow is what the balance needs: it closes by itself, and that says nothing.
    closure_l = inflow_l - needed_l - over.over_l if metered else None
    return _Tank(inflow_l, over, closure_l, told)


def _spell_share(roofs: list[RoofsFound]) -> float:
    """What is not known of a single spell without a meter, as a share."""
    return max((found.found.scatter for found in roofs if not found.catchment.metered), default=0.0)


def _came(inspection: Inspection, measured: Measured, tank: TankFound) -> Floats:
    """What the roofs of a tank brought: by their meters, else as they were found. (H,)"""
    out = np.zeros(measured.hours)
    for found in inspection.roofs:
        if found.catchment.tank in tank.ids:
            out += found.came_l
    return out


def wanted_while_held(site: Site, inspection: Inspection, tank: TankFound, wanted_l: Floats) -> tuple[Floats, Truths]:
    """What the design wants of a storage while it surely holds enough, and the hours in which it does. (H,), (H,)"""
    before_l = tank.volume_l[:-1]
    wanted, enough = np.zeros(len(before_l)), np.zeros(len(before_l), dtype=bool)
    for place, draw in enumerate(site.draw):
        if draw.tank in tank.ids:
            floor_l = inspection.plan.draw_floor_l[place] + SURE * tank.noise_l
            with np.errstate(invalid="ignore"):
                held = before_l > floor_l + wanted_l[:, place]
            wanted += np.where(held, wanted_l[:, place], 0.0)
            enough |= held
    return wanted, enough
