"""What is said of outlets, pump and battery, and the cautions that stand with every design."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from forecast.sizing.electric import COLD_C
from forecast.sizing.finding import Finding
from forecast.sizing.result import Figures, OutletCheck, PowerCheck
from ingest.saying import celsius, hours, litres_a_minute, metres, month, name, names, number, say, share
from ingest.site import Draw, Site

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
    known = {
        "month": month(one.worst_month), "sun": number(round(worst.sun_wh)), "load": number(round(worst.load_wh)),
        "days": number(round(one.autonomy_days, 1)), "usable": number(round(one.usable_wh)),
        "share": share(one.usable_share), "cold": celsius(COLD_C),
    }  # fmt: skip
    if one.pump_wh > 0:
        text = say(
            "In the worst month, {month}, the battery gets {sun} Wh a day and the load takes {load} Wh. At the "
            "greatest use, {pump} Wh a day for the pump, it lasts {days} days without sun: that is from full down to "
            "its cut-off, {usable} Wh, {share} of what it is rated for, at {cold}.",
            pump=number(round(one.pump_wh)), **known,
        )  # fmt: skip
    else:
        text = say(
            "In the worst month, {month}, the battery gets {sun} Wh a day and the load takes {load} Wh. It lasts "
            "{days} days without sun: that is from full down to its cut-off, {usable} Wh, {share} of what it is rated "
            "for, at {cold}.",
            **known,
        )
    yield Finding("result", "battery", text)
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
