"""The protocol that every home of readings keeps."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final, Literal, NamedTuple, Protocol

from ingest.reading import Reading, Reject

#: How many readings `pages` takes at a time.
PAGE: Final = 10_000

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


class Rollup(NamedTuple):
    """What is left of one sensor's usable readings of one UTC hour, when they are gone themselves.

    start_ms  start of the hour [UTC ms]
    readings  how many they were; never zero
    mean, min, max, first, last  in the unit of the readings
    """

    start_ms: int
    readings: int
    mean: float
    min: float
    max: float
    first: float
    last: float


class ReadingStore(Protocol):
    """Readings, idempotent on (site, time, sensor): writing one twice stores it once.

    Every method may raise StoreUnavailable (try again later), StoreCorrupt or StoreRefused (stop).
    """

    def write(self, readings: Sequence[Reading], rejects: Sequence[Reject] = ()) -> WriteResult:
        """Store everything, and return only once it is on disk."""
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
        """Usable readings by interval, aligned to the epoch. An interval without readings is absent, not zero.

        Intervals of whole hours are taken from roll-ups where these are up to date, so they reach
        back beyond the readings themselves; an hour that is only partly asked for never does.
        """
        ...

    def rejects(self, limit: int = 100, before: tuple[int, int] | None = None) -> list[Reject]:
        """The newest rejects, newest first; `before` the (time_ms, id) of one continues a page."""
        ...

    def counts(self) -> dict[str, int]:
        """How many `readings` and `rejects` are stored."""
        ...

    def ping(self) -> None:
        """Raise StoreUnavailable, StoreCorrupt or StoreRefused if the store cannot be used."""
        ...

    def close(self) -> None:
        """Let go of it. Nothing that was acknowledged depends on this call."""
        ...


class RollupStore(ReadingStore, Protocol):
    """A reading store that keeps hourly roll-ups beyond its readings; for those who look after it. All of ours do.

    `write` marks the hours that it touches for the next roll-up.
    """

    def series(self) -> list[tuple[str, str]]:
        """The (site, sensor) pairs of which there are readings, in order."""
        ...

    def roll_up(self, until_ms: int) -> int:
        """Aggregate again every marked hour that ended by `until_ms`; returns how many, counted by sensor.

        For the process that writes. Safe beside writing, and a failure leaves marked what is not done.
        """
        ...

    def rollups(self, site: str, sensor: str, start_ms: int, end_ms: int) -> list[Rollup]:
        """The roll-ups of hours that start in `[start_ms, end_ms)`, as they were last made, oldest first."""
        ...

    def adopt(self, site: str, sensor: str, rollups: Sequence[Rollup]) -> None:
        """Take over roll-ups of hours whose readings are gone elsewhere. Those made here stay."""
        ...

    def prune(self, before_ms: int) -> int:
        """Delete readings of whole hours before `before_ms`, but of no hour whose roll-up is not done.

        Roll-ups stay. One that outlived its readings is from then on replaced only by at least as
        many readings, so a straggler cannot stand for the whole hour. For the process that writes.
        Returns how many were deleted.
        """
        ...


def pages(
    store: ReadingStore, site: str, sensor: str, start_ms: int, end_ms: int, *, usable: bool = True
) -> Iterator[list[Reading]]:
    """All readings in `[start_ms, end_ms)`, oldest first, some at a time: `range` alone stops at its limit."""
    while page := store.range(site, sensor, start_ms, end_ms, limit=PAGE, usable=usable):
        yield page
        if len(page) < PAGE:
            return
        start_ms = page[-1].time_ms + 1
