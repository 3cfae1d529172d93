"""What people did on site: the model asks for it, and so do people."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Final

from fastapi import APIRouter, Query, Response

from api.access.needs import CallerDep, needs
from api.access.scope import ACKNOWLEDGE, READ
from api.commissioning.figures import figure_of
from api.commissioning.hand import compares, is_amount
from api.commissioning.written import range_of
from api.problems import refused
from api.routes.paging import CursorQuery, Whole, cursor_of, marks_in
from api.routes.span import span
from api.schemas import Instant, LogIn, LogList, LogOut
from api.service import ServiceDep, SiteDep
from ingest.instants import DAY_MS, MINUTE_MS, from_rfc3339, to_rfc3339
from ingest.saying import Saying, name, say
from ingest.site import Site
from ingest.store.records import LogEntry

router = APIRouter(tags=["log"])

SHOWN_MS: Final = 90 * DAY_MS
#: A phone's clock may be ahead of ours.
AHEAD_MS: Final = 5 * MINUTE_MS


@router.get("/sites/{site}/log", dependencies=[needs(READ)], summary="What people did on site, oldest first")
def entries(
    site: SiteDep,
    service: ServiceDep,
    start: Annotated[Instant | None, Query(description="From this instant on; absent: 90 days before `end`.")] = None,
    end: Annotated[Instant | None, Query(description="Up to, not including, this instant; absent: now.")] = None,
    cursor: CursorQuery = None,
    limit: Annotated[Whole, Query(ge=1, le=1_000, description="At most so many entries. [1]", examples=[100])] = 1_000,
) -> LogList:
    # An entry made just now is part of what was done up to now.
    start_ms, end_ms = span(start, end, service.clock() + 1, SHOWN_MS)
    question, skip = f"log {site.id}", 0
    if cursor is not None:
        start_ms, end_ms, skip = marks_in(cursor, question, 3)
    kept = service.records.log(site.id, start_ms, end_ms)[max(0, skip) :]
    return LogList(
        site=site.id,
        start=to_rfc3339(start_ms),
        end=to_rfc3339(end_ms),
        entries=[_out(entry) for entry in kept[:limit]],
        next=None if len(kept) <= limit else _next(question, kept, limit, end_ms),
    )


@router.post(
    "/sites/{site}/log",
    status_code=201,
    dependencies=[needs(ACKNOWLEDGE)],
    responses={200: {"model": LogOut, "description": "This very entry is here already."}},
    summary="Write down what was done on site",
)
def append(site: SiteDep, service: ServiceDep, caller: CallerDep, entry: LogIn, response: Response) -> LogOut:
    """Sending the same entry with the same `time` again keeps one, and answers 200."""
    now_ms = service.clock()
    time_ms = now_ms if entry.time is None else from_rfc3339(entry.time)
    if time_ms > now_ms + AHEAD_MS:
        raise refused(("body.time", say("a time that is not in the future")))
    _check_part(site, entry)
    kept = LogEntry(site.id, time_ms, entry.kind, entry.part, entry.who or caller.name, entry.note, entry.value)
    if kept in service.records.log(site.id, time_ms, time_ms + 1):
        response.status_code = 200
    else:
        service.records.append_log(kept)
    return _out(kept)


def _next(question: str, kept: Sequence[LogEntry], limit: int, end_ms: int) -> str:
    """On from the first that is not shown, past those of the same instant that are."""
    start_ms = kept[limit].time_ms
    return cursor_of(question, start_ms, end_ms, sum(entry.time_ms == start_ms for entry in kept[:limit]))


def _check_part(site: Site, entry: LogIn) -> None:
    """The part must be one of the site's, or the entry would tell the model nothing."""
    _check_value(site, entry)
    match entry.kind:
        case "note":
            if not entry.note:
                raise refused(("body.note", say("some text")))
            return
        case "first-flush-emptied":
            parts = [roof.id for roof in site.roof if roof.first_flush is not None]
        case "backup-opened" | "backup-closed":
            parts = [] if site.backup is None else [site.backup.id]
        case "tank-filled" | "tank-drained":
            parts = [tank.id for tank in site.tank]
        case "measured":
            parts = [sensor.id for sensor in site.sensor]
        case "upkeep":
            parts = [task.id for task in site.upkeep]
    if entry.part not in parts:
        raise refused(("body.part", _one_of(parts)))


def _one_of(parts: Sequence[str]) -> Saying:
    if not parts:
        return say("one of: this site has nothing of the kind")
    return say("one of: {parts}", parts=name(", ".join(parts)))


def _check_value(site: Site, entry: LogIn) -> None:
    if (entry.value is not None) != (entry.kind == "measured"):
        raise refused(("body.value", say("a number where something was measured by hand, and only there")))
    sensor = next((one for one in site.sensor if one.id == entry.part), None)
    if entry.value is not None and sensor is not None and not is_amount(sensor):
        low, high = range_of(sensor, site)
        if not low <= entry.value <= high:
            unit = sensor.quantity.unit
            raise refused(("body.value", say("{low} to {high}", low=figure_of(unit, low), high=figure_of(unit, high))))
    if entry.value is not None and not compares(site, entry.part, entry.value):
        raise refused(("body.value", say("a known amount above 0 that ran through: nothing compares with nothing")))


def _out(entry: LogEntry) -> LogOut:
    return LogOut(
        time=to_rfc3339(entry.time_ms),
        kind=entry.kind,
        part=entry.part,
        who=entry.who,
        note=entry.note,
        value=entry.value,
    )
