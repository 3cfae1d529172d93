"""What an alarm type declares: to the person it wakes, and to the engine that times it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

from ingest.instants import DAY_MS
from ingest.saying import Saying, name, said, say
from ingest.site import Site

Priority = Literal["high", "medium", "low"]
PRIORITIES: Final[tuple[Priority, ...]] = ("high", "medium", "low")


@dataclass(frozen=True, kw_only=True)
class AlarmType:
    """One kind of alarm.

    title         what it says; `{part}` is the tank, roof, device or task
    action_with_backup  what to do where there is a backup supply; empty: the same
    action_backup_open  where that is known to be open, `{source}` saying so; empty: as with a backup
    action_backup_shut  where it is known to be shut; empty: as with a backup
    consequence_lifepo4, action_lifepo4  where the battery is of lithium iron phosphate; empty: the same
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
    action_backup_open: str = ""
    action_backup_shut: str = ""
    consequence_lifepo4: str = ""
    action_lifepo4: str = ""
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


class BackupStands(NamedTuple):
    """Whether the backup supply is open, by its sensor or by what people wrote down."""

    open: bool
    by_sensor: bool


_SOURCES: Final = {True: say("its sensor"), False: say("the site's log")}


class Wording(NamedTuple):
    """What an alarm says to whom it wakes, to be spoken in any language."""

    title: Saying
    cause: Saying
    consequence: Saying
    action: Saying


def wording(alarm: AlarmId, site: Site | None, backup: BackupStands | None = None) -> Wording:
    """The words of an alarm at a site; one without a backup supply is not told to open it.

    backup  whether it stands open; None: not known
    """
    kind = alarm.kind
    title = say(kind.title, part=name(alarm.part)) if "{part}" in kind.title else say(kind.title)
    lithium = site is not None and site.battery is not None and site.battery.chemistry == "lifepo4"
    consequence = kind.consequence_lifepo4 if lithium and kind.consequence_lifepo4 else kind.consequence
    action = say(kind.action_lifepo4) if lithium and kind.action_lifepo4 else _action(kind, site, backup)
    return Wording(title, say(kind.cause), say(consequence), action)


def _action(kind: AlarmType, site: Site | None, backup: BackupStands | None) -> Saying:
    if site is None or site.backup is None or not kind.action_with_backup:
        return say(kind.action)
    if backup is not None:
        known = kind.action_backup_open if backup.open else kind.action_backup_shut
        if known:
            return say(known, source=said([_SOURCES[backup.by_sensor]]))
    return say(kind.action_with_backup)
