"""What the run says in words: the promise, the tank's size, and what would buy most."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from forecast.model.plan import Plan
from forecast.outlook.days import SPELL_BEGINS_H, SPELL_H
from forecast.sizing.batch import Lever
from forecast.sizing.curves import pays
from forecast.sizing.finding import Finding
from forecast.sizing.result import Buys, Curve, Figures
from forecast.sizing.sweep import HAND_EMPTIED_H
from forecast.sizing.years import MOST_UNKNOWN
from ingest.saying import (
    Saying,
    days,
    litres,
    litres_a_day,
    millimetres,
    name,
    names,
    number,
    said,
    say,
    share,
    square_metres,
)
from ingest.site import Site

#: By how much more of the days a check on monthly means found enough than one on the record that these are of, at most:
#: over all years, and in the worst. Of seven records: `python -m tests.reference.means_alone`.
MEANS_TOO_ROSY: Final = (0.12, 0.17)
_LEVERS: Final[dict[Lever, Saying]] = {
    "tank": say("a larger tank"),
    "roof": say("more roof"),
    "first_flush": say("a smaller first flush"),
    "coefficient": say("a better runoff coefficient"),
    "draw": say("less use"),
}
#: Share of the days on which a promise is held, where the site file does not say it (common practice, no source).
RELIABLE_DAYS: Final = 0.95
#: Fewer years may well lack a dry one (common practice, no source; a climate's usual is 30, WMO).
FEW_YEARS: Final = 10
#: More days than this with a tank used up, in most years, is a tank that stands empty.
_WEEK_D: Final = 7
#: A tank that holds more than this share of a year's use is mostly never used (common practice, no source).
_HUGE: Final = 0.5
#: And no more than this is said of it. [years' use]
_MOST_TIMES: Final = 100.0
#: Of what reaches the tanks, more than this spilling is "most".
_MOST: Final = 0.5
_BEST_COEFFICIENT: Final = 0.95
_DEAD: Final = 0.3
#: A tank that lasts longer than this holds old water (common practice, no source). [d]
_STALE_D: Final = 60


def basis(site: Site, figures: Figures) -> Iterator[Finding]:
    """What the rain is, and what was assumed."""
    yield from _rain(figures)
    yield from _other_promise(site, figures)
    if any(check.by_hand for check in figures.first_flushes):
        text = say(
            "A first-flush chamber has neither drip nor valve: it is taken to be emptied by hand every {days}. Who "
            "does it?",
            days=days(HAND_EMPTIED_H // 24),
        )
        yield Finding("basis", "first flush", text)


def _rain(figures: Figures) -> Iterator[Finding]:
    if figures.stand_in:
        text = say(
            "No rain record was given. {years} years invented around the monthly means of the site file stand in for "
            "it: dry spells, worst years and heavy rain are guesses. Give a record of this place with --rain.",
            years=number(figures.years),
        )  # fmt: skip
    else:
        text = say(
            "Rain record {source}; whole years run: {years}, from {first} to {last}. Change of climate is not in it.",
            source=name(figures.source), years=number(figures.years), first=name(figures.by_year[0].label),
            last=name(figures.by_year[-1].label),
        )  # fmt: skip
    yield Finding("basis", "rain", text)
    if not figures.stand_in and figures.years < FEW_YEARS:
        text = say("A record of so few years, {years}, may lack a dry one.", years=number(figures.years))
        yield Finding("basis", "rain", text)
    if figures.daily:
        text = say(
            "The record is daily: each day's rain is laid evenly on the hours from {begins} to {ends} at the site. "
            "What roofs lose to wetting, first flush and what reaches the tanks rest on this: where hourly rain could "
            "be compared, a year came near it; a single rain may be far off. Gutters and overflow may look better "
            "than they are.",
            begins=number(SPELL_BEGINS_H), ends=number(SPELL_BEGINS_H + SPELL_H),
        )  # fmt: skip
        yield Finding("basis", "rain", text)
    if figures.left_out:
        text = say(
            "Left out of the record, because more than {share} of their hours are unknown: {years}.",
            share=share(MOST_UNKNOWN), years=names(figures.left_out),
        )  # fmt: skip
        yield Finding("basis", "rain", text)
    if figures.filled_h:
        text = say(
            "Unknown hours of the years run: {filled}; taken from another year.", filled=number(figures.filled_h)
        )
        yield Finding("basis", "rain", text)
    if figures.edge_h >= 24:
        text = say(
            "Only whole years count: {days} of the record, before the first and after the last, are not used.",
            days=days(figures.edge_h // 24),
        )  # fmt: skip
        yield Finding("basis", "rain", text)


def _other_promise(site: Site, figures: Figures) -> Iterator[Finding]:
    """What the account holds the site to, which may be other rain than this check's."""
    if site.design is None:
        text = say(
            "The site file has no [design] with rain_mm: this check rests on the record, and there is no account of "
            "what comes later."
        )
    elif figures.stand_in:
        text = say("The account of what comes later holds the site to the same monthly means.")
    else:
        text = say(
            "The account of what comes later holds the site to the monthly means of its file instead, {file} in a "
            "year; the years of this record have {record} in the mean. So the two promise different amounts.",
            file=millimetres(sum(site.design.rain_mm)), record=millimetres(figures.total.rain_mm),
        )  # fmt: skip
    yield Finding("basis", "rain", text)


