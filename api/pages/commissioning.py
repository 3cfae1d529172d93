"""Two pages for the day of the handover: what is heard and whether it is right, and the sheet that stays on site."""

from __future__ import annotations

from typing import Annotated, Final
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from api.access.needs import CallerDep, needs
from api.access.scope import ACKNOWLEDGE, READ, Caller
from api.commissioning.figures import figure_of
from api.commissioning.hand import is_amount, unit_by_hand
from api.commissioning.handover import upkeep, what_stands_here, what_to_do, within
from api.commissioning.reading import look
from api.commissioning.words import what
from api.commissioning.written import Doubt, doubt, written
from api.headers import page
from api.languages.language import ENGLISH
from api.languages.reader import Reader, Units
from api.measures import symbol
from api.pages.templates import read_by, render
from api.problems import refused
from api.routes import log
from api.schemas import LogIn
from api.service import ServiceDep, SiteDep
from api.speech import Speaker
from ingest import saying
from ingest.saying import Saying, say
from ingest.site import Sensor, Site

router = APIRouter(include_in_schema=False)

#: A number with a decimal, as a form wants one.
_EXAMPLE: Final = 1.35
_SPELT_OUT: Final = {"in": say("inches"), "gal": say("US gallons")}
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
        unit_of=lambda sensor: _called(sensor, reader),
        is_amount=is_amount,
        what=what,
    )
    return page(request, html)


@router.post("/sites/{site}/commissioning", dependencies=[needs(ACKNOWLEDGE)])
def measured(
    request: Request,
    site: SiteDep,
    service: ServiceDep,
    caller: CallerDep,
    sensor: Annotated[str, Form(max_length=100)],
    value: Annotated[str, Form(max_length=40)],
    units: Annotated[Units, Form()] = "litre",
    sure: Annotated[bool, Form()] = False,
) -> Response:
    """Somebody has just measured by hand. What may have been meant in another unit is asked back.

    units  in which a bare number is written
    sure   it was asked back already, and is as written
    """
    by_id = {one.id: one for one in site.sensor}
    if sensor not in by_id:
        raise refused(("body.sensor", say("one of: {parts}", parts=saying.name(", ".join(by_id)))))
    wrote = written(value, by_id[sensor], units)
    if wrote is None:
        raise refused(("body.value", _as_asked(by_id[sensor], units)))
    asked = None if sure else doubt(wrote, by_id[sensor], site, _heard(service, site, by_id[sensor]))
    if asked is not None and asked.meant is not None:
        return _ask(request, site, caller, by_id[sensor], asked)
    entry = LogIn.model_validate({"kind": "measured", "part": sensor, "value": wrote.value})
    log.append(site, service, caller, entry, Response())
    return RedirectResponse(f"/sites/{site.id}/commissioning", 303)


def _called(sensor: Sensor, reader: Reader) -> str:
    """The unit that a form asks for: `in inches` is plainer than `in in`."""
    unit = symbol(unit_by_hand(sensor), reader.units, ENGLISH)
    return Speaker.to(reader, ZoneInfo("UTC")).say(_SPELT_OUT.get(unit, unit))


def _ask(request: Request, site: Site, caller: Caller, sensor: Sensor, asked: Doubt) -> Response:
    """Was another unit meant? Nothing is written down yet."""
    reader = read_by(request)
    html = render(
        "ask.html",
        reader,
        person=caller,
        site=site,
        sensor=sensor,
        speaker=Speaker.to(reader, site.zone),
        asked=asked,
        figure=lambda value: figure_of(sensor.quantity.unit, value),
        what=what,
    )
    return HTMLResponse(html, 422, {"Cache-Control": "no-store"})


def _heard(service: ServiceDep, site: Site, sensor: Sensor) -> float | None:
    """What a sensor says now; None: nothing fresh."""
    now_ms = service.clock()
    newest = service.readings.latest(site.id, now_ms).get(sensor.id)
    fresh = newest is not None and now_ms - newest.time_ms <= service.settings.stale_after_ms(sensor.every_s)
    return newest.value if newest is not None and fresh else None


def _as_asked(sensor: Sensor, units: Units) -> Saying:
    unit = symbol(unit_by_hand(sensor), units, ENGLISH)
    called = saying.said([_SPELT_OUT[unit]]) if unit in _SPELT_OUT else saying.name(unit)
    return say("a number in {unit}, such as {example}", unit=called, example=saying.number(_EXAMPLE))


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
