"""Readings in InfluxDB, with rejects and marks for the roll-ups in a small SQLite file beside.

A reading written again replaces the earlier one: the last wins, where SQLite keeps the first. The
same reading twice is one in both. A write of several thousand is several requests; when one of them
fails the earlier ones are stored, nothing is acknowledged, and trying again changes nothing about them.

The marks are with the collector that wrote the readings, so several collectors with sensors of
their own may share one database. A reader on another machine does not see them: to it a roll-up is
up to date, and a late reading enters its hours with the next roll-up.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Final

from ingest.errors import StoreRefused
from ingest.instants import HOUR_MS
from ingest.reading import Reading, Reject
from ingest.store import influx_read as read
from ingest.store.influx_client import BadLines, InfluxClient
from ingest.store.influx_lines import HOURLY, Lines, is_name, rollup_line
from ingest.store.influx_notes import InfluxNotes, Mark
from ingest.store.influx_place import Bucket as Place
from ingest.store.influx_place import InfluxPlace
from ingest.store.readings import Aggregate, Bucket, Rollup, WriteResult
from ingest.store.rejects import refusal

BATCH: Final = 1_000
_MOST_MARKED: Final = 100_000
#: A roll-up of so many hours at a time; a span of one sensor's marks is one query.
_MARKS_AT_ONCE: Final = 5_000
#: Beyond so many spans of marked hours, one query over all of them is cheaper.
_MOST_SPANS: Final = 20


class InfluxStore:
    """A `RollupStore` in InfluxDB 1.x or 2.x.

    notes   the SQLite file beside, made if absent and `writer`
    writer  whether this process writes; only one may write the same notes

    Raises StoreUnavailable, StoreCorrupt (the notes) or StoreRefused, at opening as later.
    """

    def __init__(self, place: InfluxPlace, notes: Path, *, writer: bool = False) -> None:
        self._place = place
        self._client = InfluxClient(place)
        self._notes = InfluxNotes(notes, writer=writer)
        self._lines = Lines()
        self._lock = threading.Lock()
        #: Hours whose marks are on disk and not being rolled up: they need no other one.
        self._marked: set[tuple[str, str, int]] = set()
        try:
            self.ping()
        except BaseException:
            self.close()
            raise

    def write(self, readings: Sequence[Reading], rejects: Sequence[Reject] = ()) -> WriteResult:
        """Store everything, and return only once all of it is on disk: readings there, rejects and marks here."""
        refused: list[Reject] = []
        hours: set[tuple[str, str, int]] = set()
        for start in range(0, len(readings), BATCH):
            batch = self._lines.of(readings[start : start + BATCH])
            refused += batch.refused
            hours |= batch.hours
            if batch.lines:
                refused += [
                    refusal(batch.kept[at], f"the database refuses it: {why}", batch.lines[at].encode())
                    for at, why in self._post(self._place.raw, batch.lines)
                ]
        # After the readings, so that a roll-up which takes off a mark has seen them. A suspect one
        # marks its hour too: it may have replaced a usable one.
        self._mark(hours, [*rejects, *refused])
        return WriteResult(len(readings) - len(refused), refused)

    def latest(self, site: str, until_ms: int) -> dict[str, Reading]:
        """The newest usable reading of each sensor, not dated after `until_ms`, by sensor."""
        return read.latest(self._client, self._place.raw, site, until_ms) if is_name(site) else {}

    def range(
        self, site: str, sensor: str, start_ms: int, end_ms: int, *, limit: int = 100_000, usable: bool = True
    ) -> list[Reading]:
        """Readings in `[start_ms, end_ms)`, oldest first; with usable=False the suspect ones too."""
        if not (is_name(site) and is_name(sensor)):
            return []
        return read.readings(self._client, self._place.raw, site, sensor, start_ms, end_ms, limit, usable=usable)

    def aggregate(
        self, site: str, sensor: str, start_ms: int, end_ms: int, every_ms: int, fn: Aggregate
    ) -> list[Bucket]:
        """Usable readings by interval, aligned to the epoch. An interval without readings is absent, not zero."""
        if not (is_name(site) and is_name(sensor)):
            return []
        first, end = -(-start_ms // HOUR_MS), end_ms // HOUR_MS
        if every_ms % HOUR_MS or end <= first:
            return read.merged(
                read.parts(self._client, self._place.raw, site, sensor, start_ms, end_ms, every_ms), every_ms, fn
            )
        marked = self._notes.marked(site, sensor, first, end)
        made = {rollup.start_ms // HOUR_MS: rollup for rollup in self.rollups(site, sensor, start_ms, end * HOUR_MS)}
        kept_from = self._notes.kept_from()
        stale = [hour for hour in marked if hour not in made or hour >= kept_from]
        for hour in stale:
            made.pop(hour, None)
        oldest, newest = (min(made), max(made) + 1) if made else (end, end)
        spans = [(start_ms, max(start_ms, oldest * HOUR_MS)), (newest * HOUR_MS, end_ms)]
        spans[1:1] = [(a * HOUR_MS, b * HOUR_MS) for a, b in _spans(h for h in stale if oldest <= h < newest)]
        if len(spans) > _MOST_SPANS:
            spans = [(start_ms, end_ms)]
        fresh = [
            part
            for a, b in spans
            for part in read.parts(self._client, self._place.raw, site, sensor, a, b, HOUR_MS)
            if part.start_ms // HOUR_MS not in made
        ]
        return read.merged(sorted([*made.values(), *fresh]), every_ms, fn)

    def series(self) -> list[tuple[str, str]]:
        """The (site, sensor) pairs of which there are readings or roll-ups, in order."""
        return sorted(
            {*read.series(self._client, self._place.raw), *read.series(self._client, self._place.hourly, HOURLY)}
        )

    def roll_up(self, until_ms: int) -> int:
        """Aggregate again every marked hour that ended by `until_ms`; returns how many, counted by sensor."""
        done = 0
        while True:
            with self._lock:  # from here on, whatever comes into these hours marks them anew
                marks = self._notes.due(until_ms // HOUR_MS, _MARKS_AT_ONCE)
                self._marked -= {mark[:3] for mark in marks}
            self._make(marks)
            self._notes.done(marks)
            done += len(marks)
            if len(marks) < _MARKS_AT_ONCE:
                return done

    def rollups(self, site: str, sensor: str, start_ms: int, end_ms: int) -> list[Rollup]:
        """The roll-ups of hours that start in `[start_ms, end_ms)`, as they were last made, oldest first."""
        if not (is_name(site) and is_name(sensor)):
            return []
        return read.rollups(self._client, self._place.hourly, site, sensor, start_ms, end_ms)

    def adopt(self, site: str, sensor: str, rollups: Sequence[Rollup]) -> None:
        """Take over roll-ups of hours whose readings are gone elsewhere. Those made here stay."""
        if not rollups:
            return
        newest = max(rollup.start_ms for rollup in rollups)
        mine = {rollup.start_ms for rollup in self.rollups(site, sensor, rollups[0].start_ms, newest + 1)}
        self._put(rollup_line(site, sensor, rollup) for rollup in rollups if rollup.start_ms not in mine)
        self._notes.raise_retention(newest // HOUR_MS + 1)

    def prune(self, before_ms: int) -> int:
        """Delete readings of whole hours before `before_ms`, but of no hour whose roll-up is not done.

        Whether it is done, marks and the roll-up's own count must both say: another collector's
        marks are not here.
        """
        before = before_ms // HOUR_MS
        self._notes.raise_retention(before)
        deleted = 0
        for site, sensor in read.series(self._client, self._place.raw):
            held = read.hours(self._client, self._place.raw, site, sensor, before * HOUR_MS)
            if not held:
                continue
            span = (site, sensor, min(held), max(held) + HOUR_MS)
            usable = {
                part.start_ms: part.readings for part in read.parts(self._client, self._place.raw, *span, HOUR_MS)
            }
            made = {rollup.start_ms: rollup.readings for rollup in self.rollups(*span)}
            marked = set(self._notes.marked(site, sensor, span[2] // HOUR_MS, before))
            due = [
                start // HOUR_MS
                for start in held
                if start // HOUR_MS not in marked and made.get(start, 0) >= usable.get(start, 0)
            ]
            for first, end in _spans(due):
                read.delete(self._client, self._place.raw, site, sensor, first * HOUR_MS, end * HOUR_MS)
            deleted += sum(held[hour * HOUR_MS] for hour in due)
        return deleted

    def rejects(self, limit: int = 100, before: tuple[int, int] | None = None) -> list[Reject]:
        """The newest rejects before a mark, newest first."""
        return self._notes.rejects(limit, before)

    def counts(self) -> dict[str, int]:
        """How many `readings` and `rejects` are stored. Reads everything: not for every request."""
        return {"readings": read.count(self._client, self._place.raw), "rejects": self._notes.count_rejects()}

    def ping(self) -> None:
        """Raise StoreUnavailable, StoreCorrupt or StoreRefused if the store cannot be used."""
        self._notes.ping()
        for bucket in (self._place.raw, self._place.hourly):
            read.touch(self._client, bucket)

    def close(self) -> None:
        """Let go of it. Nothing that was acknowledged depends on this call."""
        self._client.close()
        self._notes.close()

    def _post(self, bucket: Place, lines: Sequence[str]) -> Iterator[tuple[int, str]]:
        """Write lines; which of them are refused and why, found by halving."""
        try:
            self._client.post(bucket, lines)
        except BadLines as error:
            if len(lines) == 1:
                yield 0, str(error)
                return
            half = len(lines) // 2
            yield from self._post(bucket, lines[:half])
            yield from ((half + index, why) for index, why in self._post(bucket, lines[half:]))

    def _mark(self, hours: set[tuple[str, str, int]], rejects: Sequence[Reject]) -> None:
        with self._lock:
            new = hours - self._marked
            if new or rejects:
                self._notes.add(new, rejects)
            if len(self._marked) > _MOST_MARKED:
                self._marked.clear()
            self._marked |= new

    def _make(self, marks: Sequence[Mark]) -> None:
        """Aggregate the hours of these marks and write their roll-ups."""
        by_sensor: dict[tuple[str, str], list[int]] = {}
        for mark in marks:
            by_sensor.setdefault((mark.site, mark.sensor), []).append(mark.hour)
        kept_from = self._notes.kept_from()
        for (site, sensor), hours in by_sensor.items():
            for first, end in _spans(hours):
                span = (site, sensor, first * HOUR_MS, end * HOUR_MS)
                made = read.parts(self._client, self._place.raw, *span, HOUR_MS)
                if first < kept_from:
                    # What outlived its readings is replaced only by at least as many.
                    old = {rollup.start_ms: rollup.readings for rollup in self.rollups(*span)}
                    outlived = {start for start in old if start < kept_from * HOUR_MS}
                    made = [r for r in made if r.start_ms not in outlived or r.readings >= old[r.start_ms]]
                found = {rollup.start_ms for rollup in made}
                emptied = [h * HOUR_MS for h in range(max(first, kept_from), end) if h * HOUR_MS not in found]
                made += [Rollup(start, 0, 0.0, 0.0, 0.0, 0.0, 0.0) for start in emptied]
                self._put(rollup_line(site, sensor, rollup) for rollup in made)

    def _put(self, lines: Iterable[str]) -> None:
        """Write roll-ups. A refused one is a fault of the database's set-up, and stays marked."""
        ready = list(lines)
        for start in range(0, len(ready), BATCH):
            for _, why in self._post(self._place.hourly, ready[start : start + BATCH]):
                raise StoreRefused(f"{self._place.shown}: it refuses a roll-up ({why})")


def _spans(hours: Iterable[int]) -> list[tuple[int, int]]:
    """Ascending hours as half-open spans without holes."""
    spans: list[tuple[int, int]] = []
    for hour in hours:
        if spans and spans[-1][1] == hour:
            spans[-1] = (spans[-1][0], hour + 1)
        else:
            spans.append((hour, hour + 1))
    return spans
