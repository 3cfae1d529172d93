"""The pictures of a site's page: what to draw, from its state and its readings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from markupsafe import Markup

from api.charts.battery import BatteryChart, battery_figure
from api.charts.columns import Column, ColumnChart, column_figure
from api.charts.fan import Fan
from api.charts.level import LevelChart, level_figure
from api.charts.plot import Point, pieces_of
from api.charts.words import day_name
from api.current import SiteState, TankState, Value
from api.measures import shown, symbol
from api.pages.measured import amounts, by_day, slot_ms, whole_days
from api.service import Service
from api.speech import Speaker
from forecast.model.power import CELLS
from forecast.model.storage import stops_at_m
from forecast.result import Bands, TankForecast
from ingest.instants import DAY_MS, HOUR_MS, floor_hour
from ingest.saying import litres, metres, name, say
from ingest.site import Battery

SHOWN_MS: Final = 5 * DAY_MS
AHEAD_MS: Final = 16 * DAY_MS
#: Whole days for which flows are drawn.
FLOW_DAYS: Final = 14


def level_picture(state: SiteState, tank: TankState, service: Service, speaker: Speaker) -> Markup:
    """A tank's level with its rain and its chances."""
    start_ms = state.now_ms - SHOWN_MS
    rain_from_ms = floor_hour(start_ms) - DAY_MS
    current, ahead = state.forecast, tank_forecast(state, tank.tank.id)
    chart = LevelChart(
        tank=tank.tank.id,
        now_ms=state.now_ms,
        start_ms=start_ms,
        end_ms=_end_ms(state),
        brim_m=tank.tank.overflow_height_m,
        lines=_lines(state, tank, speaker),
        seen=[] if tank.level is None else _seen(tank.level, state, service),
        rain_mm=amounts(state.site, service.readings, "rain", rain_from_ms, state.now_ms + 1),
        fan=Fan(current.forecast.start_ms, ahead.level_m, current.stale) if current and ahead else None,
        rain_ahead=current.forecast.rain_mm if current and ahead else None,
        runs_out=ahead.runs_out.by_day if ahead else [],
        spills=ahead.overflows.by_day if ahead else [],
    )
    return level_figure(chart, speaker)


def battery_picture(state: SiteState, service: Service, speaker: Speaker) -> Markup | None:
    """The battery's voltage; None: the site has no battery."""
    battery, value = state.site.battery, state.measuring("battery.voltage")
    if battery is None:
        return None
    ahead = None if state.forecast is None else state.forecast.forecast.battery
    fan = None
    if state.forecast is not None and ahead is not None:
        fan = Fan(state.forecast.forecast.start_ms, _at_rest(ahead.soc, battery), state.forecast.stale)
    chart = BatteryChart(
        now_ms=state.now_ms,
        start_ms=state.now_ms - SHOWN_MS,
        end_ms=_end_ms(state),
        low_v=battery.low_v,
        cutoff_v=battery.cutoff_v,
        seen=[] if value is None else _seen(value, state, service),
        fan=fan,
        cutoff=[] if ahead is None else ahead.cutoff.by_day,
    )
    return battery_figure(chart, speaker)


def flow_pictures(state: SiteState, service: Service, speaker: Speaker) -> list[tuple[str, Markup]]:
    """What was drawn and what was collected on each of the last days, with its title; without meters nothing."""
    site = state.site
    drawn = {draw.id: f"draw.{draw.id}" for draw in site.draw}
    if site.backup is not None:
        drawn[site.backup.id] = "backup"
    collected = {roof.id: f"roof.{roof.id}" for roof in site.roof}
    titles = (
        ("drawn", speaker.say(say("Drawn on each day")), drawn),
        ("collected", speaker.say(say("Collected on each day")), collected),
    )
    return [
        (title, picture)
        for id_, title, measures in titles
        if (picture := _flows(id_, title, measures, state, service, speaker)) is not None
    ]


