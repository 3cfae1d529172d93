"""The life of an alarm. Pure.

    normal ──raised──▶ unacknowledged ──acknowledged──▶ acknowledged
      ▲                 │        ▲ ▲                     │   │
      │              over        │ └──still so, re-alarm─┘  over
      │                 ▼        │raised again               │
      ├──acknowledged── returned                             │
      └──────────────────────────────────────────────────────┘

After IEC 62682 and ISA-18.2 (states from memory of them). The next state follows from the last
transition on record, the finding and now; nothing else is remembered anywhere, so a restart in
between changes nothing.
"""

from __future__ import annotations

from typing import Final

from api.alarms.facts import Finding
from api.alarms.kinds import AlarmId
from api.speech import Speaker
from ingest.saying import Saying, said, say
from ingest.store.records import NORMAL, Evidence, Transition

#: Its condition holds, and nobody has said that he knows.
UNACKNOWLEDGED: Final = "unacknowledged"
#: Its condition holds, and somebody knows.
ACKNOWLEDGED: Final = "acknowledged"
#: Its condition is over, and nobody has said that he knew.
RETURNED: Final = "returned"

STATES: Final = (NORMAL, UNACKNOWLEDGED, ACKNOWLEDGED, RETURNED)
#: The condition holds.
ACTIVE: Final = frozenset({UNACKNOWLEDGED, ACKNOWLEDGED})
#: It does not.
RESTING: Final = frozenset({NORMAL, RETURNED})


def state_of(previous: Transition | None) -> str:
    """The state that the last transition left; without one, normal."""
    return NORMAL if previous is None else previous.new


def is_active(previous: Transition | None) -> bool:
    """Whether the condition holds, as far as is on record."""
    return state_of(previous) in ACTIVE


def was_raised(transition: Transition) -> bool:
    """Whether a transition raises, or announces again, what somebody has to look at."""
    return transition.new == UNACKNOWLEDGED


def step(
    site: str,
    alarm: AlarmId,
    previous: Transition | None,
    finding: Finding,
    now_ms: int,
    speaker: Speaker,
    muted: str = "",
) -> Transition | None:
    """The transition that is due now; None: none is.

    It is dated now, whatever the age of the readings behind it: nothing is raised in the past.
    muted  why nobody is to be told; once that ends, what is still unacknowledged is announced again
    """
    if finding.verdict is None or (previous is not None and now_ms < previous.time_ms):
        return None
    old = state_of(previous)
    new = _next(alarm, old, finding, previous, now_ms, muted)
    if new is None:
        return None
    reason = (
        finding.said if new != UNACKNOWLEDGED or old not in ACTIVE else say("Still so: {now}", now=said([finding.said]))
    )
    return transition(site, str(alarm), now_ms, old, new, reason, speaker, evidence=finding.evidence, muted=muted)


def _next(
    alarm: AlarmId, old: str, finding: Finding, previous: Transition | None, now_ms: int, muted: str
) -> str | None:
    kind = alarm.kind
    if not finding.verdict:
        over = old in ACTIVE and finding.held_ms >= kind.off_delay_ms
        return (NORMAL if old == ACKNOWLEDGED else RETURNED) if over else None
    if old not in ACTIVE:
        return UNACKNOWLEDGED if finding.held_ms >= kind.on_delay_ms else None
    if previous is None:
        return None
    announce = old == UNACKNOWLEDGED and previous.muted and not muted
    forgotten = old == ACKNOWLEDGED and now_ms - previous.time_ms >= kind.realarm_ms
    return UNACKNOWLEDGED if announce or forgotten else None


def acknowledged(previous: Transition) -> str | None:
    """The state after an acknowledgement; None: there is nothing to acknowledge."""
    return {UNACKNOWLEDGED: ACKNOWLEDGED, RETURNED: NORMAL}.get(previous.new)


def retire(previous: Transition, now_ms: int, speaker: Speaker) -> Transition | None:
    """Clear an active alarm about something that the site file no longer has."""
    if previous.new not in ACTIVE:
        return None
    reason = say("No longer watched: the site file does not have it any more.")
    return transition(previous.site, previous.alarm, now_ms, previous.new, NORMAL, reason, speaker)


def transition(
    site: str,
    alarm: str,
    now_ms: int,
    old: str,
    new: str,
    reason: Saying,
    speaker: Speaker,
    *,
    who: str = "",
    evidence: tuple[Evidence, ...] = (),
    muted: str = "",
) -> Transition:
    """A transition with its reason as a saying and, spoken, in English."""
    return Transition(
        site, alarm, now_ms, old, new, speaker.say(reason), said=reason, who=who, evidence=evidence, muted=muted
    )
