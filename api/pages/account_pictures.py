"""The pictures of the account: yield beside the design, rain beside the design, and where the water went."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import isnan
from typing import Final

import numpy as np
from markupsafe import Markup

from api.charts.columns import Column, ColumnChart, column_figure
from api.measures import shown, symbol
from api.pages.design_pictures import depth_decimals, volume
from api.speech import Speaker
from forecast.account.result import Period
from ingest.saying import Saying, litres, millimetres, say

#: No rain axis ends below this, so that next to nothing looks like it.
_LEAST_RAIN_MM: Final = 10.0
_YIELD: Final = say("Rain water drawn, and what the design promised")
_RAIN: Final = say("Rain, and the design's")
_WAY: Final = say("Where the rain on the roofs went")


def yield_picture(months: Sequence[Period], speaker: Speaker) -> Markup:
    """What was drawn, by month, beside what the design promised."""
    promised_l, came_l = (_sum(months, key) for key in ("designed_yield_l", "actual_yield_l"))
    columns = [
        Column(
            _short(month),
            [_known(volume(month.actual_yield_l, speaker))],
            _known(volume(month.designed_yield_l, speaker)),
        )
        for month in months
    ]
    chart = ColumnChart(
        id="yield",
        title=speaker.say(_YIELD),
        says=speaker.say(
            say("Drawn {came} where the design promised {promised}.", came=litres(came_l), promised=litres(promised_l))
        ),
        unit=symbol("L", speaker.units, speaker.language),
        first=speaker.say(say("Month")),
        parts=[speaker.say(say("Drawn"))],
        columns=columns,
        whole=speaker.say(say("designed")),
    )
    return column_figure(chart, speaker)


def rain_picture(months: Sequence[Period], speaker: Speaker) -> Markup:
    """Rain by month beside the design's of the hours that were measured."""
    fell_mm, promised_mm = (_sum(months, key) for key in ("rain_mm", "design_rain_mm"))
    columns = [
        Column(_short(month), [_known(_depth(month.rain_mm, speaker))], _known(_depth(month.design_rain_mm, speaker)))
        for month in months
    ]
    chart = ColumnChart(
        id="rain",
        title=speaker.say(_RAIN),
        says=speaker.say(
            say(
                "{fell} fell where the design had {wanted}.", fell=millimetres(fell_mm), wanted=millimetres(promised_mm)
            )
        ),
        unit=symbol("mm", speaker.units, speaker.language),
        first=speaker.say(say("Month")),
        parts=[speaker.say(say("Rain"))],
        columns=columns,
        whole=speaker.say(say("designed")),
        decimals=depth_decimals(speaker),
        least=_depth(_LEAST_RAIN_MM, speaker),
    )
    return column_figure(chart, speaker)


def way_picture(months: Sequence[Period], speaker: Speaker) -> Markup:
    """Where the rain on the roofs went, by month."""
    columns = [_way(month, speaker) for month in months]
    parts = [
        say("Drawn"), say("Ran over"), say("Leaked, or passed no meter"), say("Into the first flush"),
        say("Over the gutter"), say("Stayed on the roofs or splashed away"),
    ]  # fmt: skip
    fell_l, drawn_l = (
        float(np.nansum([getattr(month.actual, key) for month in months])) for key in ("rain_l", "yield_l")
    )
    chart = ColumnChart(
        id="way",
        title=speaker.say(_WAY),
        says=speaker.say(
            say("Of {fell} that fell on the roofs, {drawn} was drawn.", fell=litres(fell_l), drawn=litres(drawn_l))
        ),
        unit=symbol("L", speaker.units, speaker.language),
        first=speaker.say(say("Month")),
        parts=[speaker.say(text) for text in parts],
        columns=columns,
    )
    return column_figure(chart, speaker)


def _way(month: Period, speaker: Speaker) -> Column:
    """Water that came out of store counts to what was drawn, so that no part is below zero."""
    went = month.actual
    if not month.told_h:
        return Column(_short(month), [None] * 6)
    flows = (went.yield_l, went.spilled_l, went.lost_l, went.first_flush_l, went.gutter_loss_l, went.roof_loss_l)
    return Column(_short(month), [max(0.0, volume(flow_l, speaker)) for flow_l in flows])


def _sum(months: Sequence[Period], key: str) -> float:
    """Of the months that tell it."""
    return float(np.nansum([getattr(month, key) for month in months]))


def _depth(rain_mm: float, speaker: Speaker) -> float:
    return shown(rain_mm, "mm", speaker.units)


def _known(value: float) -> float | None:
    return None if isnan(value) else value


def _short(month: Period) -> str:
    """`3/26`: narrow enough for twelve of them."""
    year, _, number = month.name.partition("-")
    return f"{int(number)}/{year[2:]}"


#: Title and drawing of each, as a page shows them.
PICTURES: Final[tuple[tuple[Saying, Callable[[Sequence[Period], Speaker], Markup]], ...]] = (
    (_YIELD, yield_picture),
    (_RAIN, rain_picture),
    (_WAY, way_picture),
)
