"""A year at Skerrow Head with faults planted at known times, and a store that gives what had arrived by then."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np

from ingest.instants import DAY_MS, HOUR_MS, from_rfc3339
from ingest.quality import Checks
from ingest.reading import Reading, Reject
from ingest.site import Sensor, Site
from ingest.sitefile import load_site
from ingest.store.readings import Aggregate, Bucket, WriteResult
from ingest.store.records import LogEntry
from simulator.faults import Fault
from simulator.plant import Event, Plant
from simulator.sensors import Sensors
from simulator.truth import Truth
from simulator.weather import InventedWeather

START_MS: Final = from_rfc3339("2026-01-01T00:00:00Z")
SITES: Final = Path(__file__).parent.parent.parent / "deploy" / "sites"
DAY_MIN: Final = 24 * 60
#: Simulated in one piece: what a year's traces need of memory.
_PIECE_D: Final = 30
#: Readings that the radio loses.
_DROPOUT: Final = 0.01
_ROOF, _DEVICE, _OTHER = "bunkhouse", "post-1", "post-2"


class Planned(NamedTuple):
    """A fault, in days of a year: where it may begin, how long it lasts."""

    kind: str
    part: str
    day: float
    days: float
    amount: float | None = None
    late: bool = False


#: Far enough apart that each can be marked; the pump works from April to September. late: sent, but only afterwards.
PLAN: Final = (
    Planned("battery-aged", "", 8, 16, 0.75),
    Planned("sensor-silent", _DEVICE, 30, 1.5),
    Planned("leak", "main", 38, 16, 8.0),
    Planned("sensor-stuck", f"{_DEVICE}/level", 60, 3),
    Planned("gutter-blocked", _ROOF, 68, 25),
    Planned("sensor-silent", f"{_DEVICE}/level", 98, 1),
    Planned("pump-dry", "", 104, 2),
    Planned("sensor-silent", "*", 110, 0.4),
    Planned("both-supplies-open", "main", 116, 4),
    Planned("sensor-spikes", f"{_DEVICE}/level", 126, 3, 0.6),
    Planned("draw-unused", "taps+irrigation", 134, 24),
    Planned("pump-unguarded", "", 164, 30),
    Planned("clock-wrong", _OTHER, 200, 2, 7200.0),
    Planned("leak", "main", 208, 18, 5.0),
    Planned("pump-dry", "", 232, 2),
    Planned("first-flush-open", _ROOF, 240, 25, 400.0),
    Planned("sensor-silent", _DEVICE, 272, 1, late=True),
    Planned("both-supplies-open", "main", 278, 2),
    Planned("gutter-blocked", _ROOF, 288, 25),
    Planned("sensor-stuck", f"{_DEVICE}/battery", 318, 3),
    Planned("sensor-silent", _OTHER, 326, 1),
    Planned("battery-aged", "", 330, 25, 0.8),
)
#: The backup opened and shut as it should be: rain water shut meanwhile. No alarm.
_CHANGED_OVER: Final = (320.0, 325.0)
#: Days at which upkeep was written down; it is due every 100 and every 180 days.
_RINSED: Final = (0.4, 95.3, 230.6)
_CLEANED: Final = (0.4, 210.2)


class Year(NamedTuple):
    """What happened, and what was heard of it.

    faults  as planted; late: spans whose readings came only at their end, by device [ms]
    """

    site: Site
    days: int
    faults: list[Fault]
    late: list[tuple[str, int, int]]
    log: list[LogEntry]
    minutes: dict[str, np.ndarray[Any, Any]]
    readings: Replayed


def truth_site() -> Site:
    """Skerrow Head with what else can be measured there, on a second device; one chamber is emptied by hand."""
    site = load_site(SITES / "skerrow-head.toml")
    more = [
        Sensor(device=_OTHER, name="water", measures="tank.main.temperature", every_s=300.0, noise=0.1),
        Sensor(device=_OTHER, name="pump", measures="pump.running", every_s=300.0),
        Sensor(device=_OTHER, name="backup", measures="backup.open", every_s=300.0),
    ]
    hut = site.roof[1]
    chamber = None if hut.first_flush is None else hut.first_flush.model_copy(update={"drip_l_h": 0.0})
    roofs = [site.roof[0], hut.model_copy(update={"first_flush": chamber})]
    return site.model_copy(update={"sensor": [*site.sensor, *more], "roof": roofs})


def planted(site: Site, days: int, rng: np.random.Generator) -> tuple[list[Fault], list[tuple[str, int, int]]]:
    """The plan with every beginning shifted by up to two days."""
    faults, late = [], []
    for plan in PLAN:
        start_ms = START_MS + round((plan.day + rng.uniform(0, 2)) * DAY_MS)
        end_ms = start_ms + round(plan.days * DAY_MS)
        if end_ms > START_MS + (days - 3) * DAY_MS:
            continue
        if plan.late:
            late.append((plan.part, start_ms, end_ms))
            continue
        parts = list(dict.fromkeys(s.device for s in site.sensor)) if plan.part == "*" else plan.part.split("+")
        faults += [Fault(plan.kind, part, start_ms, end_ms, plan.amount) for part in parts]
    return faults, late


def year(seed: int, days: int = 365) -> Year:
    """Simulate a year, or its first days."""
    site, rng = truth_site(), np.random.default_rng([seed, 5])
    faults, late = planted(site, days, rng)
    emptied = [START_MS + round(day * DAY_MS) for day in (40.5, 150.5, 300.5)]
    over = [START_MS + round(day * DAY_MS) for day in _CHANGED_OVER]
    events = [Event(time_ms, "first-flush-emptied", "ringing-hut") for time_ms in emptied]
    events += [Event(over[0], "backup-opened"), Event(over[1], "backup-closed")]
    log = [LogEntry(site.id, time_ms, "first-flush-emptied", "ringing-hut", "warden") for time_ms in emptied]
    for task, done in (("rinse-first-flush", _RINSED), ("clean-gutters", _CLEANED)):
        log += [LogEntry(site.id, START_MS + round(day * DAY_MS), "upkeep", task, "warden") for day in done]
    plant = Plant(site, seed, fill=float(rng.uniform(0.4, 0.8)), faults=faults, events=events)
    sensors = Sensors(site, seed, dropout=_DROPOUT, slosh_m=0.004, faults=faults)
    weather, heard = InventedWeather(site, seed), []
    traces: dict[str, list[np.ndarray[Any, Any]]] = defaultdict(list)
    for first in range(0, days, _PIECE_D):
        span = weather.span(START_MS + first * DAY_MS, min(_PIECE_D, days - first) * DAY_MIN)
        truth = plant.run(span)
        for name, trace in _minutes(truth).items():
            traces[name].append(trace)
        heard += sensors.read(truth)
    checks = Checks({site.id: site})
    # Readings arrive when they are taken, whatever the clock of their device says.
    wrong = [fault for fault in faults if fault.kind == "clock-wrong"]
    checked = []
    for reading in heard:
        ahead = sum(
            round(fault.size * 1000)
            for fault in wrong
            if reading.sensor.startswith(fault.part + "/") and fault.holds(reading.time_ms - round(fault.size * 1000))
        )
        checked += checks.flag([reading], reading.time_ms - ahead + 2_000)
    minutes = {name: np.concatenate(parts) for name, parts in traces.items()}
    return Year(
        site, days, faults, late, sorted(log, key=lambda entry: entry.time_ms), minutes, Replayed(site, checked, late)
    )


def _minutes(truth: Truth) -> dict[str, np.ndarray[Any, Any]]:
    """What the marking asks of the truth, by minute."""
    tank, roof, hut = truth.tanks["main"], truth.roofs[_ROOF], truth.roofs["ringing-hut"]
    assert truth.power is not None
    return {
        "volts": truth.power.volts,
        "level_m": tank.level_m,
        "volume_l": tank.volume_l,
        "overflow_l": tank.overflow_l,
        "inflow_l": roof.inflow + hut.inflow,
        "caught_l": roof.inflow,
        "rain_mm": truth.weather.rain_mm,
        "taps_l": truth.draws["taps"].drawn,
        "drawn_l": truth.draws["taps"].drawn + truth.draws["irrigation"].drawn,
        "pumped_l": truth.draws["irrigation"].drawn,
        "pump": truth.pump_share,
        "backup": truth.backup_open.astype(float),
        "chamber_l": hut.chamber,
        "water_cel": truth.water_cel,
    }


class Replayed:
    """Readings of a year as a store gave them at `now_ms`: those dated up to then, but for what was still held back."""

    def __init__(self, site: Site, readings: Sequence[Reading], late: Sequence[tuple[str, int, int]]) -> None:
        self.now_ms = START_MS
        self._late = late
        self._all: dict[str, list[Reading]] = defaultdict(list)
        for reading in sorted(readings, key=lambda one: one.time_ms):
            self._all[reading.sensor].append(reading)
        self._good = {name: [one for one in kept if one.usable] for name, kept in self._all.items()}
        self._times = {
            usable: {name: [one.time_ms for one in kept] for name, kept in of.items()}
            for usable, of in ((True, self._good), (False, self._all))
        }
        self._hours: dict[str, dict[str, list[Bucket]]] = {name: _by_hour(kept) for name, kept in self._good.items()}

    def latest(self, site: str, until_ms: int) -> dict[str, Reading]:
        found = {}
        for name, times in self._times[True].items():
            end = bisect_right(times, min(until_ms, self._seen_until(name)))
            if end:
                found[name] = self._good[name][end - 1]
        return found if site == "skerrow-head" else {}

    def range(
        self, site: str, sensor: str, start_ms: int, end_ms: int, *, limit: int = 100_000, usable: bool = True
    ) -> list[Reading]:
        times = self._times[usable].get(sensor, [])
        # A clock that is ahead dates its readings later than they arrive.
        until = min(end_ms, self._seen_until(sensor, ahead_ms=0 if usable else 7_200_000) + 1)
        kept = (self._good if usable else self._all).get(sensor, [])
        return kept[bisect_left(times, start_ms) : bisect_left(times, until)][:limit]

    def aggregate(
        self, site: str, sensor: str, start_ms: int, end_ms: int, every_ms: int, fn: Aggregate
    ) -> list[Bucket]:
        assert every_ms == HOUR_MS
        until = min(end_ms, self._seen_until(sensor) + 1)
        whole = until - until % HOUR_MS
        kept = self._hours.get(sensor, {}).get(fn, [])
        found = kept[bisect_left(kept, start_ms, key=_start) : bisect_left(kept, whole, key=_start)]
        part = _by_hour(self.range(site, sensor, whole, until)).get(fn, [])
        return found + part

    def write(self, readings: Sequence[Reading], rejects: Sequence[Reject] = ()) -> WriteResult:
        raise NotImplementedError

    def rejects(self, limit: int = 100, before: tuple[int, int] | None = None) -> list[Reject]:
        return []

    def counts(self) -> dict[str, int]:
        return {}

    def ping(self) -> None:
        """It is always there."""

    def close(self) -> None:
        """Nothing to let go of."""

    def _seen_until(self, sensor: str, ahead_ms: int = 0) -> int:
        """Up to when readings of a sensor have arrived. [ms]"""
        device = sensor.partition("/")[0]
        held = [start for part, start, end in self._late if part == device and start <= self.now_ms < end]
        return min([self.now_ms + ahead_ms, *held])


def _start(bucket: Bucket) -> int:
    return bucket.start_ms


def _by_hour(readings: Sequence[Reading]) -> dict[str, list[Bucket]]:
    """Means and first values of the hours."""
    mean, first = [], []
    index = 0
    while index < len(readings):
        start = readings[index].time_ms - readings[index].time_ms % HOUR_MS
        end = index
        while end < len(readings) and readings[end].time_ms < start + HOUR_MS:
            end += 1
        values = [one.value for one in readings[index:end]]
        mean.append(Bucket(start, sum(values) / len(values), len(values)))
        first.append(Bucket(start, values[0], len(values)))
        index = end
    return {"mean": mean, "first": first}
