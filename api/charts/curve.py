"""One quantity against another, with the points that matter named: a yield against the size of its tank."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from markupsafe import Markup

from api.charts.fan import LEFT, RIGHT
from api.charts.figure import Figure, Row
from api.charts.plot import LETTER, WIDTH, Axis, Plot, Point, plated, room_left, text, title, width_of
from api.charts.ticks import round_values, top_of
from api.charts.words import cell, tick
from api.speech import Speaker

_HEAD, _FOOT, _HEIGHT = 44, 264, 338


class Mark(NamedTuple):
    """A point of the curve with its name: the knee, what is planned."""

    at: float
    value: float
    name: str


@dataclass(frozen=True)
class CurveChart:
    """Words are in the reader's language already.

    id, title, says  as in `Figure`
    across, upright  what the axes show, with unit: `tank, L`, `yield, L a year`
    points           the curve, by rising place; all of them stand in the table
    low, high        the same for a band around it; empty: there is none
    marks            points with names
    decimals         of the table's columns
    """

    id: str
    title: str
    says: str
    across: str
    upright: str
    points: Sequence[Point]
    low: Sequence[Point] = ()
    high: Sequence[Point] = ()
    marks: Sequence[Mark] = ()
    decimals: tuple[int, int] = (0, 0)
    key: Sequence[str] = field(default_factory=list)


def curve_figure(chart: CurveChart, speaker: Speaker) -> Markup:
    """The picture with its words and its table. Raises ValueError on a curve of fewer than two points."""
    if len(chart.points) < 2:
        raise ValueError(f"{chart.id}: a curve has two points or more")
    y = Axis(0.0, top_of(max(point.value for point in (*chart.points, *chart.high))), _FOOT, _HEAD)
    ticks = [(value, tick(value, speaker)) for value in round_values(0.0, y.high, 5)]
    x = Axis(0.0, chart.points[-1].at, room_left(ticks, LEFT), RIGHT)
    plot = Plot(x, y)
    parts = [title(plot, chart.upright)]
    if chart.low and chart.high:
        parts.append(plot.band(chart.low, chart.high, "wide"))
    parts += [plot.line(chart.points, "median"), plot.frame()]
    parts += [_pin(plot, mark) for mark in chart.marks]
    # Each name in a row of its own, clear of every upright.
    parts += [_name(plot, mark, plot.y.first - 14 - n * (LETTER + 4)) for n, mark in enumerate(chart.marks)]
    parts += [
        plot.y_ticks(ticks),
        plot.x_ticks([(value, tick(value, speaker)) for value in round_values(0.0, x.high, 4)]),
        text(x.last, _HEIGHT - 8, chart.across, "end"),
    ]
    across, upright = chart.decimals
    return Figure(
        id=chart.id,
        title=chart.title,
        says=chart.says,
        height=_HEIGHT,
        parts=parts,
        key=chart.key,
        heads=[chart.across, chart.upright],
        rows=[
            Row(cell(point.at, across, speaker), [cell(point.value, upright, speaker)], x(point.at))
            for point in chart.points
        ],
    ).markup(speaker)


def _pin(plot: Plot, mark: Mark) -> str:
    """A ring at the point, and an upright to the axis."""
    x, y = plot.x(mark.at), plot.y(mark.value)
    return (
        f'<path class="rule" d="M{x} {plot.y.first}V{y}"/>'
        f'<path class="open" d="M{x - 8} {y}a8 8 0 1 0 16 0a8 8 0 1 0-16 0z"/>'
    )


def _name(plot: Plot, mark: Mark, foot: int) -> str:
    """The name of a point beside its upright."""
    x = plot.x(mark.at)
    if x + 10 + width_of(mark.name) <= WIDTH:
        return plated(x + 10, foot, mark.name)
    return plated(x - 10, foot, mark.name, "end")
