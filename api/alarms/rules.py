"""For each alarm: does its condition hold, since how long, and why. Pure: facts and now in, a finding out.

A finding of None means that the facts do not tell: such a finding neither raises nor clears.
How long a condition has held is read off the stored readings each time, so a restart forgets
nothing and a backlog that arrives late is counted by the times at which it was measured.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from api.alarms.facts import Facts, Finding
from api.alarms.kinds import AlarmId
from api.alarms.tanks import brim_m
from api.alarms.types import SUBJECTS

__all__ = ["brim_m", "find"]

_RULES: Final[Mapping[str, Callable[[AlarmId, Facts, int], Finding]]] = {
    key: rule for subject in SUBJECTS for key, rule in subject.RULES.items()
}


def find(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    """What the facts say about one alarm now."""
    return _RULES[alarm.kind.key](alarm, facts, now_ms)
