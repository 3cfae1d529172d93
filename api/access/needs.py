"""What a route asks of its caller. Every route says one of these, and a test holds it.

@router.get("/sites", dependencies=[needs(READ)])
@router.post("/sites/{site}/log", dependencies=[needs(ACKNOWLEDGE)])
def append(caller: CallerDep): ...        # caller.name is who did it
@router.get("/health/live", dependencies=[OPEN])
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any, Final

from fastapi import Depends, Request
from fastapi.routing import APIRoute, RouteContext, iter_route_contexts
from starlette.routing import BaseRoute

from api.access import secret
from api.access.gate import unauthorised
from api.access.scope import Caller, ScopeName
from api.problems import ProblemError
from ingest.saying import name, say

#: The field of a form, or the header of a script's request, that proves a page of this session sent it.
FORM_FIELD: Final = "form_token"
FORM_HEADER: Final = "X-Form-Token"
_CHANGING: Final = ("POST", "PUT", "PATCH", "DELETE")


class _Need:
    """A dependency that lets through whoever may do so much; `scope` None: everybody."""

    def __init__(self, scope: ScopeName | None) -> None:
        self.scope = scope

    async def __call__(self, request: Request) -> None:
        if self.scope is None:
            return
        caller = caller_of(request)
        if not caller.may(self.scope):
            detail = say(
                "This takes the scope `{wanted}`, and what you signed in with has `{own}`.",
                wanted=name(self.scope), own=name(caller.scope),
            )  # fmt: skip
            refusal = ProblemError(403, "out-of-scope", "Not allowed", detail)
            refusal.said = say(
                "You may look, and not do this. Whoever may configure this service can allow it: on its page People "
                "and tokens."
            )
            raise refusal
        if caller.session is not None and request.method in _CHANGING:
            await _check_form(request, caller)


async def _check_form(request: Request, caller: Caller) -> None:
    """Refuse what was not sent from a page of this very session."""
    given: Any = request.headers.get(FORM_HEADER)
    if given is None and request.headers.get("content-type", "").startswith("application/x-www-form-urlencoded"):
        given = (await request.form(max_fields=100)).get(FORM_FIELD)
    if not isinstance(given, str) or not secret.same(given, caller.form):
        detail = "The page that this was sent from is too old, or not ours: load it again and repeat."
        raise ProblemError(403, "stale-form", "Load the page again", detail)


def needs(scope: ScopeName) -> Any:
    """For `dependencies=[…]` of a route: who may not do this gets 401 or 403."""
    return Depends(_Need(scope))


#: For `dependencies=[…]` of a route that strangers may use.
OPEN: Final[Any] = Depends(_Need(None))


def caller_of(request: Request) -> Caller:
    """Who asks. Raises ProblemError where nobody known does."""
    caller: Caller | None = getattr(request.state, "caller", None)
    if caller is None:
        raise unauthorised("Sign in, or send a token as `Authorization: Bearer TOKEN`.")
    return caller


async def _caller(request: Request) -> Caller:
    return caller_of(request)


CallerDep = Annotated[Caller, Depends(_caller)]


def declared(route: RouteContext) -> list[ScopeName | None]:
    """What a route says that it needs; None: nothing, it is open. Empty: it does not say."""
    if not isinstance(route.original_route, APIRoute):
        return []
    calls = [each.call for each in route.dependant.dependencies]
    return [call.scope for call in calls if isinstance(call, _Need)]


class OpenPaths:
    """The paths and methods that strangers may use: those of the routes that say OPEN and nothing else."""

    def __init__(self, routes: Sequence[BaseRoute]) -> None:
        self._paths = [
            (route.path_regex, frozenset(route.methods or ()))
            for route in iter_route_contexts(routes)
            if declared(route) == [None]
        ]

    def __call__(self, method: str, path: str) -> bool:
        return any(method in methods and regex.fullmatch(path) for regex, methods in self._paths)
