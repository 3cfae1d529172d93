"""Read what commissioning wants to know of a site from the stores."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Final

from api.commissioning.checks import LOOK_BACK_MS, Check, check
from api.commissioning.hand import Comparison, compare, compares, span_ms, well_apart_m
from ingest.instants import DAY_MS
from ingest.payload import is_for, is_nobodys
from ingest.quality import AHEAD_MS, NO_CLOCK_MS
from ingest.reading import Reject
from ingest.site import Sensor, Site
from ingest.store.readings import ReadingStore
from ingest.store.records import LogEntry, Records

#: So far back a measurement by hand counts.
BY_HAND_MS: Final = 3 * 366 * DAY_MS
_REJECTS_READ: Final = 200
#: So many readings of a clock that was never set are looked at.
_OLDEST: Final = 100
#: So many earlier levels by hand are held against the sensor.
_LOOKED_AT: Final = 5


@dataclass(frozen=True)
class Commissioning:
    """Every sensor of a site, and the refused messages of the last day, one a reason, newest first.

    Among these are such as no site could have been meant by: a slip in a topic is made on this day.
    """

    site: Site
    now_ms: int
    checks: list[Check]
    refused: list[Reject]

    @property
    def ready(self) -> bool:
        """Whether every sensor is heard, believed and compared."""
        return all(found.verdict == "ready" for found in self.checks)


def look(site: Site, readings: ReadingStore, records: Records, now_ms: int, prefix: str) -> Commissioning:
    """Read the last day of every sensor, and what was measured by hand. prefix: first level of all topics."""
    entries: dict[str, list[LogEntry]] = defaultdict(list)
    for entry in records.log(site.id, now_ms - BY_HAND_MS, now_ms + 1):
        if entry.kind == "measured" and entry.value is not None and compares(site, entry.part, entry.value):
            entries[entry.part].append(entry)
    checks, refused = [], _refused(site, readings, now_ms)
    for sensor in site.sensor:
        heard = readings.range(site.id, sensor.id, now_ms - LOOK_BACK_MS, now_ms + AHEAD_MS, usable=False)
        unset = [] if heard else readings.range(site.id, sensor.id, 0, NO_CLOCK_MS, limit=_OLDEST, usable=False)
        by_hand = _compared(sensor, site, next(reversed(entries[sensor.id]), None), readings)
        another = _another(sensor, site, entries[sensor.id], readings)
        checks.append(
            check(
                sensor,
                site,
                heard,
                by_hand,
                now_ms,
                prefix=prefix.strip("/"),
                refused=bool(refused),
                another=another,
                unset=unset[-1] if unset else None,
            )
        )
    return Commissioning(site, now_ms, checks, refused)


def _compared(sensor: Sensor, site: Site, entry: LogEntry | None, readings: ReadingStore) -> Comparison | None:
    if entry is None:
        return None
    return compare(sensor, entry, readings.range(site.id, sensor.id, *span_ms(sensor, entry)))


def _another(sensor: Sensor, site: Site, entries: list[LogEntry], readings: ReadingStore) -> Comparison | None:
    """A level measured by hand well apart from the newest one, that agreed; of the last few, the latest."""
    apart_m = well_apart_m(sensor, site)
    if apart_m is None or len(entries) < 2:
        return None
    newest_m = entries[-1].value or 0.0
    far = [entry for entry in entries[:-1] if entry.value is not None and abs(entry.value - newest_m) >= apart_m]
    compared = (_compared(sensor, site, entry, readings) for entry in reversed(far[-_LOOKED_AT:]))
    return next((found for found in compared if found is not None and found.agrees), None)


def _refused(site: Site, readings: ReadingStore, now_ms: int) -> list[Reject]:
    found: dict[tuple[str, str], Reject] = {}
    for reject in readings.rejects(_REJECTS_READ):
        if (is_for(site, reject.topic) or is_nobodys(reject)) and reject.time_ms >= now_ms - LOOK_BACK_MS:
            found.setdefault((reject.topic, reject.reason), reject)
    return list(found.values())
