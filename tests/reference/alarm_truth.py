"""Alarms held against the truth: a simulated year with faults at known times, the engine stepped through it.

    .venv/bin/python -m tests.reference.alarm_truth --years 1 --seeds 20 [--json]

Missed: the condition of an alarm held for its whole delay, and it was not raised while it held.
Late: raised after its delay and one sample (the sensor's interval and a step of the engine).
False: raised where the condition had not held.
Within a cycle: most activations of one alarm within the physical cycle that its type names.
How the truth is defined stands in alarm_conditions.py.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Collection, Sequence
from functools import partial
from typing import Any, Final, NamedTuple, cast

import numpy as np

from api.alarms.engine import AlarmEngine
from api.alarms.lifecycle import ACTIVE, RESTING
from api.alarms.types import ALARM_TYPES
from api.settings import Settings
from ingest.instants import MINUTE_MS
from ingest.store.records import AlarmAction, LogEntry, Records, Transition
from tests.reference.alarm_conditions import Condition, Minutes, conditions
from tests.reference.alarm_year import START_MS, Year, year
from tests.reference.telling import parser, side_by_side

#: The engine looks this often. [min]
STEP_MIN: Final = 10


class Clock:
    """Simulated time."""

    def __init__(self) -> None:
        self.now_ms = START_MS

    def __call__(self) -> int:
        return self.now_ms


class Kept:
    """The records that the engine asks for, in memory."""

    def __init__(self, year: Year, clock: Clock) -> None:
        self._log, self._clock = year.log, clock
        self.appended: list[Transition] = []
        self._last: dict[str, dict[str, Transition]] = {}

    def append_transitions(self, transitions: Sequence[Transition], channels: Sequence[str]) -> list[Transition]:
        for entry in transitions:
            self.appended.append(entry)
            self._last.setdefault(entry.site, {})[entry.alarm] = entry
        return list(transitions)

    def last_transitions(self, site: str, **_: Collection[str]) -> dict[str, Transition]:
        return self._last.get(site, {})

    def last_alarm_actions(self, site: str) -> list[AlarmAction]:
        return []

    def last_log(self, site: str) -> dict[tuple[str, str], LogEntry]:
        return {(entry.kind, entry.part): entry for entry in self._log if entry.time_ms <= self._clock.now_ms}

    def forecast_times(self, site: str, start_ms: int, end_ms: int) -> list[int]:
        return []

    def latest_forecast_ms(self, site: str) -> int | None:
        return None


class Marked(NamedTuple):
    """One alarm of one year. late_min: the worst beyond what is allowed [min]"""

    seed: int
    alarm: str
    due: int
    missed: int
    late: int
    late_min: int
    raised: int
    false: int
    in_cycle: int
    told: int

    @property
    def amiss(self) -> bool:
        """Whether anything was not as it should be."""
        return bool(self.missed or self.late or self.false or self.in_cycle > 1)


def watch(of: Year, step_min: int = STEP_MIN) -> list[Transition]:
    """Step the engine through a year; every transition."""
    clock = Clock()
    kept = Kept(of, clock)
    engine = AlarmEngine({of.site.id: of.site}, of.readings, cast(Records, kept), clock, Settings(), ("log",))
    for _ in range(of.days * 24 * 60 // step_min):
        clock.now_ms += step_min * MINUTE_MS
        of.readings.now_ms = clock.now_ms
        engine.tick()
    return kept.appended


def mark(seed: int, of: Year, transitions: Sequence[Transition], step_min: int = STEP_MIN) -> list[Marked]:
    """Every alarm against its condition."""
    return [_mark(seed, of, condition, transitions, step_min) for condition in conditions(of)]


def _mark(seed: int, of: Year, condition: Condition, transitions: Sequence[Transition], step_min: int) -> Marked:
    own = [entry for entry in transitions if entry.alarm == condition.alarm]
    raised = [_minute(entry) for entry in own if entry.new in ACTIVE and entry.old in RESTING]
    told = sum(entry.new == "unacknowledged" and not entry.muted for entry in own)
    active = _active(own, of.days)
    spells = _spells(condition.must, condition.due_min)
    missed, late, worst = 0, 0, 0
    allowed = condition.due_min + step_min
    for start, end in spells:
        if active[start]:
            continue
        seen = np.flatnonzero(active[start:end])
        if not len(seen):
            # Nobody can be blamed for what was over before the next look.
            missed += end - start > allowed
        elif seen[0] > allowed:
            late, worst = late + 1, max(worst, int(seen[0]) - allowed)
    kind = ALARM_TYPES[condition.alarm.partition(":")[0]]
    cycle = kind.cycle_ms // MINUTE_MS
    false = sum(not condition.may[max(0, minute - allowed) : minute + 1].any() for minute in raised)
    in_cycle = max((sum(0 <= other - minute < cycle for other in raised) for minute in raised), default=0)
    return Marked(seed, condition.alarm, len(spells), missed, late, worst, len(raised), false, in_cycle, told)


def _minute(entry: Transition) -> int:
    return (entry.time_ms - START_MS) // MINUTE_MS


def _active(own: Sequence[Transition], days: int) -> Minutes:
    active = np.zeros(days * 24 * 60 + 1, dtype=bool)
    for entry in own:
        active[_minute(entry) :] = entry.new in ACTIVE
    return active


def _spells(must: Minutes, least_min: int) -> list[tuple[int, int]]:
    """Spells in which a condition held for longer than its delay. [min]"""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], must.astype(int), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > least_min]


def play(seed: int, days: int = 365) -> list[Marked]:
    """Simulate, watch and mark one year, or its first days."""
    of = year(seed, days)
    return mark(seed, of, watch(of))


class Total(NamedTuple):
    """One alarm over all years."""

    alarm: str
    due: int
    missed: int
    late: int
    worst_late_min: int
    raised: int
    false: int
    most_in_a_cycle: int
    told: int


def totals(marks: Sequence[Marked]) -> list[Total]:
    """By alarm, and of all."""
    rows = []
    for alarm in [*dict.fromkeys(mark.alarm for mark in marks), "all"]:
        of = [mark for mark in marks if alarm in (mark.alarm, "all")]
        due, missed, late = (sum(getattr(mark, name) for mark in of) for name in ("due", "missed", "late"))
        raised, false, told = (sum(getattr(mark, name) for mark in of) for name in ("raised", "false", "told"))
        worst, most = (max(getattr(mark, name) for mark in of) for name in ("late_min", "in_cycle"))
        rows.append(Total(alarm, due, missed, late, worst, raised, false, most, told))
    return rows


def main() -> None:
    """Play the years and print the table."""
    asked = parser("Alarms against the simulator's truth.", workers=True)
    asked.add_argument("--years", type=float, default=1.0, help="length of each year played")
    asked.add_argument("--seeds", type=int, default=20)
    asked.add_argument("--first", type=int, default=0, help="first seed")
    options = asked.parse_args()
    days, began = round(365 * options.years), time.monotonic()
    marks: list[Marked] = []
    seeds = range(options.first, options.first + options.seeds)
    for of_seed in side_by_side(partial(play, days=days), seeds, options.workers):
        marks += of_seed
        amiss = [f"{m.alarm} {m.missed} missed, {m.late} late, {m.false} false" for m in of_seed if m.amiss]
        told = "; ".join(amiss) or "nothing amiss"
        print(f"{time.monotonic() - began:.0f} s: seed {of_seed[0].seed} played: {told}", file=sys.stderr)
    rows = totals(marks)
    months = options.seeds * days / 30.4
    if options.json:
        answer: dict[str, Any] = {"site_months": months, "alarms": [row._asdict() for row in rows]}
        print(json.dumps({**answer, "marks": [mark._asdict() for mark in marks if mark.amiss]}))
        return
    print(f"{'alarm':32}   due  missed  late  worst  raised  false  in cycle  told")
    for row in rows:
        print(
            f"{row.alarm:32}{row.due:6}{row.missed:8}{row.late:6}{row.worst_late_min:7}{row.raised:8}{row.false:7}"
            f"{row.most_in_a_cycle:10}{row.told:6}"
        )
    print(f"{rows[-1].false / months:.3f} false activations a site and month, over {months:.0f} site-months")


if __name__ == "__main__":
    main()
