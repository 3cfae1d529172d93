"""What is said of the way of storm water: gutters, first flush, overflow."""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil
from typing import Final

from forecast.sizing.finding import Finding, Kind
from forecast.sizing.result import Figures, FlushCheck, Gutter, ReturnLevel, Storms
from forecast.sizing.storms import DESIGN_RAIN_MM_H, HALF_ROUNDS_MM
from ingest.saying import (
    Saying,
    hours,
    litres,
    litres_a_minute,
    millimetres,
    millimetres_fine,
    name,
    names,
    number,
    said,
    say,
    share,
)
from ingest.site import Site

#: A first flush that takes more than this share of the rains whole is larger than most storms.
_MOST: Final = 0.5
#: Least first flush: 10 US gal on 1,000 ft² (Texas Manual on Rainwater Harvesting, 3rd ed. 2005). [mm]
LEAST_FLUSH_MM: Final = 0.41
#: A chamber that needs longer than this to empty meets the next rain full (common practice, no source). [h]
_SLOW_H: Final = 72.0
#: An overflow is looked at for this return period. [years]
OVERFLOW_YEARS: Final = 10


def gutters(figures: Figures) -> Iterator[Finding]:
    """Against the design rain of EN 12056-3, and against the record's hardest hour."""
    # Invented rain, or a day's laid on a few hours, has no hardest hour that means anything.
    real = not figures.stand_in and not figures.daily
    worst_mm = figures.storms.hardest_hour_mm * figures.storms.peak_high if real else 0.0
    for one in figures.gutters:
        yield from _gutter(one, worst_mm)
    if any(one.design_rain_mm_h == DESIGN_RAIN_MM_H for one in figures.gutters):
        yield Finding("basis", "gutter", say(
            "Gutters are held against {rate} an hour, the example of EN 12056-3 for places without statistics; "
            "gutter_rain_mm_h in the site file says another. Wind-driven rain on the roof's height comes on top.",
            rate=millimetres(DESIGN_RAIN_MM_H),
        ))  # fmt: skip


def _gutter(one: Gutter, worst_mm: float) -> Iterator[Finding]:
    roof, rate, needed = name(one.roof), millimetres(one.design_rain_mm_h), litres_a_minute(ceil(one.needed_l_min))
    if one.capacity_l_min is None or one.carries_mm_h is None:
        yield Finding("unchecked", "gutter", say(
            "Gutter of {roof}: the site file does not say what it carries (gutter_capacity_l_min); for {rate} in an "
            "hour it needs {needed}.",
            roof=roof, rate=rate, needed=needed,
        ))  # fmt: skip
        return
    carries = litres_a_minute(one.capacity_l_min)
    if one.carries_mm_h < one.design_rain_mm_h:
        yield Finding("warning", "gutter", say(
            "Gutter of {roof} carries {carries}; a design rain of {rate} an hour needs {needed}. The rest goes over "
            "its side. {remedy}",
            roof=roof, carries=carries, rate=rate, needed=needed, remedy=said([_remedy(one)]),
        ))  # fmt: skip
        return
    yield Finding("result", "gutter", say(
        "Gutter of {roof} carries {carries}; a design rain of {rate} an hour needs {needed}.",
        roof=roof, carries=carries, rate=rate, needed=needed,
    ))  # fmt: skip
    if one.carries_mm_h < worst_mm:
        yield Finding("warning", "gutter", say(
            "Gutter of {roof} carries rain of {carries} an hour; within the record's hardest hour it may have rained "
            "at {worst} an hour.",
            roof=roof, carries=millimetres(one.carries_mm_h), worst=millimetres(worst_mm),
        ))  # fmt: skip


def _remedy(one: Gutter) -> Saying:
    if one.half_round_mm is None:
        return say(
            "No level half-round gutter of {size} mm or less carries it: part the roof between several downpipes.",
            size=number(HALF_ROUNDS_MM[-1]),
        )
    return say(
        "A level half-round gutter of {size} mm or more carries it (EN 12056-3, from memory).",
        size=number(one.half_round_mm),
    )


def first_flushes(site: Site, figures: Figures) -> Iterator[Finding]:
    """Too large, too small, too slow, or none."""
    for one in figures.first_flushes:
        yield from _flush(one)
    bare = [roof.id for roof in site.roof if roof.id not in {one.roof for one in figures.first_flushes}]
    if bare:
        text = say("No first flush on {roofs}: dust and droppings of the dry days go into the tank.", roofs=names(bare))
        yield Finding("caution", "first flush", text)


def _flush(one: FlushCheck) -> Iterator[Finding]:
    roof, volume, depth = name(one.roof), litres(one.volume_l), millimetres_fine(one.depth_mm)
    if one.swallowed > _MOST:
        yield Finding("warning", "first flush", say(
            "First flush of {roof}, {volume} or {depth}, is larger than most rains: it takes {share} of them whole.",
            roof=roof, volume=volume, depth=depth, share=share(one.swallowed),
        ))  # fmt: skip
    if one.depth_mm < LEAST_FLUSH_MM:
        yield Finding("warning", "first flush", say(
            "First flush of {roof}, {volume} or {depth}, is less than the {least} of the Texas manual (2005).",
            roof=roof, volume=volume, depth=depth, least=millimetres_fine(LEAST_FLUSH_MM),
        ))  # fmt: skip
    if one.emptying_h is not None and one.empties_after_dry_h is None:
        kind: Kind = "warning" if one.emptying_h > _SLOW_H else "result"
        yield Finding(kind, "first flush", say(
            "First flush of {roof} takes {hours} to drip empty: a rain that comes before finds less room.",
            roof=roof, hours=hours(ceil(one.emptying_h)),
        ))  # fmt: skip