def promise(site: Site, figures: Figures) -> Iterator[Finding]:
    """What is delivered, and whether it is what was promised."""
    total = figures.total
    yield Finding("promise", "promise", say(
        "In a mean year {rain} of rain bring {captured} to the tanks. Of {wanted} wanted, rain water gives {drawn} "
        "({volume}); {spilled} run over.",
        rain=millimetres(total.rain_mm), captured=litres(total.captured_l), wanted=litres(total.wanted_l),
        drawn=litres(total.drawn_l), volume=share(figures.reliable_volume), spilled=litres(total.spilled_l),
    ))  # fmt: skip
    yield Finding("promise", "promise", _enough(figures))
    if figures.stand_in:
        all_years, worst_year = MEANS_TOO_ROSY
        yield Finding("promise", "promise", say(
            "These shares rest on monthly means alone, and means hide dry spells. Beside seven rain records of other "
            "places such shares were mostly too high: by up to {all} of the days over all years, and by up to {worst} "
            "in the worst.",
            all=share(all_years), worst=share(worst_year),
        ))  # fmt: skip
    pessimistic, here = share(figures.pessimistic_volume), share(figures.reliable_volume)
    if round(100 * figures.pessimistic_volume) == round(100 * figures.reliable_volume):
        text = say(
            "If a full tank spilled before anybody draws (yield after spillage, the pessimistic bound), it would be "
            "{share} of what is wanted all the same.",
            share=pessimistic,
        )  # fmt: skip
    else:
        text = say(
            "If a full tank spilled before anybody draws (yield after spillage, the pessimistic bound), it would be "
            "{share} of what is wanted instead of {here}.",
            share=pessimistic, here=here,
        )  # fmt: skip
    yield Finding("result", "promise", text)
    target = (site.design and site.design.reliable_days) or RELIABLE_DAYS
    if total.wanted_l > 0 and figures.reliable_days < target:
        yield Finding("warning", "promise", say(
            "The promise is not held: enough is to be there on {target} of the days, it is on {days}. {backup}",
            target=share(target), days=share(figures.reliable_days), backup=said([_backup(site, figures)]),
        ))  # fmt: skip
        yield from _what_would_hold(figures, target)
    if total.wanted_l > total.captured_l:
        yield Finding("warning", "promise", say(
            "More is wanted in a year than reaches the tanks, {wanted} against {captured}: no tank mends that, only "
            "more roof or less use.",
            wanted=litres(total.wanted_l), captured=litres(total.captured_l),
        ))  # fmt: skip
    spells = figures.dry_spells
    text = say(
        "The longest dry spell was {longest}. Of {many} dry spells of a week and more {held} were outlasted, the "
        "longest of them {days}.",
        longest=days(spells.longest_days), many=number(spells.of_a_week), held=number(spells.of_a_week_outlasted),
        days=days(spells.outlasted_days),
    )  # fmt: skip
    yield Finding("result", "dry spells", text)
    if spells.full_tank_days is not None:
        text = say("Full tanks last {days} without rain at the greatest use.", days=days(int(spells.full_tank_days)))
        yield Finding("result", "dry spells", text)


