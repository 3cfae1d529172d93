"""The physics of a site that does not exist, one minute at a time.

Finer than the forecast's model and independent of it: only the tank's geometry is shared.
Going through a span in pieces gives the same truth as going through it at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from ingest.instants import MINUTE_MS
from ingest.site import Pump, Site
from simulator.demand import pumping, taps
from simulator.electric import Bank, panel_w
from simulator.faults import Fault, by_minute, checked
from simulator.roofs import RoofRun, RoofTrace
from simulator.sun import Floats
from simulator.tanks import PumpedRun, TankRun, TapRun
from simulator.truth import PowerTrace, Truth
from simulator.weather import Weather

#: How slowly the stored water follows the air. [min]
_WATER_MIN: Final = 4 * 24 * 60

EVENTS: Final = ("first-flush-emptied", "backup-opened", "backup-closed")


class Event(NamedTuple):
    """What somebody does on site: one of EVENTS; part is the roof whose chamber is emptied."""

    time_ms: int
    kind: str
    part: str = ""


class Plant:
    """A site at work, and its state between spans.

    seed  of the visits to the taps
    fill  share of each tank's capacity at the start; soc: state of charge at the start
    Raises ValueError on a fault or an event that this site cannot have.
    """

    def __init__(
        self,
        site: Site,
        seed: int,
        *,
        fill: float = 0.6,
        soc: float = 0.9,
        faults: Iterable[Fault] = (),
        events: Iterable[Event] = (),
    ) -> None:
        self.site = site
        self._seed = seed
        self._faults = checked(site, faults)
        self._events = _checked_events(site, events)
        self._roofs = [RoofRun(roof, self._faults) for roof in site.roof]
        self._tanks = {tank.id: TankRun(tank, fill) for tank in site.tank}
        by_itself = site.backup is not None and site.backup.changeover == "by itself"
        self._taps = [
            TapRun(draw, self._tanks[draw.tank], by_itself=by_itself) for draw in site.draw if draw.feed == "gravity"
        ]
        self._pumped = [
            PumpedRun(draw, self._tanks[draw.tank], site.pump.flow_l_min)
            for draw in site.draw
            if draw.feed == "pumped" and site.pump
        ]
        self._bank = Bank(site.battery, soc) if site.battery else None
        self._backup_open = False
        self._water_cel: float | None = None

    def run(self, weather: Weather) -> Truth:
        """Go on through this weather, which has to follow the weather before."""
        roofs = {run.roof.id: run.run(weather, self._emptied(run.roof.id, weather)) for run in self._roofs}
        backup_open = self._backup(weather)
        self._ready_tanks(weather, roofs)
        self._ready_draws(weather, backup_open)
        pump_share, power = self._go(weather)
        draws = {run.draw.id: run.trace() for run in [*self._taps, *self._pumped]}
        tanks = {name: run.trace() for name, run in self._tanks.items()}
        off_site = [tanks[tank.id].overflow_l for tank in self.site.tank if tank.overflow_to is None]
        for trace in draws.values():
            backup_open = backup_open | (trace.from_backup > 0)
        return Truth(
            weather=weather,
            roofs=roofs,
            draws=draws,
            tanks=tanks,
            spilled_l=np.asarray(sum(off_site, np.zeros(weather.minutes))),
            backup_open=backup_open,
            pump_share=pump_share,
            water_cel=self._water(weather),
            power=power,
        )

    def _go(self, weather: Weather) -> tuple[Floats, PowerTrace | None]:
        """The minutes: tanks in the order of the water, each with its draws, then the battery."""
        following = {tank.id: tank.overflow_to for tank in self.site.tank}
        chain = [
            (
                run,
                following[name],
                [tap for tap in self._taps if tap.tank is run],
                [draw for draw in self._pumped if draw.tank is run],
            )
            for name, run in self._tanks.items()
        ]
        electric = _Electric(self.site, self._bank, weather, self._fault("battery-aged", "", weather))
        pump_share = [0.0] * weather.minutes
        for i in range(weather.minutes):
            passed_on: dict[str | None, float] = {}
            left = 1.0 if electric.pump_may_run else 0.0
            share = 0.0
            for tank, next_tank, taps_here, pumped_here in chain:
                tank.fill(i, passed_on.get(tank.tank.id, 0.0))
                for tap in taps_here:
                    tap.take(i)
                for draw in pumped_here:
                    share += draw.take(i, left - share)
                passed_on[next_tank] = passed_on.get(next_tank, 0.0) + tank.settle(i)
            pump_share[i] = share
            electric.step(i, share)
        return np.array(pump_share), electric.trace()

    def _ready_tanks(self, weather: Weather, roofs: Mapping[str, RoofTrace]) -> None:
        for name, run in self._tanks.items():
            inflow = sum(
                (roofs[roof.id].inflow for roof in self.site.roof if roof.tank == name), np.zeros(weather.minutes)
            )
            pressed, leak = (self._fault(kind, name, weather) for kind in ("both-supplies-open", "leak"))
            run.ready(np.asarray(inflow), pressed, leak)

    def _ready_draws(self, weather: Weather, backup_open: npt.NDArray[np.bool_]) -> None:
        for tap in self._taps:
            wanted = taps(self.site, tap.draw, weather.start_ms, weather.minutes, self._seed)
            wanted[self._fault("draw-unused", tap.draw.id, weather) > 0] = 0.0
            # With both open, each gives half; who gives how much depends on pressures nobody knows.
            both = self._fault("both-supplies-open", tap.draw.tank, weather) > 0
            tap.ready(wanted, np.where(both, 0.5, np.where(backup_open, 0.0, 1.0)))
        dry, unguarded = (self._fault(kind, "", weather).tolist() for kind in ("pump-dry", "pump-unguarded"))
        for run in self._pumped:
            wanted, days = pumping(self.site, run.draw, _pump(self.site), weather.start_ms, weather.minutes)
            days[self._fault("draw-unused", run.draw.id, weather) > 0] = 0
            run.ready(wanted, days, dry, unguarded)

    def _backup(self, weather: Weather) -> npt.NDArray[np.bool_]:
        """Whether somebody has opened the backup, by minute."""
        is_open = np.full(weather.minutes, self._backup_open)
        for event, minute in self._happening(weather):
            if event.kind != "first-flush-emptied":
                is_open[minute:] = event.kind == "backup-opened"
        self._backup_open = bool(is_open[-1])
        for name in self._tanks:
            is_open |= self._fault("both-supplies-open", name, weather) > 0
        return is_open

    def _emptied(self, roof: str, weather: Weather) -> set[int]:
        return {
            minute
            for event, minute in self._happening(weather)
            if event.kind == "first-flush-emptied" and event.part == roof
        }

    def _happening(self, weather: Weather) -> list[tuple[Event, int]]:
        """The events of this span, each with its minute."""
        minutes = [(event, (event.time_ms - weather.start_ms) // MINUTE_MS) for event in self._events]
        return [(event, minute) for event, minute in minutes if 0 <= minute < weather.minutes]

    def _fault(self, kind: str, part: str, weather: Weather) -> Floats:
        return by_minute(self._faults, kind, part, weather.start_ms, weather.minutes)

    def _water(self, weather: Weather) -> Floats:
        """Stored water follows the air, slowly. [°C]"""
        air = weather.air_cel.tolist()
        water = air[0] if self._water_cel is None else self._water_cel
        out = []
        for cel in air:
            water += (cel - water) / _WATER_MIN
            out.append(water)
        self._water_cel = water
        return np.array(out)


class _Electric:
    """Battery and panel through one span; a site without a battery runs its pump from elsewhere."""

    def __init__(self, site: Site, bank: Bank | None, weather: Weather, aged: Floats) -> None:
        self._bank = bank
        if bank is None or site.battery is None:
            return
        self._pump_w = site.pump.power_w if site.pump else 0.0
        self._standing_w = site.battery.standing_w
        self._offered = panel_w(site, site.battery, weather).tolist()
        self._air = weather.air_cel.tolist()
        self._aged = aged.tolist()
        self._soc, self._volts, self._amps = ([0.0] * weather.minutes for _ in range(3))

    @property
    def pump_may_run(self) -> bool:
        return self._bank is None or self._bank.connected

    def step(self, i: int, pump_share: float) -> None:
        bank = self._bank
        if bank is None:
            return
        bank.step(self._offered[i], self._standing_w + pump_share * self._pump_w, self._air[i], self._aged[i])
        self._soc[i], self._volts[i], self._amps[i] = bank.soc, bank.volts, bank.amps

    def trace(self) -> PowerTrace | None:
        if self._bank is None:
            return None
        return PowerTrace(np.array(self._soc), np.array(self._volts), np.array(self._amps))


def _pump(site: Site) -> Pump:
    if site.pump is None:
        raise ValueError(f"{site.id}: expected a [pump] for its pumped draws")
    return site.pump


def _checked_events(site: Site, events: Iterable[Event]) -> list[Event]:
    known = sorted(events)
    roofs = [roof.id for roof in site.roof]
    for event in known:
        if event.kind not in EVENTS:
            raise ValueError(f"event {event.kind!r}: expected one of {', '.join(EVENTS)}")
        if event.kind == "first-flush-emptied" and event.part not in roofs:
            raise ValueError(f"event {event.kind!r} of part {event.part!r}: expected a roof: {', '.join(roofs)}")
        if event.kind != "first-flush-emptied" and site.backup is None:
            raise ValueError(f"event {event.kind!r}: expected a site with a backup")
    return known
