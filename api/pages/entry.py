"""The pages through which people come in and go out: setting up, signing in, signing out."""

from __future__ import annotations

from typing import Annotated, Final
from urllib.parse import urlsplit

from anyio.to_thread import run_sync
from fastapi import APIRouter, Form, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from api.access import password as passwords
from api.access.access import ABSOLUTE_MS
from api.access.gate import COOKIE, COOKIE_TLS
from api.access.needs import OPEN, CallerDep, needs
from api.access.origin import address_of, check_link
from api.access.scope import READ
from api.pages.templates import read_by, render, told
from api.problems import ProblemError
from api.service import ServiceDep
from ingest.instants import SECOND_MS

router = APIRouter(include_in_schema=False)

_Field = Annotated[str, Form(max_length=1_000)]
_LENGTHS: Final = {"shortest": passwords.SHORTEST, "longest": passwords.LONGEST}


@router.api_route("/setup", methods=["GET", "HEAD"], dependencies=[OPEN])
async def setup_page(request: Request, service: ServiceDep) -> Response:
    if await run_sync(lambda: service.access.ready):
        return RedirectResponse("/", 303)
    return _page(request, "setup.html", who="")


@router.post("/setup", dependencies=[OPEN])
async def set_up(request: Request, service: ServiceDep, code: _Field, name: _Field, password: _Field) -> Response:
    try:
        check_link(request, service.settings.password_over_http)
        session = await run_sync(service.access.set_up, code, name, password, address_of(request))
    except ProblemError as error:
        return _page(request, "setup.html", error, who=name)
    return _entered(request, session, "/")


@router.api_route("/login", methods=["GET", "HEAD"], dependencies=[OPEN])
async def login_page(request: Request, service: ServiceDep, next: str = "/") -> Response:  # noqa: A002 - the name in the address
    if not await run_sync(lambda: service.access.ready):
        return RedirectResponse("/setup", 303)
    return _page(request, "login.html", who="", next=_local(next))


@router.post("/login", dependencies=[OPEN])
async def sign_in(
    request: Request,
    service: ServiceDep,
    name: _Field,
    password: _Field,
    next: _Field = "/",  # noqa: A002
) -> Response:
    try:
        check_link(request, service.settings.password_over_http)
        session = await run_sync(service.access.sign_in, name, password, address_of(request))
    except ProblemError as error:
        return _page(request, "login.html", error, who=name, next=_local(next))
    return _entered(request, session, _local(next))


@router.api_route("/password", methods=["GET", "HEAD"], dependencies=[needs(READ)])
async def password_page(request: Request, caller: CallerDep) -> Response:
    return _page(request, "password.html", person=caller)


@router.post("/password", dependencies=[needs(READ)])
async def new_password(
    request: Request, service: ServiceDep, caller: CallerDep, old: _Field, password: _Field
) -> Response:
    try:
        check_link(request, service.settings.password_over_http)
        change = service.access.change_password
        session = await run_sync(change, caller.name, old, password, address_of(request))
    except ProblemError as error:
        return _page(request, "password.html", error, person=caller)
    return _entered(request, session, "/")


@router.post("/logout", dependencies=[needs(READ)])
async def sign_out(request: Request, service: ServiceDep, caller: CallerDep) -> Response:
    if caller.session is not None:
        await run_sync(service.access.sign_out, caller.session)
    response = RedirectResponse("/login", 303)
    response.delete_cookie(_cookie(request), secure=_tls(request), httponly=True, samesite="lax")
    return response


def _page(request: Request, template: str, error: ProblemError | None = None, **values: object) -> Response:
    problem = None if error is None else error.problem
    reader = read_by(request)
    detail = "" if error is None else told(error.said, reader)
    html = render(template, reader, problem=problem, detail=detail, **values, **_LENGTHS)
    headers = {"Cache-Control": "no-store", **({} if error is None else error.headers)}
    headers.pop("WWW-Authenticate", None)
    return HTMLResponse(html, 200 if error is None else error.problem.status, headers)


def _entered(request: Request, session: str, where: str) -> Response:
    """The way on, with the session's cookie. Lax, so that a link in a message leads in without signing in again."""
    response = RedirectResponse(where, 303, {"Cache-Control": "no-store"})
    response.set_cookie(
        _cookie(request), session, max_age=ABSOLUTE_MS // SECOND_MS, secure=_tls(request), httponly=True, samesite="lax"
    )
    return response


def _tls(request: Request) -> bool:
    return bool(request.scope["scheme"] == "https")


def _cookie(request: Request) -> str:
    return COOKIE_TLS if _tls(request) else COOKIE


def _local(where: str) -> str:
    """Where to go on: a path of ours, and nothing that a browser could take for another host."""
    try:
        parts = urlsplit(where)
    except ValueError:
        return "/"
    foreign = parts.scheme or parts.netloc or not where.startswith("/") or where.startswith("//")
    return "/" if foreign or "\\" in where or not where.isprintable() else where
