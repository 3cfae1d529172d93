"""What an alarm type declares: to the person it wakes, and to the engine that times it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

from ingest.instants import DAY_MS
from ingest.saying import Saying, name, say
from ingest.site import Site

Priority = Literal["high", "medium", "low"]
PRIORITIES: Final[tuple[Priority, ...]] = ("high", "medium", "low")


@dataclass(frozen=True, kw_only=True)
class AlarmType:
    """One kind of alarm.

    title         what it says; `{part}` is the tank, roof, device or task
    action_with_backup  what to do where there is a backup supply; empty: the same
    on_delay_ms   the condition must have held so long before it is raised [ms]
    off_delay_ms  and must have been gone so long before it is cleared [ms]
    realarm_ms    acknowledged, and still so after this long, it is announced again [ms]
    cycle_ms      the physical turn that the delays have to match: within it, one cause is one alarm [ms]
    bridge_ms     longest silence across which "held" and "gone" are taken on trust; a longer gap
                  starts the count anew [ms]
    deadband      how far past the threshold the value must go back, in the unit named beside it
    """

    key: str
    title: str
    cause: str
    consequence: str
    action: str
    action_with_backup: str = ""
    respond_within_h: float
    priority: Priority
    on_delay_ms: int
    off_delay_ms: int
    realarm_ms: int = 3 * DAY_MS
    cycle_ms: int = DAY_MS
    bridge_ms: int = 0
    deadband: float = 0.0
    deadband_unit: str = "none"


class AlarmId(NamedTuple):
    """One alarm of a site: a type, and the tank, roof, device or task it is about."""

    kind: AlarmType
    part: str = ""

    def __str__(self) -> str:
        return f"{self.kind.key}:{self.part}" if self.part else self.kind.key

    @property
    def title(self) -> str:
        """What it says, in English."""
        return self.kind.title.format(part=self.part)


class Wording(NamedTuple):
    """What an alarm says to whom it wakes, to be spoken in any language."""

    title: Saying
    cause: Saying
    consequence: Saying
    action: Saying


def wording(alarm: AlarmId, site: Site | None) -> Wording:
    """The words of an alarm at a site; one without a backup supply is not told to open it."""
    kind = alarm.kind
    title = say(kind.title, part=name(alarm.part)) if "{part}" in kind.title else say(kind.title)
    backup = site is not None and site.backup is not None
    action = kind.action_with_backup if backup and kind.action_with_backup else kind.action
    return Wording(title, say(kind.cause), say(kind.consequence), say(action))
