"""Messages that could not become readings, and why: for whoever sets a device up."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from api.access.needs import needs
from api.access.scope import READ
from api.schemas import RejectList, RejectOut
from api.service import ServiceDep
from ingest.instants import to_rfc3339

router = APIRouter(tags=["readings"])

#: So much of a refused message is shown.
_SHOWN_BYTES = 200


@router.get("/rejects", dependencies=[needs(READ)], summary="Refused messages, newest first")
def rejects(
    service: ServiceDep,
    limit: Annotated[int, Query(ge=1, le=1_000, description="At most so many.")] = 50,
) -> RejectList:
    return RejectList(
        rejects=[
            RejectOut(
                time=to_rfc3339(reject.time_ms),
                topic=reject.topic,
                reason=reject.reason,
                payload=reject.payload[:_SHOWN_BYTES].decode("utf-8", "backslashreplace"),
            )
            for reject in service.readings.rejects(limit)
        ]
    )
