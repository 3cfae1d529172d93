"""The level of a tank, last days and days ahead, as an SVG drawn on the server. Pure.

Coordinates are whole numbers in a 640 by 400 view box, which on a phone is half a pixel each.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

from markupsafe import Markup, escape

from api.words import clock_time
from forecast.result import Bands
from ingest.instants import DAY_MS, HOUR_MS, from_datetime, to_datetime

WIDTH: Final = 640
HEIGHT: Final = 400
_LEFT, _RIGHT, _TOP, _BOTTOM = 74, 628, 34, 348
_STEP_H: Final = 6
_LABELS: Final = 5


class Point(NamedTuple):
    """A level above the tank floor, in metre, at an instant."""

    time_ms: int
    level_m: float


@dataclass(frozen=True)
class Fan:
    """The forecast level: entry h of the bands is the end of hour h + 1 after the start. [m]"""

    start_ms: int
    level_m: Bands
    stale: bool


@dataclass(frozen=True)
class Chart:
    """Everything that is drawn.

    pieces       the measured level, broken where nothing was heard
    outlet_m, brim_m  lines at the outlet and at the brim [m above the floor]
    start_ms, end_ms  the time axis
    """

    tank: str
    zone: ZoneInfo
    now_ms: int
    start_ms: int
    end_ms: int
    outlet_m: float
    brim_m: float
    pieces: Sequence[Sequence[Point]]
    fan: Fan | None


def pieces_of(points: Sequence[Point], longest_gap_ms: int) -> list[list[Point]]:
    """Cut a series where nothing was heard for longer than that: a line must not bridge a silence."""
    pieces: list[list[Point]] = []
    for point in points:
        if pieces and point.time_ms - pieces[-1][-1].time_ms <= longest_gap_ms:
            pieces[-1].append(point)
        else:
            pieces.append([point])
    return pieces


def svg(chart: Chart) -> Markup:
    """The chart as an SVG element with a title and a description."""
    name = f"chart-{chart.tank}"
    parts = [
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-labelledby="{name}-t {name}-d" font-size="23">',
        f'<title id="{name}-t">Level of tank {escape(chart.tank)}, measured and forecast</title>',
        f'<desc id="{name}-d">{escape(describe(chart))}</desc>',
        *_fan(chart),
        *_axes(chart),
        *_measured(chart),
        "</svg>",
    ]
    return Markup("".join(parts))  # noqa: S704 - built here from numbers and escaped text


def describe(chart: Chart) -> str:
    """What the picture shows, for whoever does not see it."""
    measured = list(itertools.chain.from_iterable(chart.pieces))
    if measured:
        last = measured[-1]
        said = [f"Last measured level {last.level_m:.2f} m at {clock_time(last.time_ms, chart.zone)}."]
    else:
        said = ["No level was measured in the time shown."]
    if chart.fan is None:
        said.append("There is no forecast.")
    else:
        bands = chart.fan.level_m
        end = clock_time(chart.fan.start_ms + len(bands.p50) * HOUR_MS, chart.zone)
        said.append(
            f"{'Stale forecast' if chart.fan.stale else 'Forecast'} for {end}: median {bands.p50[-1]:.2f} m, "
            f"nine chances in ten between {bands.p05[-1]:.2f} and {bands.p95[-1]:.2f} m."
        )
    return " ".join([*said, f"Outlet at {chart.outlet_m:.2f} m, brim at {chart.brim_m:.2f} m."])


def _x(chart: Chart, time_ms: int) -> int:
    share = (time_ms - chart.start_ms) / (chart.end_ms - chart.start_ms)
    return round(_LEFT + min(1.0, max(0.0, share)) * (_RIGHT - _LEFT))


def _y(chart: Chart, level_m: float) -> int:
    share = level_m / (1.05 * chart.brim_m)
    return round(_BOTTOM - min(1.0, max(0.0, share)) * (_BOTTOM - _TOP))


def _path(chart: Chart, points: Sequence[Point]) -> str:
    return " ".join(f"{_x(chart, point.time_ms)},{_y(chart, point.level_m)}" for point in points)


def _fan(chart: Chart) -> list[str]:
    if chart.fan is None:
        return []
    bands = chart.fan.level_m
    dash = ' stroke-dasharray="8 8"' if chart.fan.stale else ""
    median = _path(chart, _ahead(chart.fan, bands.p50))
    return [
        f'<polygon fill="#e2e2e2" points="{_band(chart, chart.fan, bands.p05, bands.p95)}"/>',
        f'<polygon fill="#c4c4c4" points="{_band(chart, chart.fan, bands.p25, bands.p75)}"/>',
        f'<polyline fill="none" stroke="#444" stroke-width="3"{dash} points="{median}"/>',
    ]


def _band(chart: Chart, fan: Fan, low: list[float], high: list[float]) -> str:
    return _path(chart, [*_ahead(fan, low), *reversed(_ahead(fan, high))])


def _ahead(fan: Fan, levels: list[float]) -> list[Point]:
    """Every sixth hour, and the last."""
    hours = sorted({*range(0, len(levels), _STEP_H), len(levels) - 1})
    return [Point(fan.start_ms + (hour + 1) * HOUR_MS, levels[hour]) for hour in hours]


def _measured(chart: Chart) -> list[str]:
    return [
        f'<polyline fill="none" stroke="#000" stroke-width="5" stroke-linecap="round" points="{_path(chart, piece)}"/>'
        for piece in chart.pieces
    ]


def _axes(chart: Chart) -> list[str]:
    now_x = _x(chart, chart.now_ms)
    parts = [
        f'<path fill="none" stroke="#767676" stroke-width="2" d="M{_LEFT} {_TOP}V{_BOTTOM}H{_RIGHT}"/>',
        f'<path stroke="#767676" stroke-width="2" d="M{now_x} {_TOP}V{_BOTTOM}"/>',
        f'<text x="{now_x + 6}" y="{_TOP - 10}">now</text>',
        f'<text x="0" y="{_TOP - 10}">m</text>',
    ]
    for words, level_m in (("brim", chart.brim_m), ("outlet", chart.outlet_m)):
        y = _y(chart, level_m)
        parts.append(f'<path stroke="#444" stroke-width="2" stroke-dasharray="4 6" d="M{_LEFT} {y}H{_RIGHT}"/>')
        parts.append(f'<text x="{_RIGHT}" y="{y - 6}" text-anchor="end">{words} {level_m:.2f} m</text>')
    for level_m in _levels(chart.brim_m):
        y = _y(chart, level_m)
        parts.append(f'<path stroke="#767676" stroke-width="2" d="M{_LEFT - 8} {y}h8"/>')
        parts.append(f'<text x="{_LEFT - 12}" y="{y + 8}" text-anchor="end">{level_m:g}</text>')
    for time_ms, words in _days(chart):
        x = _x(chart, time_ms)
        parts.append(f'<path stroke="#767676" stroke-width="2" d="M{x} {_BOTTOM}v8"/>')
        parts.append(f'<text x="{x}" y="{_BOTTOM + 34}" text-anchor="middle">{words}</text>')
    return parts


def _levels(brim_m: float) -> list[float]:
    """A handful of round levels from the floor up."""
    step = next(step for step in (0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0) if brim_m / step <= _LABELS)
    return [round(number * step, 2) for number in range(int(brim_m / step) + 1)]


def _days(chart: Chart) -> list[tuple[int, str]]:
    """Local midnights, a handful of them, with room for their names."""
    step = max(1, -(-(chart.end_ms - chart.start_ms) // (_LABELS * DAY_MS)))
    midnight = to_datetime(chart.start_ms).astimezone(chart.zone).replace(hour=0, minute=0, second=0, microsecond=0)
    # Adding days to a local time keeps it local midnight across a change of clocks.
    nights = (midnight + timedelta(days=number) for number in itertools.count(1, step))
    shown = itertools.takewhile(lambda local: from_datetime(local) <= chart.end_ms - DAY_MS // 2, nights)
    return [(from_datetime(local), f"{local.day} {local:%b}") for local in shown]
