"""The water balance, hour by hour, for all members of an ensemble at once.

One kernel, written once. Members are the innermost index, so the machine works on several at
a time. numba compiles it; with NUMBA_DISABLE_JIT=1 the same text runs as plain Python.

Each hour, for each tank in the order the water passes them (volumes in litre, Δt = 1 h):

    a = V + inflow + what the tank above spilled + what a backup pours in by itself
    u = min(D, max(0, a − floor))        for each draw in turn; a pumped one needs charge
    V = a − Σu − leak − evaporation, and what exceeds the capacity runs over

A passage within an hour is where its straight line crosses the mark: h + (V₋ − mark)/fall [h]. The
battery gains η·E_sun − standing load − P·Q/Q_pump in an hour [Wh], between zero and full; a pump takes no
more litres than the charge above cut-off can lift (energy balance; common practice, no source).

The tank's is the yield-before-spillage rule of Jenkins et al. 1978 (see Fewkes 1999); with
`spill_first` the overflow leaves before anybody draws: yield after spillage, the pessimistic bound.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.model.compiled import compiled
from forecast.model.plan import NOWHERE, Floats, Integers, Plan
from forecast.model.sun import EVAPORATION_TO_DRYING
from forecast.model.wetness import first_flush, through_gutter, valve, wet_roof

#: Columns of the ledger, all in litre an hour; `spilled_l` is what leaves the site.
LEDGER: Final = (
    "gutter_loss_l", "first_flush_l", "inflow_l", "drawn_l", "spilled_l", "leak_l", "evaporated_l", "backup_l",
)  # fmt: skip
GUTTER_LOSS, FIRST_FLUSH, INFLOW, DRAWN, SPILLED, LEAK, EVAPORATED, BACKUP = range(len(LEDGER))
#: A tank counts as empty within this much of dead storage. [L]
_EMPTY_L: Final = 1e-9
#: A battery counts as cut off within this much of it. [Wh]
_EMPTY_WH: Final = 1e-9
#: In place of a zero to divide by.
_TINY: Final = 1e-300


class Drivers(NamedTuple):
    """What happens to the site. H hours, M members, R roofs, T tanks, D draws, N days.

    rain_mm      [H, M]    drying_mm    [H]       sun_wh  panel energy [H, M]
    coefficient  [R, M]    leak_l_h     [T, M]
    demand_l     [H, D]    wanted in the mean
    draw_day     [H]       which day of `draw_factor` an hour belongs to
    draw_factor  [N, D, M] how much more or less than the mean is wanted
    emptied      [H, R]    1 where the first-flush chamber was emptied by hand; or [0, 0]: none was
    capacity_l, flush_volume_l  [T, M], [R, M]   members that differ in size; or [0, 0]: as the plan has them
    """

    rain_mm: Floats
    drying_mm: Floats
    sun_wh: Floats
    coefficient: Floats
    leak_l_h: Floats
    demand_l: Floats
    draw_day: Integers
    draw_factor: Floats
    emptied: Floats = np.zeros((0, 0))
    capacity_l: Floats = np.zeros((0, 0))
    flush_volume_l: Floats = np.zeros((0, 0))


class State(NamedTuple):
    """Everything the next hour depends on; `advance` changes it in place.

    wet_mm, flush_l, dry_h [R, M]; volume_l [T, M]; charge_wh [M]
    dry_h  counted where a chamber empties itself by a valve
    backup_open [M]  1 where a backup that works by itself is open
    """

    wet_mm: Floats
    flush_l: Floats
    dry_h: Floats
    volume_l: Floats
    charge_wh: Floats
    backup_open: Floats


class Trace(NamedTuple):
    """What came of it; passages in hours from the first, infinite where nothing happened.

    volume_l [H, T, M], charge_wh [H, M]     at the end of each hour; or empty where nobody asked, or no battery is
    runs_out_h [T, M]   to dead storage, or to where a backup opens by itself: the rain water is used up
    overflows_h [T, M], cutoff_h [M]
    spill_l, spill_peak_l_h [T, M]           over the brim, in all and in the worst hour
    ledger [8, H, M], or [0, 0, 0] where nobody asked; columns as in LEDGER
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
    state = State(
        wet_mm=np.zeros((roofs, members)),
        flush_l=np.zeros((roofs, members)),
        dry_h=np.zeros((roofs, members)),
        volume_l=np.empty((tanks, members)),
        charge_wh=np.empty(members),
        backup_open=np.zeros(members),
    )
    state.volume_l[:] = volume_l
    state.charge_wh[:] = plan.battery_wh if charge_wh is None else charge_wh
    return state


