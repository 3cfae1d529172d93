"""The newest forecast of a site."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import Response

from api.access.needs import needs
from api.access.scope import READ
from api.conditional import tag_of, unchanged
from api.copies import copy_response
from api.current import read_forecast
from api.forecast_schema import ForecastOut, forecast_out
from api.problems import ProblemError
from api.service import ServiceDep, SiteDep
from api.speech import Speaker

router = APIRouter(tags=["forecast"])


@router.get(
    "/sites/{site}/forecast", dependencies=[needs(READ)], summary="The newest forecast", response_model=ForecastOut
)
def forecast(request: Request, site: SiteDep, service: ServiceDep) -> Response:
    """Its age is the time since `issued`. The document is large and changes when one is issued: ask with its tag."""
    now_ms = service.clock()
    issued_ms = service.records.latest_forecast_ms(site.id)
    late = issued_ms is not None and now_ms - issued_ms > service.settings.stale_forecast_ms
    tag = tag_of("forecast", site.id, issued_ms, late)
    packed = service.copies.get(tag)
    if packed is None:
        current = None if issued_ms is None else read_forecast(site.id, service.records, now_ms, service.settings)
        if current is None:
            detail = (
                "No forecast of this site has been issued that can be read. The forecast worker issues one when it has "
                "heard a level of each tank: see whether it runs, and what its log says."
            )
            raise ProblemError(404, "no-forecast", "No forecast yet", detail)
        body = forecast_out(current, Speaker(site.zone)).model_dump_json().encode()
        packed = service.copies.put(tag, body)
    return unchanged(request, tag) or copy_response(request, tag, packed)
