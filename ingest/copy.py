"""Readings from one store to another: in pages, to be taken up again, and counted and summed at the end.

The checksum of a store does not depend on the order: the sum of a hash of each reading. Two stores
that hold the same readings, no more and no less, have the same count and the same sum.
"""

from __future__ import annotations

import hashlib
import json
import os
import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from ingest.errors import SettingsError
from ingest.instants import HOUR_MS
from ingest.reading import Reading
from ingest.store.readings import RollupStore, pages

#: Before anything that a store can date. [UTC ms]
_BEGINNING_MS: Final = -9_000_000_000_000


@dataclass(frozen=True)
class Sum:
    """Count and checksum of readings; equal for equal readings in any order."""

    readings: int = 0
    checksum: int = 0

    def __add__(self, other: Sum) -> Sum:
        return Sum(self.readings + other.readings, (self.checksum + other.checksum) % 2**64)

    def __str__(self) -> str:
        return f"{self.readings} readings, checksum {self.checksum:016x}"


@dataclass(frozen=True)
class Copied:
    """What a copy did, and what both sides hold of the readings that were to be copied.

    moved     readings written to the target this time
    rollups   roll-ups taken over, of hours whose readings are gone
    rejected  readings that the target refuses; they are in its rejects
    source, target  what each side holds
    differing  (site, sensor) pairs whose sums differ
    """

    moved: int
    rollups: int
    rejected: int
    source: Sum
    target: Sum
    differing: list[tuple[str, str]] = field(default_factory=list)

    @property
    def complete(self) -> bool:
        """Whether both sides hold the same."""
        return not self.differing and self.source == self.target


def copy_readings(
    source: RollupStore,
    target: RollupStore,
    until_ms: int,
    state: Path,
    progress: Callable[[str, str, int], None] = lambda _site, _sensor, _moved: None,
) -> Copied:
    """Copy all readings dated before `until_ms`, suspect ones too; go on where an earlier copy stopped.

    state     a file that remembers how far each sensor came; delete it to begin again
    progress  is told site, sensor and readings moved so far, after each page

    Roll-ups of hours from before a sensor's first reading are copied too: their readings are gone.
    All others the target makes anew. A reading that the target already has in another form stays as
    its own rule wants it, and shows as a difference.
    Raises SettingsError on a state file that cannot be read, and StoreError as the stores do.
    """
    came = _Progress(state)
    moved = rollups = rejected = 0
    for site, sensor in source.series():
        rollups += _copy_rollups(source, target, site, sensor)
        for page in pages(source, site, sensor, came.of(site, sensor), until_ms, usable=False):
            result = target.write(page)
            moved += result.accepted
            rejected += len(result.rejected)
            came.reached(site, sensor, page[-1].time_ms + 1)
            progress(site, sensor, moved)
    sides = Sum(), Sum()
    differing = []
    for site, sensor in source.series():
        both = summed(source, site, sensor, until_ms), summed(target, site, sensor, until_ms)
        sides = sides[0] + both[0], sides[1] + both[1]
        if both[0] != both[1]:
            differing.append((site, sensor))
    return Copied(moved, rollups, rejected, *sides, differing)


def summed(store: RollupStore, site: str, sensor: str, until_ms: int) -> Sum:
    """Count and checksum of a sensor's readings before an instant."""
    total = Sum()
    for page in pages(store, site, sensor, _BEGINNING_MS, until_ms, usable=False):
        total += Sum(len(page), sum(map(_hash, page)) % 2**64)
    return total


def _hash(reading: Reading) -> int:
    """64 bits of everything that a reading says."""
    names = f"{reading.site}\0{reading.sensor}\0".encode()
    # + 0.0: minus zero is zero, and not every store tells them apart.
    numbers = struct.pack("<qdq", reading.time_ms, reading.value + 0.0, reading.flags)
    return int.from_bytes(hashlib.blake2b(names + numbers, digest_size=8).digest(), "little")


def _copy_rollups(source: RollupStore, target: RollupStore, site: str, sensor: str) -> int:
    first = source.range(site, sensor, _BEGINNING_MS, -_BEGINNING_MS, limit=1, usable=False)
    end_ms = first[0].time_ms // HOUR_MS * HOUR_MS if first else -_BEGINNING_MS
    outlived = source.rollups(site, sensor, _BEGINNING_MS, end_ms)
    target.adopt(site, sensor, outlived)
    return len(outlived)


class _Progress:
    """How far each sensor came, in a file that is replaced whole."""

    def __init__(self, file: Path) -> None:
        self._file = file
        self._reached: dict[str, int] = {}
        if file.exists():
            try:
                found = json.loads(file.read_text(encoding="utf-8"))
                self._reached = {str(key): int(value) for key, value in found.items()}
            except (ValueError, AttributeError, TypeError) as error:
                raise SettingsError(f"{file} does not say how far a copy came: delete it to begin again") from error

    def of(self, site: str, sensor: str) -> int:
        return self._reached.get(f"{site} {sensor}", _BEGINNING_MS)

    def reached(self, site: str, sensor: str, next_ms: int) -> None:
        self._reached[f"{site} {sensor}"] = next_ms
        part = self._file.with_name(f"{self._file.name}.part")
        with part.open("w", encoding="utf-8") as out:
            json.dump(self._reached, out)
            out.flush()
            os.fsync(out.fileno())
        part.replace(self._file)
