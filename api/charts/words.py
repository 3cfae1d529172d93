"""Bare figures of axes and tables, in the reader's forms."""

from __future__ import annotations

from functools import lru_cache
from math import isnan

from babel.dates import format_datetime

from api.speech import Speaker
from api.words import bare, number
from ingest.instants import to_datetime
from ingest.saying import Figure, share

#: Stands in a table where nothing is known.
UNKNOWN = "–"


@lru_cache(maxsize=8192)
def figure(value: Figure, speaker: Speaker) -> str:
    """One figure with its unit, or one instant. A page has hundreds, most of them the same as a moment ago."""
    return speaker.figure(value)


@lru_cache(maxsize=8192)
def _number(value: float, decimals: int, speaker: Speaker) -> str:
    return number(value, decimals, speaker.language)


def tick(value: float, speaker: Speaker) -> str:
    """A round value at an axis, with no more decimals than it has."""
    return bare(value, speaker.language)


def cell(value: float | None, decimals: int, speaker: Speaker) -> str:
    """A figure whose unit stands in the head of its column. None, or NaN: not known."""
    return UNKNOWN if value is None or isnan(value) else _number(round(value, decimals), decimals, speaker)


def between(points: tuple[float, float, float] | None, decimals: int, speaker: Speaker) -> str:
    """`0.98 (0.90–1.05)`: the middle, and nine chances in ten."""
    if points is None:
        return UNKNOWN
    low, middle, high = (cell(point, decimals, speaker) for point in points)
    return f"{middle} ({low}–{high})"


def percent(chance: float, speaker: Speaker) -> str:
    """`12 %`; never 0 or 100 for what only nearly is so."""
    if chance < 0.005:
        return f"< {figure(share(0.01), speaker)}"
    if chance > 0.995:
        return f"> {figure(share(0.99), speaker)}"
    return figure(share(round(chance, 2)), speaker)


def day_name(time_ms: int, speaker: Speaker) -> str:
    """`25 Nov`: the local day of an instant, short enough for an axis."""
    return format_datetime(to_datetime(time_ms), "d MMM", tzinfo=speaker.zone, locale=speaker.language.locale)
