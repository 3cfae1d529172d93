"""The app factory: routes, pages, errors and headers around the stores that are handed in."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from importlib.metadata import PackageNotFoundError, version

from fastapi import APIRouter, FastAPI
from starlette.middleware.gzip import GZipMiddleware
from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware

from api import problems
from api.access.access import Access
from api.access.gate import Gate
from api.access.needs import OpenPaths
from api.conditional import Conditional
from api.designs import Designs
from api.headers import SecurityHeaders, security_headers
from api.openapi import document
from api.pages import account as account_page
from api.pages import commissioning as commissioning_page
from api.pages import design as design_page
from api.pages import entry, forms, script, views
from api.pages import people as people_page
from api.pages.templates import STYLE, error_page
from api.patience import Bodies
from api.routes import (
    about,
    account,
    alarms,
    commissioning,
    design,
    export,
    forecast,
    health,
    latest,
    log,
    metrics,
    outlook,
    people,
    rejects,
    setup,
    tokens,
    track_record,
)
from api.routes import readings as readings_routes
from api.routes import sites as sites_routes
from api.service import Service
from api.settings import Settings
from forecast.backroom import Backroom
from forecast.outlook.file import MOST_BYTES as OUTLOOK_BYTES
from ingest.site import Site
from ingest.store.access import AccessStore
from ingest.store.readings import ReadingStore
from ingest.store.records import Records

PREFIX = "/api/v1"
#: Of a request; only an outlook may be larger.
MOST_BODY_BYTES = 100_000
#: One module a subject, in the order of the OpenAPI document.
ROUTES = (
    sites_routes, latest, readings_routes, forecast, outlook, track_record, design, account, export,
    commissioning, alarms, log, rejects, about, health, setup, tokens, people,
)  # fmt: skip


def create_app(
    sites: Mapping[str, Site],
    readings: ReadingStore,
    records: Records,
    clock: Callable[[], int],
    settings: Settings,
    channels: tuple[str, ...] = (),
    backroom: Backroom | None = None,
) -> FastAPI:
    """The web application. Between requests it keeps copies, and what it has counted.

    clock   UTC now [ms]
    backroom  does heavy work for it in a process of its own; None: it makes one, started when first needed
    """
    backroom = Backroom() if backroom is None else backroom
    headers = security_headers(STYLE)
    access = Access(AccessStore(records), clock)
    answer = problems.Answerer(error_page)
    app = FastAPI(
        title="Ullage",
        summary="How much water there is, how much room, and how long until there is none of either.",
        version=_version(),
        openapi_url=None,  # a route of ours, which asks who wants it
        docs_url=None,  # the interactive pages load scripts from elsewhere
        redoc_url=None,
        redirect_slashes=False,  # it would build an address from the Host header
        lifespan=_ending_with(backroom),
    )
    app.state.service = Service(sites, readings, records, clock, settings, access, channels, backroom)
    app.state.designs = Designs(settings.rain, backroom)
    problems.install(app, answer, headers)
    app.include_router(_api())
    app.include_router(metrics.router, responses=problems.RESPONSES)
    for pages in (views, forms, account_page, commissioning_page, design_page, people_page, entry, script):
        app.include_router(pages.router)
    document(app)
    # The last added stands first in the way of a request.
    app.add_middleware(Conditional)
    app.add_middleware(GZipMiddleware, minimum_size=500, compresslevel=6)
    app.add_middleware(Bodies, answer=answer, most_bytes=MOST_BODY_BYTES, larger={"/outlook": OUTLOOK_BYTES})
    is_open = OpenPaths(app.routes)
    app.add_middleware(Gate, access=access, settings=settings, answer=answer, clock=clock, is_open=is_open)
    app.add_middleware(SecurityHeaders, headers=headers)
    if settings.proxies:
        app.add_middleware(ProxyHeadersMiddleware, trusted_hosts=list(settings.proxies))
    return app


def _ending_with(backroom: Backroom) -> Callable[[FastAPI], AbstractAsyncContextManager[None]]:
    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        yield
        backroom.close()

    return lifespan


def _api() -> APIRouter:
    api = APIRouter(prefix=PREFIX, responses=problems.RESPONSES)
    for part in ROUTES:
        api.include_router(part.router)
    return api


def _version() -> str:
    try:
        return version("ullage")
    except PackageNotFoundError:  # run from a checkout that is not installed
        return "0"
