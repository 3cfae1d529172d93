"""An outlook of the weather from whoever has one: kept for the site, and used by the forecaster while it is fresh."""

from __future__ import annotations

from typing import Annotated, Final

from fastapi import APIRouter, Depends, Request, Response
from pydantic import BaseModel, Field

from api.access.needs import needs
from api.access.scope import CONFIGURE, READ
from api.problems import Problem, ProblemError, refused
from api.schemas import Time
from api.service import ServiceDep, SiteDep
from forecast.outlook.delivery import Delivery
from forecast.outlook.file import MOST_BYTES, parse_document
from ingest.errors import OutlookDocumentError
from ingest.instants import MINUTE_MS, SECOND_MS, to_rfc3339
from ingest.store.outlooks import GivenOutlook, GivenOutlooks

router = APIRouter(tags=["forecast"])

#: The giver's clock may be ahead of ours.
AHEAD_MS: Final = 5 * MINUTE_MS


class OutlookOut(BaseModel):
    """An outlook that somebody gave."""

    site: str = Field(description="Id of the site.", examples=["skerrow-head"])
    issued: Time = Field(description="When its giver made it.")
    received: Time = Field(description="When it came here.")
    age_s: float = Field(description="How old it is now. [s]", examples=[1200.0])
    source: str = Field(description="Who gives it.", examples=["hand-made"])
    start: Time = Field(description="Start of its first interval.")
    end: Time = Field(description="End of its last interval.")
    intervals: int = Field(description="How many intervals of rain it has.", examples=[56])
    members: int = Field(description="How many courses of weather.", examples=[30])


_RESPONSES: Final[dict[int | str, dict[str, object]]] = {
    200: {"model": OutlookOut, "description": "This very document is here already."},
    409: {"model": Problem, "description": "A newer outlook is here already."},
    413: {"model": Problem, "description": "The document is too large."},
}
_INSTANT: Final = {"type": "string", "format": "date-time"}
_VALUES: Final = {
    "type": "array",
    "minItems": 1,
    "items": {"type": ["number", "null"]},
    "description": "One for each member; null: not known.",
}
_INTERVAL: Final = {
    "type": "object",
    "required": ["start", "end", "rain_mm"],
    "additionalProperties": False,
    "properties": {
        "start": _INSTANT,
        "end": _INSTANT,
        "rain_mm": _VALUES,
        "temperature_c": _VALUES,
        "radiation_w_m2": _VALUES,
    },
}
_DOCUMENT: Final = {
    "type": "object",
    "description": "An outlook of the weather: rain [mm] of each interval and member, and what else is known.",
    "example": {
        "issued": "2026-03-01T12:00:00Z",
        "source": "hand-made",
        "intervals": [{"start": "2026-03-01T12:00:00Z", "end": "2026-03-01T18:00:00Z", "rain_mm": [0.0, 1.2, 4.5]}],
    },
    "required": ["issued", "source", "intervals"],
    "additionalProperties": False,
    "properties": {
        "issued": _INSTANT,
        "source": {"type": "string", "minLength": 1, "maxLength": 200},
        "valid_until": {"type": ["string", "null"], "format": "date-time"},
        "intervals": {"type": "array", "minItems": 1, "items": _INTERVAL},
    },
}
#: `forecast.outlook.file` reads the body and names every fault; here it is only described.
_BODY: Final = {"requestBody": {"required": True, "content": {"application/json": {"schema": _DOCUMENT}}}}


async def _body(request: Request) -> bytes:
    """The body, as far as it may be long."""
    parts, length = [], 0
    async for part in request.stream():
        length += len(part)
        if length > MOST_BYTES:
            raise ProblemError(413, "too-large", "Too large", f"An outlook may have at most {MOST_BYTES} bytes.")
        parts.append(part)
    return b"".join(parts)


@router.post(
    "/sites/{site}/outlook",
    status_code=201,
    dependencies=[needs(CONFIGURE)],
    summary="Give an outlook of the weather",
    responses=_RESPONSES,
    openapi_extra=_BODY,
)
def give(site: SiteDep, service: ServiceDep, body: Annotated[bytes, Depends(_body)], response: Response) -> OutlookOut:
    """A document with rain for each member and interval; the forecaster uses it while it is fresh enough.

    It takes the place of the source in the settings until it is 48 hours old. Sending the same document
    again keeps one, and answers 200; one that was issued before the one that is kept is refused.
    """
    now_ms = service.clock()
    try:
        delivery = parse_document(body)
    except OutlookDocumentError as error:
        raise refused(
            *((f"body{problem.key.removeprefix('$')}", problem.expected) for problem in error.problems)
        ) from error
    if delivery.issued_ms > now_ms + AHEAD_MS:
        raise refused(("body.issued", "a time that is not in the future"))
    kept = GivenOutlooks(service.records)
    before = kept.of(site.id)
    if before is not None and before.document == body:
        response.status_code = 200
        return _out(before, delivery, now_ms)
    given = GivenOutlook(site.id, delivery.issued_ms, now_ms, body)
    if not kept.put(given):
        newer = to_rfc3339(before.issued_ms) if before else "later"
        detail = f"The outlook that is kept for this site was issued at {newer}; send one that was issued later."
        raise ProblemError(409, "older-outlook", "A newer outlook is here", detail)
    return _out(given, delivery, now_ms)


@router.get("/sites/{site}/outlook", dependencies=[needs(READ)], summary="The outlook that somebody gave")
def given_outlook(site: SiteDep, service: ServiceDep) -> OutlookOut:
    kept = GivenOutlooks(service.records).of(site.id)
    if kept is None:
        raise ProblemError(404, "no-outlook", "No outlook given", "Nobody has given an outlook for this site.")
    return _out(kept, parse_document(kept.document), service.clock())


def _out(given: GivenOutlook, delivery: Delivery, now_ms: int) -> OutlookOut:
    rain = delivery.rain
    return OutlookOut(
        site=given.site,
        issued=to_rfc3339(given.issued_ms),
        received=to_rfc3339(given.received_ms),
        age_s=(now_ms - given.issued_ms) / SECOND_MS,
        source=delivery.source,
        start=to_rfc3339(int(rain.start_ms.min())),
        end=to_rfc3339(int(rain.end_ms.max())),
        intervals=len(rain.start_ms),
        members=int(rain.values.shape[1]),
    )
