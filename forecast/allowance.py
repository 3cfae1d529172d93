"""What may be drawn, what will spill anyway, when the backup should open and may close, or will by itself. Pure.

Every answer is a search over the members of the forecast itself, each run again from now with
another draw; none averages members. What is drawn is taken as exactly what is allowed, while rain,
roofs and level stay as uncertain as they are.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.model.balance import BACKUP, DRAWN, Drivers, State, run
from forecast.model.passage import bands, passage, quantiles
from forecast.model.plan import NOWHERE, Floats, Plan
from forecast.result import Allowance, Changeover, Decisions, FreeWater, Takeover

Truths = npt.NDArray[np.bool_]

#: The allowance holds for so many days, and rain water may run out within them with this chance at most.
ALLOWANCE_D: Final = 14
RISK: Final = 0.05
#: What spills within so many days with this chance at least is free.
FREE_D: Final = 7
SURE: Final = 0.9
#: The backup should be open by the day on which the chance of being empty reaches the first; it
#: may be closed when rain water then lasts so many days but for the second.
OPEN_RISK: Final = 0.1
CLOSE_RISK: Final = 0.1
CLOSE_D: Final = 7
#: Halvings of the search: the allowance is found to a hundredth of the most that there can be.
_HALVINGS: Final = 7


class Ahead(NamedTuple):
    """What lies ahead of all members: drivers of the hours from now on, and the state now."""

    plan: Plan
    drivers: Drivers
    state: State

    @property
    def members(self) -> int:
        return int(self.drivers.rain_mm.shape[1])

    def of(self, members: Truths) -> Ahead:
        """The same of some members. (M,)"""
        if members.all():
            return self
        drivers = self.drivers

        def some(values: Floats) -> Floats:
            return np.compress(members, values, axis=-1)  # in the layout that the kernel is compiled for

        return Ahead(
            self.plan,
            drivers._replace(
                rain_mm=some(drivers.rain_mm),
                sun_wh=some(drivers.sun_wh),
                coefficient=some(drivers.coefficient),
                leak_l_h=some(drivers.leak_l_h),
                draw_factor=some(drivers.draw_factor),
                capacity_l=some(drivers.capacity_l) if len(drivers.capacity_l) else drivers.capacity_l,
                flush_volume_l=some(drivers.flush_volume_l) if len(drivers.flush_volume_l) else drivers.flush_volume_l,
            ),
            State(*map(some, self.state)),
        )

    def within(self, hours: int) -> Ahead:
        """The same of the first hours."""
        return self._replace(drivers=hours_of(self.drivers, 0, hours))

    def exactly(self) -> Ahead:
        """The same, but that each member draws what is wanted, neither more nor less."""
        drivers = self.drivers
        alike = np.ones((1, *drivers.draw_factor.shape[1:]))  # one day stands for all
        return self._replace(drivers=drivers._replace(draw_day=np.zeros_like(drivers.draw_day), draw_factor=alike))

    def runs_out(self, demand_l: Floats | None = None) -> Truths:
        """Which members meet a draw that cannot be fed. (M,)

        demand_l  what is wanted instead, by hour and draw. (H, D) [L]
        """
        drivers = self.drivers if demand_l is None else self.drivers._replace(demand_l=demand_l)
        trace = run(self.plan, drivers, copied(self.state), hourly=False)
        return np.asarray(np.isfinite(trace.runs_out_h[self.plan.feeds]).any(axis=0))


def hours_of(drivers: Drivers, begin: int, end: int) -> Drivers:
    """The drivers of the hours `[begin, end)`."""
    return drivers._replace(
        rain_mm=drivers.rain_mm[begin:end],
        drying_mm=drivers.drying_mm[begin:end],
        sun_wh=drivers.sun_wh[begin:end],
        demand_l=drivers.demand_l[begin:end],
        draw_day=drivers.draw_day[begin:end],
        emptied=drivers.emptied[begin:end],
    )


def copied(state: State) -> State:
    """A state that may be changed without changing this one."""
    return State(*(values.copy() for values in state))


def decide(ahead: Ahead, runs_out_d: Floats, *, backup: bool) -> Decisions:
    """All decisions at their usual chances. runs_out_d as the forecast has it (M,) [d], infinite: not at all"""
    return Decisions(
        allowance=allowance(ahead, ALLOWANCE_D, RISK),
        free_water=free_water(ahead, FREE_D, SURE),
        changeover=changeover(ahead, runs_out_d) if backup else None,
    )


def allowance(ahead: Ahead, days: int, risk: float) -> Allowance | None:
    """The most that may be drawn a day for `days`, with a chance of running out of at most `risk`.

    Spread over draws and hours as the demand is; reserves, the pump's limits and its battery are left
    out: it is the water that is asked. None where nobody wants water in these days.
    """
    hours = days * 24
    demand = ahead.drivers.demand_l[:hours]
    wanted_l_day = float(demand.sum()) / days
    if wanted_l_day == 0.0:
        return None
    plan = ahead.plan._replace(
        draw_floor_l=ahead.plan.dead_l[ahead.plan.draw_tank],
        draw_pumped=np.zeros_like(ahead.plan.draw_pumped),
        battery_wh=np.inf,
    )
    freely = ahead._replace(plan=plan).within(hours).exactly()
    low, high = 0.0, _most_l(ahead, hours, risk) / days
    # Where nothing is lost, a tank that nobody draws from never falls: it is used up in the first hour, or not at all.
    lossless = not (plan.open_m2.any() or ahead.drivers.leak_l_h.any())
    undrawn = freely.within(1) if lossless else freely
    out = undrawn.runs_out(np.zeros_like(undrawn.drivers.demand_l))
    if (gone := int(out.sum())) / ahead.members > risk:
        return Allowance(0.0, days, gone / ahead.members, risk)
    # A member that runs out at one draw runs out at any larger one. So the chance never falls, and
    # only those are asked again that last at the low draw and do not at the high one.
    open_ = freely.of(~out)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        out = open_.runs_out(demand * (middle / wanted_l_day)) if open_.members else np.zeros(0, dtype=np.bool_)
        if (gone + out.sum()) / ahead.members <= risk:
            low, gone, open_ = middle, gone + int(out.sum()), open_.of(~out)
        else:
            high, open_ = middle, open_.of(out)
    return Allowance(round(low, 1), days, gone / ahead.members, risk)


def _most_l(ahead: Ahead, hours: int, risk: float) -> float:
    """A draw in all that more members than `risk` allows cannot feed, even if no drop were lost. [L]"""
    plan, drivers = ahead.plan, ahead.drivers
    usable_l = np.maximum(0.0, ahead.state.volume_l - plan.dead_l[:, None]).sum(axis=0)
    roofs_m2 = (plan.roof_area_m2[:, None] * drivers.coefficient).sum(axis=0) + plan.open_m2.sum()
    water_l = np.sort(usable_l + roofs_m2 * drivers.rain_mm[:hours].sum(axis=0))
    return float(water_l[min(int(risk * len(water_l)), len(water_l) - 1)])


def free_water(ahead: Ahead, days: int, sure: float) -> FreeWater:
    """Litres that spill within `days` with a chance of at least `sure`, and may be drawn now at no loss.

    A member that runs out before it spills has nothing free, and nobody can draw now what is not there.
    """
    plan = ahead.plan
    trace = run(plan, hours_of(ahead.drivers, 0, days * 24), copied(ahead.state), hourly=False)
    ends, feeds = plan.ends, plan.feeds
    spill_l = trace.spill_l[ends].sum(axis=0)
    lasts = trace.runs_out_h[feeds].min(axis=0) > trace.overflows_h[ends].min(axis=0)
    usable_l = np.maximum(0.0, ahead.state.volume_l - plan.dead_l[:, None])[feeds].sum(axis=0)
    free_l = np.where(lasts, np.minimum(spill_l, usable_l), 0.0)
    amount = float(np.floor(quantiles(free_l, (1 - sure,))[0]))
    return FreeWater(amount, days, float(np.mean(free_l >= max(amount, 1.0))))


def changeover(ahead: Ahead, runs_out_d: Floats) -> Changeover:
    """The day by which the backup should be open, and by which it may be closed again.

    Opened: when the chance of having run out reaches OPEN_RISK. Closed: on the first day from which
    rain water, not drawn until then, feeds everybody for CLOSE_D days but for a chance of CLOSE_RISK.
    """
    point = float(quantiles(runs_out_d, (OPEN_RISK,))[0])
    opens = np.isfinite(point)
    open_chance = float(np.mean(runs_out_d <= point if opens else np.isfinite(runs_out_d)))
    plan, drivers, state = ahead.plan, ahead.drivers, copied(ahead.state)
    undrawn = drivers._replace(demand_l=np.zeros_like(drivers.demand_l))
    close_after_d, close_chance = None, 1.0
    for day in range(len(drivers.rain_mm) // 24 - CLOSE_D + 1):
        if day > 0:
            run(plan, hours_of(undrawn, 24 * (day - 1), 24 * day), state, hourly=False)
        later = Ahead(plan, hours_of(drivers, 24 * day, 24 * (day + CLOSE_D)), state)
        close_chance = float(np.mean(later.runs_out()))
        if close_chance <= CLOSE_RISK:
            close_after_d = day
            break
    return Changeover(round(point, 2) if opens else None, open_chance, close_after_d, close_chance)


def takeover(ahead: Ahead, hours: int, offset_h: float) -> Takeover:
    """When a backup that works by itself opens first, and how many litres it gives within `hours`.

    offset_h  how far into its first hour the issue is

    One that pours into a tank does so below its mark. One that feeds the draws directly begins when
    rain water has run out, and gives what was wanted and not drawn; a pump without charge counts in.
    """
    plan, drivers = ahead.plan, hours_of(ahead.drivers, 0, hours)
    trace = run(plan, drivers, copied(ahead.state), hourly=False, ledger=True)
    if plan.backup_tank == NOWHERE:
        opens_h = trace.runs_out_h[plan.feeds].min(axis=0)
        wanted_l = np.einsum("hd,hdm->m", drivers.demand_l, drivers.draw_factor[drivers.draw_day])
        given_l = np.maximum(0.0, wanted_l - trace.ledger[DRAWN].sum(axis=0))
    else:
        opens_h = trace.runs_out_h[plan.backup_tank]
        given_l = trace.ledger[BACKUP].sum(axis=0)
    return Takeover(passage(opens_h, hours, offset_h), bands(given_l[None], 0))
