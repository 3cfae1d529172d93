"""A measured line that goes over into the fan of what may come, on an axis of local days."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from api.charts.plot import Axis, Extent, Plot, Point
from api.charts.ticks import day_marks
from api.charts.words import day_name
from api.speech import Speaker
from forecast.result import Bands
from ingest.instants import HOUR_MS

#: Left, room for four figures at the axis; right, room for the outline. [units]
LEFT, RIGHT = 72, 632
_STEP_H = 3


@dataclass(frozen=True)
class Fan:
    """What may come: entry h of the bands is the end of hour h + 1 after the start."""

    start_ms: int
    bands: Bands
    stale: bool

    @property
    def end_ms(self) -> int:
        return self.start_ms + len(self.bands.p50) * HOUR_MS

    def at(self, time_ms: int) -> tuple[float, float, float] | None:
        """The 5, 50 and 95 % points at an instant; None: the fan does not reach there."""
        hour = round((time_ms - self.start_ms) / HOUR_MS) - 1
        if not 0 <= hour < len(self.bands.p50):
            return None
        return self.bands.p05[hour], self.bands.p50[hour], self.bands.p95[hour]

    def points(self, values: Sequence[float]) -> list[Point]:
        """Every third hour of a line, and its last: a phone shows no more."""
        hours = [*range(0, len(values) - 1, _STEP_H), len(values) - 1]
        return [Point(self.start_ms + (hour + 1) * HOUR_MS, values[hour]) for hour in hours]


def time_axis(start_ms: int, end_ms: int) -> Axis:
    """Instants over the width of a picture."""
    return Axis(start_ms, end_ms, LEFT, RIGHT)


def fan_parts(plot: Plot, fan: Fan | None) -> Iterator[str]:
    """Bands and median; a stale one is dashed."""
    if fan is None:
        return
    bands, points = fan.bands, fan.points
    yield plot.band(points(bands.p05), points(bands.p95), "wide")
    yield plot.band(points(bands.p25), points(bands.p75), "half")
    yield plot.line(points(bands.p50), "old" if fan.stale else "median")


def extents(seen: Sequence[Sequence[Point]], fan: Fan | None) -> list[Extent]:
    """What the measured line and the fan cover, place by place."""
    drawn = [Extent(point.at, point.value, point.value) for piece in seen for point in piece]
    if fan is not None:
        low, high = fan.points(fan.bands.p05), fan.points(fan.bands.p95)
        drawn += [Extent(foot.at, foot.value, head.value) for foot, head in zip(low, high, strict=True)]
    return drawn


def days_below(plot: Plot, speaker: Speaker) -> str:
    """The marks of the time axis: local midnights, with day and month."""
    marks = day_marks(int(plot.x.low), int(plot.x.high), speaker.zone, plot.x.last - plot.x.first)
    return plot.x_ticks([(time_ms, day_name(time_ms, speaker)) for time_ms in marks])
