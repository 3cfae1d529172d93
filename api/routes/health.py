"""Is the process alive, can it answer, and what is wrong."""

from __future__ import annotations

import logging

from fastapi import APIRouter, Response

from api.access.needs import OPEN, needs
from api.access.scope import READ
from api.current import read_forecast
from api.schemas import Live, Ready, SiteHealth
from api.service import Service, ServiceDep
from api.speech import Speaker
from api.words import duration
from ingest.errors import StoreError
from ingest.instants import SECOND_MS
from ingest.site import Site

router = APIRouter(tags=["health"])
log = logging.getLogger("ullage.api")


@router.get("/health/live", dependencies=[OPEN], summary="The process runs")
def live() -> Live:
    return Live(status="live")


@router.get("/health/ready", dependencies=[needs(READ)], summary="The stores are within reach; how fresh the data is")
def ready(service: ServiceDep, response: Response) -> Ready:
    """503 only when a store is out of reach: stale data is a fault of the site, and still to be shown."""
    problems = _unreachable(service)
    if not problems:
        try:
            sites = [_health(site, service, problems) for site in service.sites.values()]
        except StoreError as error:
            log.warning("not ready: %s", error)
            problems = ["A store went out of reach just now; see the service's log."]
        else:
            return Ready(status="ready", problems=problems, sites=sites)
    response.status_code = 503
    return Ready(status="not ready", problems=problems, sites=[])


def _unreachable(service: Service) -> list[str]:
    problems = []
    for name, store in (("readings", service.readings), ("records", service.records)):
        try:
            store.ping()
        except StoreError as error:
            log.warning("not ready: %s store: %s", name, error)
            problems.append(f"The {name} store cannot be used; see the service's log.")
    return problems


def _health(site: Site, service: Service, problems: list[str]) -> SiteHealth:
    """The ages of one site's data; adds to `problems` what is too old."""
    now_ms = service.clock()
    newest_ms = max((reading.time_ms for reading in service.readings.latest(site.id, now_ms).values()), default=None)
    forecast = read_forecast(site.id, service.records, now_ms, service.settings)
    if newest_ms is None:
        problems.append(f"{site.id}: no reading yet.")
    elif site.sensor and now_ms - newest_ms > min(service.settings.stale_after_ms(s.every_s) for s in site.sensor):
        problems.append(f"{site.id}: the newest reading is {duration(now_ms - newest_ms)} old.")
    if forecast is None:
        problems.append(f"{site.id}: no forecast yet.")
    elif forecast.stale:
        reasons = "; ".join(map(Speaker(site.zone).say, forecast.doubts))
        problems.append(f"{site.id}: the newest forecast, {duration(forecast.age_ms)} old, is stale: {reasons}.")
    return SiteHealth(
        site=site.id,
        newest_reading_age_s=None if newest_ms is None else (now_ms - newest_ms) / SECOND_MS,
        newest_forecast_age_s=None if forecast is None else forecast.age_ms / SECOND_MS,
    )
