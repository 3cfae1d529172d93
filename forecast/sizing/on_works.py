"""What is said of gutters, first flush, overflow, pipes, pump and battery, and the cautions that stand with them."""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil
from typing import Final

from forecast.sizing.finding import Finding, Kind
from forecast.sizing.result import Figures, FlushCheck, Gutter, OutletCheck, PowerCheck
from forecast.sizing.storms import DESIGN_RAIN_MM_H, HALF_ROUNDS_MM
from ingest.saying import (
    Saying,
    hours,
    litres,
    litres_a_minute,
    metres,
    millimetres,
    month,
    name,
    names,
    number,
    said,
    say,
    share,
)
from ingest.site import Draw, Site

#: A first flush that takes more than this share of the rains whole is larger than most storms.
_MOST: Final = 0.5
#: Least first flush: 10 US gal on 1,000 ft² (Texas Manual on Rainwater Harvesting, 3rd ed. 2005). [mm]
LEAST_FLUSH_MM: Final = 0.41
#: A chamber that needs longer than this to empty meets the next rain full (common practice, no source). [h]
_SLOW_H: Final = 72.0
#: An overflow is looked at for this return period. [years]
OVERFLOW_YEARS: Final = 10
#: Faster water hammers and hisses in a pipe (common practice, no source). [m/s]
_FASTEST_M_S: Final = 2.0
#: Less than this share of the flow that the balance takes is a pump that does not fit.
_FITS: Final = 0.9
#: Small pumps put less of their power into the water than this (common practice, no source).
_BEST_EFFICIENCY: Final = 0.7
#: Days without sun that a battery should last (common practice, no source: three to five).
AUTONOMY_D: Final = 3.0
#: A night should take no more of the usable charge than this (common practice, no source).
_NIGHT: Final = 0.8


def gutters(figures: Figures) -> Iterator[Finding]:
    """Against the design rain of EN 12056-3, and against the record's hardest hour."""
    # Invented rain, or a day's laid on six hours, has no hardest hour that means anything.
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
    roof, volume, depth = name(one.roof), litres(one.volume_l), number(one.depth_mm)
    if one.swallowed > _MOST:
        yield Finding("warning", "first flush", say(
            "First flush of {roof}, {volume} or {depth} mm, is larger than most rains: it takes {share} of them whole.",
            roof=roof, volume=volume, depth=depth, share=share(one.swallowed),
        ))  # fmt: skip
    if one.depth_mm < LEAST_FLUSH_MM:
        yield Finding("warning", "first flush", say(
            "First flush of {roof}, {volume} or {depth} mm, is less than the {least} mm of the Texas manual (2005).",
            roof=roof, volume=volume, depth=depth, least=number(LEAST_FLUSH_MM),
        ))  # fmt: skip
    if one.emptying_h is not None and one.empties_after_dry_h is None:
        kind: Kind = "warning" if one.emptying_h > _SLOW_H else "result"
        yield Finding(kind, "first flush", say(
            "First flush of {roof} takes {hours} to drip empty: a rain that comes before finds less room.",
            roof=roof, hours=hours(ceil(one.emptying_h)),
        ))  # fmt: skip


