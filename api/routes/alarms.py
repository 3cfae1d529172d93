"""Alarms of a site and of the installation: how they stand, how that came about, and what people do about them."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Annotated, Final
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Depends, Path, Query

from api.access.needs import CallerDep, needs
from api.access.scope import ACKNOWLEDGE, READ
from api.alarm_schema import (
    Acknowledge,
    ActionIn,
    ActionList,
    AlarmList,
    AlarmOut,
    Shelve,
    Suppress,
    TransitionList,
)
from api.alarms import actions
from api.alarms.standing import Standing, standings
from api.problems import ProblemError
from api.routes.alarm_out import action_out, alarm_out, transition_out
from api.routes.paging import CursorQuery, Whole, cursor_of, marks_in
from api.service import Service, ServiceDep, site_of
from api.speech import Speaker
from ingest.instants import from_rfc3339
from ingest.site import Site
from ingest.watch import BROKER_SITE

router = APIRouter(tags=["alarms"])

_Alarm = Annotated[
    str, Path(max_length=100, description="The alarm: TYPE or TYPE:PART.", examples=["nothing-heard:post-1"])
]
_Limit = Annotated[Whole, Query(ge=1, le=1_000, description="At most so many entries. [1]", examples=[100])]


async def _installation() -> Site | None:
    """The place of alarms that concern no one site: the broker, the stores."""
    return None


def _add_routes(prefix: str, place: Callable[..., Awaitable[Site | None]], where: str) -> None:
    """The same routes for a place: a site, or the installation."""
    here = Depends(place)

    @router.get(f"{prefix}/alarms", dependencies=[needs(READ)], summary=f"Every alarm of {where}, and how it stands")
    def alarms(service: ServiceDep, site: Site | None = here) -> AlarmList:
        speaker = _speaker(site)
        found = standings(service.records, site, service.clock())
        return AlarmList(alarms=[alarm_out(standing, speaker) for standing in found])

    @router.get(
        f"{prefix}/alarms/transitions", dependencies=[needs(READ)], summary=f"How alarms of {where} changed their state"
    )
    def transitions(
        service: ServiceDep, site: Site | None = here, cursor: CursorQuery = None, limit: _Limit = 100
    ) -> TransitionList:
        question = f"transitions {_place(site)}"
        before = None if cursor is None else marks_in(cursor, question, 1)[0]
        found = service.records.transitions(_place(site), before_id=before, limit=limit + 1)
        return TransitionList(
            transitions=[transition_out(entry) for entry in found[:limit]],
            next=cursor_of(question, found[limit - 1].id) if len(found) > limit else None,
        )

    @router.get(f"{prefix}/alarms/{{alarm}}/actions", dependencies=[needs(READ)], summary=f"What was decided: {where}")
    def decided(
        service: ServiceDep,
        alarm: _Alarm,
        site: Site | None = here,
        cursor: CursorQuery = None,
        limit: _Limit = 100,
    ) -> ActionList:
        _standing(service, site, alarm)
        question = f"actions {_place(site)} {alarm}"
        before = None if cursor is None else marks_in(cursor, question, 1)[0]
        found = service.records.alarm_actions(_place(site), alarm, before_id=before, limit=limit + 1)
        return ActionList(
            actions=[action_out(entry) for entry in found[:limit]],
            next=cursor_of(question, found[limit - 1].id) if len(found) > limit else None,
        )

    @router.post(
        f"{prefix}/alarms/{{alarm}}/actions",
        dependencies=[needs(ACKNOWLEDGE)],
        summary=f"Acknowledge, shelve, take out of service, annotate: {where}",
    )
    def act(
        service: ServiceDep, caller: CallerDep, alarm: _Alarm, given: ActionIn, site: Site | None = here
    ) -> AlarmOut:
        """Written down under your name, and never changed. The answer is how the alarm stands now."""
        _act(service, site, alarm, given, caller.name)
        return alarm_out(_standing(service, site, alarm), _speaker(site))


_add_routes("/sites/{site}", site_of, "a site")
_add_routes("/installation", _installation, "the installation")

_DECIDE: Final = {
    "unshelve": actions.unshelve,
    "take-out-of-service": actions.take_out_of_service,
    "return-to-service": actions.return_to_service,
    "unsuppress": actions.unsuppress,
    "annotate": actions.annotate,
}


def _act(service: Service, site: Site | None, alarm: str, given: ActionIn, who: str) -> None:
    records, now_ms = service.records, service.clock()
    if isinstance(given, Acknowledge):
        actions.acknowledge(records, site, alarm, who, given.why, now_ms, service.channels)
    elif isinstance(given, Shelve):
        actions.shelve(records, site, alarm, from_rfc3339(given.until), who, given.why, now_ms)
    elif isinstance(given, Suppress):
        actions.suppress(records, site, alarm, given.months, who, given.why, now_ms)
    else:
        _DECIDE[given.kind](records, site, alarm, who, given.why, now_ms)


def _standing(service: Service, site: Site | None, alarm: str) -> Standing:
    found = standings(service.records, site, service.clock())
    for standing in found:
        if str(standing.alarm) == alarm:
            return standing
    known = ", ".join(str(standing.alarm) for standing in found)
    raise ProblemError(404, "unknown-alarm", "No such alarm", f"There is no such alarm here. There is: {known}.")


def _place(site: Site | None) -> str:
    return BROKER_SITE if site is None else site.id


def _speaker(site: Site | None) -> Speaker:
    return Speaker(ZoneInfo("UTC") if site is None else site.zone)
