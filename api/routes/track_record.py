"""How good the forecasts of a site have been."""

from __future__ import annotations

from typing import Annotated, Final

from fastapi import APIRouter, Query

from api.access.needs import needs
from api.access.scope import READ
from api.routes.span import span
from api.schemas import Instant
from api.service import ServiceDep, SiteDep
from api.speech import Speaker
from api.track_schema import TrackRecordOut, track_out
from forecast.track import TRACK_DAYS, record_of
from forecast.track_sayings import track_sayings
from ingest.instants import DAY_MS

router = APIRouter(tags=["forecast"])

SHOWN_MS: Final = TRACK_DAYS * DAY_MS


@router.get(
    "/sites/{site}/track-record", dependencies=[needs(READ)], summary="How good the forecasts of a site have been"
)
def track_record(
    site: SiteDep,
    service: ServiceDep,
    start: Annotated[
        Instant | None, Query(description="Forecasts issued from this instant on; absent: 90 days.")
    ] = None,
    end: Annotated[Instant | None, Query(description="Up to, not including, this instant; absent: now.")] = None,
) -> TrackRecordOut:
    start_ms, end_ms = span(start, end, service.clock() + 1, SHOWN_MS)
    record = record_of(service.records, site.id, start_ms, end_ms, service.clock())
    speaker = Speaker(site.zone)
    return track_out(site.id, record, [speaker.say(saying) for saying in track_sayings(record)])
