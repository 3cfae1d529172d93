"""What a change of state means to those who are told of it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Literal

from ingest.store.transitions import Transition

Stage = Literal["raised", "acknowledged", "cleared", "closed"]
RAISED: Final = "raised"
ACKNOWLEDGED: Final = "acknowledged"
CLEARED: Final = "cleared"
CLOSED: Final = "closed"

_UNACKNOWLEDGED: Final = "unacknowledged"
_ACTIVE: Final = (_UNACKNOWLEDGED, "acknowledged")


def stage_of(entry: Transition) -> Stage:
    """raised: it waits for somebody, for the first time or again; cleared: its condition has gone;
    closed: somebody has seen that it came and went.
    """
    if entry.new == _UNACKNOWLEDGED:
        return RAISED
    if entry.new == "acknowledged":
        return ACKNOWLEDGED
    return CLEARED if entry.old in _ACTIVE else CLOSED


def is_open(entry: Transition | None) -> bool:
    """Whether the last transition of an alarm left it waiting for an acknowledgement while its condition holds."""
    return entry is not None and entry.new == _UNACKNOWLEDGED


def is_over(entry: Transition | None) -> bool:
    """Whether the last transition of an alarm left it without its condition."""
    return entry is None or entry.new not in _ACTIVE


def beginnings(entry: Transition, earlier: Sequence[Transition]) -> list[Transition]:
    """The transitions that raised an alarm in the episode that an entry belongs to, newest first.

    earlier  those before it, newest first
    """
    found = [entry] if stage_of(entry) == RAISED else []
    for before in earlier[1:] if stage_of(entry) == CLOSED else earlier:
        if stage_of(before) in (CLEARED, CLOSED):
            break
        if stage_of(before) == RAISED:
            found.append(before)
    return found
