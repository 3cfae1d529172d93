"""Causes in words: which stand out, why, what would look the same, and what would tell them apart."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

import msgspec
import numpy as np

from forecast.account.inspection import Inspection, RoofsFound
from forecast.account.levels import CHANGE_M, SensorError
from forecast.account.result import LEVEL_SENSOR, Named, Part, Period
from forecast.account.roofs import RoofFault
from forecast.account.tanks import TankFound
from ingest.instants import HOUR_MS
from ingest.saying import Figure, Saying, date, litres, metres, millimetres, name, number, say, share
from ingest.site import Site

#: A cause is named when it is this much of the designed yield, and this many times its own error.
LEAST_SHARE: Final = 0.02
SURE: Final = 2.0
BEFORE_THE_TANK: Final = ("rain", "coefficient", "gutter", "first-flush")

METER: Final = "meter"


class _Of(NamedTuple):
    """Whose causes: a period, its hours `[first_h, end_h)` of the account, and when that began."""

    site: Site
    inspection: Inspection
    period: Period
    first_h: int
    end_h: int
    start_ms: int

    @property
    def here(self) -> slice:
        return slice(self.first_h, self.end_h)

    @property
    def promised_l(self) -> float:
        return max(1.0, self.period.designed_yield_l)


def named(site: Site, inspection: Inspection, period: Period, first_h: int, end_h: int, start_ms: int) -> list[Named]:
    """The causes that stand out in a period, largest first.

    first_h, end_h  its hours of the account, which began at start_ms
    """
    of = _Of(site, inspection, period, first_h, end_h, start_ms)
    found = [
        _named(of, part)
        for part in netted(period.parts)
        if part.litres > max(LEAST_SHARE * of.promised_l, SURE * part.sd)
    ]
    found += [
        moved
        for tank in inspection.tanks
        if tank.sensor is not None and tank.sensor.stands_out and (moved := _sensor(of, tank, tank.sensor))
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


def _named(of: _Of, part: Part) -> Named:
    alike, tell_apart = _alike(of, part.cause)
    return Named(part.cause, part.litres, part.litres / of.promised_l, _why(of, part), alike, tell_apart)


def _why(of: _Of, part: Part) -> Saying:
    lost, period = litres(part.litres), of.period
    if part.cause == "rain":
        return say(
            "It rained {fell} where the design had {wanted}: {lost} less reached the tanks.",
            fell=millimetres(period.rain_mm), wanted=millimetres(period.design_rain_mm), lost=lost,
        )  # fmt: skip
    if part.cause == "coefficient":
        return _poor_roof(of, lost)
    if part.cause in ("gutter", "first-flush"):
        return _fault(of, part.cause, lost)
    if part.cause == "missing":
        return say(
            "In {hours} of the {all} hours that tell what was drawn, level, rain or an inflow was not measured; "
            "{lost} of the shortfall lies there.",
            hours=number(period.drawn_h - period.told_h), all=number(period.drawn_h), lost=lost,
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


def _poor_roof(of: _Of, lost: Figure) -> Saying:
    # Of the roof that lost most.
    worst = max(of.inspection.roofs, key=lambda roofs: float((roofs.as_designed - roofs.by_runoff)[of.here].sum()))
    return say(
        "Roof {roofs} yields {found} of the rain where the design had {wanted}: {lost} less. "
        "Moss, a broken slate or a gutter that sags would do that.",
        roofs=name(worst.catchment.name(of.site)),
        found=share(worst.found.runoff.coefficient),
        wanted=share(worst.catchment.prior(of.site).coefficient),
        lost=lost,
    )  # fmt: skip


def _fault(of: _Of, kind: str, lost: Figure) -> Saying:
    struck = [(roofs, fault) for roofs, fault in _faults(of) if fault.kind == kind]
    if not struck:
        return say("{lost} more went that way than the design had.", lost=lost)
    roofs, fault = max(struck, key=lambda pair: pair[1].end_h - pair[1].first_h)
    return say(
        "From {start} to {end} roof {roofs} brought as little as with a blocked gutter: {lost} less."
        if kind == "gutter"
        else "From {start} to {end} roof {roofs} brought as little as with a first flush stuck open: {lost} less.",
        start=date(of.start_ms + fault.first_h * HOUR_MS),
        end=date(of.start_ms + fault.end_h * HOUR_MS),
        roofs=name(roofs.catchment.name(of.site)),
        lost=lost,
    )


def _faults(of: _Of) -> list[tuple[RoofsFound, RoofFault]]:
    """What was wrong with roofs at any time of the period."""
    return [
        (roofs, fault)
        for roofs in of.inspection.roofs
        for fault in roofs.found.faults
        if fault.first_h < of.end_h and fault.end_h > of.first_h
    ]


def _alike(of: _Of, cause: str) -> tuple[list[str], Saying | None]:
    """What would look the same in these data, and what would tell the two apart."""
    if cause == "leak":
        return [METER], say(
            "A leak and a meter that counts too little look alike by day. Read the meter and the level late in the "
            "evening and again before anybody is up: a leak goes on, a meter stands. Then fill a bucket of known size "
            "through the meter."
        )
    if cause in ("gutter", "first-flush"):
        other = "first-flush" if cause == "gutter" else "gutter"
        if any(fault.kind == cause and fault.confounded for _, fault in _faults(of)):
            return [other], say(
                "A blocked gutter and an open first flush look alike from the tank. Look while it rains: water over "
                "the gutter's side is the one, water from the chamber's drain the other."
            )
    if cause == "coefficient":
        return ["rain", METER], say(
            "A poor roof, a rain gauge that counts too much and an inlet meter that counts too little look alike. "
            "Stand a straight-sided vessel beside the gauge for one rain, and a bucket under the inlet."
        )
    if cause == "unexplained" and any(tank.unmetered for tank in of.inspection.tanks):
        return ["leak", "not-drawn"], say(
            "A draw without a meter and a leak look alike. Shut the draws for a night and read the level twice."
        )
    return [], None


def _sensor(of: _Of, tank: TankFound, sensor: SensorError) -> Named | None:
    """A level sensor that moved: at each filling to the brim it books water that is not there, or misses some.

    None: not in this period yet.
    """
    first = of.site.tank[next(place for place, one in enumerate(of.site.tank) if one.id in tank.ids)]
    error_m = sensor.error_at(np.arange(of.first_h, of.end_h))
    largest_m = float(np.abs(error_m).max())
    volume_l = tank.volume_l[of.here]
    if largest_m < CHANGE_M or np.isnan(volume_l).all():
        return None
    span_l = float(np.nanmax(volume_l) - np.nanmin(volume_l))
    fillings = int((np.diff(tank.brim[of.here].astype(int)) == 1).sum())
    moved_l = largest_m / first.overflow_height_m * max(span_l, tank.noise_l) * max(1, fillings)
    return Named(
        LEVEL_SENSOR,
        moved_l,
        moved_l / of.promised_l,
        say(
            "The level sensor of tank {tank} was off by {error} in the end, by {change} more than at first, as it "
            "showed whenever the tank ran over or was used up. The account has taken that out.",
            tank=name(" + ".join(tank.ids)),
            error=metres(float(error_m[-1])),
            change=metres(float(error_m[-1] - error_m[0])),
        ),
        ["brim"],
        say("Measure the water's depth with a rod while the tank runs over, and how high its overflow lies."),
    )
