"""Answers that the client has already: weak validators, 304, and who may keep a copy.

A route whose answer follows from versions says them before it does the work (`unchanged`); of every
other the body is hashed. Weak, because compression on the way changes the bytes and not the meaning.
"""

from __future__ import annotations

from hashlib import blake2b
from typing import Final

import msgspec
from fastapi import Request
from fastapi.responses import Response
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: Only the client itself keeps a copy, and asks each time whether it still holds.
PRIVATE: Final = "private, no-cache"
VARY: Final = "Authorization, Cookie"


def tag_of(*versions: object) -> str:
    """The validator of an answer that follows from these and nothing else."""
    return _tag(msgspec.json.encode(versions))


def unchanged(request: Request, tag: str) -> Response | None:
    """304 for a client that has the answer with this tag; None: it has not."""
    return Response(status_code=304, headers={"ETag": tag}) if _held(request.headers, tag) else None


class Conditional:
    """ASGI middleware: validators, 304 and Cache-Control for whatever says none of its own."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        start: Message = {}
        readable = scope["method"] in ("GET", "HEAD")

        async def answer(message: Message) -> None:
            nonlocal start
            if message["type"] == "http.response.start":
                start = message
                return
            if start:
                first, start = start, {}
                message = self._finish(scope, first, message, readable)
                await send(first)
            await send(message)

        await self._app(scope, receive, answer)

    def _finish(self, scope: Scope, start: Message, body: Message, readable: bool) -> Message:
        headers = MutableHeaders(scope=start)
        kept = readable and start["status"] in (200, 304)
        headers.setdefault("Cache-Control", PRIVATE if kept else "no-store")
        headers.add_vary_header(VARY)
        whole = not body.get("more_body", False)
        if not kept or start["status"] == 304 or not whole or "no-store" in headers["cache-control"]:
            return body
        tag = headers.setdefault("ETag", _tag(body.get("body", b"")))
        if not _held(Headers(scope=scope), tag):
            return body
        start["status"] = 304
        for name in ("content-length", "content-type", "content-encoding"):
            if name in headers:
                del headers[name]
        return {"type": "http.response.body", "body": b""}


def _tag(content: bytes) -> str:
    return f'W/"{blake2b(content, digest_size=8).hexdigest()}"'


def _held(headers: Headers, tag: str) -> bool:
    """Whether If-None-Match names this tag, or any, by weak comparison (RFC 9110, 13.1.2)."""
    known = {part.strip().removeprefix("W/") for part in headers.get("if-none-match", "").split(",")}
    return "*" in known or tag.removeprefix("W/") in known
