"""Readings and roll-ups as lines of InfluxDB's line protocol.

Every field is a float, so no line can be at odds with the type that an earlier one gave a field.
A reading has its value, its flags and, for the queries, whether these make it suspect: always all three,
so a later copy replaces the whole. Names go in only if they need no escaping at all.
"""

from __future__ import annotations

import re
from typing import Final

from ingest.reading import SUSPECT, Reading
from ingest.store.readings import Rollup

MEASUREMENT: Final = "reading"
HOURLY: Final = "reading_hourly"
#: Sites and sensors as site files may call them. To be used with fullmatch: `$` would pass a line feed.
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9_./-]{0,99}")
_MOST_PREFIXES: Final = 10_000


def is_name(text: str) -> bool:
    """Whether a site or sensor can be a tag, and stand in a query."""
    return _NAME.fullmatch(text) is not None


class Lines:
    """Makes lines; remembers the part of them that says which sensor."""

    def __init__(self) -> None:
        self._prefixes: dict[tuple[str, str], str] = {}

    def of(self, reading: Reading) -> str:
        """The line of a reading, with its time in ms. Raises ValueError on a name that cannot be a tag."""
        site, time_ms, sensor, value, flags = reading
        prefix = self._prefixes.get((site, sensor)) or self._prefix(site, sensor)
        return f"{prefix}{float(value)!r},flags={flags},suspect={1 if flags & SUSPECT else 0} {time_ms}"

    def _prefix(self, site: str, sensor: str) -> str:
        if len(self._prefixes) >= _MOST_PREFIXES:
            self._prefixes.clear()
        prefix = f"{MEASUREMENT},{_tags(site, sensor)} value="
        self._prefixes[site, sensor] = prefix
        return prefix


def rollup_line(site: str, sensor: str, rollup: Rollup) -> str:
    """The line of an hour's roll-up. Raises ValueError on a name that cannot be a tag."""
    fields = ",".join(f"{name}={float(getattr(rollup, name))!r}" for name in Rollup._fields[1:])
    return f"{HOURLY},{_tags(site, sensor)} {fields} {rollup.start_ms}"


def _tags(site: str, sensor: str) -> str:
    if not is_name(site) or not is_name(sensor):
        raise ValueError("a name with characters that a time-series database cannot hold as a tag")
    return f"sensor={sensor},site={site}"
