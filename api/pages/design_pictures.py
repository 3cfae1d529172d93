"""The pictures of a design check: what each size of tank would give and spill, and where a mean month's water goes."""

from __future__ import annotations

from collections.abc import Iterator

from markupsafe import Markup

from api import words
from api.charts.columns import Column, ColumnChart, column_figure
from api.charts.curve import CurveChart, Mark, curve_figure
from api.charts.plot import Point
from api.measures import shown, symbol
from api.speech import Speaker
from forecast.sizing.result import Curve, Figures
from ingest.saying import Figure, Saying, litres, name, number, said, say, share


def volume(volume_l: float, speaker: Speaker) -> float:
    """A volume in the unit that the reader chose. [L] → [L or gal]"""
    return shown(volume_l, "L", speaker.units)


def depth_decimals(speaker: Speaker) -> int:
    """Decimals of rain: whole millimetres, hundredths of an inch."""
    return 0 if speaker.units == "litre" else 2


def with_unit(text: Saying, speaker: Speaker, inside: str = "L") -> str:
    """`Usable tank, L`: a quantity with the unit in which it is shown; inside: the unit kept."""
    return f"{speaker.say(text)}, {symbol(inside, speaker.units, speaker.language)}"


def design_pictures(figures: Figures, speaker: Speaker) -> list[tuple[str, Markup]]:
    """Every picture of a design check, with its title."""
    charts = [(chart.title, curve_figure(chart, speaker)) for chart in _curves(figures, speaker)]
    months = _months(figures, speaker)
    return [*charts, (months.title, column_figure(months, speaker))]


def _curves(figures: Figures, speaker: Speaker) -> Iterator[CurveChart]:
    """Reliability and spill over the size of the tank; this tank and the knee marked."""
    curve = next((one for one in figures.curves if one.lever == "tank"), None)
    if curve is None:
        return
    yield _reliability(curve, speaker)
    yield _spill(curve, speaker)


def _reliability(curve: Curve, speaker: Speaker) -> CurveChart:
    now = curve.now
    marks = [Mark(volume(now.size, speaker), 100 * now.reliable_volume, speaker.say(say("this tank")))]
    if curve.knee is not None and curve.knee != now.size:
        at = next(point for point in curve.points if point.size == curve.knee)
        marks.append(Mark(volume(at.size, speaker), 100 * at.reliable_volume, speaker.say(say("knee"))))
    says = say(
        "Share of what is wanted that rain water gives, by the size of the tank. This one: {size}, {share}.",
        size=litres(now.size), share=share(now.reliable_volume),
    )  # fmt: skip
    return CurveChart(
        id="reliability",
        title=speaker.say(say("How much of what is wanted a tank of each size would give")),
        says=speaker.say(says),
        across=with_unit(say("Usable tank"), speaker),
        upright=speaker.say(say("of what is wanted, %")),
        points=[Point(volume(point.size, speaker), 100 * point.reliable_volume) for point in curve.points],
        marks=marks,
        decimals=(0, 1),
        key=[speaker.say(say("Beyond the knee, tank that is added gives less than its own volume a year."))]
        if len(marks) > 1
        else [],
    )


def _spill(curve: Curve, speaker: Speaker) -> CurveChart:
    now = curve.now
    says = say(
        "What runs over in a mean year, by the size of the tank. This one: {size}, {spill}.",
        size=litres(now.size), spill=litres(now.spilled_l),
    )  # fmt: skip
    return CurveChart(
        id="spill",
        title=speaker.say(say("How much a tank of each size would let run over")),
        says=speaker.say(says),
        across=with_unit(say("Usable tank"), speaker),
        upright=f"{symbol('L', speaker.units, speaker.language)}, {speaker.say(say('in a mean year'))}",
        points=[Point(volume(point.size, speaker), volume(point.spilled_l, speaker)) for point in curve.points],
        marks=[Mark(volume(now.size, speaker), volume(now.spilled_l, speaker), speaker.say(say("this tank")))],
    )


def _rain_of(figures: Figures) -> Figure:
    """Where the rain came from, in words."""
    if figures.stand_in:
        return said([say("{years} invented years around the monthly means", years=number(figures.years))])
    return name(figures.source)


def _months(figures: Figures, speaker: Speaker) -> ColumnChart:
    """Where the rain of a mean month goes, beside what is wanted."""
    columns = [
        Column(
            name=words.month(row.month, speaker.language)[:3],
            values=[
                volume(max(0.0, part), speaker)
                for part in (row.drawn_l, row.spilled_l, row.roof_rain_l - row.captured_l)
            ],
            whole=volume(row.wanted_l, speaker),
        )
        for row in figures.months
    ]
    return ColumnChart(
        id="months",
        title=speaker.say(say("Where the rain of a mean month goes")),
        says=speaker.say(
            say(
                "Drawn, run over, and lost on roofs, gutters and first flush, month by month; rain: {source}.",
                source=_rain_of(figures),
            )
        ),
        unit=f"{symbol('L', speaker.units, speaker.language)}, {speaker.say(say('in a mean month'))}",
        first=speaker.say(say("Month")),
        parts=[
            speaker.say(text) for text in (say("Drawn"), say("Run over"), say("Lost before the tank"))
        ],
        columns=columns,
        whole=speaker.say(say("Wanted")),
    )  # fmt: skip
