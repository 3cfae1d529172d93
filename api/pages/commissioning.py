"""Two pages for the day of the handover: what is heard and whether it is right, and the sheet that stays on site."""

from __future__ import annotations

from typing import Annotated, Final

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import RedirectResponse

from api.access.needs import CallerDep, needs
from api.access.scope import ACKNOWLEDGE, READ
from api.commissioning.checks import figure_of
from api.commissioning.hand import is_amount, unit_by_hand
from api.commissioning.handover import upkeep, what_stands_here, what_to_do, within
from api.commissioning.reading import look
from api.commissioning.words import what
from api.headers import page
from api.pages.templates import read_by, render
from api.routes import log
from api.schemas import LogIn
from api.service import ServiceDep, SiteDep
from api.speech import Speaker
from ingest import saying
from ingest.saying import say

router = APIRouter(include_in_schema=False)

#: A shape for each verdict beside its word, so that nothing depends on colour.
SHAPES: Final = {"silent": "○", "look": "◆", "compare": "◐", "ready": "✓"}


@router.api_route("/sites/{site}/commissioning", methods=["GET", "HEAD"], dependencies=[needs(READ)])
def commissioning_page(request: Request, site: SiteDep, service: ServiceDep, caller: CallerDep) -> Response:
    reader = read_by(request)
    html = render(
        "commissioning.html",
        reader,
        person=caller,
        speaker=Speaker.to(reader, site.zone),
        found=look(site, service.readings, service.records, service.clock(), service.settings.prefix),
        shapes=SHAPES,
        figure_of=figure_of,
        unit_by_hand=unit_by_hand,
        is_amount=is_amount,
        what=what,
    )
    return page(request, html)


@router.post("/sites/{site}/commissioning", dependencies=[needs(ACKNOWLEDGE)])
def measured(
    site: SiteDep,
    service: ServiceDep,
    caller: CallerDep,
    sensor: Annotated[str, Form(max_length=100)],
    value: Annotated[float, Form(allow_inf_nan=False)],
) -> Response:
    """Somebody has just measured by hand."""
    entry = LogIn.model_validate({"kind": "measured", "part": sensor, "value": value})
    log.append(site, service, caller, entry, Response())
    return RedirectResponse(f"/sites/{site.id}/commissioning", 303)


@router.api_route("/sites/{site}/handover", methods=["GET", "HEAD"], dependencies=[needs(READ)])
def handover_page(request: Request, site: SiteDep, service: ServiceDep, caller: CallerDep) -> Response:
    reader, now_ms = read_by(request), service.clock()
    html = render(
        "handover.html",
        reader,
        person=caller,
        site=site,
        speaker=Speaker.to(reader, site.zone),
        found=look(site, service.readings, service.records, now_ms, service.settings.prefix),
        shapes=SHAPES,
        what=what,
        stands=what_stands_here(site),
        upkeep=upkeep(site),
        what_to_do=what_to_do(site),
        as_of=say("As of {time}.", time=saying.instant(now_ms)),
        within=within,
    )
    return page(request, html)
