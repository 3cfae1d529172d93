"""What people wrote down: upkeep and when it is due again, and which supply is open. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from api.pages.statement import Statement
from ingest import saying
from ingest.instants import DAY_MS
from ingest.saying import Saying, say
from ingest.site import Site
from ingest.store.records import LogEntry

#: So far back the log is read.
LOG_MS: Final = 3 * 366 * DAY_MS


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


def tasks_of(site: Site, log: Sequence[LogEntry]) -> list[Task]:
    """Each upkeep task of the site file, with what the log says of it."""
    return [_task(task.id, round(task.every_days * DAY_MS), log) for task in site.upkeep]


def supply(site: Site, log: Sequence[LogEntry]) -> list[Statement]:
    """Which supply is open, as far as anybody has written down; nothing where there is no backup."""
    if site.backup is None:
        return []
    backup = saying.name(site.backup.id)
    last = max((e for e in log if e.kind in ("backup-opened", "backup-closed")), key=_time, default=None)
    if last is None:
        text = say("Nobody has written down whether the {backup} is open or closed.", backup=backup)
        return [Statement(text, missing=True)]
    known = {"backup": backup, "time": saying.instant(last.time_ms), "who": saying.name(last.who)}
    if last.kind == "backup-opened":
        return [Statement(say("The {backup} is open since {time}, written down by {who}.", **known))]
    return [Statement(say("Rain water alone: the {backup} is closed since {time}, written down by {who}.", **known))]


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
