"""Causes in words: which stand out, why, what would look the same, and what would tell them apart."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import msgspec
import numpy as np

from forecast.account.inspection import Inspection
from forecast.account.result import LEVEL_SENSOR, Named, Part, Period
from forecast.account.tanks import TankFound
from ingest.instants import HOUR_MS
from ingest.saying import Figure, Saying, day, litres, metres, millimetres, name, number, say, share
from ingest.site import Site

#: A cause is named when it is this much of the designed yield, and this many times its own error.
LEAST_SHARE: Final = 0.02
SURE: Final = 2.0
BEFORE_THE_TANK: Final = ("rain", "coefficient", "gutter", "first-flush")

METER: Final = "meter"


def named(site: Site, inspection: Inspection, whole: Period) -> list[Named]:
    """The causes that stand out, largest first."""
    promised_l = max(1.0, whole.designed_yield_l)
    found = [
        _named(site, inspection, whole, part, promised_l)
        for part in netted(whole.parts)
        if part.litres > max(LEAST_SHARE * promised_l, SURE * part.sd)
    ]
    found += [
        _sensor(site, tank, promised_l)
        for tank in inspection.tanks
        if tank.sensor is not None and tank.sensor.stands_out
    ]
    return sorted(found, key=lambda cause: -cause.litres)


def netted(parts: list[Part]) -> list[Part]:
    """The parts, but water that came beyond the design and ran over is no cause: it is taken out of both."""
    surplus_l = -sum(part.litres for part in parts if part.cause in BEFORE_THE_TANK and part.litres < 0)
    return [
        msgspec.structs.replace(part, litres=max(0.0, part.litres - surplus_l))
        if part.cause == "full" and part.litres > 0
        else part
        for part in parts
    ]


def _named(site: Site, inspection: Inspection, whole: Period, part: Part, promised_l: float) -> Named:
    why = _why(site, inspection, whole, part)
    alike, tell_apart = _alike(inspection, part.cause)
    return Named(part.cause, part.litres, part.litres / promised_l, why, alike, tell_apart)


def _why(site: Site, inspection: Inspection, whole: Period, part: Part) -> Saying:
    lost = litres(part.litres)
    if part.cause == "rain":
        area_m2 = float(inspection.plan.roof_area_m2.sum() + inspection.plan.open_m2.sum())
        return say(
            "It rained {fell} where the design had {wanted}: {lost} less reached the tanks.",
            fell=millimetres(whole.actual.rain_l / area_m2), wanted=millimetres(whole.designed.rain_l / area_m2),
            lost=lost,
        )  # fmt: skip
    if part.cause == "coefficient":
        return _poor_roof(site, inspection, lost)
    if part.cause in ("gutter", "first-flush"):
        return _fault(site, inspection, whole, part.cause, lost)
    if part.cause == "missing":
        return say(
            "In {hours} hours of {all} something was not measured; {lost} of the shortfall lies there.",
            hours=number(whole.hours - whole.told_h), all=number(whole.hours), lost=lost,
        )  # fmt: skip
    return _PLAIN[part.cause](lost)


#: Causes whose sentence needs no more than the litres.
_PLAIN: Final[dict[str, Callable[[Figure], Saying]]] = {
    "full": lambda lost: say("{lost} more ran over, or still stands in the tank, than the design had.", lost=lost),
    "not-drawn": lambda lost: say("{lost} that the design wanted was there, and nobody drew it.", lost=lost),
    "leak": lambda lost: say(
        "{lost} left the tanks past every meter: a leak, or a draw that nobody counts.", lost=lost
    ),
    "unexplained": lambda lost: say(
        "{lost} is not explained: meters, levels and roofs disagree by so much.", lost=lost
    ),
}


def _poor_roof(site: Site, inspection: Inspection, lost: Figure) -> Saying:
    worst = max(
        inspection.roofs, key=lambda roofs: float((roofs.as_designed - roofs.by_runoff).sum())
    )  # the roof that lost most
    return say(
        "Roof {roofs} yields {found} of the rain where the design had {wanted}: {lost} less. "
        "Moss, a broken slate or a gutter that sags would do that.",
        roofs=name(worst.catchment.name(site)),
        found=share(worst.found.runoff.coefficient),
        wanted=share(worst.catchment.prior(site).coefficient),
        lost=lost,
    )  # fmt: skip


def _fault(site: Site, inspection: Inspection, whole: Period, kind: str, lost: Figure) -> Saying:
    struck = [(roofs, fault) for roofs in inspection.roofs for fault in roofs.found.faults if fault.kind == kind]
    if not struck:
        return say("{lost} more went that way than the design had.", lost=lost)
    roofs, fault = max(struck, key=lambda pair: pair[1].end_h - pair[1].first_h)
    return say(
        "From {start} to {end} roof {roofs} brought as little as with a blocked gutter: {lost} less."
        if kind == "gutter"
        else "From {start} to {end} roof {roofs} brought as little as with a first flush stuck open: {lost} less.",
        start=day(whole.start_ms + fault.first_h * HOUR_MS),
        end=day(whole.start_ms + fault.end_h * HOUR_MS),
        roofs=name(roofs.catchment.name(site)),
        lost=lost,
    )


def _alike(inspection: Inspection, cause: str) -> tuple[list[str], Saying | None]:
    """What would look the same in these data, and what would tell the two apart."""
    if cause == "leak":
        return [METER], say(
            "A leak and a meter that counts too little look alike by day. Read the meter and the level late in the "
            "evening and again before anybody is up: a leak goes on, a meter stands. Then fill a bucket of known size "
            "through the meter."
        )
    faults = [fault for roofs in inspection.roofs for fault in roofs.found.faults]
    if cause in ("gutter", "first-flush"):
        other = "first-flush" if cause == "gutter" else "gutter"
        if any(fault.kind == cause and fault.confounded for fault in faults):
            return [other], say(
                "A blocked gutter and an open first flush look alike from the tank. Look while it rains: water over "
                "the gutter's side is the one, water from the chamber's drain the other."
            )
    if cause == "coefficient":
        return ["rain", METER], say(
            "A poor roof, a rain gauge that counts too much and an inlet meter that counts too little look alike. "
            "Stand a straight-sided vessel beside the gauge for one rain, and a bucket under the inlet."
        )
    if cause == "unexplained" and any(tank.unmetered for tank in inspection.tanks):
        return ["leak", "not-drawn"], say(
            "A draw without a meter and a leak look alike. Shut the draws for a night and read the level twice."
        )
    return [], None


def _sensor(site: Site, tank: TankFound, promised_l: float) -> Named:
    """A level sensor that moved: at each filling to the brim it books water that is not there, or misses some."""
    if tank.sensor is None:
        raise ValueError("expected a tank whose sensor's error is known")
    first = site.tank[next(place for place, one in enumerate(site.tank) if one.id in tank.ids)]
    error_m = float(np.abs(tank.sensor.error_m).max())
    span_l = float(np.nanmax(tank.volume_l) - np.nanmin(tank.volume_l))
    height_m = first.overflow_height_m
    fillings = int((np.diff(tank.brim.astype(int)) == 1).sum())
    moved_l = error_m / height_m * max(span_l, tank.noise_l) * max(1, fillings)
    return Named(
        LEVEL_SENSOR,
        moved_l,
        moved_l / promised_l,
        say(
            "The level sensor of tank {tank} was off by {error} in the end, by {change} more than at first, as it "
            "showed whenever the tank ran over or was used up. The account has taken that out.",
            tank=name(" + ".join(tank.ids)),
            error=metres(float(tank.sensor.error_m[-1])),
            change=metres(tank.sensor.change_m),
        ),
        ["brim"],
        say("Measure the water's depth with a rod while the tank runs over, and how high its overflow lies."),
    )
