"""From facts and an outlook to a forecast: the ensemble through the balance.

Pure: facts, outlook, `now` and the random generator come in, a document comes out. Members differ
in rain, draw, coefficient, level, charge and sun; without all of these the early bands are far
too narrow.
"""

from __future__ import annotations

from typing import Final

import msgspec
import numpy as np
import numpy.typing as npt

from forecast.allowance import Ahead, copied, decide, hours_of, takeover
from forecast.charge import battery_forecast, battery_temperature_c, measured_charge
from forecast.facts import Facts, LevelNow
from forecast.learned import Learned
from forecast.level import about, left_dry, may_be_empty
from forecast.members import member_drivers
from forecast.model.balance import Drivers, State, Trace, blank_state, run
from forecast.model.geometry import geometry_of
from forecast.model.passage import bands, bands_of, passages, quantiles
from forecast.model.plan import Plan, plan_of
from forecast.model.storage import Storage, storages_of
from forecast.outlook.ensemble import Outlook
from forecast.reasons import inputs, reasons, unknowns
from forecast.reference import references
from forecast.result import Forecast, Passage, TankForecast
from forecast.stops import stop_h, stopping
from ingest.errors import ForecastUnavailable
from ingest.instants import HOUR_MS, floor_hour, to_rfc3339
from ingest.site import Site, Tank
from ingest.units import MINUTES_PER_HOUR

Floats = npt.NDArray[np.float64]

HORIZON_H: Final = 16 * 24
MEMBERS: Final = 100


def timeline(facts: Facts, horizon_h: int = HORIZON_H) -> tuple[int, int]:
    """Start [UTC ms] and hours of the outlook that `predict` needs: from the spin-up to the horizon."""
    start_ms = facts.rain_start_ms
    return start_ms, (floor_hour(facts.now_ms) - start_ms) // HOUR_MS + horizon_h + 1


def predict(
    site: Site,
    facts: Facts,
    outlook: Outlook,
    rng: np.random.Generator,
    *,
    horizon_h: int = HORIZON_H,
    learned: Learned | None = None,
) -> Forecast:
    """The forecast of a site. The outlook must span `timeline(facts, horizon_h)`.

    learned  what telemetry taught of the site; without it, or where it is silent, its file's figures

    Raises ForecastUnavailable when no tank has a level that can be used.
    """
    if not facts.levels:
        raise ForecastUnavailable(
            f"no usable level of any tank up to {to_rfc3339(facts.now_ms)}; check the level sensor and its link"
        )
    plan = plan_of(site, battery_c=battery_temperature_c(outlook))
    if learned is not None:
        plan = learned.plan(site, plan)
    members = outlook.rain_mm.shape[1]
    first_ms, hours = timeline(facts, horizon_h)
    drivers = _drivers(site, plan, facts, outlook, first_ms, hours, rng, learned)
    anchors = _anchors(site, facts)
    state = _start(plan, members, rng)
    begin = 0
    for time_ms in anchors:
        at = (floor_hour(time_ms) - first_ms) // HOUR_MS
        if at > begin:
            run(plan, _between(drivers, begin, at), state, hourly=False)
        _anchor(site, plan, facts, time_ms, state, rng)
        begin = at
    left = 1.0 - (anchors[-1] - floor_hour(anchors[-1])) / HOUR_MS
    left_drivers = _between(drivers, begin, hours, left)
    past_h = (floor_hour(facts.now_ms) - first_ms) // HOUR_MS - begin
    offset_h = (facts.now_ms - first_ms) / HOUR_MS - begin
    ahead = _ahead(plan, left_drivers, state, past_h)
    trace = run(plan, left_drivers, state)
    forecast = _document(site, plan, facts, outlook, drivers, trace, past_h, offset_h, horizon_h, learned)
    runs_out_d = np.maximum(0.0, trace.runs_out_h[plan.feeds].min(axis=0) - offset_h) / 24
    # The run goes on to the end of its last hour, which is past the horizon: one event has one chance.
    runs_out_d[runs_out_d > horizon_h / 24] = np.inf
    changeover = None if site.backup is None else site.backup.changeover
    decisions = decide(ahead, runs_out_d, backup=changeover == "by hand")
    if changeover == "by itself" and site.draw:
        decisions = msgspec.structs.replace(decisions, takeover=takeover(ahead, horizon_h, offset_h - past_h))
    return msgspec.structs.replace(forecast, decisions=decisions, references=references(site, ahead, offset_h - past_h))


def _ahead(plan: Plan, drivers: Drivers, state: State, past_h: int) -> Ahead:
    """What lies ahead from the hour of the issue on; `state` is that of the first hour of the drivers."""
    now = copied(state)
    if past_h > 0:
        run(plan, hours_of(drivers, 0, past_h), now)
    return Ahead(plan, hours_of(drivers, past_h, len(drivers.rain_mm)), now)


