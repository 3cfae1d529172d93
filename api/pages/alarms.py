"""An alarm as the pages show it: what is so, since when, what it means, and who is not told of it. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from api.alarms.lifecycle import ACKNOWLEDGED, RETURNED, UNACKNOWLEDGED
from api.alarms.muting import BY_DESIGN, FOLDED, OUT_OF_SERVICE, SHELVED, Mute
from api.alarms.standing import Standing
from api.alarms.types import PRIORITIES, Priority
from ingest import saying
from ingest.instants import HOUR_MS
from ingest.saying import Saying, Sentence, say

#: A shape for each urgency, so that colour is never the only sign.
SHAPES: Final[dict[Priority, str]] = {"high": "▲", "medium": "◆", "low": "●"}
_HEADS: Final[dict[Priority, Saying]] = {
    "high": say("Alarm, high priority:"),
    "medium": say("Alarm, medium priority:"),
    "low": say("Alarm, low priority:"),
}


@dataclass(frozen=True)
class AlarmLine:
    """One alarm to look at.

    alarm     its name in forms
    head      its urgency in words; title: what it says; since: from when on
    reason    with its figures; consequence: what happens if nobody acts
    notes     who knows, who is not told, whether it chatters, what was written down
    action    what to do, within so long
    holds     its condition holds; else it is over, and nobody has acknowledged it
    unseen    nobody has acknowledged it
    muted     somebody decided that nobody is told
    rank      0 the most urgent
    """

    alarm: str
    shape: str
    head: Saying
    title: Saying
    since: Saying
    reason: Sentence
    consequence: Saying
    notes: list[Saying]
    action: Saying
    within: Saying
    holds: bool
    unseen: bool
    muted: bool
    shelved: bool
    rank: int


def alarm_lines(standings: Sequence[Standing]) -> list[AlarmLine]:
    """What somebody has to look at, in the order of `standings`: active, or over and unacknowledged."""
    shown = [entry for entry in standings if entry.last is not None and (entry.active or entry.state == RETURNED)]
    return [_line(entry) for entry in shown if not entry.folded_under or not entry.active]


def _line(entry: Standing) -> AlarmLine:
    kind, last, mute = entry.alarm.kind, entry.last, entry.mute
    assert last is not None  # noqa: S101 - only what has changed is shown
    muted = mute is not None
    since = saying.instant(entry.raised_ms if entry.active and entry.raised_ms is not None else last.time_ms)
    return AlarmLine(
        alarm=str(entry.alarm),
        shape=SHAPES[kind.priority] if entry.active else "○",
        head=_HEADS[kind.priority] if entry.active else say("Over:"),
        title=entry.wording.title,
        since=say("since {time}", time=since) if entry.active else say("over since {time}", time=since),
        reason=last.said or last.reason,
        consequence=entry.wording.consequence,
        notes=_notes(entry),
        action=entry.wording.action,
        within=say("within {time}", time=saying.duration(round(kind.respond_within_h * HOUR_MS))),
        holds=entry.active,
        unseen=entry.state in (UNACKNOWLEDGED, RETURNED),
        muted=muted,
        shelved=mute is not None and mute.kind == SHELVED,
        rank=PRIORITIES.index(kind.priority) + (3 if muted or not entry.active else 0),
    )


def _notes(entry: Standing) -> list[Saying]:
    said = []
    if entry.state == ACKNOWLEDGED and entry.last is not None and entry.last.who:
        time = saying.instant(entry.last.time_ms)
        said.append(say("Acknowledged by {who}, {time}.", who=saying.name(entry.last.who), time=time))
    if entry.state == RETURNED:
        said.append(say("Nobody has acknowledged it."))
    if entry.mute is not None:
        said.append(_muted(entry.mute))
    if entry.chattering:
        said.append(say("It comes and goes: three times or more within a day."))
    if entry.note is not None:
        note = entry.note
        said.append(
            say(
                "{who}, {time}: {note}",
                who=saying.name(note.who),
                time=saying.instant(note.time_ms),
                note=saying.name(note.why),
            )
        )
    return said


def _muted(mute: Mute) -> Saying:
    by = {"who": saying.name(mute.who), "why": saying.name(mute.why)}
    if mute.kind == SHELVED:
        until = saying.instant(mute.until_ms or 0)
        return say("Shelved by {who} until {until}, nobody is told: {why}", until=until, **by)
    if mute.kind == OUT_OF_SERVICE:
        return say("Taken out of service by {who}, nobody is told: {why}", **by)
    if mute.kind == BY_DESIGN:
        return say("Silent at this time of year, decided by {who}: {why}", **by)
    assert mute.kind == FOLDED  # noqa: S101
    return say("Follows from {alarm}: nobody is told of it by itself.", alarm=saying.name(mute.under))
