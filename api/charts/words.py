"""Bare figures of axes and tables, in the reader's forms."""

from __future__ import annotations

from api.speech import Speaker
from ingest.saying import Figure, number, say, share

#: Stands in a table where nothing is known.
UNKNOWN = "–"


def figure(value: Figure, speaker: Speaker) -> str:
    """One figure with its unit, or one instant."""
    return speaker.say(say("{figure}", figure=value))


def tick(value: float, speaker: Speaker) -> str:
    """A round value at an axis."""
    return figure(number(value), speaker)


def bare(value: float | None, decimals: int, speaker: Speaker) -> str:
    """A figure whose unit stands in the head of its column."""
    return UNKNOWN if value is None else tick(round(value, decimals), speaker)


def between(points: tuple[float, float, float] | None, decimals: int, speaker: Speaker) -> str:
    """`0.98 (0.90–1.05)`: the middle, and nine chances in ten."""
    if points is None:
        return UNKNOWN
    low, middle, high = (bare(point, decimals, speaker) for point in points)
    return f"{middle} ({low}–{high})"


def percent(chance: float, speaker: Speaker) -> str:
    """`12 %`; never 0 or 100 for what only nearly is so."""
    if chance < 0.005:
        return f"< {figure(share(0.01), speaker)}"
    if chance > 0.995:
        return f"> {figure(share(0.99), speaker)}"
    return figure(share(chance), speaker)
