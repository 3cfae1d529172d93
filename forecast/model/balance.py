"""The water balance, hour by hour, for all members of an ensemble at once.

One kernel, written once. Members are the innermost index, so the machine works on several at
a time. numba compiles it; with NUMBA_DISABLE_JIT=1 the same text runs as plain Python.

Each hour, for each tank in the order the water passes them (volumes in litre, Δt = 1 h):

    a = V + inflow + what the tank above spilled
    u = min(D, max(0, a − floor))        for each draw in turn; a pumped one needs charge
    V = a − Σu − leak, and what exceeds the capacity runs over

This is the yield-before-spillage rule of Jenkins et al. 1978 (see Fewkes 1999); with
`spill_first` the overflow leaves before anybody draws: yield after spillage, the pessimistic bound.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from forecast.model.plan import NOWHERE, Floats, Integers, Plan
from forecast.model.wetness import first_flush, through_gutter, wet_roof

#: Columns of the ledger, all in litre an hour; `spilled_l` is what leaves the site.
LEDGER: Final = ("gutter_loss_l", "first_flush_l", "inflow_l", "drawn_l", "spilled_l", "leak_l")
#: A tank counts as empty within this much of dead storage. [L]
_EMPTY_L: Final = 1e-9


class Drivers(NamedTuple):
    """What happens to the site. H hours, M members, R roofs, T tanks, D draws, N days.

    rain_mm      [H, M]    drying_mm    [H]       sun_wh  panel energy [H, M]
    coefficient  [R, M]    leak_l_h     [T, M]
    demand_l     [H, D]    wanted in the mean
    draw_day     [H]       which day of `draw_factor` an hour belongs to
    draw_factor  [N, D, M] how much more or less than the mean is wanted
    """

    rain_mm: Floats
    drying_mm: Floats
    sun_wh: Floats
    coefficient: Floats
    leak_l_h: Floats
    demand_l: Floats
    draw_day: Integers
    draw_factor: Floats


class State(NamedTuple):
    """Everything the next hour depends on; `advance` changes it in place.

    wet_mm, flush_l, dry_h [R, M]; volume_l [T, M]; charge_wh [M]
    """

    wet_mm: Floats
    flush_l: Floats
    dry_h: Floats
    volume_l: Floats
    charge_wh: Floats


class Trace(NamedTuple):
    """What came of it; passages in hours from the first, infinite where nothing happened.

    volume_l [H, T, M], charge_wh [H, M]     at the end of each hour
    runs_out_h, overflows_h [T, M], cutoff_h [M]
    spill_l, spill_peak_l_h [T, M]           over the brim, in all and in the worst hour
    ledger [6, H, M], or [0, 0, 0] where nobody asked; columns as in LEDGER
    """

    volume_l: Floats
    charge_wh: Floats
    runs_out_h: Floats
    overflows_h: Floats
    cutoff_h: Floats
    spill_l: Floats
    spill_peak_l_h: Floats
    ledger: Floats


def blank_state(
    plan: Plan, members: int, *, volume_l: npt.ArrayLike = 0.0, charge_wh: npt.ArrayLike | None = None
) -> State:
    """Dry roofs, empty first-flush chambers, tanks and battery as given (broadcast to [T, M] and [M]).

    Without `charge_wh` the battery is full; where there is none it never runs down.
    """
    roofs, tanks = len(plan.roof_area_m2), len(plan.dead_l)
    return State(
        wet_mm=np.zeros((roofs, members)),
        flush_l=np.zeros((roofs, members)),
        dry_h=np.zeros((roofs, members)),
        volume_l=np.broadcast_to(np.asarray(volume_l, dtype=np.float64), (tanks, members)).copy(),
        charge_wh=np.broadcast_to(
            np.asarray(plan.battery_wh if charge_wh is None else charge_wh, dtype=np.float64), (members,)
        ).copy(),
    )


def run(plan: Plan, drivers: Drivers, state: State, *, ledger: bool = False, spill_first: bool = False) -> Trace:
    """Run the balance over all hours of the drivers. `state` becomes the state at their end."""
    hours, members = drivers.rain_mm.shape
    tanks = len(plan.dead_l)
    trace = Trace(
        volume_l=np.empty((hours, tanks, members)),
        charge_wh=np.empty((hours, members)),
        runs_out_h=np.full((tanks, members), np.inf),
        overflows_h=np.full((tanks, members), np.inf),
        cutoff_h=np.full(members, np.inf),
        spill_l=np.zeros((tanks, members)),
        spill_peak_l_h=np.zeros((tanks, members)),
        ledger=np.zeros((len(LEDGER), hours, members)) if ledger else np.zeros((0, 0, 0)),
    )
    advance(plan, drivers, state, trace, spill_first)
    return trace


@njit(cache=True)
def advance(plan: Plan, drivers: Drivers, state: State, trace: Trace, spill_first: bool) -> None:
    """The kernel. Shapes and units as in Plan, Drivers, State and Trace."""
    hours, members = drivers.rain_mm.shape
    inflow_l = np.empty((len(plan.dead_l), members))
    before_l = np.empty(members)
    wanted_l = np.empty(members)
    pumped_l = np.empty(members)
    for h in range(hours):
        inflow_l[:] = 0.0
        pumped_l[:] = 0.0
        _roofs(plan, drivers, state, trace, inflow_l, h)
        for t in range(len(plan.dead_l)):
            before_l[:] = state.volume_l[t]
            state.volume_l[t] += inflow_l[t]
            if spill_first:
                _spill(plan, state, trace, inflow_l, before_l, h, t)
            _draws(plan, drivers, state, trace, wanted_l, pumped_l, h, t)
            if not spill_first:
                _spill(plan, state, trace, inflow_l, before_l, h, t)
            _note(plan, state, trace, inflow_l, before_l, wanted_l, h, t)
        _battery(plan, drivers, state, trace, pumped_l, h)


@njit(cache=True)
def _roofs(plan: Plan, drivers: Drivers, state: State, trace: Trace, inflow_l: Floats, h: int) -> None:
    """From rain to what reaches the tanks: wetting, coefficient, gutter, first flush."""
    for r in range(len(plan.roof_tank)):
        tank = plan.roof_tank[r]
        for m in range(inflow_l.shape[1]):
            runoff_mm, state.wet_mm[r, m] = wet_roof(
                drivers.rain_mm[h, m], state.wet_mm[r, m], plan.wetting_loss_mm[r], drivers.drying_mm[h]
            )
            caught_l = runoff_mm * plan.roof_area_m2[r] * drivers.coefficient[r, m]
            passed_l, lost_l = through_gutter(caught_l, plan.gutter_l_h[r])
            taken_l, state.flush_l[r, m], state.dry_h[r, m] = first_flush(
                passed_l,
                state.flush_l[r, m],
                state.dry_h[r, m],
                plan.flush_volume_l[r],
                plan.flush_drip_l_h[r],
                plan.flush_dry_h[r],
            )
            inflow_l[tank, m] += passed_l - taken_l
            if len(trace.ledger) > 0:
                trace.ledger[0, h, m] += lost_l
                trace.ledger[1, h, m] += taken_l
                trace.ledger[2, h, m] += passed_l - taken_l


@njit(cache=True)
def _draws(
    plan: Plan,
    drivers: Drivers,
    state: State,
    trace: Trace,
    wanted_l: Floats,
    pumped_l: Floats,
    h: int,
    t: int,
) -> None:
    """Serve the draws of a tank in turn, then its leak.

    `wanted_l` becomes what would leave an endless tank: it tells when within the hour this one runs out.
    """
    members = len(wanted_l)
    wanted_l[:] = 0.0
    for d in range(len(plan.draw_tank)):
        if plan.draw_tank[d] != t:
            continue
        floor_l = plan.draw_floor_l[d]
        for m in range(members):
            want_l = drivers.demand_l[h, d] * drivers.draw_factor[drivers.draw_day[h], d, m]
            if plan.draw_pumped[d] == 1:
                able_l = plan.pump_l_h - pumped_l[m] if state.charge_wh[m] > plan.cutoff_wh else 0.0
                want_l = min(want_l, able_l)
            used_l = min(want_l, max(0.0, state.volume_l[t, m] - floor_l))
            state.volume_l[t, m] -= used_l
            # A draw with a reserve stops above dead storage: it can't run the tank out.
            wanted_l[m] += used_l if floor_l > plan.dead_l[t] else want_l
            if plan.draw_pumped[d] == 1:
                pumped_l[m] += used_l
            if len(trace.ledger) > 0:
                trace.ledger[3, h, m] += used_l
    for m in range(members):
        leaked_l = min(drivers.leak_l_h[t, m], state.volume_l[t, m])
        state.volume_l[t, m] -= leaked_l
        wanted_l[m] += drivers.leak_l_h[t, m]
        if len(trace.ledger) > 0:
            trace.ledger[5, h, m] += leaked_l


@njit(cache=True)
def _spill(plan: Plan, state: State, trace: Trace, inflow_l: Floats, before_l: Floats, h: int, t: int) -> None:
    """What exceeds the brim goes to the next tank or leaves the site; note the first litre."""
    following = plan.tank_next[t]
    for m in range(len(before_l)):
        spill_l = state.volume_l[t, m] - plan.capacity_l[t]
        if spill_l <= 0.0:
            continue
        if trace.overflows_h[t, m] == np.inf:
            room_l = max(0.0, plan.capacity_l[t] - before_l[m])
            trace.overflows_h[t, m] = h + room_l / (room_l + spill_l)
        state.volume_l[t, m] = plan.capacity_l[t]
        trace.spill_l[t, m] += spill_l
        trace.spill_peak_l_h[t, m] = max(trace.spill_peak_l_h[t, m], spill_l)
        if following != NOWHERE:
            inflow_l[following, m] += spill_l
        elif len(trace.ledger) > 0:
            trace.ledger[4, h, m] += spill_l


@njit(cache=True)
def _note(
    plan: Plan,
    state: State,
    trace: Trace,
    inflow_l: Floats,
    before_l: Floats,
    wanted_l: Floats,
    h: int,
    t: int,
) -> None:
    """Note the volume, and the moment within the hour at which the tank reached dead storage."""
    for m in range(len(before_l)):
        trace.volume_l[h, t, m] = state.volume_l[t, m]
        if state.volume_l[t, m] > plan.dead_l[t] + _EMPTY_L or trace.runs_out_h[t, m] < np.inf:
            continue
        above_l = before_l[m] - plan.dead_l[t]
        fall_l = wanted_l[m] - inflow_l[t, m]
        trace.runs_out_h[t, m] = h + (min(1.0, above_l / fall_l) if above_l > 0.0 and fall_l > 0.0 else 0.0)


@njit(cache=True)
def _battery(plan: Plan, drivers: Drivers, state: State, trace: Trace, pumped_l: Floats, h: int) -> None:
    """Charge by the panel, less the standing load and the pump; note the moment of the cut-off."""
    for m in range(len(pumped_l)):
        charge_wh = state.charge_wh[m]
        used_wh = plan.standing_w + plan.pump_w * pumped_l[m] / plan.pump_l_h
        change_wh = plan.charge_efficiency * drivers.sun_wh[h, m] - used_wh
        state.charge_wh[m] = max(0.0, min(plan.battery_wh, charge_wh + change_wh))
        trace.charge_wh[h, m] = state.charge_wh[m]
        if state.charge_wh[m] > plan.cutoff_wh or trace.cutoff_h[m] < np.inf:
            continue
        spare_wh = charge_wh - plan.cutoff_wh
        trace.cutoff_h[m] = h + (spare_wh / -change_wh if spare_wh > 0.0 and change_wh < 0.0 else 0.0)
