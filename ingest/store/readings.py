"""The protocol that every home of readings keeps."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, NamedTuple, Protocol

from ingest.reading import Reading, Reject

Aggregate = Literal["mean", "min", "max", "first", "last", "count"]


class WriteResult(NamedTuple):
    """accepted: stored now or already there; rejected: refused one by one, with reasons."""

    accepted: int
    rejected: list[Reject]


class Bucket(NamedTuple):
    """One interval `[start_ms, start_ms + every_ms)` of an aggregate, and how many readings it holds."""

    start_ms: int
    value: float
    readings: int


class ReadingStore(Protocol):
    """Readings, idempotent on (site, time, sensor): writing one twice stores it once.

    Every method may raise StoreUnavailable (try again later) or StoreCorrupt (stop).
    """

    def write(self, readings: Sequence[Reading], rejects: Sequence[Reject] = ()) -> WriteResult:
        """Store everything in one commit, and return only once it is on disk."""
        ...

    def latest(self, site: str, until_ms: int) -> dict[str, Reading]:
        """The newest usable reading of each sensor, not dated after `until_ms`, by sensor."""
        ...

    def range(
        self, site: str, sensor: str, start_ms: int, end_ms: int, *, limit: int = 100_000, usable: bool = True
    ) -> list[Reading]:
        """Readings in `[start_ms, end_ms)`, oldest first; with usable=False the suspect ones too."""
        ...

    def aggregate(
        self, site: str, sensor: str, start_ms: int, end_ms: int, every_ms: int, fn: Aggregate
    ) -> list[Bucket]:
        """Usable readings by interval, aligned to the epoch. An interval without readings is absent, not zero."""
        ...

    def rejects(self, limit: int = 100) -> list[Reject]:
        """The newest rejects, newest first."""
        ...

    def counts(self) -> dict[str, int]:
        """How many `readings` and `rejects` are stored."""
        ...

    def ping(self) -> None:
        """Raise StoreUnavailable or StoreCorrupt if the store cannot be used."""
        ...

    def close(self) -> None:
        """Let go of it. Nothing that was acknowledged depends on this call."""
        ...