def overflow(site: Site, figures: Figures) -> Iterator[Finding]:
    """How fast it must be carried away, by what, and where to."""
    storms = figures.storms
    level = next(one for one in storms.levels if one.years == OVERFLOW_YEARS)
    full = overflow_peak_l_min(figures)
    if figures.stand_in:
        yield Finding("result", "overflow", say(
            "Without a rain record the overflow is sized by the gutters' design rain: {peak}.",
            peak=litres_a_minute(ceil(full)),
        ))  # fmt: skip
    else:
        yield Finding("result", "overflow", say(
            "Overflow once in {years} years, in the hour's mean: {mean}; from full tanks {full}, and within the hour "
            "{low} to {high} times that, as far as the gutters carry it. Size the overflow for {peak}.",
            years=number(OVERFLOW_YEARS), mean=litres_a_minute(ceil(level.overflow_l_min)),
            full=litres_a_minute(ceil(level.all_roofs_l_min)), low=number(storms.peak_low),
            high=number(storms.peak_high), peak=litres_a_minute(ceil(full)),
        ))  # fmt: skip
    if level.beyond_record and not figures.stand_in:
        text = say(
            "A record of {years} years cannot tell what comes once in {period}: take the figure for a guess.",
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


def overflow_peak_l_min(figures: Figures) -> float:
    """What an overflow must carry: full tanks, once in ten years, within the hour; no more than gutters bring."""
    if figures.stand_in:
        return sum(one.needed_l_min for one in figures.gutters)
    level = next(one for one in figures.storms.levels if one.years == OVERFLOW_YEARS)
    carried = [one.capacity_l_min for one in figures.gutters]
    most = sum(one for one in carried if one is not None) if None not in carried else float("inf")
    return min(most, level.all_roofs_l_min * figures.storms.peak_high)


def outlets(site: Site, figures: Figures) -> Iterator[Finding]:
    """Head at each tap, and where the pump works."""
    found = {one.draw: one for one in figures.outlets}
    lacking = [draw.id for draw in site.draw if draw.id not in found]
    if lacking:
        text = say(
            "Head and flow at {draws} cannot be checked: no pipe is described ([draw.line]: outlet_above_floor_m, "
            "pipe_length_m, pipe_diameter_mm, flow_l_min).",
            draws=names(lacking),
        )
        yield Finding("unchecked", "outlet", text)
    for draw in site.draw:
        if draw.id in found:
            yield from _gravity(found[draw.id]) if draw.feed == "gravity" else _pumped(site, found[draw.id])
        if draw.drinking:
            yield _drinking(draw)


def _gravity(one: OutletCheck) -> Iterator[Finding]:
    outlet, flow = name(one.draw), litres_a_minute(one.flow_l_min)
    yield Finding("result", "outlet", say(
        "{outlet}: open, it gives {full} from a full tank and {low} at the end; {flow} cost {loss} of head.",
        outlet=outlet, full=litres_a_minute(one.flow_full_l_min), low=litres_a_minute(one.flow_low_l_min), flow=flow,
        loss=metres(one.loss_m),
    ))  # fmt: skip
    if one.level_needed_m is None:
        yield Finding("warning", "outlet", say(
            "{outlet} never gives {flow}, not even from a full tank: raise the tank, or lay a wider or shorter pipe.",
            outlet=outlet, flow=flow,
        ))  # fmt: skip
    elif one.flow_low_l_min < one.flow_l_min:
        yield Finding("warning", "outlet", say(
            "{outlet} gives {flow} only while the water stands above {level}; below that it comes slower, in the end "
            "{low}.",
            outlet=outlet, flow=flow, level=metres(one.level_needed_m), low=litres_a_minute(one.flow_low_l_min),
        ))  # fmt: skip
    yield from _speed(one)


def _pumped(site: Site, one: OutletCheck) -> Iterator[Finding]:
    outlet, pump = name(one.draw), site.pump
    if pump is None:
        return
    if pump.curve_flow_l_min is None:
        yield Finding("unchecked", "pump", say(
            "{outlet}: the pump must give {head} of head at {flow}; its curve is not described (curve_flow_l_min, "
            "curve_head_m).",
            outlet=outlet, head=metres(one.head_low_m), flow=litres_a_minute(one.flow_l_min),
        ))  # fmt: skip
    else:
        yield Finding("result", "pump", say(
            "{outlet}: pump and pipe meet at {full} with a full tank and at {low} with an empty one.",
            outlet=outlet, full=litres_a_minute(one.flow_full_l_min), low=litres_a_minute(one.flow_low_l_min),
        ))  # fmt: skip
        if one.flow_low_l_min < _FITS * pump.flow_l_min:
            yield Finding("warning", "pump", say(
                "{outlet}: the balance takes {taken} of the pump, pump and pipe give {low}. Correct flow_l_min, or the "
                "pump.",
                outlet=outlet, taken=litres_a_minute(pump.flow_l_min), low=litres_a_minute(one.flow_low_l_min),
            ))  # fmt: skip
        if one.efficiency is not None and one.efficiency > _BEST_EFFICIENCY:
            yield Finding("warning", "pump", say(
                "{outlet}: the pump would put {share} of its power into the water, more than small pumps can: look at "
                "its power and its curve.",
                outlet=outlet, share=share(one.efficiency),
            ))  # fmt: skip
    yield from _speed(one)


def _speed(one: OutletCheck) -> Iterator[Finding]:
    if one.speed_m_s > _FASTEST_M_S:
        yield Finding("warning", "outlet", say(
            "{outlet}: water at {speed} m/s in its pipe, more than {most}: it hisses and hammers; take a wider pipe.",
            outlet=name(one.draw), speed=number(one.speed_m_s), most=number(_FASTEST_M_S),
        ))  # fmt: skip


def _drinking(draw: Draw) -> Finding:
    if draw.treatment is None:
        return Finding("warning", "drinking", say(
            "{draw} is for drinking and no treatment is described: untreated rain water can make people ill. Treat it "
            "and have it tested to local rules, or mark the tap as not for drinking.",
            draw=name(draw.id),
        ))  # fmt: skip
    return Finding("caution", "drinking", say(
        "{draw} is for drinking after treatment ({treatment}): this check knows nothing of water quality; have it "
        "tested to local rules.",
        draw=name(draw.id), treatment=name(draw.treatment),
    ))  # fmt: skip


def power(one: PowerCheck | None) -> Iterator[Finding]:
    """Whether sun and battery carry the load."""
    if one is None:
        return
    worst = next(row for row in one.months if row.month == one.worst_month)
    yield Finding("result", "battery", say(
        "In the worst month, {month}, the battery gets {sun} Wh a day and the load takes {load} Wh; at the greatest "
        "use, {pump} Wh a day for the pump, it lasts {days} days without sun.",
        month=month(one.worst_month), sun=number(round(worst.sun_wh)), load=number(round(worst.load_wh)),
        pump=number(round(one.pump_wh)),
        days=number(round(one.autonomy_days, 1)),
    ))  # fmt: skip
    if one.night_share > _NIGHT:
        yield Finding("warning", "battery", say(
            "The battery does not last a night: {hours} of darkness take {share} of what it can give.",
            hours=hours(round(one.longest_night_h)), share=share(one.night_share),
        ))  # fmt: skip
    elif one.autonomy_days < AUTONOMY_D:
        yield Finding("warning", "battery", say(
            "The battery lasts {days} days without sun at the greatest use; three to five are usual.",
            days=number(round(one.autonomy_days, 1)),
        ))  # fmt: skip
    if worst.sun_wh < worst.load_wh:
        yield Finding("warning", "battery", say(
            "In {month} the panel brings less than the load takes: the battery runs down.",
            month=month(one.worst_month),
        ))  # fmt: skip
    if one.cutoff_days >= 1.0:
        text = say("The battery stands at its cut-off on {days} days a year.", days=number(round(one.cutoff_days)))
        yield Finding("warning", "battery", text)


def cautions(site: Site) -> Iterator[Finding]:
    """Common practice, no source; local codes decide."""
    yield Finding("caution", "drinking", say(
        "Rain water is not for drinking unless treated and tested to local rules; mark every tap that gives it."
    ))  # fmt: skip
    if site.backup is not None:
        yield Finding("caution", "backup", say(
            "Keep an air gap or a listed backflow preventer between rain water and the piped supply, fitted by a "
            "licensed plumber."
        ))  # fmt: skip
    yield Finding("caution", "overflow", say(
        "Lead the overflow where it neither erodes a slope nor wets a foundation; ask who is below."
    ))  # fmt: skip
    yield Finding("caution", "work", say(
        "Roofs, tanks (weight, drowning, bad air) and batteries are work for trained people. Foundations, wiring and "
        "plumbing go by local codes and licensed practice; this check replaces neither."
    ))  # fmt: skip
