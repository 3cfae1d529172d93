"""Errors as people and programs see them: RFC 9457 problem details, or a page with the same words.

The text of an unforeseen exception goes to the log and never to the client.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from http import HTTPStatus
from typing import Any, Final
from zoneinfo import ZoneInfo

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from fastapi.routing import iter_route_contexts
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException

from api.refusals import expected, in_words
from api.speech import Speaker
from ingest.errors import (
    ActionRefused,
    AsideError,
    NotActive,
    StoreCorrupt,
    StoreError,
    StoreRefused,
    StoreUnavailable,
    UllageError,
    UnknownAlarm,
)
from ingest.saying import Sentence, said, say

log = logging.getLogger("ullage.api")

MEDIA_TYPE: Final = "application/problem+json"
RETRY_AFTER_S: Final = 10
#: Where programs ask; everywhere else people do.
_FOR_PROGRAMS: Final = ("/api/", "/metrics")
#: Makes a page of a problem, for people, who read in their language what is wrong; given by the pages.
ErrorPage = Callable[[Request, "Problem", Sentence], Response]
#: Programs read English.
_ENGLISH: Final = Speaker(ZoneInfo("UTC"))


class Fault(BaseModel):
    """One thing wrong in a request. What was sent is not repeated."""

    where: str = Field(description="Where in the request: query, path or body, and the name.", examples=["query.limit"])
    expected: str = Field(description="What was expected there.", examples=["Input should be a valid integer"])


class Problem(BaseModel):
    """RFC 9457 problem details."""

    type: str = Field(
        default="about:blank", description="Kind of problem, a URI reference.", examples=["/problems/no-forecast"]
    )
    title: str = Field(description="The kind of problem in words.", examples=["No forecast yet"])
    status: int = Field(description="The HTTP status code.", examples=[404])
    detail: str = Field(description="What is wrong this time, and what to do.")
    errors: list[Fault] | None = Field(default=None, description="Each fault of a request that was refused.")


class ProblemError(Exception):
    """Raised by a route to answer with a problem, and these headers beside it.

    said  its detail, for whoever reads another language than English
    """

    def __init__(
        self,
        status: int,
        kind: str,
        title: str,
        detail: Sentence,
        errors: list[Fault] | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> None:
        self.headers = dict(headers or {})
        self.said = detail
        plain = _ENGLISH.say(detail)
        self.problem = Problem(type=f"/problems/{kind}", title=title, status=status, detail=plain, errors=errors)
        super().__init__(plain)


def refused(*faults: tuple[str, Sentence]) -> ProblemError:
    """A 422 that names each fault: where in the request, and what was expected there."""
    errors = [Fault(where=where, expected=_ENGLISH.say(expected)) for where, expected in faults]
    error = ProblemError(
        422, "refused", "Request refused", "; ".join(f"{fault.where}: {fault.expected}" for fault in errors), errors
    )
    # People filled in a form: its fields have other names there.
    error.said = say("It was not taken. Expected: {what}.", what=said([expected for _, expected in faults]))
    return error


def refused_form(faults: Sequence[Mapping[str, Any]]) -> ProblemError:
    """A 422 of what validation found: for programs in its own words, for people in ours."""
    shown = faults[:_MOST_FAULTS]
    error = refused(*((".".join(map(str, fault["loc"]))[:_LONGEST_PLACE], _expected(fault)) for fault in shown))
    wanted = [expected(fault) for fault in shown]
    once = [words for place, words in enumerate(wanted) if words not in wanted[:place]]
    error.said = say("It was not taken. Expected: {what}.", what=said(once))
    return error


class Answerer:
    """Writes a problem as its reader wants it: JSON for programs, a page for people."""

    def __init__(self, error_page: ErrorPage) -> None:
        self._error_page = error_page

    def problem(
        self, request: Request, problem: Problem, extra: Mapping[str, str] | None = None, told: Sentence | None = None
    ) -> Response:
        """The answer, with these headers too; told: its detail, to be said in the reader's language."""
        if request.scope["path"].startswith(_FOR_PROGRAMS):
            body = problem.model_dump(exclude_none=True)
            response: Response = JSONResponse(body, problem.status, media_type=MEDIA_TYPE)
        else:
            words = in_words(problem.status) if problem.type == "about:blank" else None
            if words is not None:
                problem, told = problem.model_copy(update={"title": words.title}), words.detail
            response = self._error_page(request, problem, told or problem.detail)
        response.headers.update(extra or {})
        response.headers["Cache-Control"] = "no-store"
        return response

    def error(self, request: Request, error: UllageError | ProblemError) -> Response:
        """The answer to an error that a store, the backroom or a rule of ours raises."""
        if isinstance(error, ProblemError):
            return self.problem(request, error.problem, error.headers, error.said)
        for refusal, (status, name, title) in _OF_ACTIONS.items():
            if isinstance(error, refusal):
                return self.problem(request, Problem(type=name, title=title, status=status, detail=f"{error}."))
        for kind, (level, problem, headers) in _OF_FAILURES.items():
            if isinstance(error, kind):
                log.log(level, "%s: %s", request.scope["path"], error)
                return self.problem(request, problem, headers)
        return self.unforeseen(request, error)

    def http(self, request: Request, error: HTTPException) -> Response:
        """The answer to an error that the framework raises."""
        title = HTTPStatus(error.status_code).phrase
        detail = _HTTP_DETAIL.get(error.status_code, title)
        return self.problem(request, Problem(title=title, status=error.status_code, detail=detail), error.headers)

    def unforeseen(self, request: Request, error: Exception) -> Response:
        """The answer to a mistake of ours: the log has it, the client does not."""
        log.error("%s: unforeseen error", request.scope["path"], exc_info=error)
        title, detail = _UNFORESEEN
        return self.problem(request, Problem(title=title, status=500, detail=detail))


