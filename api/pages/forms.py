"""What people send from the pages: an alarm acknowledged or shelved, something written down. No script is needed."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Final, Literal

from fastapi import APIRouter, Form, Response
from fastapi.responses import RedirectResponse
from pydantic import ValidationError

from api.access.needs import CallerDep, needs
from api.access.scope import ACKNOWLEDGE
from api.alarms import actions
from api.pages.logbook import DONE
from api.problems import ProblemError, refused, refused_form
from api.routes import log
from api.schemas import LogIn
from api.service import Service, ServiceDep, SiteDep
from ingest.errors import ActionRefused, NotActive, UnknownAlarm
from ingest.instants import HOUR_MS, from_datetime, to_rfc3339
from ingest.saying import Saying, name, number, say
from ingest.site import Site

router = APIRouter(include_in_schema=False)

#: How long an alarm may be shelved from the page. [h]
SHELF_H: Final = (1, 4, 12, 24, 72, 168)

_TOO_LATE: Final = say("Somebody was faster, or it is over by now: look at the page again.")
_SAY_WHY: Final = say("Say why, in {count} characters at most.", count=number(actions.LONGEST_TEXT))

_Text = Annotated[str, Form(max_length=2_000)]
_Do = Annotated[Literal["acknowledge", "shelve", "unshelve"], Form()]
_Hours = Annotated[int, Form(ge=1, le=168)]


@router.post("/alarms", dependencies=[needs(ACKNOWLEDGE)])
def on_installation(
    service: ServiceDep, caller: CallerDep, alarm: _Text, do: _Do, why: _Text = "", hours: _Hours = 1
) -> Response:
    _act(service, None, alarm, do, caller.name, why, hours)
    return RedirectResponse("/", 303)


@router.post("/sites/{site}/alarms", dependencies=[needs(ACKNOWLEDGE)])
def on_site(
    site: SiteDep, service: ServiceDep, caller: CallerDep, alarm: _Text, do: _Do, why: _Text = "", hours: _Hours = 1
) -> Response:
    _act(service, site, alarm, do, caller.name, why, hours)
    return RedirectResponse(f"/sites/{site.id}", 303)


@router.post("/sites/{site}/log", dependencies=[needs(ACKNOWLEDGE)])
def written_down(
    site: SiteDep,
    service: ServiceDep,
    caller: CallerDep,
    what: _Text,
    who: _Text = "",
    note: _Text = "",
    when: _Text = "",
) -> Response:
    """what: `KIND` or `KIND PART`; when: local to the site, empty: now."""
    kind, _, part = what.partition(" ")
    given = {"kind": kind, "part": part, "who": who, "note": note, "time": _instant(when, site)}
    try:
        entry = LogIn.model_validate(given)
    except ValidationError as error:
        raise refused_form(error.errors()) from error
    log.append(site, service, caller, entry, Response())
    return RedirectResponse(f"/sites/{site.id}", 303)


def to_write_down(site: Site) -> list[tuple[str, Saying]]:
    """What can be written down at a site: the value in the form, and its words."""
    found: list[tuple[str, Saying]] = []

    def add(kind: str, parts: list[str]) -> None:
        found.extend((f"{kind} {part}", DONE[kind](name(part))) for part in parts)

    backup = [] if site.backup is None else [site.backup.id]
    chambers = [roof.id for roof in site.roof if roof.first_flush is not None]
    tanks = [tank.id for tank in site.tank]
    add("upkeep", [task.id for task in site.upkeep])
    add("backup-opened", backup)
    add("backup-closed", backup)
    add("first-flush-emptied", chambers)
    add("tank-filled", tanks)
    add("tank-drained", tanks)
    return [*found, ("note", say("Only a note"))]


def _act(service: Service, site: Site | None, alarm: str, do: str, who: str, why: str, hours: int) -> None:
    records, now_ms = service.records, service.clock()
    try:
        match do:
            case "acknowledge":
                actions.acknowledge(records, site, alarm, who, why, now_ms, service.channels)
            case "shelve":
                actions.shelve(records, site, alarm, now_ms + hours * HOUR_MS, who, why, now_ms)
            case "unshelve":
                actions.unshelve(records, site, alarm, who, why, now_ms)
    except UnknownAlarm as error:
        raise ProblemError(404, "unknown-alarm", "No such alarm", "There is no such alarm here.") from error
    except NotActive as error:
        raise ProblemError(409, "not-active", "Nothing to do about it", _TOO_LATE) from error
    except ActionRefused as error:
        raise ProblemError(422, "refused", "Request refused", _SAY_WHY) from error


def _instant(when: str, site: Site) -> str | None:
    """A browser's local date and time as RFC 3339."""
    if not when:
        return None
    try:
        local = datetime.fromisoformat(when)
    except ValueError:
        raise refused(("body.when", say("a date and a time, such as 2026-03-01T12:00"))) from None
    return to_rfc3339(from_datetime(local.replace(tzinfo=site.zone)))
