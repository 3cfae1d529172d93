"""The page of those who may come in: people with a password, and tokens for programs."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Final
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Form, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from api.access import password as passwords
from api.access.needs import CallerDep, needs
from api.access.origin import check_link
from api.access.scope import CONFIGURE, SCOPES, Caller, ScopeName
from api.pages.templates import read_by, render, told
from api.problems import ProblemError
from api.service import Service, ServiceDep
from api.speech import Speaker
from ingest import saying
from ingest.saying import Saying, say

router = APIRouter(include_in_schema=False)

_PAGE: Final = "/people"
_Field = Annotated[str, Form(max_length=1_000)]
_Scope = Annotated[ScopeName, Form()]
#: What each scope lets somebody do.
MAY: Final[dict[ScopeName, Saying]] = {
    "read": say("look"),
    "acknowledge": say("look, acknowledge alarms and write down what was done"),
    "configure": say("everything, people and tokens too"),
}


@router.api_route(_PAGE, methods=["GET", "HEAD"], dependencies=[needs(CONFIGURE)])
def people_page(request: Request, service: ServiceDep, caller: CallerDep) -> Response:
    return _page(request, service, caller)


@router.post(f"{_PAGE}/add", dependencies=[needs(CONFIGURE)])
def add(
    request: Request, service: ServiceDep, caller: CallerDep, name: _Field, password: _Field, scope: _Scope
) -> Response:
    def do() -> None:
        check_link(request, service.settings.password_over_http)
        service.access.add_person(name, password, scope)

    return _done(request, service, caller, do)


@router.post(f"{_PAGE}/password", dependencies=[needs(CONFIGURE)])
def set_password(request: Request, service: ServiceDep, caller: CallerDep, name: _Field, password: _Field) -> Response:
    """Ends every session of that person."""

    def do() -> None:
        check_link(request, service.settings.password_over_http)
        service.access.reset_password(name, password)

    return _done(request, service, caller, do)


@router.post(f"{_PAGE}/remove", dependencies=[needs(CONFIGURE)])
def remove(request: Request, service: ServiceDep, caller: CallerDep, name: _Field) -> Response:
    return _done(request, service, caller, lambda: service.access.remove_person(name))


@router.post(f"{_PAGE}/token", dependencies=[needs(CONFIGURE)])
def make_token(
    request: Request,
    service: ServiceDep,
    caller: CallerDep,
    name: _Field,
    scope: _Scope,
    days: Annotated[str, Form(pattern=r"^([1-9][0-9]{0,3})?$")] = "",
) -> Response:
    """days: after how many it ends; empty: never. Its secret is on this answer and nowhere else."""
    try:
        secret, token = service.access.issue(name, scope, caller.name, float(days) if days else None)
    except ProblemError as error:
        return _page(request, service, caller, error)
    return _page(request, service, caller, made=(token.name, secret))


@router.post(f"{_PAGE}/revoke", dependencies=[needs(CONFIGURE)])
def revoke(
    request: Request, service: ServiceDep, caller: CallerDep, token: Annotated[int, Form(ge=1, le=2**62)]
) -> Response:
    return _done(request, service, caller, lambda: service.access.revoke(token))


def _done(request: Request, service: Service, caller: Caller, do: Callable[[], object]) -> Response:
    """The page anew, or with what was wrong."""
    try:
        do()
    except ProblemError as error:
        return _page(request, service, caller, error)
    return RedirectResponse(_PAGE, 303)


def _page(
    request: Request,
    service: Service,
    caller: Caller,
    error: ProblemError | None = None,
    made: tuple[str, str] | None = None,
) -> Response:
    """made: name and secret of a token, shown this once."""
    reader, now_ms = read_by(request), service.clock()
    html = render(
        "people.html",
        reader,
        person=caller,
        speaker=Speaker.to(reader, ZoneInfo("UTC")),
        problem=None if error is None else error.problem,
        detail="" if error is None else told(error.said, reader),
        made=made,
        people=service.access.people(),
        tokens=[
            token
            for token in service.access.tokens()
            if token.revoked_ms is None and (token.expires_ms is None or token.expires_ms > now_ms)
        ],
        may=MAY,
        scopes=SCOPES,
        on=saying.date,
        shortest=passwords.SHORTEST,
        longest=passwords.LONGEST,
    )
    return HTMLResponse(html, 200 if error is None else error.problem.status, {"Cache-Control": "no-store"})