def install(app: FastAPI, answer: Answerer, headers: Mapping[str, str]) -> None:
    """Answer every error of `app` as a problem.

    headers  go on the answer to an unforeseen exception, which is written outside all middleware
    """

    @app.exception_handler(ProblemError)
    def known(request: Request, error: ProblemError) -> Response:
        return answer.error(request, error)

    @app.exception_handler(StoreError)
    def store(request: Request, error: StoreError) -> Response:
        return answer.error(request, error)

    @app.exception_handler(AsideError)
    def aside(request: Request, error: AsideError) -> Response:
        return answer.error(request, error)

    @app.exception_handler(ActionRefused)
    def action(request: Request, error: ActionRefused) -> Response:
        return answer.error(request, error)

    @app.exception_handler(HTTPException)
    def http(request: Request, error: HTTPException) -> Response:
        response = answer.http(request, error)
        if error.status_code == 405:
            # By itself the framework names the methods of the first route on this path, and not of all.
            response.headers["Allow"] = ", ".join(methods_at(app, request.scope["path"]))
        return response

    @app.exception_handler(RequestValidationError)
    def invalid(request: Request, error: RequestValidationError) -> Response:
        return answer.error(request, refused_form(error.errors()))

    @app.exception_handler(Exception)
    def unforeseen(request: Request, error: Exception) -> Response:
        response = answer.unforeseen(request, error)
        response.headers.update(headers)
        return response


def methods_at(app: FastAPI, path: str) -> list[str]:
    """The methods that the routes on a path take."""
    routes = [route for route in iter_route_contexts(app.routes) if route.path_regex.fullmatch(path)]
    return sorted({method for route in routes for method in route.methods or ()})


#: What people cannot do about an alarm; the most special first. The error's text is for them.
_OF_ACTIONS: Final[dict[type[ActionRefused], tuple[int, str, str]]] = {
    UnknownAlarm: (404, "/problems/unknown-alarm", "No such alarm"),
    NotActive: (409, "/problems/not-active", "Nothing to do"),
    ActionRefused: (422, "/problems/refused", "Request refused"),
}
#: What a client is told when a store or the backroom fails, and how loudly the log says it.
_OF_FAILURES: Final[dict[type[UllageError], tuple[int, Problem, dict[str, str]]]] = {
    StoreUnavailable: (
        logging.WARNING,
        Problem(
            type="/problems/store-unavailable",
            title="Data out of reach for now",
            status=503,
            detail=f"The data cannot be reached at the moment. Try again in {RETRY_AFTER_S} seconds.",
        ),
        {"Retry-After": str(RETRY_AFTER_S)},
    ),
    AsideError: (
        logging.ERROR,
        Problem(
            type="/problems/unfinished",
            title="Not worked out",
            status=503,
            detail="This takes some seconds of work: too many wait for theirs, or it failed and the service's log says "
            "why. Try again soon.",
        ),
        {"Retry-After": str(RETRY_AFTER_S)},
    ),
    StoreCorrupt: (
        logging.ERROR,
        Problem(
            type="/problems/store-corrupt",
            title="Data damaged",
            status=500,
            detail="The data is damaged and trying again will not help. Somebody has to look at the service's log.",
        ),
        {},
    ),
    StoreRefused: (
        logging.ERROR,
        Problem(
            type="/problems/store-refused",
            title="Data refused",
            status=500,
            detail="The data store refuses this service. Its settings have to be corrected: see the service's log.",
        ),
        {},
    ),
}
#: An answer stays small, whatever the request held.
_MOST_FAULTS: Final = 20
_LONGEST_PLACE: Final = 80


def _expected(entry: Mapping[str, Any]) -> str:
    """What was expected in a place, without what was sent there."""
    if entry["type"] == "union_tag_invalid":
        return f"one of {entry['ctx']['expected_tags']}"
    return str(entry["msg"]).removeprefix("Value error, ")


_UNFORESEEN: Final = (
    "Internal Server Error", "The service made a mistake. It is in the service's log, with the time of this request."
)  # fmt: skip
_HTTP_DETAIL: Final = {
    404: "There is nothing at this address.",
    405: "This address does not take that method.",
    408: "The request did not come to its end in time.",
    413: "The request is too large.",
    415: "Send the body as application/json.",
}


#: Responses that any route of the API may give.
RESPONSES: Final[dict[int | str, dict[str, object]]] = {
    400: {"model": Problem, "description": "The Host header names no address of this service."},
    401: {"model": Problem, "description": "Nobody is signed in: send a token as `Authorization: Bearer TOKEN`."},
    403: {"model": Problem, "description": "This token, or this person, may not do that."},
    404: {"model": Problem, "description": "No such site, sensor or forecast."},
    409: {"model": Problem, "description": "Things do not stand so that this could be done; look at them again."},
    413: {"model": Problem, "description": "The body is too large."},
    414: {"model": Problem, "description": "The address is longer than any of this service."},
    422: {"model": Problem, "description": "The request is refused; every fault is named."},
    429: {"model": Problem, "description": "Too many requests; try again after Retry-After seconds."},
    431: {"model": Problem, "description": "The headers are longer than this service reads."},
    503: {
        "model": Problem,
        "description": "A store cannot be reached, or work has to wait; try again after Retry-After.",
    },
}
