"""How long a client may take and how much it may send: headers in the protocol, bodies in front of the routes."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Any, Final

from fastapi import Request
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

from api.problems import Answerer

HEADERS_S: Final = 10.0
BODY_S: Final = 30.0


class Patient(H11Protocol):
    """Hangs up on a connection that has not finished its first request's headers in time.

    The server's own time-out counts only from one answer to the next request.
    """

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._slow: asyncio.TimerHandle | None = self.loop.call_later(HEADERS_S, self._hang_up)

    def handle_events(self) -> None:
        super().handle_events()
        if self.cycle is not None:
            self._settle()

    def connection_lost(self, exc: Exception | None) -> None:
        self._settle()
        super().connection_lost(exc)

    def _settle(self) -> None:
        if self._slow is not None:
            self._slow.cancel()
            self._slow = None

    def _hang_up(self) -> None:
        self._slow = None
        if not self.transport.is_closing():
            self.transport.close()


class Bodies:
    """ASGI middleware: a body is so large at most (413), and here within so many seconds (408).

    larger  ends of paths that take more, and how much [bytes]
    """

    def __init__(
        self,
        app: ASGIApp,
        answer: Answerer,
        most_bytes: int,
        larger: Mapping[str, int] | None = None,
        within_s: float = BODY_S,
    ) -> None:
        self._app = app
        self._answer = answer
        self._most_bytes = most_bytes
        self._larger = larger or {}
        self._within_s = within_s

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] in ("GET", "HEAD"):
            await self._app(scope, receive, send)
            return
        fitting = [most for end, most in self._larger.items() if scope["path"].endswith(end)]
        most_bytes = max(fitting, default=self._most_bytes)
        request = Request(scope)
        if int(request.headers.get("content-length", 0)) > most_bytes:
            await self._answer.http(request, HTTPException(413))(scope, receive, send)
            return
        end = asyncio.get_running_loop().time() + self._within_s
        left_bytes, whole = most_bytes, False

        async def bounded() -> Message:
            nonlocal left_bytes, whole
            if whole:
                return await receive()
            try:
                async with asyncio.timeout_at(end):
                    message = await receive()
            except TimeoutError:
                raise HTTPException(408) from None
            left_bytes -= len(message.get("body", b""))
            if left_bytes < 0:
                raise HTTPException(413)
            whole = message["type"] != "http.request" or not message.get("more_body", False)
            return message

        await self._app(scope, bounded, send)


def server_limits() -> dict[str, Any]:
    """Limits of the web server, by the names of its configuration."""
    return {"http": Patient, "limit_concurrency": 500, "h11_max_incomplete_event_size": 16_384}
