"""The app factory: routes, pages, errors and headers around the stores that are handed in."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib.metadata import PackageNotFoundError, version

from fastapi import APIRouter, FastAPI
from starlette.middleware.gzip import GZipMiddleware

from api import problems
from api.headers import SecurityHeaders, security_headers
from api.pages import views
from api.pages.templates import STYLE, error_page
from api.routes import alarms, forecast, health, log, outlook, rejects, track_record
from api.routes import readings as readings_routes
from api.routes import sites as sites_routes
from api.service import Service
from api.settings import Settings
from ingest.site import Site
from ingest.store.readings import ReadingStore
from ingest.store.records import Records

PREFIX = "/api/v1"


def create_app(
    sites: Mapping[str, Site], readings: ReadingStore, records: Records, clock: Callable[[], int], settings: Settings
) -> FastAPI:
    """The web application. clock: UTC now [ms]. It keeps nothing between requests."""
    headers = security_headers(STYLE)
    app = FastAPI(
        title="Ullage",
        summary="How much water there is, how much room, and how long until there is none of either.",
        version=_version(),
        openapi_url=f"{PREFIX}/openapi.json",
        docs_url=None,  # the interactive pages load scripts from elsewhere
        redoc_url=None,
    )
    app.state.service = Service(sites, readings, records, clock, settings)
    problems.install(app, error_page, headers)
    problems.document(app)
    app.add_middleware(GZipMiddleware, minimum_size=500)
    app.add_middleware(SecurityHeaders, headers=headers)
    app.include_router(_api())
    app.include_router(views.router)
    return app


def _api() -> APIRouter:
    api = APIRouter(prefix=PREFIX, responses=problems.RESPONSES)
    for part in (sites_routes, readings_routes, forecast, outlook, track_record, alarms, log, rejects, health):
        api.include_router(part.router)
    return api


def _version() -> str:
    try:
        return version("ullage")
    except PackageNotFoundError:  # run from a checkout that is not installed
        return "0"