def _what_would_hold(figures: Figures, target: float) -> Iterator[Finding]:
    """The smallest tank and the greatest use among those looked at that keep the promise."""
    points = {curve.lever: curve.points for curve in figures.curves}
    if tanks := [point.size for point in points.get("tank", ())]:
        hold = [point.size for point in points["tank"] if point.reliable_days >= target]
        if hold:
            text = say("With {size} of tank between outlet and brim it would be held.", size=litres(min(hold)))
        else:
            text = say("No tank that was looked at would hold it, up to {size}.", size=litres(max(tanks)))
        yield Finding("warning", "promise", text)
    if hold := [point.size for point in points.get("draw", ()) if point.reliable_days >= target]:
        text = say("With {use} of use in the mean, and this tank, it would be held.", use=litres_a_day(max(hold)))
        yield Finding("warning", "promise", text)


def _enough(figures: Figures) -> Saying:
    """On how many days there is enough, and in the worst year."""
    worst = min(figures.by_year, key=lambda year: year.reliable_days)
    shares = {"days": share(figures.reliable_days), "fewest": share(worst.reliable_days)}
    if figures.stand_in:
        return say(
            "There is enough on {days} of the days with use; in the worst of {years} invented years on {fewest}.",
            years=number(figures.years), **shares,
        )  # fmt: skip
    return say(
        "There is enough on {days} of the days with use; in the worst year, {worst}, on {fewest}.",
        worst=name(worst.label), **shares,
    )  # fmt: skip


def sizes(site: Site, plan: Plan, figures: Figures) -> Iterator[Finding]:
    """Whether the tank fits the roof and the use."""
    total, usable = figures.total, figures.usable_l
    hand = next(one.amount for one in figures.simple if one.method == "area_times_rain") or 0.0
    lost = total.spilled_l > _MOST * total.captured_l
    yield Finding("warning" if lost else "result", "spill", say(
        "Area times rain promises {hand} a year, {month} a month. That is no yield: {drawn} a month can be used, and "
        "of what reaches the tanks {spilled} run over, {share} of it.",
        hand=litres(hand), month=litres(hand / 12), drawn=litres(total.drawn_l / 12),
        spilled=litres(total.spilled_l), share=share(total.spilled_l / total.captured_l if total.captured_l else 0.0),
    ))  # fmt: skip
    tank = next((curve for curve in figures.curves if curve.lever == "tank"), None)
    if tank is not None:
        yield from _knee(tank, usable)
    empty = sum(year.empty_days > _WEEK_D for year in figures.by_year)
    if empty > figures.years / 2:
        yield Finding("warning", "tank", say(
            "A tank that somebody draws from is used up on more than seven days of the year, in a row or not, in "
            "{empty} of {years} years.",
            empty=number(empty), years=number(figures.years),
        ))  # fmt: skip
    a_day = total.wanted_l / 365.25
    if 0 < usable < a_day:
        yield Finding("warning", "tank", say(
            "The tank holds less than a day's use: {usable} for {use}.", usable=litres(usable), use=litres_a_day(a_day),
        ))  # fmt: skip
    if total.wanted_l > 0 and usable > _HUGE * total.wanted_l:
        yield Finding("warning", "tank", say(
            "The tank holds {share} of a year's use: most of it will never be needed, and the water in it is old.",
            share=share(min(_MOST_TIMES, usable / total.wanted_l)),
        ))  # fmt: skip
    elif figures.dry_spells.full_tank_days and figures.dry_spells.full_tank_days > _STALE_D:
        yield Finding("caution", "tank", say(
            "Water may stand for {days} and more: keep it dark, below 20 °C, and screened.",
            days=days(int(figures.dry_spells.full_tank_days)),
        ))  # fmt: skip
    dead, full = float(plan.dead_l.sum()), float(plan.capacity_l.sum())
    if dead > _DEAD * full:
        yield Finding("warning", "tank", say(
            "{dead} of the tank lie below the outlet and can never be drawn: {share} of it.",
            dead=litres(dead), share=share(dead / full),
        ))  # fmt: skip
    for roof in site.roof:
        if roof.runoff_coefficient > _BEST_COEFFICIENT:
            yield Finding("warning", "roof", say(
                "Roof {roof}: a runoff coefficient of {coefficient} is that of a new roof on a windless day; 0.75 to "
                "0.9 is usual.",
                roof=name(roof.id), coefficient=number(roof.runoff_coefficient),
            ))  # fmt: skip


