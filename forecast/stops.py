"""When each draw stops: at its own outlet and reserve, from a level that joined tanks share. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

import numpy as np

from forecast.facts import Facts, LevelNow
from forecast.model.plan import Floats, Plan
from forecast.model.storage import Storage, storages_of
from forecast.result import Passage
from ingest import saying
from ingest.instants import DAY_MS
from ingest.saying import Figure, Saying, say
from ingest.site import Site

#: A draw has stopped within this much of where it stops. [L]
_STOPPED_L: Final = 0.5


class Taker(NamedTuple):
    """A draw that wants water in the coming week.

    id, wanted_l_day
    floor_l   volume of its storage at which it stops [L]
    kept      it stops above dead storage: for a reserve, or at a higher outlet than that of a joined tank
    passage   when it stops, by the members; None: nobody looked
    """

    id: str
    wanted_l_day: float
    floor_l: float
    kept: bool
    passage: Passage | None


def stopping(plan: Plan) -> list[int]:
    """Draws that stop before their storage is down to its outlet, by place in the site file."""
    floors = zip(plan.draw_tank, plan.draw_floor_l, strict=True)
    return [draw for draw, (tank, floor_l) in enumerate(floors) if floor_l > plan.dead_l[tank]]


def stop_h(plan: Plan, volume_l: Floats, draws: Sequence[int], first_h: int) -> Floats:
    """Hours until each of the draws stops first, infinite where it does not. (H, T, M) → (len(draws), M)

    first_h  hours that lie before the first of volume_l, which is that at the end of its hour [h]
    """
    found = np.full((len(draws), volume_l.shape[-1]), np.inf)
    for row, draw in enumerate(draws):
        stopped = volume_l[:, plan.draw_tank[draw]] <= plan.draw_floor_l[draw] + _STOPPED_L
        found[row] = np.where(stopped.any(axis=0), first_h + 1.0 + stopped.argmax(axis=0), np.inf)
    return found


def dry_days(volume_l: float, takers: Sequence[Taker]) -> list[float]:
    """Days until each stops if no rain falls and each takes what it wants until then. [d]"""
    days, left_l, found = 0.0, volume_l, [0.0] * len(takers)
    for place in sorted(range(len(takers)), key=lambda one: -takers[one].floor_l):
        floor_l = takers[place].floor_l
        days += max(0.0, left_l - floor_l) / sum(one.wanted_l_day for one in takers if one.floor_l <= floor_l)
        left_l, found[place] = min(left_l, floor_l), days
    return found


def supplies(
    site: Site, plan: Plan, facts: Facts, wanted_l_day: Floats, stops: dict[int, Passage], horizon_d: int
) -> list[Saying]:
    """How long what there is lasts without rain, joined tanks once, and when each draw that stops early does.

    wanted_l_day  of each draw in the coming week (D,)    stops  of the draws that stop early, by place
    """
    said: list[Saying] = []
    early = set(stopping(plan))
    for index, storage in enumerate(storages_of(site)):
        takers = [
            Taker(draw.id, float(wanted), float(plan.draw_floor_l[place]), place in early, stops.get(place))
            for place, (draw, wanted) in enumerate(zip(site.draw, wanted_l_day, strict=True))
            if plan.draw_tank[place] == index and wanted > 0
        ]
        level = _newest(site, storage, facts)
        if takers and level is not None:
            said += _supply(site, storage, level, takers, facts.now_ms, horizon_d)
    return said


def _newest(site: Site, storage: Storage, facts: Facts) -> LevelNow | None:
    """Of joined tanks, the level heard last is that of all."""
    heard = [facts.levels[tank.id] for tank in (site.tank[place] for place in storage.tanks) if tank.id in facts.levels]
    return max(heard, key=lambda level: level.time_ms, default=None)


def _supply(
    site: Site, storage: Storage, level: LevelNow, takers: list[Taker], now_ms: int, horizon_d: int
) -> Iterable[Saying]:
    tanks, geometry = [site.tank[place].id for place in storage.tanks], storage.geometry
    volume_l = level.volume_l if len(tanks) == 1 else float(geometry.volume_l(level.level_m))
    usable_l = max(0.0, volume_l - min(one.floor_l for one in takers))
    days, kept = dry_days(volume_l, takers), any(one.kept for one in takers)
    known = {
        "demand": saying.litres_a_day(round(sum(one.wanted_l_day for one in takers))),
        "usable": saying.litres(round(usable_l)),
        "days": saying.days(round(max(days))),
    }
    if len(tanks) > 1:
        yield say(
            "{demand} wanted in the coming week from the tanks {tanks}, which are joined and share one level; "
            "the {usable} within reach last {days} without rain.",
            tanks=saying.names(tanks),
            **known,
        )
    elif kept:
        yield say(
            "{demand} wanted from tank {tank} in the coming week; the {usable} within reach last {days} without rain.",
            tank=saying.name(tanks[0]),
            **known,
        )
    else:
        yield say(
            "{demand} wanted from tank {tank} in the coming week; "
            "the {usable} that its outlet can reach are {days} of that without rain.",
            tank=saying.name(tanks[0]),
            **known,
        )
    for one, dry_d in zip(takers, days, strict=True):
        if one.kept:
            known = {"draw": saying.name(one.id), "stop": saying.metres(float(geometry.level_m(one.floor_l)))}
            if volume_l <= one.floor_l:
                yield say(
                    "{draw} gets nothing now: it stops at a level of {stop}, and the water stands at {level}.",
                    level=saying.metres(level.level_m),
                    **known,
                )
            else:
                yield _stops(one, known | {"dry": saying.duration(round(dry_d * DAY_MS))}, now_ms, horizon_d)


def _stops(one: Taker, known: dict[str, Figure], now_ms: int, horizon_d: int) -> Saying:
    if one.passage is None:
        return say("{draw} stops at a level of {stop}: without rain, that is {dry} away.", **known)
    if one.passage.p50 is None:
        return say(
            "{draw} stops at a level of {stop}: without rain, that is {dry} away; "
            "with the rain to be expected, {chance} within {horizon}.",
            chance=saying.chance(one.passage.within),
            horizon=saying.days(horizon_d),
            **known,
        )
    return say(
        "{draw} stops at a level of {stop}: without rain, that is {dry} away; "
        "with the rain to be expected, as likely as not before {day}.",
        day=saying.day_after(now_ms + round(one.passage.p50 * DAY_MS)),
        **known,
    )
