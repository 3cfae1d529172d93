"""What stands at a site, in the words of a sheet that is left with the people there. Pure."""

from __future__ import annotations

from typing import Final, NamedTuple

from api.alarms.kinds import AlarmId, Priority, Wording, wording
from api.alarms.types import PRIORITIES, alarms_of
from forecast.model.geometry import geometry_of
from forecast.model.storage import Storage, stops_at_m, storages_of
from ingest import saying
from ingest.saying import Saying, say
from ingest.site import Battery, Draw, FirstFlush, Roof, Site, Tank

_CHEMISTRIES: Final = {
    "flooded": say("lead-acid, with acid that can spill"),
    "agm": say("lead-acid, AGM"),
    "gel": say("lead-acid, gel"),
    "lifepo4": say("lithium iron phosphate"),
}


class WhatToDo(NamedTuple):
    """An alarm that can come here: its words, how urgent, and for which parts, where they are several."""

    priority: Priority
    words: Wording
    respond_within_h: int
    parts: list[str]


def what_stands_here(site: Site) -> list[Saying]:
    """Roofs, tanks and how they are joined, draws, backup, pump and battery, and what must be known of them."""
    said = [_roof(roof) for roof in site.roof]
    said += [_first_flush(roof.id, roof.first_flush) for roof in site.roof if roof.first_flush is not None]
    for tank in site.tank:
        said += [_tank(tank), *_overflow(tank)]
    said += [_joined(site, storage) for storage in storages_of(site) if len(storage.tanks) > 1]
    for draw in site.draw:
        said += [_draw(draw), *_reserve(site, draw), *_season(draw)]
    said += _drinking(site.draw)
    if site.backup is not None:
        known = {"backup": saying.name(site.backup.id)}
        if site.backup.changeover == "by hand":
            said.append(say("When the rain water runs out, the {backup} is opened by hand.", **known))
        else:
            said.append(say("When the rain water runs out, the {backup} takes over by itself.", **known))
    if site.pump is not None:
        power, flow = saying.number(site.pump.power_w), saying.litres_a_minute(site.pump.flow_l_min)
        said.append(say("Pump: {power} W while it runs, {flow}.", power=power, flow=flow))
    if site.battery is not None:
        said.append(_battery(site.battery))
    return said


def upkeep(site: Site) -> list[Saying]:
    """The regular work."""
    return [
        say("{task}: every {days}.", task=saying.name(task.id), days=saying.days(round(task.every_days)))
        for task in site.upkeep
    ]


