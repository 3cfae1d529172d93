"""Readings and roll-ups as lines of InfluxDB's line protocol.

Every field is a float, so no line can be at odds with the type that an earlier one gave a field.
A reading has its value, its flags and, for the queries, whether these make it suspect: always all three,
so a later copy replaces the whole. Names go in only if they need no escaping at all.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from math import isfinite
from typing import Final, NamedTuple

from ingest.instants import HOUR_MS
from ingest.reading import SUSPECT, Reading, Reject
from ingest.store.readings import Rollup
from ingest.store.rejects import no_value, refusal

MEASUREMENT: Final = "reading"
HOURLY: Final = "reading_hourly"
#: Sites and sensors as site files may call them. To be used with fullmatch: `$` would pass a line feed.
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9_./-]{0,99}")
_MOST_PREFIXES: Final = 10_000
_TAILS: Final[dict[int, str]] = {}
_NO_TAG: Final = "a name with characters that a time-series database cannot hold as a tag"


def is_name(text: str) -> bool:
    """Whether a site or sensor can be a tag, and stand in a query."""
    return _NAME.fullmatch(text) is not None


class Batch(NamedTuple):
    """Readings made ready: `lines` of the `kept` ones, the hours that they touch, and what was refused.

    hours  (site, sensor, hour since 1970)
    """

    lines: list[str]
    kept: list[Reading]
    hours: set[tuple[str, str, int]]
    refused: list[Reject]


class Lines:
    """Makes lines; remembers the part of them that says which sensor."""

    def __init__(self) -> None:
        self._prefixes: dict[tuple[str, str], str] = {}

    def of(self, readings: Sequence[Reading]) -> Batch:
        """The lines of readings, with their times in ms. One loop, and little in it: it runs for every reading."""
        batch = Batch([], [], set(), [])
        lines, kept, hours, refused = batch
        last_hours: dict[str, int] = {}
        for reading in readings:
            site, time_ms, sensor, value, flags = reading
            prefix = self._prefixes.get((site, sensor)) or self._prefix(site, sensor)
            if not prefix:
                refused.append(refusal(reading, f"{_NO_TAG}; it is not stored"))
                continue
            if not isfinite(value):
                refused.append(no_value(reading))
                continue
            tail = _TAILS.get(flags) or _tail(flags)
            lines.append(f"{prefix}{float(value)!r}{tail} {time_ms}")
            kept.append(reading)
            hour = time_ms // HOUR_MS
            if last_hours.get(prefix) != hour:
                last_hours[prefix] = hour
                hours.add((site, sensor, hour))
        return batch

    def _prefix(self, site: str, sensor: str) -> str:
        """Empty if a name cannot be a tag."""
        if not is_name(site) or not is_name(sensor):
            return ""
        if len(self._prefixes) >= _MOST_PREFIXES:
            self._prefixes.clear()
        prefix = f"{MEASUREMENT},{_tags(site, sensor)} value="
        self._prefixes[site, sensor] = prefix
        return prefix


def rollup_line(site: str, sensor: str, rollup: Rollup) -> str:
    """The line of an hour's roll-up. Raises ValueError on a name that cannot be a tag."""
    fields = ",".join(f"{name}={float(getattr(rollup, name))!r}" for name in Rollup._fields[1:])
    return f"{HOURLY},{_tags(site, sensor)} {fields} {rollup.start_ms}"


def _tail(flags: int) -> str:
    """The rest of the fields; only as many are remembered as there are combinations of flags."""
    tail = f",flags={flags},suspect={1 if flags & SUSPECT else 0}"
    if 0 <= flags < 256:
        _TAILS[flags] = tail
    return tail


def _tags(site: str, sensor: str) -> str:
    if not is_name(site) or not is_name(sensor):
        raise ValueError(_NO_TAG)
    return f"sensor={sensor},site={site}"
