"""The tables of the account: by month and season, where the water went, the shortfall by cause, what was learnt."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from api import words
from api.pages.design_tables import Table
from api.speech import Speaker
from forecast.account.result import Account, Flows, Period
from ingest.saying import Saying, say

#: Each cause as a table calls it.
CAUSES: Final[dict[str, Saying]] = {
    "rain": say("Less rain than the design's"),
    "coefficient": say("The roof yields less than designed"),
    "gutter": say("Over the gutter"),
    "first-flush": say("Into the first flush"),
    "full": say("Ran over, or still in the tank"),
    "not-drawn": say("Not drawn"),
    "leak": say("Leak or unmetered"),
    "missing": say("Not measured"),
    "unexplained": say("Unexplained: the balance does not close by so much"),
    "level-sensor": say("The level sensor moved"),
}
#: Each flow, in the water's way.
FLOWS: Final[dict[str, Saying]] = {
    "rain_l": say("Fell on the roofs"),
    "roof_loss_l": say("Stayed on the roofs or splashed away"),
    "gutter_loss_l": say("Went over the gutters"),
    "first_flush_l": say("Went into the first flush"),
    "inflow_l": say("Came into the tanks"),
    "yield_l": say("Was drawn"),
    "spilled_l": say("Ran over"),
    "lost_l": say("Leaked, or passed no meter"),
    "evaporated_l": say("Evaporated"),
    "stored_l": say("Is more in the tanks than at the start"),
    "closure_l": say("Does not close"),
}


def called(period: Period, speaker: Speaker) -> str:
    """`March 2026`, `marzo 2026`; the whole account as `In all`."""
    year, _, month = period.name.partition("-")
    return f"{words.month(int(month), speaker.language)} {year}" if month else speaker.say(say("In all"))


def volume(volume_l: float, speaker: Speaker) -> str:
    """A volume in the reader's units."""
    return words.litres(volume_l, speaker.language, speaker.units)


def with_sd(volume_l: float, sd_l: float, speaker: Speaker) -> str:
    """A volume and twice its standard deviation."""
    return f"{volume(volume_l, speaker)} ± {volume(2 * sd_l, speaker)}"


def month_table(found: Account, speaker: Speaker) -> Table:
    """Designed and actual, by month and in all."""
    return _periods(speaker.say(say("By month")), speaker.say(say("Month")), [*found.months, found.whole], speaker)


def season_table(found: Account, speaker: Speaker) -> Table:
    """The same by season."""
    caption, head = speaker.say(say("By season")), speaker.say(say("Three months from"))
    return _periods(caption, head, found.seasons, speaker)


def _periods(caption: str, head: str, periods: Sequence[Period], speaker: Speaker) -> Table:
    heads = [
        say("Rain, designed"), say("Rain"), say("Yield, designed"), say("Drawn"), say("Shortfall"), say("Ran over"),
        say("Hours measured"),
    ]  # fmt: skip
    rows = [
        [
            called(period, speaker),
            _depth(period.design_rain_mm, speaker),
            _depth(period.rain_mm, speaker) if is_mostly_told(period) else "–",
            volume(period.designed_yield_l, speaker),
            with_sd(period.actual_yield_l, period.yield_sd_l, speaker) if is_metered(period) else "–",
            volume(period.shortfall_l, speaker),
            with_sd(period.actual.spilled_l, period.spilled_sd_l, speaker) if period.told_h else "–",
            words.percent(period.told_h / period.hours, speaker.language),
        ]
        for period in periods
    ]
    return Table(caption, [head, *(speaker.say(text) for text in heads)], rows)


def is_metered(period: Period) -> bool:
    """Whether any of its hours tells what was drawn: none is not nothing."""
    return bool(period.told_h or period.actual_yield_l)


def is_mostly_told(period: Period) -> bool:
    """Whether its rain is mostly measured: the design's stands in for the rest, and would look measured."""
    return 2 * period.told_h >= period.hours


def part_table(period: Period, speaker: Speaker) -> Table:
    """The shortfall of a period by cause, with its sum."""
    rows = [
        [speaker.say(CAUSES[part.cause]), with_sd(part.litres, part.sd, speaker)]
        for part in period.parts
    ]  # fmt: skip
    rows.append([speaker.say(say("Shortfall")), volume(period.shortfall_l, speaker)])
    return Table(
        speaker.say(say("The shortfall by cause")), [speaker.say(say("Cause")), speaker.say(say("Part"))], rows
    )


def flow_table(period: Period, speaker: Speaker) -> Table:
    """Where the water went in the hours that were wholly measured, beside the design."""
    heads = [speaker.say(text) for text in (say("Water"), say("Designed"), say("Measured"))]
    rows = [
        [speaker.say(text), *(volume(_flow(flows, name), speaker) for flows in (period.designed, period.actual))]
        for name, text in FLOWS.items()
    ]
    return Table(speaker.say(say("Where the water went")), heads, rows)


def learned_tables(found: Account, speaker: Speaker) -> Iterator[Table]:
    """Roofs and tanks as found, beside the site file."""
    heads = [say("Roof"), say("Coefficient"), say("In the site file"), say("Wetting loss"), say("Change a year"),
             say("Spells of rain")]  # fmt: skip
    rows = [
        [
            roof.roofs,
            f"{_number(roof.coefficient, 2, speaker)} ± {_number(2 * roof.coefficient_sd, 2, speaker)}",
            _number(roof.file_coefficient, 2, speaker),
            f"{_number(roof.loss_mm, 1, speaker)} ± {_number(2 * roof.loss_sd_mm, 1, speaker)} mm",
            _trend(roof.trend_year, roof.trend_sd, speaker),
            f"{roof.events}",
        ]
        for roof in found.roofs
    ]
    yield Table(speaker.say(say("The roofs as found")), [speaker.say(text) for text in heads], rows)
    heads = [say("Tank"), say("Leak"), say("Level's fall for each metered litre"), say("Level sensor's error")]
    rows = [
        [
            tank.tank,
            _or_unknown(tank.leak_l_h, tank.leak_sd_l_h, 1, " L/h", speaker),
            _or_unknown(tank.meter_gain, tank.meter_gain_sd, 2, "", speaker),
            "–" if tank.sensor_error_m is None else f"{_number(100 * tank.sensor_error_m, 1, speaker)} cm",
        ]
        for tank in found.tanks
    ]
    yield Table(speaker.say(say("The tanks as found")), [speaker.say(text) for text in heads], rows)


def _flow(flows: Flows, name: str) -> float:
    return float(getattr(flows, name))


def _depth(depth_mm: float, speaker: Speaker) -> str:
    return f"{_number(depth_mm, 0, speaker)} mm"


def _number(value: float, decimals: int, speaker: Speaker) -> str:
    return words.number(value, decimals, speaker.language)


def _or_unknown(value: float | None, sd: float | None, decimals: int, unit: str, speaker: Speaker) -> str:
    if value is None or sd is None:
        return "–"
    return f"{_number(value, decimals, speaker)} ± {_number(2 * sd, decimals, speaker)}{unit}"


def _trend(trend: float | None, sd: float | None, speaker: Speaker) -> str:
    if trend is None or sd is None:
        return "–"
    return f"{words.percent(trend, speaker.language)} ± {words.percent(2 * sd, speaker.language)}"
