"""Which alarm is the consequence of which: one call for one cause, not one for each thing that follows. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from api.alarms.lifecycle import is_active
from ingest.store.records import Transition

#: Consequence → causes, the nearest first; both are about the same part.
_CAUSES: Final[Mapping[str, tuple[str, ...]]] = {
    "empty-predicted": ("tank-low",),
    "overflow-predicted": ("overflow-now",),
}


def cause_of(alarm: str, last: Mapping[str, Transition]) -> str:
    """The active alarm of which this one is a consequence; empty: none is.

    last  the last transition of each alarm of the site
    """
    key, _, part = alarm.partition(":")
    for cause in _CAUSES.get(key, ()):
        name = f"{cause}:{part}" if part else cause
        if is_active(last.get(name)):
            return name
    return ""
