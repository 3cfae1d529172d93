"""Alarms as the API shows them."""

from __future__ import annotations

from typing import cast

from api.alarm_schema import ActionOut, AlarmOut, AlarmState, EvidenceOut, MuteOut, NoteOut, TransitionOut
from api.alarms.standing import Standing
from api.speech import Speaker
from ingest.instants import to_rfc3339
from ingest.store.records import AlarmAction, Transition


def alarm_out(standing: Standing, speaker: Speaker) -> AlarmOut:
    """How an alarm stands, in English."""
    last, words, kind, mute, note = (
        standing.last,
        standing.wording,
        standing.alarm.kind,
        standing.mute,
        standing.note,
    )
    return AlarmOut(
        alarm=str(standing.alarm),
        title=speaker.say(words.title),
        state=cast(AlarmState, standing.state),
        active=standing.active,
        since=None if last is None else to_rfc3339(last.time_ms),
        raised=_time(standing.raised_ms),
        reason=None if last is None else last.reason,
        who="" if last is None else last.who,
        mute=None
        if mute is None
        else MuteOut(kind=mute.kind, who=mute.who, why=mute.why, until=_time(mute.until_ms), under=mute.under),
        chattering=standing.chattering,
        note=None if note is None else NoteOut(time=to_rfc3339(note.time_ms), who=note.who, note=note.why),
        priority=kind.priority,
        cause=speaker.say(words.cause),
        consequence=speaker.say(words.consequence),
        action=speaker.say(words.action),
        respond_within_h=kind.respond_within_h,
    )


def transition_out(entry: Transition) -> TransitionOut:
    """A change of state with the readings behind it."""
    evidence = [EvidenceOut(sensor=one.sensor, time=to_rfc3339(one.time_ms), value=one.value) for one in entry.evidence]
    return TransitionOut(
        id=entry.id,
        alarm=entry.alarm,
        time=to_rfc3339(entry.time_ms),
        old=entry.old,
        new=entry.new,
        reason=entry.reason,
        who=entry.who,
        evidence=evidence,
        muted=entry.muted,
    )


def action_out(entry: AlarmAction) -> ActionOut:
    """What somebody decided."""
    return ActionOut(
        id=entry.id,
        alarm=entry.alarm,
        time=to_rfc3339(entry.time_ms),
        kind=entry.kind,
        who=entry.who,
        why=entry.why,
        until=_time(entry.until_ms),
        months=list(entry.months),
    )


def _time(time_ms: int | None) -> str | None:
    return None if time_ms is None else to_rfc3339(time_ms)