def run(
    plan: Plan, drivers: Drivers, state: State, *, ledger: bool = False, spill_first: bool = False, hourly: bool = True
) -> Trace:
    """Run the balance over all hours of the drivers. `state` becomes the state at their end.

    hourly  keep volume and charge of each hour
    """
    hours, members = drivers.rain_mm.shape
    tanks = len(plan.dead_l)
    never_h = np.full((2 * tanks + 1, members), np.inf)
    trace = Trace(
        volume_l=np.empty((hours if hourly else 0, tanks, members)),
        charge_wh=np.empty((hours if hourly and plan.battery_wh < np.inf else 0, members)),
        runs_out_h=never_h[:tanks],
        overflows_h=never_h[tanks:-1],
        cutoff_h=never_h[-1],
        spill_l=np.zeros((tanks, members)),
        spill_peak_l_h=np.zeros((tanks, members)),
        ledger=np.zeros((len(LEDGER), hours, members)) if ledger else np.zeros((0, 0, 0)),
    )
    advance(plan, drivers, state, trace, spill_first)
    return trace


@compiled
def advance(plan: Plan, drivers: Drivers, state: State, trace: Trace, spill_first: bool) -> None:  # noqa: C901, PLR0912, PLR0915
    """The kernel. Shapes and units as in Plan, Drivers, State and Trace.

    One function, to be read from top to bottom: an hour, its roofs, its tanks, its battery. Each
    inner loop runs over the members, touches few arrays and has no branch, so the compiler takes
    several members at a time; a view of a row or a call would cost more than the row's arithmetic.
    What can change nothing in an hour is passed over: a valve that is not there, a loss of nothing, a
    brim or an outlet that no member reaches for the first time, a battery that never runs down.
    """
    rain_mm, sun_wh, factor, leak_l_h = drivers.rain_mm, drivers.sun_wh, drivers.draw_factor, drivers.leak_l_h
    coefficient, wet_mm, held_l, dry_h = drivers.coefficient, state.wet_mm, state.flush_l, state.dry_h
    volume_l, charge_wh, backup_open = state.volume_l, state.charge_wh, state.backup_open
    runs_out_h, overflows_h, cutoff_h = trace.runs_out_h, trace.overflows_h, trace.cutoff_h
    spilled_l, peak_l, ledger = trace.spill_l, trace.spill_peak_l_h, trace.ledger
    roofs, tanks, draws, members = len(plan.roof_tank), len(plan.dead_l), len(plan.draw_tank), rain_mm.shape[1]
    keep, hourly, emptied = len(ledger) > 0, len(trace.volume_l) > 0, len(drivers.emptied) > 0
    traced_l = trace.volume_l if hourly else np.empty((1, tanks, members))
    traced_wh = trace.charge_wh if hourly else np.empty((1, members))
    pump_l_wh, pump_wh_l = plan.pump_l_h / max(plan.pump_w, _TINY), plan.pump_w / plan.pump_l_h
    cutoff_wh, efficiency, standing_wh = plan.cutoff_wh, plan.charge_efficiency, plan.standing_w
    pumps, leaks = False, False
    inflow_l = np.zeros((tanks, members))
    flow_l, before_l, fall_l = np.empty(members), np.empty(members), np.empty(members)
    pumped_l, wanted_l, over_l = np.zeros(members), np.zeros(members), np.zeros(members)
    flush_l, capacity_l = np.empty((roofs, members)), np.empty((tanks, members))
    for m in range(members):
        for r in range(roofs):
            flush_l[r, m] = drivers.flush_volume_l[r, m] if len(drivers.flush_volume_l) > 0 else plan.flush_volume_l[r]
        for t in range(tanks):
            capacity_l[t, m] = drivers.capacity_l[t, m] if len(drivers.capacity_l) > 0 else plan.capacity_l[t]
            leaks = leaks or leak_l_h[t, m] > 0.0

    for h in range(rain_mm.shape[0]):
        row = h if hourly else 0
        if pumps:
            pumps = False
            for m in range(members):
                pumped_l[m] = 0.0
                wanted_l[m] = 0.0

        for r in range(roofs):
            tank, area_m2, gutter_l = plan.roof_tank[r], plan.roof_area_m2[r], plan.gutter_l_h[r]
            hold_mm, drying_mm = plan.wetting_loss_mm[r], drivers.drying_mm[h]
            drip_l, empties_h = plan.flush_drip_l_h[r], plan.flush_dry_h[r]
            if emptied and drivers.emptied[h, r] > 0.0:
                for m in range(members):
                    held_l[r, m] = 0.0
            for m in range(members):
                runoff_mm, wet_mm[r, m] = wet_roof(rain_mm[h, m], wet_mm[r, m], hold_mm, drying_mm)
                caught_l = runoff_mm * area_m2 * coefficient[r, m]
                passed_l = through_gutter(caught_l, gutter_l)
                taken_l, held_l[r, m] = first_flush(passed_l, held_l[r, m], flush_l[r, m], drip_l)
                inflow_l[tank, m] += passed_l - taken_l
                fall_l[m], flow_l[m], before_l[m] = caught_l, passed_l, taken_l
            if empties_h < np.inf:
                for m in range(members):
                    dry_h[r, m], held_l[r, m] = valve(flow_l[m], dry_h[r, m], held_l[r, m], empties_h)
            if keep:
                for m in range(members):
                    ledger[GUTTER_LOSS, h, m] += fall_l[m] - flow_l[m]
                    ledger[FIRST_FLUSH, h, m] += before_l[m]
                    ledger[INFLOW, h, m] += flow_l[m] - before_l[m]

        for t in range(tanks):
            dead_l, following = plan.dead_l[t], plan.tank_next[t]
            open_m2, used_up_l = plan.open_m2[t], plan.used_up_l[t]
            evaporation_l = EVAPORATION_TO_DRYING * drivers.drying_mm[h] * open_m2
            if open_m2 > 0.0:
                for m in range(members):
                    inflow_l[t, m] += rain_mm[h, m] * open_m2
                if keep:
                    for m in range(members):
                        ledger[INFLOW, h, m] += rain_mm[h, m] * open_m2
            for m in range(members):
                before_l[m] = volume_l[t, m]
                volume_l[t, m] += inflow_l[t, m]
                fall_l[m] = -inflow_l[t, m]
                inflow_l[t, m] = 0.0
            if plan.backup_tank == t:
                for m in range(members):
                    shut = 0.0 if before_l[m] >= plan.backup_above_l else backup_open[m]
                    backup_open[m] = 1.0 if before_l[m] < plan.backup_below_l else shut
                    flow_l[m] = backup_open[m] * max(0.0, min(plan.backup_l_h, plan.backup_above_l - before_l[m]))
                    volume_l[t, m] += flow_l[m]
                    fall_l[m] -= flow_l[m]
                if keep:
                    for m in range(members):
                        ledger[BACKUP, h, m] += flow_l[m]
            if spill_first:  # what stands above the brim is out of reach of the draws
                for m in range(members):
                    over_l[m] = max(0.0, volume_l[t, m] - capacity_l[t, m])
                    volume_l[t, m] = min(volume_l[t, m], capacity_l[t, m])

            for d in range(draws):
                demand_l, floor_l, day = drivers.demand_l[h, d], plan.draw_floor_l[d], drivers.draw_day[h]
                if plan.draw_tank[d] != t or demand_l == 0.0:
                    continue
                if plan.draw_pumped[d] == 1:
                    pumps = True
                    for m in range(members):
                        flow_l[m] = min(demand_l * factor[day, d, m], plan.pump_l_h - wanted_l[m])
                        wanted_l[m] += min(flow_l[m], max(0.0, volume_l[t, m] - floor_l))
                    for m in range(members):
                        spare_wh = charge_wh[m] - cutoff_wh + efficiency * sun_wh[h, m] - standing_wh
                        able_l = max(0.0, min(plan.pump_l_h, spare_wh * pump_l_wh) - pumped_l[m])
                        flow_l[m] = min(flow_l[m], able_l)
                    for m in range(members):
                        pumped_l[m] += min(flow_l[m], max(0.0, volume_l[t, m] - floor_l))
                else:
                    for m in range(members):
                        flow_l[m] = demand_l * factor[day, d, m]
                if keep:
                    for m in range(members):
                        ledger[DRAWN, h, m] += min(flow_l[m], max(0.0, volume_l[t, m] - floor_l))
                # A draw with a reserve stops above dead storage: what it lacks does not run the tank out.
                reserved = 1.0 if floor_l > dead_l else 0.0
                for m in range(members):
                    used_l = min(flow_l[m], max(0.0, volume_l[t, m] - floor_l))
                    volume_l[t, m] -= used_l
                    fall_l[m] += flow_l[m] - reserved * (flow_l[m] - used_l)
            if leaks or evaporation_l > 0.0:
                if keep:
                    for m in range(members):
                        leaked_l = min(leak_l_h[t, m], volume_l[t, m])
                        ledger[LEAK, h, m] += leaked_l
                        ledger[EVAPORATED, h, m] += min(evaporation_l, volume_l[t, m] - leaked_l)
                for m in range(members):
                    lost_l = leak_l_h[t, m] + evaporation_l
                    volume_l[t, m] = max(0.0, volume_l[t, m] - lost_l)
                    fall_l[m] += lost_l

            full = 1 if spill_first else 0
            for m in range(members):
                full += 1 if volume_l[t, m] > capacity_l[t, m] else 0
            if full > 0:
                passing = 0
                for m in range(members):
                    flow_l[m] = over_l[m] + max(0.0, volume_l[t, m] - capacity_l[t, m])
                    passing += 1 if flow_l[m] > 0.0 and overflows_h[t, m] == np.inf else 0
                    volume_l[t, m] = min(volume_l[t, m], capacity_l[t, m])
                    spilled_l[t, m] += flow_l[m]
                    peak_l[t, m] = max(peak_l[t, m], flow_l[m])
                if passing > 0:
                    for m in range(members):
                        room_l = max(0.0, capacity_l[t, m] - before_l[m])
                        first_h = h + room_l / max(room_l + flow_l[m], _TINY) if flow_l[m] > 0.0 else np.inf
                        overflows_h[t, m] = min(overflows_h[t, m], first_h)
                if following != NOWHERE:
                    for m in range(members):
                        inflow_l[following, m] += flow_l[m]
                elif keep:
                    for m in range(members):
                        ledger[SPILLED, h, m] += flow_l[m]

            # Passages are dated in the hours in which some member passes for the first time.
            passing = 0
            for m in range(members):
                traced_l[row, t, m] = volume_l[t, m]
                passing += 1 if volume_l[t, m] <= used_up_l + _EMPTY_L and runs_out_h[t, m] == np.inf else 0
            if passing > 0:
                for m in range(members):
                    share = min(1.0, max(0.0, before_l[m] - used_up_l) / max(fall_l[m], _TINY))
                    first_h = h + share if volume_l[t, m] <= used_up_l + _EMPTY_L else np.inf
                    runs_out_h[t, m] = min(runs_out_h[t, m], first_h)

        if plan.battery_wh == np.inf:
            continue
        passing = 0
        for m in range(members):
            before_l[m] = charge_wh[m]
            after_wh = charge_wh[m] + efficiency * sun_wh[h, m] - standing_wh - pumped_l[m] * pump_wh_l
            charge_wh[m] = max(0.0, min(plan.battery_wh, after_wh))
            traced_wh[row, m] = charge_wh[m]
            passing += 1 if charge_wh[m] <= cutoff_wh + _EMPTY_WH and cutoff_h[m] == np.inf else 0
        if passing > 0:
            # What the pump wanted dates the cut-off, not what it still got.
            for m in range(members):
                fall_wh = wanted_l[m] * pump_wh_l + standing_wh - efficiency * sun_wh[h, m]
                share = min(1.0, max(0.0, before_l[m] - cutoff_wh) / max(fall_wh, _TINY))
                first_h = h + share if charge_wh[m] <= cutoff_wh + _EMPTY_WH else np.inf
                cutoff_h[m] = min(cutoff_h[m], first_h)
