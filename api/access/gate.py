"""The gate before every route: nothing passes that is not open to all, or asked for by somebody known.

A route that forgets to say what it needs is closed: the gate lets strangers through to those
that say OPEN, and to no other. What a caller may do is the route's to say (`api.access.needs`).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final
from urllib.parse import quote

from anyio.to_thread import run_sync
from fastapi.responses import RedirectResponse, Response
from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from api.access.access import Access
from api.access.origin import LOOPBACK_NAMES, address_of, called_right, from_own_page
from api.access.rates import Rates
from api.access.scope import VISITOR, Caller
from api.problems import Answerer, ProblemError
from api.settings import Settings
from ingest.errors import StoreError
from ingest.saying import number, say

#: `__Host-` binds it to this host and to TLS; browsers refuse that name without.
COOKIE: Final = "ullage-session"
COOKIE_TLS: Final = "__Host-ullage-session"
MOST_TARGET_BYTES: Final = 8_000
MOST_HEADER_BYTES: Final = 16_000
_SAFE: Final = ("GET", "HEAD", "OPTIONS", "TRACE")


class Gate:
    """ASGI middleware: finds out who asks, and turns away whoever may not. Leaves the caller in the request's state.

    is_open  whether the route of a method and a path is open to all
    """

    def __init__(
        self,
        app: ASGIApp,
        access: Access,
        settings: Settings,
        answer: Answerer,
        clock: Callable[[], int],
        is_open: Callable[[str, str], bool],
    ) -> None:
        self._app = app
        self._access = access
        self._settings = settings
        self._answer = answer
        self._is_open = is_open
        self._clock = clock
        self._rates = Rates(settings.rate_per_s)
        self._hosts = LOOPBACK_NAMES if settings.demo else frozenset(settings.hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        try:
            turned = await self._turn_away(request)
        except (ProblemError, StoreError) as error:
            turned = self._answer.error(request, error)
        await (turned or self._app)(scope, receive, send)

    async def _turn_away(self, request: Request) -> Response | None:
        """The answer to whoever may not pass; None: let it through."""
        _check_length(request)
        if not called_right(request, self._hosts):
            detail = "The Host header names no address of this service: see its setting ULLAGE_HOSTS."
            raise ProblemError(400, "wrong-host", "Wrong host", detail)
        open_to_all = self._is_open(request.method, request.scope["path"])
        # Whoever shows an old token is still let in where everybody is.
        caller = request.state.caller = None if open_to_all else await self._caller(request)
        self._spend(address_of(request) if caller is None else caller.key)
        if caller is None and not open_to_all:
            return await self._stranger(request)
        if request.method not in _SAFE and not (caller is not None and caller.key.startswith("token")):
            programs = self._settings.demo or (caller is None and request.scope["path"].startswith("/api/"))
            _check_origin(request, needed=not programs)
        return None

    async def _caller(self, request: Request) -> Caller | None:
        if self._settings.demo:
            return VISITOR
        given = request.headers.get("authorization")
        if given is not None:
            scheme, _, token = given.partition(" ")
            token = token.strip()
            if scheme.lower() != "bearer":
                raise unauthorised("Send a token as `Authorization: Bearer TOKEN`.")
            caller = self._access.remembered(token, session=False) or await self._looked_up(
                request, self._access.bearer, token
            )
            if caller is None:
                raise unauthorised("This token is unknown here, has expired, or was revoked.")
            return caller
        session = request.cookies.get(COOKIE_TLS if request.scope["scheme"] == "https" else COOKIE)
        if not session:
            return None
        caller = self._access.remembered(session, session=True)
        return caller or await self._looked_up(request, self._access.visitor, session)

    async def _looked_up(self, request: Request, find: Callable[[str], Caller | None], shown: str) -> Caller | None:
        """Whose secret this is. A query a try: so whoever tries many is held back by the address they come from."""
        self._spend(address_of(request))
        return await run_sync(find, shown)

    def _spend(self, key: str) -> None:
        wait_s = self._rates.wait_s(key, self._clock())
        if wait_s:
            detail = say(
                "More requests came from you than this service takes: try again in {seconds} seconds.",
                seconds=number(wait_s),
            )
            raise ProblemError(
                429, "too-many-requests", "Too many requests", detail, headers={"Retry-After": str(wait_s)}
            )

    async def _stranger(self, request: Request) -> Response:
        path = request.scope["path"]
        page = not path.startswith(("/api/", "/metrics")) and request.method in ("GET", "HEAD")
        if not await run_sync(lambda: self._access.ready):
            if page:
                return RedirectResponse("/setup", 303)
            detail = (
                "Nobody has set this service up yet. When it started, it printed a setup code: open /setup in a "
                "browser, or post code, name and password to /api/v1/setup."
            )
            raise ProblemError(503, "not-set-up", "Not set up yet", detail)
        if page:
            return RedirectResponse(f"/login?next={quote(path)}" if path != "/" else "/login", 303)
        refusal = unauthorised("Sign in, or send a token as `Authorization: Bearer TOKEN`.")
        refusal.said = say("You are not signed in any more. Sign in, and do it once more.")
        raise refusal


def unauthorised(detail: str) -> ProblemError:
    """A 401 that says how to get in."""
    return ProblemError(401, "who-are-you", "Not signed in", detail, headers={"WWW-Authenticate": "Bearer"})


def _check_length(request: Request) -> None:
    """Refuse what is longer than any client of ours sends, and than the server counts where it comes in one piece."""
    scope = request.scope
    if len(scope["raw_path"] or b"") + len(scope["query_string"]) > MOST_TARGET_BYTES:
        raise ProblemError(414, "too-long", "Address too long", "The address is longer than any of this service.")
    if sum(len(name) + len(value) for name, value in scope["headers"]) > MOST_HEADER_BYTES:
        raise ProblemError(431, "too-long", "Headers too long", "The headers are longer than this service reads.")


def _check_origin(request: Request, *, needed: bool) -> None:
    """Refuse what a stranger's page makes a browser send. Sec-Fetch-Site would say it, but not over plain HTTP."""
    own = from_own_page(request)
    if own or (own is None and not needed):
        return
    detail = "This came from another site's page, or hides where it came from: open this service's own page."
    raise ProblemError(403, "foreign-origin", "Not from here", detail)
