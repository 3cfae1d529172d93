"""The tables of the account: by month and season, where the water went, the shortfall by cause, what was learnt."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import isnan
from typing import Final

from api import words
from api.charts.words import UNKNOWN, cell
from api.pages.design_pictures import volume, with_unit
from api.pages.tables import Table
from api.speech import Speaker
from forecast.account.result import Account, Period
from forecast.account.words import CAUSES, FLOWS, is_more
from ingest.saying import Saying, name, say

#: Between a figure and twice its standard deviation, so that no line breaks there.
GIVE_OR_TAKE: Final = "\u00a0±\u00a0"


def called(period: Period, speaker: Speaker) -> str:
    """`March 2026`, `marzo 2026`; the whole account as `In all`."""
    year, _, month = period.name.partition("-")
    return f"{words.month(int(month), speaker.language)} {year}" if month else speaker.say(say("In all"))


def with_sd(volume_l: float, sd_l: float, speaker: Speaker) -> str:
    """A volume and twice its standard deviation."""
    return UNKNOWN if isnan(volume_l) else f"{_volume(volume_l, speaker)}{GIVE_OR_TAKE}{_volume(2 * sd_l, speaker)}"


def month_table(found: Account, speaker: Speaker) -> Table:
    """Designed and actual, by month and in all."""
    return _periods(say("By month"), say("Month"), [*found.months, found.whole], speaker)


def season_table(found: Account, speaker: Speaker) -> Table:
    """The same by season."""
    return _periods(say("By season"), say("Three months from"), found.seasons, speaker)


def _periods(caption: Saying, head: Saying, periods: Sequence[Period], speaker: Speaker) -> Table:
    # On a phone the first columns are seen at once.
    heads = [
        head, say("Yield in the design"), say("Drawn"), say("Short by"), say("Ran over"), say("Rain in the design, mm"),
        say("Rain measured, mm"), say("Hours with the draw known"),
    ]  # fmt: skip
    rows = [
        [
            called(period, speaker),
            _volume(period.designed_yield_l, speaker),
            with_sd(period.actual_yield_l, period.yield_sd_l, speaker),
            _short_by(period.shortfall_l, speaker),
            with_sd(period.actual.spilled_l, period.spilled_sd_l, speaker),
            cell(period.design_rain_mm, 0, speaker),
            cell(period.rain_mm, 0, speaker),
            words.percent(period.drawn_h / period.hours, speaker.language),
        ]
        for period in periods
    ]
    return Table(with_unit(caption, speaker), [speaker.say(text) for text in heads], rows)


def part_table(period: Period, speaker: Speaker) -> Table:
    """The shortfall of a period by cause, with its sum."""
    rows = [[speaker.say(CAUSES[part.cause]), with_sd(part.litres, part.sd, speaker)] for part in period.parts]
    more = is_more(period.shortfall_l)
    total = say("More than promised") if more else say("Shortfall")
    rows.append([speaker.say(total), _volume(abs(period.shortfall_l), speaker)])
    heads = [speaker.say(say("Cause")), speaker.say(say("Part"))]
    return Table(with_unit(say("The shortfall by cause"), speaker), heads, rows)


def _short_by(shortfall_l: float, speaker: Speaker) -> str:
    """A shortfall; of what came beyond the promise, how much more."""
    if not is_more(shortfall_l):
        return _volume(shortfall_l, speaker)
    return speaker.say(say("{more} more", more=name(_volume(-shortfall_l, speaker))))


def flow_table(period: Period, speaker: Speaker) -> Table:
    """Where the water went in the hours that were wholly measured, beside the design."""
    heads = [speaker.say(text) for text in (say("Water"), say("Designed"), say("Measured"))]
    rows = [
        [speaker.say(text), *(_volume(getattr(flows, key), speaker) for flows in (period.designed, period.actual))]
        for key, text in FLOWS.items()
    ]
    return Table(with_unit(say("Where the water went"), speaker), heads, rows)


def learned_tables(found: Account, speaker: Speaker) -> Iterator[Table]:
    """Roofs and tanks as found, beside the site file."""
    heads = [
        say("Roof"), say("Runoff coefficient"), say("Coefficient in the site file"), say("Wetting loss, mm"),
        say("Change a year"), say("Spells of rain"),
    ]  # fmt: skip
    rows = [
        [
            roof.roofs,
            f"{_number(roof.coefficient, 2, speaker)}{GIVE_OR_TAKE}{_number(2 * roof.coefficient_sd, 2, speaker)}",
            _number(roof.file_coefficient, 2, speaker),
            f"{_number(roof.loss_mm, 1, speaker)}{GIVE_OR_TAKE}{_number(2 * roof.loss_sd_mm, 1, speaker)}",
            _trend(roof.trend_year, roof.trend_sd, speaker),
            f"{roof.events}",
        ]
        for roof in found.roofs
    ]
    yield Table(speaker.say(say("The roofs as found")), [speaker.say(text) for text in heads], rows)
    heads = [
        say("Tank"), say("Leak, L/h"), say("Level's fall for each metered litre"), say("Level sensor's error, cm"),
    ]  # fmt: skip
    rows = [
        [
            tank.tank,
            _or_unknown(tank.leak_l_h, tank.leak_sd_l_h, 1, speaker),
            _or_unknown(tank.meter_gain, tank.meter_gain_sd, 2, speaker),
            UNKNOWN if tank.sensor_error_m is None else _number(100 * tank.sensor_error_m, 1, speaker),
        ]
        for tank in found.tanks
    ]
    yield Table(speaker.say(say("The tanks as found")), [speaker.say(text) for text in heads], rows)


def _volume(volume_l: float, speaker: Speaker) -> str:
    """A volume whose unit stands in the caption."""
    return cell(volume(volume_l, speaker), 0, speaker)


def _number(value: float, decimals: int, speaker: Speaker) -> str:
    return words.number(value, decimals, speaker.language)


def _or_unknown(value: float | None, sd: float | None, decimals: int, speaker: Speaker) -> str:
    if value is None or sd is None:
        return UNKNOWN
    return f"{_number(value, decimals, speaker)}{GIVE_OR_TAKE}{_number(2 * sd, decimals, speaker)}"


def _trend(trend: float | None, sd: float | None, speaker: Speaker) -> str:
    if trend is None or sd is None:
        return UNKNOWN
    return f"{words.percent(trend, speaker.language)}{GIVE_OR_TAKE}{words.percent(2 * sd, speaker.language)}"
