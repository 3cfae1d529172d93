"""The last entries of a site's log, in words. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from api.commissioning.figures import figure_of
from api.commissioning.hand import unit_by_hand
from ingest import saying
from ingest.saying import Figure, Saying, say
from ingest.site import Site
from ingest.store.records import LogEntry

#: So many entries are shown, and so much of each note: the page has to load on a poor link.
SHOWN: Final = 5
_NOTE_SHOWN: Final = 200

#: Kinds that are written down of a part, and their words.
DONE: Final[dict[str, Callable[[Figure], Saying]]] = {
    "upkeep": lambda part: say("Upkeep done: {part}", part=part),
    "backup-opened": lambda part: say("Opened: {part}", part=part),
    "backup-closed": lambda part: say("Closed: {part}", part=part),
    "first-flush-emptied": lambda part: say("First flush emptied: {part}", part=part),
    "tank-filled": lambda part: say("Water brought into tank {part}", part=part),
    "tank-drained": lambda part: say("Tank {part} drained", part=part),
}


@dataclass(frozen=True)
class Line:
    """An entry: when and by whom, what, and the note as it was written, cut where it is long."""

    head: Saying
    what: Saying | None
    note: str


def last_lines(site: Site, log: Sequence[LogEntry]) -> list[Line]:
    """The last entries, newest first; `log` oldest first."""
    return [_line(site, entry) for entry in log[: -SHOWN - 1 : -1]]


def _line(site: Site, entry: LogEntry) -> Line:
    head = say("{time}, {who}", time=saying.instant(entry.time_ms), who=saying.name(entry.who))
    note = entry.note if len(entry.note) <= _NOTE_SHOWN else entry.note[:_NOTE_SHOWN] + "…"
    return Line(head, _what(site, entry), note)


def _what(site: Site, entry: LogEntry) -> Saying | None:
    """None: a note says itself what it is."""
    part = saying.name(entry.part)
    if entry.kind == "measured" and entry.value is not None:
        sensor = next((one for one in site.sensor if one.id == entry.part), None)
        value = saying.number(entry.value) if sensor is None else figure_of(unit_by_hand(sensor), entry.value)
        return say("{part} measured by hand: {value}", part=part, value=value)
    words = DONE.get(entry.kind)
    return None if words is None else words(part)
