"""The life of an alarm: normal, active, normal. Pure.

The next state follows from the last transition on record, the finding and now; nothing else is
remembered anywhere, so a restart in between changes nothing.
"""

from __future__ import annotations

from typing import Final

from api.alarms.rules import Finding
from api.alarms.types import AlarmId
from ingest.store.records import Transition

NORMAL: Final = "normal"
ACTIVE: Final = "active"


def state_of(previous: Transition | None) -> str:
    """The state that the last transition left; without one, normal."""
    return NORMAL if previous is None else previous.new


def step(site: str, alarm: AlarmId, previous: Transition | None, finding: Finding, now_ms: int) -> Transition | None:
    """The transition that is due now; None: none is.

    It is dated now, whatever the age of the readings behind it: nothing is raised in the past.
    """
    if finding.verdict is None or (previous is not None and now_ms < previous.time_ms):
        return None
    old = state_of(previous)
    if finding.verdict and old == NORMAL and finding.held_ms >= alarm.kind.on_delay_ms:
        return Transition(site, str(alarm), now_ms, NORMAL, ACTIVE, finding.reason)
    if not finding.verdict and old == ACTIVE and finding.held_ms >= alarm.kind.off_delay_ms:
        return Transition(site, str(alarm), now_ms, ACTIVE, NORMAL, finding.reason)
    return None


def retire(previous: Transition, now_ms: int) -> Transition | None:
    """Clear an active alarm about something that the site file no longer has."""
    if previous.new != ACTIVE:
        return None
    reason = "No longer watched: the site file does not have it any more."
    return Transition(previous.site, previous.alarm, now_ms, ACTIVE, NORMAL, reason)
