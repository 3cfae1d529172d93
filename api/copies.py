"""Answers kept for the next who asks, compressed: large ones that follow from a version and change rarely."""

from __future__ import annotations

import gzip
import threading
from collections import OrderedDict
from typing import Final

from fastapi import Request
from fastapi.responses import Response

MOST_BYTES: Final = 32_000_000


class Copies:
    """Bodies by the tag of their answer; the ones unused for longest go first. Safe to share between threads."""

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self._most_bytes = most_bytes
        self._bytes = 0
        self._kept: OrderedDict[str, bytes] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, tag: str) -> bytes | None:
        """The compressed body; None: it is not kept."""
        with self._lock:
            body = self._kept.get(tag)
            if body is not None:
                self._kept.move_to_end(tag)
        return body

    def put(self, tag: str, body: bytes) -> bytes:
        """Compress and keep a body; the compressed one."""
        packed = gzip.compress(body, 6, mtime=0)
        with self._lock:
            self._bytes += len(packed) - len(self._kept.pop(tag, b""))
            self._kept[tag] = packed
            while self._bytes > self._most_bytes:
                self._bytes -= len(self._kept.popitem(last=False)[1])
        return packed


def copy_response(request: Request, tag: str, packed: bytes) -> Response:
    """The answer from a compressed JSON body, unpacked for whoever cannot do it."""
    headers = {"ETag": tag, "Vary": "Accept-Encoding"}
    if "gzip" not in request.headers.get("accept-encoding", ""):
        return Response(gzip.decompress(packed), media_type="application/json", headers=headers)
    headers["Content-Encoding"] = "gzip"
    return Response(packed, media_type="application/json", headers=headers)
