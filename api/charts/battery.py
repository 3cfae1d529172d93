"""The battery's voltage, last days and days to come, with the lines at which it is low and the pump stops."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from api.charts.fan import Fan, days_below, extents, fan_parts, time_axis
from api.charts.figure import Figure, Row
from api.charts.plot import TITLE_GAP, Axis, Plot, Point, plated, text, title
from api.charts.ticks import round_values
from api.charts.words import between, cell, figure, percent, tick
from api.speech import Speaker
from ingest.instants import DAY_MS
from ingest.saying import instant, say, share, volts

_HEAD, _FOOT, _HEIGHT = 44, 244, 282


@dataclass(frozen=True)
class BatteryChart:
    """Everything that is drawn. Instants in UTC ms, voltages in volt.

    seen     measured voltage, in pieces: broken where nothing was heard
    fan      voltage at rest that goes with the charge to come
    cutoff   probability that the cut-off has come by the end of each day of the fan
    """

    now_ms: int
    start_ms: int
    end_ms: int
    low_v: float
    cutoff_v: float
    seen: Sequence[Sequence[Point]]
    fan: Fan | None = None
    cutoff: Sequence[float] = ()

    @property
    def measured(self) -> list[Point]:
        return list(itertools.chain.from_iterable(self.seen))


def battery_figure(chart: BatteryChart, speaker: Speaker) -> Markup:
    """The picture with its words and its table."""
    x = time_axis(chart.start_ms, chart.end_ms)
    return Figure(
        id="battery",
        title=speaker.say(say("Battery voltage, measured and forecast")),
        says=describe(chart, speaker),
        height=_HEIGHT,
        parts=_parts(chart, speaker, x),
        key=[
            speaker.say(say("Thick line: measured, with sun and load. Bands: voltage at rest, forecast.")),
        ],
        heads=[
            speaker.say(say("At")),
            speaker.say(say("Voltage, V")),
            speaker.say(say("Cut off by then")),
        ],
        rows=_rows(chart, speaker, x),
    ).markup(speaker)


def describe(chart: BatteryChart, speaker: Speaker) -> str:
    """What the picture shows, for whoever does not see it."""
    said = [say("No voltage was measured in the time shown.")]
    if chart.measured:
        last = chart.measured[-1]
        said = [
            say("Last measured voltage {voltage} at {time}.", voltage=volts(last.value), time=instant(int(last.at)))
        ]
    if chart.fan is None:
        said.append(say("There is no forecast."))
    else:
        bands = chart.fan.bands
        figures = {"median": volts(bands.p50[-1]), "low": volts(bands.p05[-1]), "high": volts(bands.p95[-1])}
        said += [say("The forecast is stale.")] if chart.fan.stale else []
        said.append(
            say(
                "Forecast for {time}: median {median} at rest, nine chances in ten between {low} and {high}.",
                time=instant(chart.fan.end_ms),
                **figures,
            )
        )
        if chart.cutoff:
            said.append(say("By then the cut-off has come with a chance of {chance}.", chance=share(chart.cutoff[-1])))
    said.append(say("Low below {low}, cut-off at {cutoff}.", low=volts(chart.low_v), cutoff=volts(chart.cutoff_v)))
    return " ".join(speaker.say(sentence) for sentence in said)


def _parts(chart: BatteryChart, speaker: Speaker, x: Axis) -> list[str]:
    values = [chart.low_v, chart.cutoff_v, *(point.value for point in chart.measured)]
    if chart.fan is not None:
        values += [*chart.fan.bands.p05, *chart.fan.bands.p95]
    margin_v = 0.08 * (max(values) - min(values))
    plot = Plot(x, Axis(min(values) - margin_v, max(values) + margin_v, _FOOT, _HEAD))
    rules = [
        (chart.low_v, speaker.say(say("low {voltage}", voltage=volts(chart.low_v)))),
        (chart.cutoff_v, speaker.say(say("cut-off {voltage}", voltage=volts(chart.cutoff_v)))),
    ]
    ticks = round_values(plot.y.low, plot.y.high, 4)
    parts = [
        title(plot, speaker.say(say("voltage, V"))),
        *fan_parts(plot, chart.fan),
        plot.frame(),
        *(plot.rule(value) for value, _ in rules),
        plot.upright(chart.now_ms),
        text(x(chart.now_ms) + 6, _HEAD - TITLE_GAP, speaker.say(say("now"))),
        plot.lines(chart.seen, "seen"),
        plot.rule_labels(rules, chart.now_ms, extents(chart.seen, chart.fan)),
        plot.y_ticks([(value, tick(value, speaker)) for value in ticks]),
        days_below(plot, speaker),
    ]
    if chart.fan is not None and chart.fan.stale:
        stale = speaker.say(say("stale forecast"))
        parts.append(plated((x.first + x.last) // 2, (_HEAD + _FOOT) // 2, stale, "middle"))
    return parts


def _rows(chart: BatteryChart, speaker: Speaker, x: Axis) -> list[Row]:
    """Last measurement of each 24 hours up to now, then the end of each day of the forecast."""
    rows = []
    for day in range(chart.now_ms - (chart.now_ms - chart.start_ms) // DAY_MS * DAY_MS, chart.now_ms + 1, DAY_MS):
        within = [point for point in chart.measured if day - DAY_MS < point.at <= day]
        if within:
            last = within[-1]
            rows.append(Row(figure(instant(int(last.at)), speaker), [cell(last.value, 2, speaker), ""], x(last.at)))
    if chart.fan is not None:
        for number, chance in enumerate(chart.cutoff):
            day = chart.fan.start_ms + (number + 1) * DAY_MS
            if day > chart.now_ms:
                cells = [between(chart.fan.at(day), 2, speaker), percent(chance, speaker)]
                rows.append(Row(figure(instant(day), speaker), cells, x(day)))
    return rows
