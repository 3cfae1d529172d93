"""The tables of the account: by month and season, where the water went, the shortfall by cause, what was learnt."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import isnan
from typing import Final

from api import words
from api.charts.words import UNKNOWN, cell
from api.measures import shown
from api.pages.design_pictures import depth_decimals, volume, with_unit
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
        *map(speaker.say, (head, say("Yield in the design"), say("Drawn"), say("Short by"), say("Ran over"))),
        *(with_unit(text, speaker, "mm") for text in (say("Rain in the design"), say("Rain measured"))),
        speaker.say(say("Hours with the draw known")),
    ]
    rows = [
        [
            called(period, speaker),
            _volume(period.designed_yield_l, speaker),
            with_sd(period.actual_yield_l, period.yield_sd_l, speaker),
            _short_by(period.shortfall_l, speaker),
            with_sd(period.actual.spilled_l, period.spilled_sd_l, speaker),
            *(
                cell(shown(rain_mm, "mm", speaker.units), depth_decimals(speaker), speaker)
                for rain_mm in (period.design_rain_mm, period.rain_mm)
            ),
            words.percent(period.drawn_h / period.hours, speaker.language),
        ]
        for period in periods
    ]
    return Table(with_unit(caption, speaker), heads, rows)


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
        *map(speaker.say, (say("Roof"), say("Runoff coefficient"), say("Coefficient in the site file"))),
        with_unit(say("Wetting loss"), speaker, "mm"),
        *map(speaker.say, (say("Change a year"), say("Spells of rain"))),
    ]
    rows = [
        [
            roof.roofs,
            f"{_number(roof.coefficient, 2, speaker)}{GIVE_OR_TAKE}{_number(2 * roof.coefficient_sd, 2, speaker)}",
            _number(roof.file_coefficient, 2, speaker),
            GIVE_OR_TAKE.join(_fine(loss_mm, "mm", speaker) for loss_mm in (roof.loss_mm, 2 * roof.loss_sd_mm)),
            _trend(roof.trend_year, roof.trend_sd, speaker),
            f"{roof.events}",
        ]
        for roof in found.roofs
    ]
    yield Table(speaker.say(say("The roofs as found")), heads, rows)
    heads = [
        speaker.say(say("Tank")), with_unit(say("Leak"), speaker, "L/h"),
        speaker.say(say("Level's fall for each metered litre")), with_unit(say("Level sensor's error"), speaker, "cm"),
    ]  # fmt: skip
    rows = [
        [
            tank.tank,
            _leak(tank.leak_l_h, tank.leak_sd_l_h, speaker),
            _or_unknown(tank.meter_gain, tank.meter_gain_sd, 2, speaker),
            UNKNOWN if tank.sensor_error_m is None else _fine(100 * tank.sensor_error_m, "cm", speaker),
        ]
        for tank in found.tanks
    ]
    yield Table(speaker.say(say("The tanks as found")), heads, rows)


def _volume(volume_l: float, speaker: Speaker) -> str:
    """A volume whose unit stands in the caption."""
    return cell(volume(volume_l, speaker), 0, speaker)


def _number(value: float, decimals: int, speaker: Speaker) -> str:
    return words.number(value, decimals, speaker.language)


def _or_unknown(value: float | None, sd: float | None, decimals: int, speaker: Speaker) -> str:
    if value is None or sd is None:
        return UNKNOWN
    return f"{_number(value, decimals, speaker)}{GIVE_OR_TAKE}{_number(2 * sd, decimals, speaker)}"


def _leak(leak_l_h: float | None, sd: float | None, speaker: Speaker) -> str:
    if leak_l_h is None or sd is None:
        return UNKNOWN
    return f"{_fine(leak_l_h, 'L/h', speaker)}{GIVE_OR_TAKE}{_fine(2 * sd, 'L/h', speaker)}"


def _fine(value: float, inside: str, speaker: Speaker) -> str:
    """A small figure in the unit in which it is shown; the larger units of US readers need more decimals."""
    decimals = 1 if speaker.units == "litre" or inside == "cm" else 2
    return _number(shown(value, inside, speaker.units), decimals, speaker)


def _trend(trend: float | None, sd: float | None, speaker: Speaker) -> str:
    if trend is None or sd is None:
        return UNKNOWN
    return f"{words.percent(trend, speaker.language)}{GIVE_OR_TAKE}{words.percent(2 * sd, speaker.language)}"
