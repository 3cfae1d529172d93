"""Read what commissioning wants to know of a site from the stores."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from api.commissioning.checks import LOOK_BACK_MS, Check, check
from api.commissioning.hand import Comparison, compare, compares, span_ms
from ingest.instants import DAY_MS
from ingest.payload import is_for, is_nobodys
from ingest.reading import Reject
from ingest.site import Sensor, Site
from ingest.store.readings import ReadingStore
from ingest.store.records import LogEntry, Records

#: So far back a measurement by hand counts.
BY_HAND_MS: Final = 3 * 366 * DAY_MS
_REJECTS_READ: Final = 200


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
    entries = {
        entry.part: entry
        for entry in records.log(site.id, now_ms - BY_HAND_MS, now_ms + 1)
        if entry.kind == "measured" and entry.value is not None and compares(site, entry.part, entry.value)
    }
    checks, refused = [], _refused(site, readings, now_ms)
    for sensor in site.sensor:
        heard = readings.range(site.id, sensor.id, now_ms - LOOK_BACK_MS, now_ms + 1, usable=False)
        by_hand = _compared(sensor, site, entries.get(sensor.id), readings)
        checks.append(check(sensor, site, heard, by_hand, now_ms, prefix=prefix.strip("/"), refused=bool(refused)))
    return Commissioning(site, now_ms, checks, refused)


def _compared(sensor: Sensor, site: Site, entry: LogEntry | None, readings: ReadingStore) -> Comparison | None:
    if entry is None:
        return None
    return compare(sensor, entry, readings.range(site.id, sensor.id, *span_ms(sensor, entry)))


def _refused(site: Site, readings: ReadingStore, now_ms: int) -> list[Reject]:
    found: dict[tuple[str, str], Reject] = {}
    for reject in readings.rejects(_REJECTS_READ):
        if (is_for(site, reject.topic) or is_nobodys(reject)) and reject.time_ms >= now_ms - LOOK_BACK_MS:
            found.setdefault((reject.topic, reject.reason), reject)
    return list(found.values())
