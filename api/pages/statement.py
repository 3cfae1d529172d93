"""One thing that a page says, when that was, and how far it can be trusted."""

from __future__ import annotations

from dataclasses import dataclass

from api.current import Value
from ingest.saying import Saying, Sentence, duration, instant, say


@dataclass(frozen=True)
class Statement:
    """A sentence, its time in words, and whether it can be trusted as it stands."""

    said: Sentence
    when: Saying | None = None
    stale: bool = False
    missing: bool = False


def measured(value: Value) -> Saying:
    """`Measured Wed 25 Nov, 12:04`, and its age once that is what matters."""
    if value.reading is None:
        return say("Never heard")
    time = instant(value.reading.time_ms)
    # A fresh figure is shown by its time alone: the page then changes only when a figure does.
    if value.stale:
        return say("Measured {time}, {age} ago", time=time, age=duration(value.age_ms))
    return say("Measured {time}", time=time)