def overflow(site: Site, figures: Figures) -> Iterator[Finding]:
    """How fast it must be carried away, by what, and where to."""
    storms, full = figures.storms, overflow_peak_l_min(figures)
    yield from (Finding("result", "overflow", text) for text in _peak(figures))
    if storms.years < OVERFLOW_YEARS and not figures.stand_in:
        text = say(
            "A record of {years} years cannot tell what comes once in {period} years: take its figure for a guess.",
            years=number(storms.years),
            period=number(OVERFLOW_YEARS),
        )
        yield Finding("basis", "overflow", text)
    if not storms.peak_known and not figures.stand_in:
        text = say(
            "Hourly rain hides its peaks, and how hard it rains within an hour is not known here: {low} to {high} "
            "times the hour's mean is a range of common practice. rain_peak_factor in the site file says it.",
            low=number(storms.peak_low), high=number(storms.peak_high),
        )  # fmt: skip
        yield Finding("basis", "overflow", text)
    for tank in (tank for tank in site.tank if tank.overflow_to is None and tank.joined_with is None):
        if tank.overflow_route is None:
            yield Finding("warning", "overflow", say(
                "Overflow of {tank} has no route in the site file (overflow_route): up to {peak} have to go where they "
                "wash no slope, wall or path away.",
                tank=name(tank.id), peak=litres_a_minute(ceil(full)),
            ))  # fmt: skip
        if tank.overflow_capacity_l_min is None:
            text = say(
                "Overflow pipe of {tank}: what it carries is not said (overflow_capacity_l_min).", tank=name(tank.id)
            )
            yield Finding("unchecked", "overflow", text)
        elif tank.overflow_capacity_l_min < full:
            yield Finding("warning", "overflow", say(
                "Overflow pipe of {tank} carries {carries}, less than the {peak} that may come: the tank would run "
                "over its rim.",
                tank=name(tank.id), carries=litres_a_minute(tank.overflow_capacity_l_min),
                peak=litres_a_minute(ceil(full)),
            ))  # fmt: skip


def _times(storms: Storms) -> Saying:
    if storms.peak_known:
        return say("{factor}", factor=number(storms.peak_high))
    return say("{low} to {high}", low=number(storms.peak_low), high=number(storms.peak_high))


def _peak(figures: Figures) -> Iterator[Saying]:
    """What the overflow is to carry, and whether the record or the gutters' design rain asks for it."""
    storms, designed = figures.storms, _designed_l_min(figures)
    if figures.stand_in:
        yield say(
            "Without a rain record the overflow is sized by the gutters' design rain: {peak}.",
            peak=litres_a_minute(ceil(designed)),
        )
        return
    level, recorded = _level(figures), _recorded_l_min(figures)
    yield say(
        "Overflow once in {years} years, in the hour's mean: {mean}; from full tanks {full}, and within the hour "
        "{times} times that, as far as the gutters carry it: {recorded}.",
        years=number(OVERFLOW_YEARS), mean=litres_a_minute(ceil(level.overflow_l_min)),
        full=litres_a_minute(ceil(level.all_roofs_l_min)), times=said([_times(storms)]),
        recorded=litres_a_minute(ceil(recorded)),
    )  # fmt: skip
    if recorded > designed:
        yield say(
            "Size the overflow for {peak}: the record asks for more than the gutters' design rain, which brings "
            "{designed} from all roofs.",
            peak=litres_a_minute(ceil(recorded)), designed=litres_a_minute(ceil(designed)),
        )  # fmt: skip
    else:
        yield say(
            "Size the overflow for {peak}: so much the gutters' design rain brings from all roofs, and a record that "
            "asks for less makes no overflow smaller.",
            peak=litres_a_minute(ceil(designed)),
        )  # fmt: skip


def overflow_peak_l_min(figures: Figures) -> float:
    """What an overflow must carry: what the record asks for, and never less than the gutters' design rain brings.

    A record may have missed the storm that the gutters are built for; whoever builds them builds the pipe for it.
    """
    designed = _designed_l_min(figures)
    return designed if figures.stand_in else max(designed, _recorded_l_min(figures))


def _designed_l_min(figures: Figures) -> float:
    """The design rain on all roofs, also of gutters that do not carry it yet."""
    return sum(one.needed_l_min for one in figures.gutters)


def _recorded_l_min(figures: Figures) -> float:
    """Full tanks, once in ten years, within the hour; no more than gutters bring."""
    carried = [one.capacity_l_min for one in figures.gutters]
    most = sum(one for one in carried if one is not None) if None not in carried else float("inf")
    return min(most, _level(figures).all_roofs_l_min * figures.storms.peak_high)


def _level(figures: Figures) -> ReturnLevel:
    return next(one for one in figures.storms.levels if one.years == OVERFLOW_YEARS)
