"""The stretch of time that a request asks for."""

from __future__ import annotations

from api.problems import refused
from ingest.instants import from_rfc3339


def span(start: str | None, end: str | None, now_ms: int, default_ms: int) -> tuple[int, int]:
    """`[start, end)` in UTC ms: up to now, and `default_ms` long, where nothing is said."""
    end_ms = now_ms if end is None else from_rfc3339(end)
    start_ms = end_ms - default_ms if start is None else from_rfc3339(start)
    if start_ms >= end_ms:
        raise refused(("query.start", "a time before `end`"))
    return start_ms, end_ms
