"""What each size would give: curves, their knee, and what a step of each lever buys."""

from __future__ import annotations

import itertools
from typing import Final

from forecast.model.balance import BACKUP, DRAWN, SPILLED
from forecast.sizing.batch import LEVERS, Lever, Size
from forecast.sizing.result import Buys, Curve, Point
from forecast.sizing.sweep import Tally
from forecast.sizing.yields import share

UNITS: Final[dict[Lever, str]] = {"tank": "L", "roof": "m²", "first_flush": "L", "coefficient": "", "draw": "L/d"}


def points_of(sizes: list[Size], tally: Tally) -> list[Point]:
    """What each member gives in a mean year."""
    years = len(tally.month) / 12
    drawn = (tally.ledger[:, DRAWN] - tally.ledger[:, BACKUP]).sum(axis=0)
    spilled, short = tally.ledger[:, SPILLED].sum(axis=0), tally.short.sum(axis=0)
    wanted, days = tally.wanted_l.sum(axis=0), int(tally.days.sum())
    return [
        Point(
            size=round(size.size, 3),
            reliable_volume=share(drawn[member], wanted[member]),
            reliable_days=share(days - short[member], days),
            drawn_l=round(float(drawn[member]) / years, 1),
            spilled_l=round(float(spilled[member]) / years, 1),
        )
        for member, size in enumerate(sizes)
    ]


def curves(sizes: list[Size], points: list[Point], now: dict[Lever, float]) -> list[Curve]:
    """A curve for each lever that the site has, the site as it is among its points."""
    found = []
    for lever in LEVERS:
        on_it = [
            point
            for size, point in zip(sizes, points, strict=True)
            if size.lever == lever and size.purpose == "curve"
        ]  # fmt: skip
        if not on_it:
            continue
        here = points[0].model_copy(update={"size": round(now[lever], 3)})
        rising = sorted([*on_it, here], key=lambda point: point.size)
        knee = knee_of(rising) if lever == "tank" else None
        found.append(Curve(lever=lever, unit=UNITS[lever], now=here, points=rising, knee=knee))
    return found


def knee_of(points: list[Point]) -> float | None:
    """The size of a tank beyond which tank that is added gives less than its own volume a year.

    A rule of ours, by what is bought and not by the shape of what is drawn: so the knee stands where it stands,
    however far the curve is followed. As each litre more is needed more seldom than the one before, there is one such
    size. None: it is smaller than the points, or larger.
    """
    bought = [after for before, after in itertools.pairwise(points) if pays(before, after)]
    return None if not bought or bought[-1] == points[-1] else bought[-1].size


def pays(before: Point, after: Point) -> bool:
    """Whether the tank between two sizes gives its own volume a year, or more."""
    return after.drawn_l - before.drawn_l >= after.size - before.size


def buys(sizes: list[Size], points: list[Point], days: float, wanted_l: float) -> list[Buys]:
    """What a step and a tenth of each lever buy in a mean year, those that buy most first.

    days      with use in a mean year
    wanted_l  in a mean year, of the site as it is
    """
    by_purpose = {
        (size.lever, size.purpose): (size, point) for size, point in zip(sizes, points, strict=True)
    }  # fmt: skip
    base, found = points[0], []
    for lever in LEVERS:
        if (lever, "step") not in by_purpose:
            continue
        (stepped, after), (_, tenth) = by_purpose[lever, "step"], by_purpose[lever, "tenth"]
        # Less use is less wanted, and less drawn as well: only what is left of it was to come from elsewhere.
        less_wanted_l = wanted_l * (1.0 - stepped.factor) if lever == "draw" else 0.0
        found.append(
            Buys(
                lever=lever,
                unit=UNITS[lever],
                step=round(stepped.size - stepped.size / stepped.factor, 3),
                drawn_l=round(after.drawn_l - base.drawn_l, 1),
                backup_l=round(base.drawn_l - after.drawn_l - less_wanted_l, 1),
                enough_days=round((after.reliable_days - base.reliable_days) * days, 1),
                spilled_l=round(after.spilled_l - base.spilled_l, 1),
                tenth_drawn_l=round(tenth.drawn_l - base.drawn_l, 1),
                tenth_enough_days=round((tenth.reliable_days - base.reliable_days) * days, 1),
            )
        )
    return sorted(found, key=lambda one: (one.tenth_enough_days, one.tenth_drawn_l), reverse=True)
