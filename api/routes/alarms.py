"""The alarms of a site: their present state and how it came about."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from api.alarms.lifecycle import ACTIVE, state_of
from api.alarms.types import PRIORITIES, AlarmId, alarms_of
from api.schemas import AlarmList, AlarmOut, TransitionOut
from api.service import ServiceDep, SiteDep
from ingest.instants import to_rfc3339
from ingest.store.records import Transition

router = APIRouter(tags=["alarms"])


@router.get("/sites/{site}/alarms", summary="Alarms: present states and recent changes")
def alarms(
    site: SiteDep,
    service: ServiceDep,
    before: Annotated[int | None, Query(ge=1, description="Only changes with a lower id: to page on.")] = None,
    limit: Annotated[int, Query(ge=1, le=1_000, description="At most so many changes.")] = 100,
) -> AlarmList:
    last = service.records.last_transitions(site.id)
    known = [_alarm(alarm, last.get(str(alarm))) for alarm in alarms_of(site)]
    known.sort(key=lambda alarm: (alarm.state != ACTIVE, PRIORITIES.index(alarm.priority)))
    changes = service.records.transitions(site.id, before_id=before, limit=limit)
    return AlarmList(site=site.id, alarms=known, transitions=[_transition(change) for change in changes])


def _alarm(alarm: AlarmId, last: Transition | None) -> AlarmOut:
    return AlarmOut(
        alarm=str(alarm),
        title=alarm.title,
        state="active" if state_of(last) == ACTIVE else "normal",
        since=None if last is None else to_rfc3339(last.time_ms),
        reason=None if last is None else last.reason,
        priority=alarm.kind.priority,
        cause=alarm.kind.cause,
        consequence=alarm.kind.consequence,
        action=alarm.kind.action,
        respond_within_h=alarm.kind.respond_within_h,
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
