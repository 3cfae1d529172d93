"""The alarms of a site: their present state and how it came about."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from api.access.needs import needs
from api.access.scope import READ
from api.alarms.standing import Standing, standings
from api.schemas import AlarmList, AlarmOut, TransitionOut
from api.service import ServiceDep, SiteDep
from api.speech import Speaker
from ingest.instants import to_rfc3339
from ingest.store.records import Transition

router = APIRouter(tags=["alarms"])


@router.get("/sites/{site}/alarms", dependencies=[needs(READ)], summary="Alarms: present states and recent changes")
def alarms(
    site: SiteDep,
    service: ServiceDep,
    before: Annotated[int | None, Query(ge=1, description="Only changes with a lower id: to page on.")] = None,
    limit: Annotated[int, Query(ge=1, le=1_000, description="At most so many changes.")] = 100,
) -> AlarmList:
    speaker = Speaker(site.zone)
    known = [_alarm(standing, speaker) for standing in standings(service.records, site, service.clock())]
    changes = service.records.transitions(site.id, before_id=before, limit=limit)
    return AlarmList(site=site.id, alarms=known, transitions=[_transition(change) for change in changes])


def _alarm(standing: Standing, speaker: Speaker) -> AlarmOut:
    last, words, kind = standing.last, standing.wording, standing.alarm.kind
    return AlarmOut(
        alarm=str(standing.alarm),
        title=speaker.say(words.title),
        state=standing.state,
        since=None if last is None else to_rfc3339(last.time_ms),
        reason=None if last is None else last.reason,
        priority=kind.priority,
        cause=speaker.say(words.cause),
        consequence=speaker.say(words.consequence),
        action=speaker.say(words.action),
        respond_within_h=kind.respond_within_h,
    )


def _transition(change: Transition) -> TransitionOut:
    return TransitionOut(
        id=change.id,
        alarm=change.alarm,
        time=to_rfc3339(change.time_ms),
        old=change.old,
        new=change.new,
        reason=change.reason,
    )
