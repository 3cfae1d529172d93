"""Columns side by side, whole or stacked from parts, one for each month or day or cause."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from markupsafe import Markup

from api.charts.fan import LEFT, RIGHT
from api.charts.figure import HATCHED, PARTS, Figure, Row
from api.charts.plot import Axis, Bar, Plot, room_left, title, width_of
from api.charts.ticks import round_values, top_of
from api.charts.words import UNKNOWN, cell, tick
from api.speech import Speaker
from ingest.saying import say

_HEAD, _FOOT, _HEIGHT = 44, 244, 282
#: Share of its place that a column fills.
_FILLED: Final = 0.8


@dataclass(frozen=True)
class Column:
    """A place on the axis.

    name    stands below it and in the table
    values  of the parts, the lowest first; None: not known, which leaves the whole column out
    whole   drawn beside it as an open column, such as what was designed
    """

    name: str
    values: Sequence[float | None]
    whole: float | None = None

    @property
    def total(self) -> float | None:
        known = [value for value in self.values if value is not None]
        return sum(known) if len(known) == len(self.values) else None


@dataclass(frozen=True)
class ColumnChart:
    """Words are in the reader's language already.

    id, title, says  as in `Figure`
    unit      what the upright axis shows, such as `litres a day`
    first     head of the table's first column, such as `Month`
    parts     names of the parts, six at most
    whole     name of the open columns; empty: there are none
    decimals  of the figures in the table
    least     the upright axis never ends below this, so that next to nothing looks like it
    """

    id: str
    title: str
    says: str
    unit: str
    first: str
    parts: Sequence[str]
    columns: Sequence[Column]
    whole: str = ""
    decimals: int = 0
    key: Sequence[str] = field(default_factory=list)
    least: float = 10.0


def column_figure(chart: ColumnChart, speaker: Speaker) -> Markup:
    """The picture with its words and its table. Raises ValueError on more than six parts."""
    if len(chart.parts) > PARTS:
        raise ValueError(f"{len(chart.parts)} parts, but only {PARTS} fillings can be told apart: put some together")
    tops = [value for column in chart.columns for value in (column.total, column.whole) if value is not None]
    y = Axis(0.0, top_of(max(tops, default=0.0), chart.least), _FOOT, _HEAD)
    ticks = [(value, tick(value, speaker)) for value in round_values(0.0, y.high, 5)]
    plot = Plot(Axis(0.0, float(max(1, len(chart.columns))), room_left(ticks, LEFT), RIGHT), y)
    key: list[str | tuple[int, str]] = [*chart.key]
    key += [(number, f"{name}.") for number, name in enumerate(chart.parts)]
    if len(chart.parts) > 1:
        key.append(speaker.say(say("Parts in this order from the foot up.")))
    if any(column.total is None for column in chart.columns):
        key.append(speaker.say(say("Dashed: not measured.")))
    if chart.whole:
        key.append(speaker.say(say("Open columns:")) + f" {chart.whole}.")
    return Figure(
        id=chart.id,
        title=chart.title,
        says=chart.says,
        height=_HEIGHT,
        parts=[*_drawn(chart, plot), plot.frame(), plot.y_ticks(ticks), plot.x_ticks(_names(chart, plot.x))],
        key=key,
        heads=[chart.first, *chart.parts, *([chart.whole] if chart.whole else [])],
        rows=[_row(chart, column, speaker, plot.x(number + 0.5)) for number, column in enumerate(chart.columns)],
    ).markup(speaker)


def _drawn(chart: ColumnChart, plot: Plot) -> list[str]:
    parts = [title(plot, chart.unit)]
    width = _FILLED / 2 if chart.whole else _FILLED
    for index in range(len(chart.parts)):
        bars = []
        for number, column in enumerate(chart.columns):
            if column.total is None:
                continue
            start = number + (1 - _FILLED) / 2
            foot = sum(value or 0.0 for value in column.values[:index])
            bars.append(Bar(start, start + width, foot, foot + (column.values[index] or 0.0)))
        parts.append(plot.bars(bars, f"part{index}", margin=0))
        if index in HATCHED:
            parts.append(plot.hatching(bars, upright=HATCHED[index]))
    edge = (1 - _FILLED) / 2
    unknown = [number + edge for number, column in enumerate(chart.columns) if column.total is None]
    parts.append(plot.unknown((start, start + width) for start in unknown))
    wholes = [
        Bar(number + 0.5, number + 0.5 + _FILLED / 2, 0.0, column.whole)
        for number, column in enumerate(chart.columns)
        if column.whole is not None
    ]
    return [*parts, plot.bars(wholes, "open", margin=0)]


def _names(chart: ColumnChart, x: Axis) -> list[tuple[float, str]]:
    """The names of as many columns as have room for them."""
    room = (x.last - x.first) / max(1, len(chart.columns))
    widest = max((width_of(column.name) for column in chart.columns), default=0) + 8
    every = max(1, -(-widest // max(1, int(room))))
    return [(number + 0.5, column.name) for number, column in enumerate(chart.columns) if number % every == 0]


def _row(chart: ColumnChart, column: Column, speaker: Speaker, x: int) -> Row:
    cells = [cell(value, chart.decimals, speaker) for value in column.values]
    if chart.whole:
        cells.append(UNKNOWN if column.whole is None else cell(column.whole, chart.decimals, speaker))
    return Row(column.name, cells, x)
