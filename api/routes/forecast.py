"""The newest forecast of a site."""

from __future__ import annotations

from fastapi import APIRouter

from api.access.needs import needs
from api.access.scope import READ
from api.current import read_forecast
from api.forecast_schema import ForecastOut, forecast_out
from api.problems import ProblemError
from api.service import ServiceDep, SiteDep
from api.speech import Speaker

router = APIRouter(tags=["forecast"])


@router.get("/sites/{site}/forecast", dependencies=[needs(READ)], summary="The newest forecast")
def forecast(site: SiteDep, service: ServiceDep) -> ForecastOut:
    current = read_forecast(site.id, service.records, service.clock(), service.settings)
    if current is None:
        detail = (
            "No forecast of this site has been issued that can be read. The forecast worker issues one when it has "
            "heard a level of each tank: see whether it runs, and what its log says."
        )
        raise ProblemError(404, "no-forecast", "No forecast yet", detail)
    return forecast_out(current, Speaker(site.zone))
