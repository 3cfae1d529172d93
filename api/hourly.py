"""Answers that cost much and need not be newer than the hour."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import TypeVar, cast

from ingest.instants import floor_hour

Answer = TypeVar("Answer")


class Hourly:
    """Keeps answers until the hour ends. Two threads may make the same one at once; either is right."""

    def __init__(self) -> None:
        self._hour_ms = 0
        self._kept: dict[Hashable, object] = {}

    def get(self, key: Hashable, now_ms: int, make: Callable[[], Answer]) -> Answer:
        """The answer of this hour under a key, made where there is none. now_ms: UTC now [ms]"""
        hour_ms = floor_hour(now_ms)
        if hour_ms != self._hour_ms:
            self._hour_ms, self._kept = hour_ms, {}
        kept = self._kept
        if key not in kept:
            kept[key] = make()
        return cast(Answer, kept[key])
