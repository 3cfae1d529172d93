"""Faults planted at known times, so that whoever looks for them can be marked.

A fault is plain data. The plant applies those of its parts, the sensors those of theirs.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from ingest.instants import MINUTE_MS
from ingest.site import Site
from simulator.sun import Floats


class Kind(NamedTuple):
    """What a kind of fault strikes, what its amount means, and the amount if none is given."""

    strikes: str
    amount: str
    usual: float


KINDS: Final[dict[str, Kind]] = {
    "roof-coefficient": Kind("roof", "share of the coefficient that is lost", 0.3),
    "gutter-blocked": Kind("roof", "share of the gutter's capacity that is lost", 1.0),
    "first-flush-open": Kind("roof", "what the open valve lets out of the chamber [L/min]", 20.0),
    "leak": Kind("tank", "lost through the floor while there is water [L/h]", 5.0),
    "both-supplies-open": Kind("tank beside a backup", "pressed by the backup into the tank [L/h]", 30.0),
    "pump-dry": Kind("pump", "none: the pump runs and delivers nothing", 1.0),
    "pump-unguarded": Kind("pump", "none: no float stops it at the reserve, it draws down to the outlet", 1.0),
    "draw-unused": Kind("draw", "none: nobody takes anything", 1.0),
    "battery-aged": Kind("battery", "share of the capacity that is lost", 0.4),
    "sensor-drift": Kind("sensor", "added per day since the start [unit kept inside]", 0.02),
    "sensor-stuck": Kind("sensor", "none: the last value comes again and again", 1.0),
    "sensor-spikes": Kind("sensor", "added to one reading in twenty [unit kept inside]", 1.0),
    "sensor-silent": Kind("sensor", "none: nothing is sent", 1.0),
    "counter-reset": Kind("sensor", "none: the running total starts again from 0 at the start", 1.0),
    "clock-wrong": Kind("device", "how far the device's clock is ahead [s]", 7200.0),
}


@dataclass(frozen=True)
class Fault:
    """One fault.

    kind      one of KINDS
    part      id of the roof, tank or draw; `DEVICE/NAME` or `DEVICE` for sensors; "" for pump and battery
    start_ms, end_ms  it holds in `[start_ms, end_ms)`; no end: for good
    amount    as KINDS says; None: the usual one
    """

    kind: str
    part: str
    start_ms: int
    end_ms: int | None = None
    amount: float | None = None

    @property
    def size(self) -> float:
        """The amount, or the usual one of its kind."""
        return KINDS[self.kind].usual if self.amount is None else self.amount

    def holds(self, time_ms: int) -> bool:
        """Whether it holds at an instant."""
        return self.start_ms <= time_ms and (self.end_ms is None or time_ms < self.end_ms)


def checked(site: Site, faults: Iterable[Fault]) -> tuple[Fault, ...]:
    """The faults, once each is known to strike something of this site.

    Raises ValueError on an unknown kind or part: a fault that strikes nothing proves nothing.
    """
    sensors = {sensor.id for sensor in site.sensor}
    devices = {sensor.device for sensor in site.sensor}
    parts = {
        "roof": {roof.id for roof in site.roof},
        "tank": {tank.id for tank in site.tank},
        "tank beside a backup": {tank.id for tank in site.tank} if site.backup else set(),
        "pump": {""} if site.pump else set(),
        "draw": {draw.id for draw in site.draw},
        "battery": {""} if site.battery else set(),
        "sensor": sensors | devices,
        "device": devices,
    }
    known = tuple(faults)
    for fault in known:
        if fault.kind not in KINDS:
            raise ValueError(f"fault {fault.kind!r}: expected one of {', '.join(KINDS)}")
        strikes = KINDS[fault.kind].strikes
        if fault.part not in parts[strikes]:
            choice = ", ".join(map(repr, sorted(parts[strikes]))) or f"a site with a {strikes}"
            raise ValueError(
                f"fault {fault.kind!r} of part {fault.part!r}: expected a {strikes} of {site.id}: {choice}"
            )
    return known


def by_minute(faults: Sequence[Fault], kind: str, part: str, start_ms: int, minutes: int) -> Floats:
    """The amount of one kind of fault at one part in each minute; several at once add up; 0: none."""
    out = np.zeros(minutes)
    for fault in faults:
        if fault.kind == kind and fault.part == part:
            first = max(0, -(-(fault.start_ms - start_ms) // MINUTE_MS))
            last = minutes if fault.end_ms is None else max(0, -(-(fault.end_ms - start_ms) // MINUTE_MS))
            out[first:last] += fault.size
    return out
