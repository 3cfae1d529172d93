"""What people wrote down: upkeep and when it is due again, and which supply is open. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from api.alarms.kinds import BackupStands
from api.current import SiteState
from api.pages.statement import Statement, measured
from ingest import saying
from ingest.instants import DAY_MS
from ingest.saying import Saying, Sentence, say
from ingest.site import Site
from ingest.store.records import LogEntry

#: So far back the log is read.
LOG_MS: Final = 3 * 366 * DAY_MS
#: A switch tells 0 or 1.
_OPEN: Final = 0.5


@dataclass(frozen=True)
class Task:
    """A regular upkeep task.

    said    when it is due and when it was done
    due_ms  when it is due [ms]; None: it was never written down, so nobody knows
    """

    id: str
    said: Saying
    due_ms: int | None

    def is_due(self, now_ms: int) -> bool:
        return self.due_ms is not None and self.due_ms <= now_ms


@dataclass(frozen=True)
class Supply:
    """Which supply is open.

    open       whether the backup is; None: nobody knows
    by_sensor  its sensor says so, and nobody's word
    """

    open: bool | None
    said: Statement
    by_sensor: bool = False

    @property
    def stands(self) -> BackupStands | None:
        """The same for the words of alarms."""
        return None if self.open is None else BackupStands(self.open, self.by_sensor)


def tasks_of(site: Site, log: Sequence[LogEntry]) -> list[Task]:
    """Each upkeep task of the site file, with what the log says of it."""
    return [_task(task.id, round(task.every_days * DAY_MS), log) for task in site.upkeep]


def supply(state: SiteState, log: Sequence[LogEntry]) -> Supply | None:
    """Which supply is open, by a sensor that is heard, else as far as anybody has written down; None: no backup."""
    if state.site.backup is None:
        return None
    backup = saying.name(state.site.backup.id)
    sensor = state.measuring("backup.open")
    if sensor is not None and sensor.reading is not None and not sensor.stale:
        stands_open = sensor.reading.value >= _OPEN
        text = (
            say("The {backup} is open.", backup=backup)
            if stands_open
            else say("The {backup} is closed.", backup=backup)
        )
        return Supply(stands_open, Statement(text, measured(sensor)), by_sensor=True)
    last = max((e for e in log if e.kind in ("backup-opened", "backup-closed")), key=_time, default=None)
    if last is None:
        text = say("Nobody has written down whether the {backup} is open or closed.", backup=backup)
        return Supply(None, Statement(text, missing=True))
    known = {"backup": backup, "time": saying.instant(last.time_ms), "who": saying.name(last.who)}
    if last.kind == "backup-opened":
        text = say("The {backup} is open since {time}, written down by {who}.", **known)
        return Supply(True, Statement(text))
    text = say("Rain water alone: the {backup} is closed since {time}, written down by {who}.", **known)
    return Supply(False, Statement(text))


def never_written(site: Site, supply: Supply | None, tasks: Sequence[Task]) -> Saying | None:
    """What is not known because nobody has written it down, to be done at a visit; None: all of it was."""
    lacking: list[Sentence] = []
    if site.backup is not None and supply is not None and supply.open is None:
        lacking.append(say("whether the {backup} is open", backup=saying.name(site.backup.id)))
    undated = [task.id for task in tasks if task.due_ms is None]
    if undated:
        lacking.append(say("when last done: {tasks}", tasks=saying.names(undated)))
    if not lacking:
        return None
    return say("At the next visit, write down: {what}.", what=saying.said(lacking))


def _task(task: str, every_ms: int, log: Sequence[LogEntry]) -> Task:
    name = saying.name(task)
    last = max((entry for entry in log if entry.kind == "upkeep" and entry.part == task), key=_time, default=None)
    if last is None:
        return Task(task, say("{task}: never written down as done.", task=name), None)
    due_ms = last.time_ms + every_ms
    said = say(
        "{task}: due {due}; last done {done} by {who}.",
        task=name,
        due=saying.day(due_ms),
        done=saying.day(last.time_ms),
        who=saying.name(last.who),
    )
    return Task(task, said, due_ms)


def _time(entry: LogEntry) -> int:
    return entry.time_ms
