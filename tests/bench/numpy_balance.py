"""The balance as NumPy would have it: all sites and members at once, an array operation a term.

A rival for the kernel, for sites of one build: every roof, one tank, draws in turn, a pump and a
battery. It is held against the kernel before it is timed.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from forecast.model.balance import Drivers, State
from forecast.model.plan import Plan

Floats = npt.NDArray[np.float64]


def run_batched(plan: Plan, drivers: Drivers, state: State, sites: int) -> tuple[Floats, Floats, Floats]:
    """Volume and charge by hour, and hours to running out, of `sites` copies side by side.

    Returns (H, S, M), (H, S, M) and (S, M).
    """
    hours, members = drivers.rain_mm.shape
    shape = (sites, members)
    roofs = range(len(plan.roof_tank))
    wet = [np.broadcast_to(state.wet_mm[r], shape).copy() for r in roofs]
    held = [np.broadcast_to(state.flush_l[r], shape).copy() for r in roofs]
    dry = [np.broadcast_to(state.dry_h[r], shape).copy() for r in roofs]
    volume = np.broadcast_to(state.volume_l[0], shape).copy()
    charge = np.broadcast_to(state.charge_wh, shape).copy()
    rain = np.broadcast_to(drivers.rain_mm[:, None], (hours, *shape)).copy()
    sun = np.broadcast_to(drivers.sun_wh[:, None], (hours, *shape)).copy()
    factor = np.broadcast_to(drivers.draw_factor[:, :, None], (*drivers.draw_factor.shape[:2], *shape)).copy()
    volumes, charges = np.empty((hours, *shape)), np.empty((hours, *shape))
    runs_out, overflows, cutoff = (np.full(shape, np.inf) for _ in range(3))
    spilled, peak = np.zeros(shape), np.zeros(shape)
    dead, capacity = plan.dead_l[0], plan.capacity_l[0]
    for h in range(hours):
        inflow = np.zeros(shape)
        for r in roofs:
            kept = wet[r] + rain[h]
            runoff = np.maximum(0.0, kept - plan.wetting_loss_mm[r])
            wet[r] = np.maximum(0.0, kept - runoff - drivers.drying_mm[h])
            flow = np.minimum(runoff * plan.roof_area_m2[r] * drivers.coefficient[r], plan.gutter_l_h[r])
            dry[r] = np.where(flow > 0.0, 0.0, dry[r] + 1.0)
            held[r] = np.where(dry[r] >= plan.flush_dry_h[r], 0.0, held[r])
            taken = np.minimum(flow, np.maximum(0.0, plan.flush_volume_l[r] - held[r]))
            held[r] = np.maximum(0.0, held[r] + taken - plan.flush_drip_l_h[r])
            inflow += flow - taken
        before = volume
        volume = volume + inflow
        fall = -inflow
        wanted, pumped = np.zeros(shape), np.zeros(shape)
        for d in range(len(plan.draw_tank)):
            demand, floor = drivers.demand_l[h, d], plan.draw_floor_l[d]
            if demand == 0.0:
                continue
            flow = demand * factor[drivers.draw_day[h], d]
            water = np.maximum(0.0, volume - floor)
            if plan.draw_pumped[d]:
                flow = np.minimum(flow, plan.pump_l_h - wanted)
                wanted += np.minimum(flow, water)
                spare = charge - plan.cutoff_wh + plan.charge_efficiency * sun[h] - plan.standing_w
                able = np.minimum(plan.pump_l_h, spare / plan.pump_w * plan.pump_l_h) - pumped
                flow = np.minimum(flow, np.maximum(0.0, able))
                pumped += np.minimum(flow, water)
            used = np.minimum(flow, water)
            volume = volume - used
            fall = fall + (used if floor > dead else flow)
        volume = np.maximum(0.0, volume - drivers.leak_l_h[0])
        fall = fall + drivers.leak_l_h[0]
        over = np.maximum(0.0, volume - capacity)
        volume = np.minimum(volume, capacity)
        spilled += over
        peak = np.maximum(peak, over)
        room = np.maximum(0.0, capacity - before)
        first = np.where(over > 0.0, h + room / np.maximum(room + over, 1e-300), np.inf)
        overflows = np.minimum(overflows, first)
        share = np.minimum(1.0, np.maximum(0.0, before - dead) / np.maximum(fall, 1e-300))
        runs_out = np.minimum(runs_out, np.where(volume <= dead + 1e-9, h + share, np.inf))
        gain = plan.charge_efficiency * sun[h] - plan.standing_w
        need = wanted * plan.pump_w / plan.pump_l_h - gain
        share = np.minimum(1.0, np.maximum(0.0, charge - plan.cutoff_wh) / np.maximum(need, 1e-300))
        charge = np.clip(charge + gain - pumped * plan.pump_w / plan.pump_l_h, 0.0, plan.battery_wh)
        cutoff = np.minimum(cutoff, np.where(charge <= plan.cutoff_wh + 1e-9, h + share, np.inf))
        volumes[h], charges[h] = volume, charge
    return volumes, charges, runs_out