def _flows(
    id_: str, title: str, measures: Mapping[str, str], state: SiteState, service: Service, speaker: Speaker
) -> Markup | None:
    nights = whole_days(FLOW_DAYS, state.now_ms, speaker.zone)
    every_ms = slot_ms(nights, speaker.zone)
    found = {}
    for part, what in measures.items():
        by_slot = amounts(state.site, service.readings, what, nights[0], nights[-1], every_ms)
        if by_slot:
            found[part] = by_day(by_slot, every_ms, nights)
    if not found:
        return None
    columns = [
        Column(day_name(night, speaker), [_volume(days[number], speaker) for days in found.values()])
        for number, night in enumerate(nights[:-1])
    ]
    chart = ColumnChart(
        id=id_,
        title=title,
        says=_says(title, found, speaker),
        unit=symbol("L", speaker.units, speaker.language),
        first=speaker.say(say("Day")),
        parts=list(found),
        columns=columns,
    )
    return column_figure(chart, speaker)


def _says(title: str, found: Mapping[str, Sequence[float | None]], speaker: Speaker) -> str:
    said = [f"{title}."]
    for part, days in found.items():
        known = [volume for volume in days if volume is not None]
        if known:
            mean = litres(sum(known) / len(known))
            said.append(speaker.say(say("{part}: {mean} on an average day.", part=name(part), mean=mean)))
        else:
            said.append(speaker.say(say("{part}: not measured for a whole day.", part=name(part))))
    return " ".join(said)


def _volume(volume_l: float | None, speaker: Speaker) -> float | None:
    return None if volume_l is None else shown(volume_l, "L", speaker.units)


def _lines(state: SiteState, tank: TankState, speaker: Speaker) -> list[tuple[float, str]]:
    """Brim, outlet, and where each draw with a reserve stops. [m above the floor]"""
    stops = [
        (draw, stops_at_m(state.site, draw))
        for draw in state.site.draw
        if draw.tank == tank.tank.id and draw.reserve_l > 0
    ]
    return [
        (tank.tank.overflow_height_m, speaker.say(say("brim {level}", level=metres(tank.tank.overflow_height_m)))),
        (tank.tank.outlet_height_m, speaker.say(say("outlet {level}", level=metres(tank.tank.outlet_height_m)))),
        *(
            (
                level_m,
                speaker.say(say("{draw} stops {level}", draw=name(draw.id), level=metres(level_m))),
            )
            for draw, level_m in stops
        ),
    ]


def _seen(value: Value, state: SiteState, service: Service) -> list[list[Point]]:
    """Hourly means of a sensor up to its newest reading, broken where nothing was heard."""
    sensor, start_ms, end_ms = value.sensor, state.now_ms - SHOWN_MS, state.now_ms + 1
    hourly = service.readings.aggregate(state.site.id, sensor.id, start_ms, end_ms, HOUR_MS, "mean")
    points = [Point(bucket.start_ms + HOUR_MS // 2, bucket.value) for bucket in hourly]
    newest = value.reading
    if newest is not None and newest.time_ms >= start_ms:
        points = [*(point for point in points if point.at < newest.time_ms), Point(newest.time_ms, newest.value)]
    return pieces_of(points, max(2 * HOUR_MS, service.settings.stale_after_ms(sensor.every_s)))


def tank_forecast(state: SiteState, tank_id: str) -> TankForecast | None:
    """The newest forecast of a tank."""
    tanks = [] if state.forecast is None else state.forecast.forecast.tanks
    return next((tank for tank in tanks if tank.tank == tank_id), None)


def _end_ms(state: SiteState) -> int:
    """The end of the forecast, and at least a day ahead."""
    if state.forecast is None:
        return state.now_ms + AHEAD_MS
    forecast = state.forecast.forecast
    return max(state.now_ms + DAY_MS, forecast.start_ms + forecast.horizon_h * HOUR_MS)


def _at_rest(charge: Bands, battery: Battery) -> Bands:
    """Voltages at rest for states of charge; one rises with the other, so quantiles stay quantiles."""
    cell = CELLS[battery.chemistry]

    def volts(shares: list[float]) -> list[float]:
        resting: list[float] = (np.interp(shares, cell.shares, cell.volts) * battery.nominal_v / 12.0).tolist()
        return resting

    return Bands(volts(charge.p05), volts(charge.p25), volts(charge.p50), volts(charge.p75), volts(charge.p95))
