"""Tanks and what is drawn from them, one minute at a time. Litres."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from forecast.model.geometry import geometry_of
from ingest.site import Draw, Tank
from simulator.sun import Floats
from simulator.truth import DrawTrace, TankTrace


class TankRun:
    """One tank and its volume. [L]"""

    def __init__(self, tank: Tank, fill: float) -> None:
        self.tank = tank
        self.geometry = geometry_of(tank)
        self.volume_l = fill * self.geometry.capacity_l

    def ready(self, inflow: Floats, pressed_l_h: Floats, leak_l_h: Floats) -> None:
        """Before a span: what roofs bring [L a minute], what a backup presses in, what leaks out [L/h]."""
        self._inflow = (inflow + pressed_l_h / 60).tolist()
        self._pressed = pressed_l_h / 60
        self._leak = (leak_l_h / 60).tolist()
        self._leaked, self._overflow, self._volume = ([0.0] * len(inflow) for _ in range(3))

    def fill(self, i: int, from_upstream_l: float) -> None:
        """The minute's water comes in."""
        self.volume_l += self._inflow[i] + from_upstream_l

    def settle(self, i: int) -> float:
        """After the draws: the leak, then the brim. What goes over it. [L]"""
        if self._leak[i]:
            self._leaked[i] = min(self._leak[i], self.volume_l)
            self.volume_l -= self._leaked[i]
        over = max(0.0, self.volume_l - self.geometry.capacity_l)
        self.volume_l -= over
        self._overflow[i] = over
        self._volume[i] = self.volume_l
        return over

    def trace(self) -> TankTrace:
        """What happened in the span."""
        volume = np.array(self._volume)
        level = self.geometry.level_m(volume)
        return TankTrace(volume, level, np.array(self._overflow), np.array(self._leaked), self._pressed)


class _DrawRun:
    """What all draws share: where they take from, down to where, and the trace of the span."""

    def __init__(self, draw: Draw, tank: TankRun) -> None:
        self.draw = draw
        self.tank = tank
        self._floor_l = tank.geometry.dead_l + draw.reserve_l

    def _start(self, wanted: Floats) -> None:
        self._wanted = wanted
        self._drawn, self._from_backup = [0.0] * len(wanted), [0.0] * len(wanted)

    def trace(self) -> DrawTrace:
        """What happened in the span."""
        return DrawTrace(self._wanted, np.array(self._drawn), np.array(self._from_backup))


class TapRun(_DrawRun):
    """A gravity tap, fed by the tank, by the backup, or by both at once.

    by_itself  the backup takes over whenever the tank cannot give
    """

    def __init__(self, draw: Draw, tank: TankRun, *, by_itself: bool) -> None:
        super().__init__(draw, tank)
        self._by_itself = by_itself

    def ready(self, wanted: Floats, tank_share: Floats) -> None:
        """Before a span: what is asked for [L a minute], and the share of it that the tank has to give."""
        self._start(wanted)
        self._asked = wanted.tolist()
        self._share = tank_share.tolist()

    def take(self, i: int) -> None:
        """The minute's visits."""
        asked = self._asked[i]
        if not asked:
            return
        share = self._share[i]
        given = min(asked * share, max(0.0, self.tank.volume_l - self._floor_l))
        self.tank.volume_l -= given
        self._drawn[i] = given
        if share < 1 or self._by_itself:
            self._from_backup[i] = asked - given


class PumpedRun(_DrawRun):
    """A draw that the pump delivers within its hours of use, and what today still lacks."""

    def __init__(self, draw: Draw, tank: TankRun, flow_l_min: float) -> None:
        super().__init__(draw, tank)
        self._flow_l = flow_l_min
        self._today = 0
        self._lacking_l = 0.0

    def ready(
        self, wanted: Floats, days: npt.NDArray[np.int64], pump_dry: Sequence[float], unguarded: Sequence[float]
    ) -> None:
        """Before a span: what would be taken [L a minute], its day (0: not now), where the pump is dry, and where
        nothing stops it at the reserve.
        """
        self._start(wanted)
        self._days = days.tolist()
        self._dry = pump_dry
        self._unguarded = unguarded

    def take(self, i: int, left: float) -> float:
        """The share of the minute that the pump runs for this draw, `left` at most."""
        day = self._days[i]
        if not day or left <= 0:
            return 0.0
        if day != self._today:
            self._today, self._lacking_l = day, self.draw.litres_per_day
        floor_l = self.tank.geometry.dead_l if self._unguarded[i] else self._floor_l
        litres = min(self._lacking_l, self._flow_l * left, self.tank.volume_l - floor_l)
        if litres <= 0:
            return 0.0
        if not self._dry[i]:
            self._lacking_l -= litres
            self.tank.volume_l -= litres
            self._drawn[i] = litres
        return litres / self._flow_l
