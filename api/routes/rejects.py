"""Messages that could not become readings, and why: for whoever sets a device up."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from api.access.needs import needs
from api.access.scope import READ
from api.routes.paging import CursorQuery, Whole, cursor_of, marks_in
from api.schemas import RejectList, RejectOut
from api.service import ServiceDep
from ingest.instants import to_rfc3339

router = APIRouter(tags=["readings"])

#: So much of a refused message is shown.
_SHOWN_BYTES = 200
_QUESTION = "rejects"


@router.get("/rejects", dependencies=[needs(READ)], summary="Refused messages, newest first")
def rejects(
    service: ServiceDep,
    cursor: CursorQuery = None,
    limit: Annotated[Whole, Query(ge=1, le=1_000, description="At most so many. [1]", examples=[50])] = 50,
) -> RejectList:
    before = None if cursor is None else marks_in(cursor, _QUESTION, 2)
    found = service.readings.rejects(limit + 1, None if before is None else (before[0], before[1]))
    last = found[limit - 1] if len(found) > limit else None
    return RejectList(
        next=None if last is None else cursor_of(_QUESTION, last.time_ms, last.id),
        rejects=[
            RejectOut(
                time=to_rfc3339(reject.time_ms),
                topic=reject.topic,
                reason=reject.reason,
                payload=reject.payload[:_SHOWN_BYTES].decode("utf-8", "backslashreplace"),
            )
            for reject in found[:limit]
        ],
    )
