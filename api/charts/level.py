"""A tank's level, last days and days to come, with its rain above and its chances below, on one time axis."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup

from api.charts.fan import LEFT, RIGHT, Fan, days_below, extents, fan_parts, time_axis
from api.charts.figure import Figure, Row
from api.charts.plot import TITLE_GAP, Axis, Bar, Plot, Point, plated, text, title, width_of
from api.charts.ticks import round_values, top_of
from api.charts.words import between, cell, figure, percent, tick
from api.languages.reader import Units
from api.measures import kept, shown, symbol
from api.speech import Speaker
from forecast.result import Bands
from ingest.instants import DAY_MS, HOUR_MS, floor_hour
from ingest.saying import Saying, instant, metres, name, say, share

#: Head and foot of the three plots, and the height of the picture. [units]
_RAIN, _LEVEL, _CHANCE, _HEIGHT = (40, 104), (172, 392), (446, 508), 544
#: Height of the middle plot's title above it: between them the label of the brim has room. [units]
_ABOVE_BRIM: Final = TITLE_GAP + 12
#: A rain axis never ends below this, so that a drizzle looks like one. [mm a day]
_LEAST_RAIN_MM: Final = 10.0
#: The name of the picture's key within a line of it: a dash of this width. [units]
_SAMPLE: Final = 34
#: Kept inside → decimals in the table.
_DECIMALS: Final[dict[str, dict[Units, int]]] = {
    "m": {"litre": 2, "us-gallon": 1},
    "mm": {"litre": 0, "us-gallon": 2},
}


@dataclass(frozen=True)
class LevelChart:
    """Everything that is drawn. Instants in UTC ms, levels in metre above the floor.

    start_ms, end_ms  the time axis
    lines        levels with what stands at them: brim, outlet, reserves
    seen         the measured level, in pieces: broken where nothing was heard
    rain_mm      measured rain by UTC hour; an hour that was not measured is absent
    rain_ahead   rain of each 24 hours from the fan's start [mm]
    runs_out, spills  probability that it has happened by the end of each of them
    """

    tank: str
    now_ms: int
    start_ms: int
    end_ms: int
    brim_m: float
    lines: Sequence[tuple[float, str]]
    seen: Sequence[Sequence[Point]]
    rain_mm: Mapping[int, float]
    fan: Fan | None = None
    rain_ahead: Bands | None = None
    runs_out: Sequence[float] = ()
    spills: Sequence[float] = ()

    @property
    def days(self) -> list[int]:
        """Ends of the 24-hour days that figures are given for, those of the forecast and on back from it."""
        anchor = self.fan.start_ms if self.fan else floor_hour(self.now_ms)
        first = -((anchor - self.start_ms) // DAY_MS)
        last = (self.end_ms - anchor) // DAY_MS
        return [anchor + number * DAY_MS for number in range(first, last + 1)]

    def fell_mm(self, end_ms: int) -> float | None:
        """Measured rain of the 24 hours up to then; None: some of them were not measured."""
        hours = [self.rain_mm.get(floor_hour(end_ms) - number * HOUR_MS) for number in range(1, 25)]
        known = [amount for amount in hours if amount is not None]
        return sum(known) if len(known) == len(hours) else None

    def level_m(self, time_ms: int) -> float | None:
        """The level measured next to an instant, within an hour."""
        points = itertools.chain.from_iterable(self.seen)
        near = min(points, key=lambda point: abs(point.at - time_ms), default=None)
        return near.value if near is not None and abs(near.at - time_ms) <= HOUR_MS else None

    def ahead(self, end_ms: int) -> int | None:
        """Which day of the forecast ends then; None: none that is still to come."""
        if self.fan is None or not self.now_ms < end_ms <= self.fan.end_ms:
            return None
        return (end_ms - self.fan.start_ms) // DAY_MS - 1

    def coming_mm(self, number: int) -> tuple[float, float, float] | None:
        """The 5, 50 and 95 % points of the rain of a day of the forecast; None: not known."""
        rain = self.rain_ahead
        if rain is None or number >= len(rain.p50):
            return None
        return rain.p05[number], rain.p50[number], rain.p95[number]


def level_figure(chart: LevelChart, speaker: Speaker) -> Markup:
    """The picture with its words and its table."""
    x = time_axis(chart.start_ms, chart.end_ms)
    rows = [_row(chart, speaker, x, day) for day in chart.days]
    return Figure(
        id=f"level-{chart.tank}",
        title=speaker.say(say("Level of tank {tank}, measured and forecast", tank=name(chart.tank))),
        says=describe(chart, speaker),
        height=_HEIGHT,
        parts=[*_rain(chart, speaker, x), *_level(chart, speaker, x), *_chances(chart, speaker, x)],
        key=[
            speaker.say(say("Thick line: measured.")),
            speaker.say(say("Bands: forecast, nine chances in ten within the light one, half within the dark one.")),
            speaker.say(say("Rain bars: full, measured or the middle guess; open, one chance in 20 that more falls.")),
        ],
        heads=[
            speaker.say(say("At")),
            _with_unit(say("Level"), "m", speaker),
            _with_unit(say("Rain of 24 h"), "mm", speaker),
            speaker.say(say("Has run out")),
            speaker.say(say("Has run over")),
        ],
        rows=rows,
    ).markup(speaker)


def describe(chart: LevelChart, speaker: Speaker) -> str:
    """What the picture shows, for whoever does not see it."""
    measured = list(itertools.chain.from_iterable(chart.seen))
    said = [
        say(
            "Last measured level {level} at {time}.",
            level=metres(measured[-1].value),
            time=instant(int(measured[-1].at)),
        )
        if measured
        else say("No level was measured in the time shown.")
    ]
    if chart.fan is None:
        said.append(say("There is no forecast."))
    else:
        bands, end = chart.fan.bands, instant(chart.fan.end_ms)
        figures = {"median": metres(bands.p50[-1]), "low": metres(bands.p05[-1]), "high": metres(bands.p95[-1])}
        said += [say("The forecast is stale.")] if chart.fan.stale else []
        said.append(
            say(
                "Forecast for {time}: median {median}, nine chances in ten between {low} and {high}.",
                time=end,
                **figures,
            )
        )
        if chart.runs_out and chart.spills:
            said.append(
                say(
                    "By then it has run out with a chance of {out}, and run over with one of {over}.",
                    out=share(chart.runs_out[-1]),
                    over=share(chart.spills[-1]),
                )
            )
    return " ".join(speaker.say(sentence) for sentence in said)


def _rain(chart: LevelChart, speaker: Speaker, x: Axis) -> Iterator[str]:
    fell = {day: amount for day in chart.days if day <= chart.now_ms and (amount := chart.fell_mm(day)) is not None}
    coming = {
        day: points
        for day in chart.days
        if (number := chart.ahead(day)) is not None and (points := chart.coming_mm(number)) is not None
    }
    highest_mm = max([_LEAST_RAIN_MM, *fell.values(), *(high for _, _, high in coming.values())])
    most = top_of(shown(highest_mm, "mm", speaker.units), 0.1)
    most_mm = kept(most, "mm", speaker.units)
    plot = Plot(x, Axis(0.0, most_mm, _RAIN[1], _RAIN[0]))
    yield title(plot, _with_unit(say("rain of 24 h"), "mm", speaker))
    yield plot.bars((Bar(day - DAY_MS, day, 0.0, high) for day, (_, _, high) in coming.items()), "open")
    yield plot.bars((Bar(day - DAY_MS, day, 0.0, middle) for day, (_, middle, _) in coming.items()), "full")
    yield plot.bars((Bar(day - DAY_MS, day, 0.0, amount) for day, amount in fell.items()), "full")
    yield plot.frame()
    yield plot.y_ticks([(0.0, tick(0.0, speaker)), (most_mm, tick(most, speaker))])


def _level(chart: LevelChart, speaker: Speaker, x: Axis) -> Iterator[str]:
    plot = Plot(x, Axis(0.0, 1.05 * chart.brim_m, _LEVEL[1], _LEVEL[0]))
    yield text(0, _LEVEL[0] - _ABOVE_BRIM, _with_unit(say("level"), "m", speaker))
    yield from fan_parts(plot, chart.fan)
    yield plot.frame()
    yield from (plot.rule(level_m) for level_m, _ in chart.lines)
    yield plot.upright(chart.now_ms)
    yield plot.lines(chart.seen, "seen")
    yield plot.rule_labels(chart.lines, chart.now_ms, extents(chart.seen, chart.fan))
    yield text(plot.x(chart.now_ms) + 6, _LEVEL[0] - _ABOVE_BRIM, speaker.say(say("now")))
    if chart.fan is not None and chart.fan.stale:
        yield plated((LEFT + RIGHT) // 2, (_LEVEL[0] + _LEVEL[1]) // 2, speaker.say(say("stale forecast")), "middle")
    values = round_values(0.0, shown(chart.brim_m, "m", speaker.units), 5)
    yield plot.y_ticks([(kept(value, "m", speaker.units), tick(value, speaker)) for value in values])


def _chances(chart: LevelChart, speaker: Speaker, x: Axis) -> Iterator[str]:
    plot = Plot(x, Axis(0.0, 1.0, _CHANCE[1], _CHANCE[0]))
    if chart.fan is not None:
        start_ms = chart.fan.start_ms
        for chances, look in ((chart.runs_out, "median"), (chart.spills, "other")):
            points = [Point(start_ms + day * DAY_MS, chance) for day, chance in enumerate((0.0, *chances))]
            yield plot.line(points, look)
    yield plot.frame()
    yield plot.y_ticks([(0.0, tick(0.0, speaker)), (1.0, tick(100.0, speaker))])
    yield days_below(plot, speaker)
    yield from _chance_key(speaker)


def _chance_key(speaker: Speaker) -> Iterator[str]:
    """Above the plot: the unit, and which line is which."""
    y, at = _CHANCE[0] - TITLE_GAP, 0
    words = speaker.say(say("chance, %"))
    yield text(at, y, words)
    at += width_of(words) + 20
    for look, words in (("median", speaker.say(say("has run out"))), ("other", speaker.say(say("has run over")))):
        yield f'<path class="{look}" d="M{at} {y - 8}h{_SAMPLE}"/>{text(at + _SAMPLE + 8, y, words)}'
        at += _SAMPLE + 8 + width_of(words) + 20


def _with_unit(words: Saying, inside: str, speaker: Speaker) -> str:
    """`Level, m`: a quantity with the unit in which it is shown."""
    return f"{speaker.say(words)}, {symbol(inside, speaker.units, speaker.language)}"


def _cell(value: float | None, inside: str, speaker: Speaker, *, exact: bool = False) -> str:
    decimals = _DECIMALS[inside][speaker.units] + (exact and speaker.units == "litre")
    return cell(None if value is None else shown(value, inside, speaker.units), decimals, speaker)


def _between(points: tuple[float, float, float] | None, inside: str, speaker: Speaker) -> str:
    if points is not None:
        low, middle, high = (shown(point, inside, speaker.units) for point in points)
        points = low, middle, high
    return between(points, _DECIMALS[inside][speaker.units], speaker)


def _row(chart: LevelChart, speaker: Speaker, x: Axis, day: int) -> Row:
    number, fan = chart.ahead(day), chart.fan
    if number is None or fan is None:
        level, fell = chart.level_m(day), chart.fell_mm(day)
        cells = [_cell(level, "m", speaker), _cell(fell, "mm", speaker, exact=True), "", ""]
    else:
        cells = [
            _between(fan.at(day), "m", speaker),
            _between(chart.coming_mm(number), "mm", speaker),
            *(
                percent(chances[number], speaker) if number < len(chances) else ""
                for chances in (chart.runs_out, chart.spills)
            ),
        ]
    return Row(figure(instant(day), speaker), cells, x(day))