def _knee(tank: Curve, usable_l: float) -> Iterator[Finding]:
    """Where the curve of tank sizes has its knee, beside this tank."""
    most, best = litres(tank.points[-1].size), share(tank.points[-1].reliable_volume)
    usable, here = litres(usable_l), share(tank.now.reliable_volume)
    if tank.knee is not None:
        there = next(point for point in tank.points if point.size == tank.knee)
        yield Finding("result", "tank", say(
            "The curve of tank sizes has its knee at {knee}: beyond it, tank that is added gives less than its own "
            "volume a year. There it gives {there} of what is wanted; this tank of {usable} gives {here}, and the "
            "largest looked at, {most}, {best}.",
            knee=litres(there.size), there=share(there.reliable_volume), usable=usable, here=here, most=most, best=best,
        ))  # fmt: skip
    elif pays(tank.points[-2], tank.points[-1]):
        yield Finding("result", "tank", say(
            "The curve of tank sizes has no knee up to {most}: tank that is added still gives its own volume a year "
            "and more. This tank of {usable} gives {here} of what is wanted, that one {best}.",
            most=most, usable=usable, here=here, best=best,
        ))  # fmt: skip


def bought(figures: Figures) -> Iterator[Finding]:
    """What a step of each lever buys; the first is the one whose tenth buys most."""
    if figures.total.wanted_l <= 0:
        return
    best = figures.buys[0]
    if best.tenth_enough_days >= 1.0:
        yield Finding("result", "buys", say(
            "A tenth of one thing at a time: {lever} buys most, {days} more with enough a year.",
            lever=said([_LEVERS[best.lever]]), days=days(round(best.tenth_enough_days)),
        ))  # fmt: skip
    for one in figures.buys:
        yield Finding("result", "buys", _step(one))


def _backup(site: Site, figures: Figures) -> Saying:
    lacking = litres(figures.total.backup_l)
    if site.backup is None:
        return say("There is no backup, and {lacking} a year are lacking.", lacking=lacking)
    return say("The backup {backup} has to give {lacking} a year.", backup=name(site.backup.id), lacking=lacking)


def _step(one: Buys) -> Saying:
    gain, more, spill = litres(one.drawn_l), days(round(one.enough_days)), litres(one.spilled_l)
    match one.lever:
        case "tank":
            return say(
                "{step} more tank buys {gain} a year and {days} with enough; {spill} less run over.",
                step=litres(one.step), gain=gain, days=more, spill=litres(-one.spilled_l),
            )  # fmt: skip
        case "roof":
            return say(
                "{step} more roof buy {gain} a year and {days} with enough; {spill} more run over.",
                step=square_metres(one.step), gain=gain, days=more, spill=spill,
            )  # fmt: skip
        case "first_flush":
            return say(
                "{step} less first flush buys {gain} a year and {days} with enough; {spill} more run over. The water "
                "is dirtier for it.",
                step=litres(-one.step), gain=gain, days=more, spill=spill,
            )  # fmt: skip
        case "coefficient":
            return say(
                "A runoff coefficient better by {step} buys {gain} a year and {days} with enough; {spill} more run "
                "over.",
                step=number(one.step), gain=gain, days=more, spill=spill,
            )  # fmt: skip
        case "draw":
            return say(
                "{step} less use: {lacking} a year less have to come from elsewhere or are lacking, and {days} more "
                "have enough; {spill} more run over.",
                step=litres_a_day(-one.step), lacking=litres(-one.backup_l), days=more, spill=spill,
            )  # fmt: skip