def within(hours: int) -> Saying:
    """How soon somebody answers an alarm, as people say it: days from two on."""
    if hours == 7 * 24:
        return say("Within a week.")
    if hours >= 48 and hours % 24 == 0:
        return say("Within {days}.", days=saying.days(hours // 24))
    return say("Within {hours}.", hours=saying.hours(hours))


def what_to_do(site: Site) -> list[WhatToDo]:
    """Every kind of alarm that can come here, the most urgent first."""
    by_kind: dict[str, list[AlarmId]] = {}
    for alarm in alarms_of(site):
        by_kind.setdefault(alarm.kind.key, []).append(alarm)
    found = []
    for alarms in by_kind.values():
        kind, parts = alarms[0].kind, [alarm.part for alarm in alarms if alarm.part]
        several = len(parts) > 1
        shown = wording(AlarmId(kind, "…") if several else alarms[0], site)
        found.append(WhatToDo(kind.priority, shown, round(kind.respond_within_h), parts if several else []))
    return sorted(found, key=lambda one: PRIORITIES.index(one.priority))


def _roof(roof: Roof) -> Saying:
    return say(
        "Roof {roof}: {area} seen from above; its water runs to tank {tank}.",
        roof=saying.name(roof.id),
        area=saying.square_metres(roof.plan_area_m2),
        tank=saying.name(roof.tank),
    )


def _first_flush(roof: str, chamber: FirstFlush) -> Saying:
    known = {"roof": saying.name(roof), "volume": saying.litres(chamber.volume_l)}
    if chamber.empties_after_dry_h is not None:
        return say(
            "The first flush of {roof} holds {volume} and empties itself after {hours} without rain.",
            hours=saying.hours(round(chamber.empties_after_dry_h)),
            **known,
        )
    if chamber.drip_l_h > 0:
        return say("The first flush of {roof} holds {volume} and drips empty; keep the drip clear.", **known)
    return say("The first flush of {roof} holds {volume} and must be emptied by hand; write down when it was.", **known)


def _tank(tank: Tank) -> Saying:
    geometry = geometry_of(tank)
    return say(
        "Tank {tank} holds {capacity} up to its brim at {brim}; the {dead} below its outlet at {outlet} stay in it.",
        tank=saying.name(tank.id),
        capacity=saying.litres(geometry.capacity_l),
        brim=saying.metres(tank.overflow_height_m),
        dead=saying.litres(geometry.dead_l),
        outlet=saying.metres(tank.outlet_height_m),
    )


def _joined(site: Site, storage: Storage) -> Saying:
    """Whoever shuts a valve between them parts what forecast and account take for one."""
    return say(
        "Tanks {tanks} are joined at their feet and share one level; the water leaves over the lowest brim, {brim}. "
        "While a valve between them is shut, a draw gets only what is in its own tank, a roof fills only its own, "
        "and the forecast is wrong: write down in the site's log when it is shut and when opened.",
        tanks=saying.names([site.tank[place].id for place in storage.tanks]),
        brim=saying.metres(float(storage.geometry.levels_m[-1])),
    )


def _reserve(site: Site, draw: Draw) -> list[Saying]:
    if draw.reserve_l == 0:
        return []
    return [
        say(
            "{draw} stops at a level of {stop}: the {reserve} then left are for the others.",
            draw=saying.name(draw.id),
            stop=saying.metres(stops_at_m(site, draw)),
            reserve=saying.litres(draw.reserve_l),
        )
    ]


def _draw(draw: Draw) -> Saying:
    known = {
        "draw": saying.name(draw.id),
        "tank": saying.name(draw.tank),
        "volume": saying.litres_a_day(draw.litres_per_day),
    }
    if draw.feed == "gravity":
        return say("{draw}: {volume} from tank {tank}, by gravity.", **known)
    return say("{draw}: {volume} from tank {tank}, by the pump.", **known)


def _overflow(tank: Tank) -> list[Saying]:
    if tank.overflow_to is not None:
        known = {"tank": saying.name(tank.id), "next": saying.name(tank.overflow_to)}
        return [say("What tank {tank} cannot hold runs into tank {next}.", **known)]
    if tank.overflow_route is None:
        return []
    return [
        say(
            "The overflow of tank {tank} leads to: {route}. Keep its way clear.",
            tank=saying.name(tank.id),
            route=saying.name(tank.overflow_route),
        )
    ]


def _season(draw: Draw) -> list[Saying]:
    """In which months it is used, where not in all."""
    if draw.months is None or (used := set(draw.months)) == set(range(1, 13)):
        return []
    runs = []
    for first in sorted(month for month in used if (month - 2) % 12 + 1 not in used):
        last = first
        while last % 12 + 1 in used:
            last = last % 12 + 1
        runs.append(
            say("in {month}", month=saying.month(first))
            if first == last
            else say("from {first} to {last}", first=saying.month(first), last=saying.month(last))
        )
    return [say("{draw} is used {months}.", draw=saying.name(draw.id), months=saying.names(runs))]


def _drinking(draws: list[Draw]) -> list[Saying]:
    said = []
    for draw in draws:
        if draw.drinking:
            known = {"draw": saying.name(draw.id)}
            said.append(
                say("{draw} is for drinking, but no treatment is described: until there is one, nobody drinks from it.",
                    **known)
                if draw.treatment is None
                else say("{draw} is for drinking after its treatment: {treatment}. Have it tested to local rules.",
                         treatment=saying.name(draw.treatment), **known)
            )  # fmt: skip
    if others := [draw.id for draw in draws if not draw.drinking]:
        said.append(say("Not for drinking: {draws}. Every such outlet has a sign.", draws=saying.names(others)))
    return said


def _battery(battery: Battery) -> Saying:
    return say(
        "Battery: {voltage} V, {capacity} Ah, {chemistry}; low below {low}, cut off at {cutoff}. Panel: {panel} W.",
        voltage=saying.number(battery.nominal_v),
        capacity=saying.number(battery.capacity_ah),
        chemistry=saying.said([_CHEMISTRIES[battery.chemistry]]),
        low=saying.volts(battery.low_v),
        cutoff=saying.volts(battery.cutoff_v),
        panel=saying.number(battery.panel_w),
    )
