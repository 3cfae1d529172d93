"""The account in words: its few first sentences, and what causes and flows are called."""

from __future__ import annotations

from typing import Final

from forecast.account.result import Account, Part, Period
from ingest.instants import HOUR_MS
from ingest.saying import Saying, date, litres, number, say

#: Less than is shown. [L]
_NOTHING_L: Final = 0.5

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
    "unexplained": say("Unexplained: roofs, meters and levels disagree by so much"),
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
    "closure_l": say("Meters and levels disagree by"),
}


def lead(found: Account, period: Period) -> list[Saying]:
    """What was promised and what came in a period, of which hours, and what could not be seen."""
    start, end = date(period.start_ms), date(period.end_ms)
    if not period.drawn_h:
        return [
            say("From {start} until {end} nothing tells what was drawn.", start=start, end=end),
            *_before(found, period),
        ]
    said = [
        say("{drawn} of rain water drawn, give or take {sd}; for the same hours the design promised {promised}.",
            drawn=litres(period.actual_yield_l), sd=litres(2 * period.yield_sd_l),
            promised=litres(period.designed_yield_l)),
        *_more(period),
        say("From {start} until {end}: what was drawn is known in {drawn} of {hours} hours, everything in {told}.",
            start=start, end=end, drawn=number(period.drawn_h), hours=number(period.hours), told=number(period.told_h)),
    ]  # fmt: skip
    if period.untold_yield_l >= _NOTHING_L:
        said.append(say("For the hours without a known draw the design promised another {promised}, which is left out.",
                        promised=litres(period.untold_yield_l)))  # fmt: skip
    said += _before(found, period)
    if period.told_h:
        said.append(say("{spilled} ran over, give or take {sd}.",
                        spilled=litres(period.actual.spilled_l), sd=litres(2 * period.spilled_sd_l)))  # fmt: skip
        said += _left(next(part for part in period.parts if part.cause == "unexplained"), period.shortfall_l)
    return said


def is_more(shortfall_l: float) -> bool:
    """Whether more came than was promised, by what is shown."""
    return shortfall_l <= -_NOTHING_L


def _more(period: Period) -> list[Saying]:
    """That more came than was promised, which no shortfall is."""
    if not is_more(period.shortfall_l):
        return []
    return [say("That is {more} more than promised.", more=litres(-period.shortfall_l))]


def _before(found: Account, period: Period) -> list[Saying]:
    """That the account begins later than its first hour, which nobody need have asked for: it is a year by default."""
    if period.start_ms > found.start_ms or found.start_ms - found.asked_ms < HOUR_MS:
        return []
    asked, start = date(found.asked_ms), date(found.start_ms)
    lacking, hours = ((end_ms - found.asked_ms) // HOUR_MS for end_ms in (found.start_ms, found.end_ms))
    return [
        say("Nothing was measured from {asked} until {start}: these {lacking} of {hours} hours are left out.",
            asked=asked, start=start, lacking=number(lacking), hours=number(hours))
    ]  # fmt: skip


def _left(part: Part, shortfall_l: float) -> list[Saying]:
    """What the causes leave over. Within its own band it tells nothing."""
    sd, left = litres(2 * part.sd), litres(abs(part.litres))
    if not abs(part.litres) > max(_NOTHING_L, 2 * part.sd):
        return []
    if 0 < part.litres <= shortfall_l:
        return [say("{left} of the shortfall, give or take {sd}, has no known cause.", left=left, sd=sd)]
    if part.litres > 0:
        return [say("By the known causes {left} more should have been drawn, give or take {sd}.", left=left, sd=sd)]
    if shortfall_l > 0:
        return [say("The known causes come to {left} more than the shortfall, give or take {sd}.", left=left, sd=sd)]
    return [say("By the known causes {left} less should have been drawn, give or take {sd}.", left=left, sd=sd)]