def _drivers(
    site: Site,
    plan: Plan,
    facts: Facts,
    outlook: Outlook,
    first_ms: int,
    hours: int,
    rng: np.random.Generator,
    learned: Learned | None,
) -> Drivers:
    """Drivers of all members: the rain that was measured, then the outlook's."""
    rain = outlook.rain_mm[:hours].copy()
    past = (floor_hour(facts.now_ms) - first_ms) // HOUR_MS
    measured = facts.rain_mm[:past]
    known = np.flatnonzero(~np.isnan(measured))
    rain[known] = measured[known, None]
    drivers = member_drivers(
        site,
        plan,
        rain,
        first_ms,
        rng,
        learned.beliefs(site) if learned else None,
        demand=learned.demand_l(site, first_ms, hours) if learned else None,
        radiation_w_m2=outlook.radiation_w_m2,
    )
    if learned is not None:
        drivers = drivers._replace(leak_l_h=learned.leak_l_h(site, plan, rain.shape[1], rng))
    return drivers._replace(emptied=_emptied(site, facts, first_ms, hours))


def _emptied(site: Site, facts: Facts, first_ms: int, hours: int) -> Floats:
    """1 in the hours in which a roof's first-flush chamber was emptied by hand. (H, R), or (0, 0)"""
    if not facts.emptied:
        return np.zeros((0, 0))
    emptied = np.zeros((hours, len(site.roof)))
    roofs = [roof.id for roof in site.roof]
    for time_ms, roof in facts.emptied:
        if roof in roofs and 0 <= (hour := (time_ms - first_ms) // HOUR_MS) < hours:
            emptied[hour, roofs.index(roof)] = 1.0
    return emptied


def _between(drivers: Drivers, begin: int, end: int, first_hour: float = 1.0) -> Drivers:
    """The drivers of the hours `[begin, end)`, of the first of them only the share that is left."""
    part = hours_of(drivers, begin, end)
    if first_hour < 1.0:
        part = part._replace(rain_mm=part.rain_mm.copy(), sun_wh=part.sun_wh.copy(), demand_l=part.demand_l.copy())
        for hourly in (part.rain_mm, part.sun_wh, part.demand_l):
            hourly[0] *= first_hour
    return part


def _anchors(site: Site, facts: Facts) -> list[int]:
    """The instants at which something measured replaces what the balance says, one an hour, oldest first."""
    times = [level.time_ms for level in (*facts.levels.values(), *facts.before.values())]
    if site.battery and facts.battery:
        times.append(max(facts.battery.time_ms, facts.rain_start_ms))
    newest_of_hour = {floor_hour(time_ms): time_ms for time_ms in sorted(times)}
    return [newest_of_hour[hour] for hour in sorted(newest_of_hour)]


def _start(plan: Plan, members: int, rng: np.random.Generator) -> State:
    """Before the spin-up: a tank may hold anything until a level says more."""
    tanks = len(plan.dead_l)
    share = rng.random((tanks, members))
    volume = plan.dead_l[:, None] + share * (plan.capacity_l - plan.dead_l)[:, None]
    charge = plan.battery_wh if np.isinf(plan.battery_wh) else plan.battery_wh * rng.uniform(0.5, 1.0, members)
    return blank_state(plan, members, volume_l=volume, charge_wh=charge)


def _anchor(site: Site, plan: Plan, facts: Facts, time_ms: int, state: State, rng: np.random.Generator) -> None:
    """Set what was measured in this hour, with the spread of its measuring."""
    hour = floor_hour(time_ms)
    for index, storage in enumerate(storages_of(site)):
        heard = [tank for tank in (site.tank[place] for place in storage.tanks) if tank.id in facts.levels]
        newest = max(heard, key=lambda tank: facts.levels[tank.id].time_ms, default=None)
        if newest is None:
            continue
        balance_l = state.volume_l[index]
        level, before = facts.levels[newest.id], facts.before.get(newest.id)
        if before is not None and floor_hour(before.time_ms) == hour:
            state.volume_l[index] = _sampled(before, newest, storage, len(balance_l), rng)
        elif floor_hour(level.time_ms) == hour:
            said_l = _sampled(level, newest, storage, len(balance_l), rng)
            empty = before is not None and bool(may_be_empty(*_volume(level, newest, storage), storage.geometry.dead_l))
            state.volume_l[index] = left_dry(said_l, balance_l, empty, storage.geometry.dead_l)
    battery = facts.battery
    if site.battery and battery and floor_hour(max(battery.time_ms, facts.rain_start_ms)) == hour:
        state.charge_wh[:] = measured_charge(site.battery, battery, state.charge_wh, plan.battery_wh, rng)


def _sampled(level: LevelNow, tank: Tank, storage: Storage, members: int, rng: np.random.Generator) -> Floats:
    """Volumes of a storage about what a tank's level says of it. (M,) [L]"""
    return about(*_volume(level, tank, storage), members, rng, storage.geometry.capacity_l)


def _volume(level: LevelNow, tank: Tank, storage: Storage) -> tuple[float, float]:
    """What a tank's level says of its storage, and the standard deviation: of joined tanks, the level of all. [L]"""
    if len(storage.tanks) == 1:
        return level.volume_l, level.sd_l
    wider = storage.geometry.surface_m2(level.level_m) / geometry_of(tank).surface_m2(level.level_m)
    return float(storage.geometry.volume_l(level.level_m)), level.sd_l * wider


def _document(
    site: Site,
    plan: Plan,
    facts: Facts,
    outlook: Outlook,
    drivers: Drivers,
    trace: Trace,
    past_h: int,
    offset_h: float,
    horizon_h: int,
    learned: Learned | None,
) -> Forecast:
    coming = slice(past_h, past_h + horizon_h)
    feeds, ends = plan.feeds, plan.ends
    now_hour = (floor_hour(facts.now_ms) - facts.rain_start_ms) // HOUR_MS
    days = horizon_h // 24
    storages = storages_of(site)
    daily_mm = drivers.rain_mm[now_hour : now_hour + 24 * days].reshape(days, 24, -1).sum(axis=1)
    week_l_day = drivers.demand_l[now_hour : now_hour + 7 * 24].sum(axis=0) / 7.0
    early = stopping(plan)
    happened = passages(
        np.concatenate(
            [
                stop_h(plan, trace.volume_l[coming], early, past_h),
                trace.runs_out_h[feeds].min(axis=0)[None],
                trace.overflows_h[ends].min(axis=0)[None],
                trace.cutoff_h[None],
                trace.runs_out_h,
                trace.overflows_h,
            ]
        ),
        horizon_h,
        offset_h,
    )
    stops = dict(zip(early, happened, strict=False))
    runs_out, overflows, cutoff, *of_tanks = happened[len(early) :]
    volumes = quantiles(trace.volume_l[coming], in_place=True)  # nothing later asks which member a volume is of
    return Forecast(
        site=site.id,
        issued_ms=facts.now_ms,
        start_ms=floor_hour(facts.now_ms),
        horizon_h=horizon_h,
        members=outlook.rain_mm.shape[1],
        inputs=inputs(site, facts, outlook),
        tanks=[
            _tank(
                tank,
                storages[index],
                facts,
                trace,
                int(index),
                volumes[:, :, index],
                of_tanks[index],
                of_tanks[index + len(storages)],
            )
            for tank, index in zip(site.tank, plan.tank_storage, strict=True)
        ],
        runs_out=runs_out,
        overflows=overflows,
        rain_mm=bands(daily_mm, 1),
        demand_l_day=round(float(week_l_day.sum()), 1),
        battery=battery_forecast(plan, trace.charge_wh[coming], drivers.sun_wh[now_hour:], cutoff),
        reasons=reasons(site, plan, facts, daily_mm, week_l_day, stops),
        unknown=unknowns(site, facts, outlook, None if learned is None else learned.notes),
    )


def _tank(
    tank: Tank,
    storage: Storage,
    facts: Facts,
    trace: Trace,
    index: int,
    volumes: Floats,
    runs_out: Passage,
    overflows: Passage,
) -> TankForecast:
    """One tank, from storage number `index`; of joined tanks only the one with the lowest brim spills.

    volumes  five points of the storage by hour (5, H) [L]
    """
    geometry = geometry_of(tank)
    own, brim_m = len(storage.tanks) == 1, float(storage.geometry.levels_m[-1])
    # Level rises with volume, so the quantiles of one are those of the other.
    levels = storage.geometry.level_m(volumes)
    spills = own or tank.overflow_height_m <= brim_m
    spill_l = trace.spill_l[index] if spills else np.zeros_like(trace.spill_l[index])
    level = facts.levels.get(tank.id)
    start_l = trace.volume_l[0, index]
    start_m = level.level_m if level else float(storage.geometry.level_m(float(np.median(start_l))))
    return TankForecast(
        tank=tank.id,
        start_level_m=round(start_m, 3),
        start_volume_l=round(level.volume_l if level else float(geometry.volume_l(start_m)), 1),
        start_sd_l=round(level.sd_l if level else float(np.std(start_l)), 1),
        dead_l=round(geometry.dead_l, 1),
        capacity_l=round(geometry.capacity_l if own else float(geometry.volume_l(brim_m)), 1),
        level_m=bands_of(levels, 3),
        volume_l=bands_of(volumes if own else geometry.volume_l(levels), 0),
        runs_out=runs_out,
        overflows=overflows if spills else Passage([0.0] * len(overflows.by_day), 0.0),
        spill_l=bands(spill_l[None, :], 0),
        spill_peak_l_min=round(float(quantiles(trace.spill_peak_l_h[index], (0.95,))[0]) / MINUTES_PER_HOUR, 1)
        if spills
        else 0.0,
    )
