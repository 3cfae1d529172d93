"""What every answer carries, and the page that has not changed."""

from __future__ import annotations

import base64
import hashlib

from fastapi import Request
from fastapi.responses import HTMLResponse, Response
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.languages.reader import choices

_REMEMBERED_S = 365 * 24 * 3_600


def security_headers(style: str) -> dict[str, str]:
    """Headers that let a browser load nothing but our pages, the one style they carry and the one script of ours."""
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = (
        f"default-src 'none'; style-src 'sha256-{digest}'; script-src 'self'; connect-src 'self'; img-src data:; "
        "base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
    )
    return {
        "Content-Security-Policy": policy,
        "X-Content-Type-Options": "nosniff",
        # Not "no-referrer": browsers then hide the origin of our own forms from us.
        "Referrer-Policy": "same-origin",
        "Cross-Origin-Opener-Policy": "same-origin",
    }


#: For what another site's page could pull in unseen; a page of ours is framed by nobody, and its first packet is dear.
_FOR_PROGRAMS = {"Cross-Origin-Resource-Policy": "same-origin"}


class SecurityHeaders:
    """ASGI middleware: add the headers to every answer."""

    def __init__(self, app: ASGIApp, headers: dict[str, str]) -> None:
        self._app = app
        self._headers = headers

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            # An unchanged page keeps the headers that it came with, and 304 stays small.
            if message["type"] == "http.response.start" and message["status"] != 304:
                MutableHeaders(scope=message).update(self._headers)
                if scope["path"].startswith("/api/"):
                    MutableHeaders(scope=message).update(_FOR_PROGRAMS)
            await send(message)

        await self._app(scope, receive, with_headers)


def page(request: Request, html: str) -> Response:
    """The page; a language or units chosen in its address are remembered.

    No Vary on them: the reader must always ask again, and the tag tells the pages of two languages apart.
    """
    response = HTMLResponse(html)
    for name, value in choices(request.query_params).items():
        response.set_cookie(name, value, max_age=_REMEMBERED_S, httponly=True, samesite="lax")
    return response
