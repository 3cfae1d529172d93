"""What the forecast would have been worth: leave-own-year-out over a rain record.

Every few days of the record a forecast is issued from what would have been known then, and held
against what the record's own rain did. The truth is the same balance, but its coefficient, its
draw and the error of its level are drawn anew for each issue from the spreads that the forecast
states, so all its uncertainties count and none is known to it. Issues of the same day of the year
share season, sun and use, and go through the balance side by side.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final, NamedTuple

import numpy as np

from forecast.allowance import hours_of
from forecast.cases import HORIZON_D, LEADS_D, Cases, Floats, Said, joined
from forecast.facts import BEFORE_MS, LEVEL_NOISE_M, SPIN_UP_DAYS
from forecast.level import EMPTY_L, left_dry, may_be_empty
from forecast.members import Beliefs, member_drivers, metered_use, site_beliefs
from forecast.model.balance import Drivers, State, Trace, blank_state, run
from forecast.model.plan import Plan, plan_of
from forecast.model.storage import storages_of
from forecast.outlook.history import history_outlook
from forecast.outlook.record import RainRecord
from ingest.errors import ForecastUnavailable, RecordFileError
from ingest.instants import DAY_MS, HOUR_MS, from_rfc3339, to_datetime
from ingest.site import Site
from ingest.units import LITRES_PER_M3

#: Forecasts are issued at this hour. [h UTC]
ISSUE_HOUR: Final = 6
_PAST_H: Final = SPIN_UP_DAYS * 24
_AHEAD_H: Final = HORIZON_D * 24
HOURS: Final = _PAST_H + _AHEAD_H
#: Days before the issue at which a level is looked up again, for the rivals.
LAGS_D: Final = (1, 3, 7)
_BEFORE_H: Final = BEFORE_MS // HOUR_MS


class Issue(NamedTuple):
    """One forecast to be made: when [UTC ms], of which year, the record's rain around it (H,) [mm]."""

    now_ms: int
    year: int
    rain_mm: Floats

    @property
    def start_ms(self) -> int:
        return self.now_ms - _PAST_H * HOUR_MS


#: Rain of all members over the hours of an issue (H, members); the first `_PAST_H` are replaced by what fell.
RainMaker = Callable[[RainRecord, Issue, int, np.random.Generator], Floats]


def windows(record: RainRecord, issue: Issue, members: int, rng: np.random.Generator) -> Floats:
    """Windows of the season, all alike."""
    return history_outlook(record, issue.start_ms, HOURS, members, rng, without_year=issue.year).rain_mm


def conditioned(record: RainRecord, issue: Issue, members: int, rng: np.random.Generator) -> Floats:
    """Windows of the season, those like the last days more often: what the service does."""
    measured = issue.rain_mm[:_PAST_H]
    return history_outlook(
        record, issue.start_ms, HOURS, members, rng, without_year=issue.year, measured_mm=measured
    ).rain_mm


class Way(NamedTuple):
    """A way of forecasting of our own: its rain, and whether the meters of the last days tell the use."""

    rain: RainMaker
    metered: bool = True


OURS: Final = "ours"
PLAIN: Final = "windows"
NAIVE: Final = "naive"
MEAN_RAIN: Final = "mean rain"
#: What the service does; and the season alone, with the site file's figures.
OWN: Final[Mapping[str, Way]] = {OURS: Way(conditioned), PLAIN: Way(windows, metered=False)}


def backtest(
    site: Site,
    record: RainRecord,
    *,
    every_d: int = 5,
    members: int = 100,
    seed: int = 1,
    beliefs: Beliefs | None = None,
    ways: Mapping[str, Way] = OWN,
    progress: Callable[[int, int], None] = lambda _done, _all: None,
) -> Cases:
    """Issue, run the truth, compare. `progress` is told how many groups of issues are done, of how many.

    beliefs the spreads that truth and forecast share; by default the site file's usual ones
    ways    of forecasting, by name; the naive one and mean rain are always there
    Raises RecordFileError where the record holds no issue with another year to learn from.
    """
    groups = _groups(record, every_d)
    rng = np.random.default_rng(seed)
    plan = plan_of(site)
    usual_l = _usual_volume(site, plan, record)
    parts = []
    for done, issues in enumerate(groups):
        progress(done, len(groups))
        if part := _Group(site, plan, record, issues, usual_l, members, rng, beliefs or site_beliefs(site)).cases(ways):
            parts.append(part)
    progress(len(groups), len(groups))
    if not parts:
        raise RecordFileError(
            f"{record.name}: no day has its weeks around it whole and the same season in another year; "
            "give a record of two years or more"
        )
    return joined(parts)


def _groups(record: RainRecord, every_d: int) -> list[list[Issue]]:
    """Issues by day of the year, those whose rain is wholly known, of all years."""
    groups = []
    years = range(to_datetime(record.start_ms).year, to_datetime(record.end_ms).year + 1)
    for day in range(0, 365, every_d):
        issues = []
        for year in years:
            now_ms = from_rfc3339(f"{year}-01-01T00:00:00Z") + day * DAY_MS + ISSUE_HOUR * HOUR_MS
            rain = record.window(now_ms - _PAST_H * HOUR_MS, HOURS)
            if not np.isnan(rain).any():
                issues.append(Issue(now_ms, year, rain))
        if issues:
            groups.append(issues)
    return groups


def _usual_volume(site: Site, plan: Plan, record: RainRecord) -> Floats:
    """Volume of each tank at the end of each hour, had the site file been right all along. (H, T) [L]

    It only says where issues begin, so an unknown hour may get the record's mean rain.
    """
    rain = np.where(np.isnan(record.rain_mm), np.nanmean(record.rain_mm), record.rain_mm)[:, None]
    drivers = _as_written(site, member_drivers(site, plan, rain, record.start_ms, np.random.default_rng(0)))
    half = (plan.dead_l + plan.capacity_l)[:, None] / 2
    return run(plan, drivers, blank_state(plan, 1, volume_l=half)).volume_l[:, :, 0]


def _as_written(site: Site, drivers: Drivers) -> Drivers:
    """The same drivers with the site file's coefficient and draw."""
    coefficient = np.array([roof.runoff_coefficient for roof in site.roof])[:, None]
    return drivers._replace(
        coefficient=np.broadcast_to(coefficient, drivers.coefficient.shape).copy(),
        draw_factor=np.ones_like(drivers.draw_factor),
    )


class _Group:
    """Issues of one day of the year, side by side."""

    def __init__(
        self,
        site: Site,
        plan: Plan,
        record: RainRecord,
        issues: list[Issue],
        usual_l: Floats,
        members: int,
        rng: np.random.Generator,
        beliefs: Beliefs,
    ) -> None:
        self._site, self._plan, self._record, self._rng = site, plan, record, rng
        self._members, self._beliefs = members, beliefs
        self._issues = issues
        hour = [(issue.start_ms - record.start_ms) // HOUR_MS for issue in issues]
        self._begin_l = usual_l[hour].T
        self._feeds = plan.feeds
        self._ends = plan.ends

    def cases(self, ways: Mapping[str, Way]) -> Cases | None:
        """The truth of each issue and what each way says of it; None where the record has no other year."""
        try:
            rain = {name: self._rain_of(way.rain) for name, way in ways.items()}
        except ForecastUnavailable:
            return None
        fell = np.stack([issue.rain_mm for issue in self._issues], axis=1)
        drivers = self._drivers(fell)
        past, trace = self._run(drivers)
        measured_l, sd_l = self._measured(past.volume_l[-1])
        before = self._measured(past.volume_l[-1 - _BEFORE_H])
        metered = self._metered(drivers, past)
        said = {
            name: self._ensemble(
                rain[name], fell, before, (measured_l, sd_l), metered if way.metered else self._beliefs
            )
            for name, way in ways.items()
        }
        mean = next(iter(rain.values())).mean(axis=2)
        wanted = drivers.demand_l[:, :, None] * drivers.draw_factor[drivers.draw_day]
        use_l = wanted[:_PAST_H].sum(axis=(0, 1)) / SPIN_UP_DAYS
        return Cases(
            self._record.name,
            float(self._plan.capacity_l.sum()),
            np.array([issue.now_ms for issue in self._issues]),
            np.array([issue.year for issue in self._issues]),
            self._said(trace, 1),
            # Not by the truth, which would pick the tanks that turned out fuller.
            np.asarray(may_be_empty(measured_l, sd_l, self._plan.dead_l[:, None])[self._feeds].any(axis=0)),
            self._known(measured_l, past, fell, use_l, sd_l, drivers),
            {**said, NAIVE: self._naive(measured_l, use_l), MEAN_RAIN: self._on_mean_rain(mean, fell, measured_l)},
        )

    def _rain_of(self, maker: RainMaker) -> Floats:
        """(H, issues, members)"""
        return np.stack([maker(self._record, issue, self._members, self._rng) for issue in self._issues], axis=1)

    def _drivers(self, rain_mm: Floats, beliefs: Beliefs | None = None) -> Drivers:
        # The newest year's calendar stands for all: weeks and clock changes move by a day or so.
        start_ms = self._issues[-1].start_ms
        return member_drivers(self._site, self._plan, rain_mm, start_ms, self._rng, beliefs or self._beliefs)

    def _run(self, drivers: Drivers, now_l: Floats | None = None, plan: Plan | None = None) -> tuple[Trace, Trace]:
        """The past, and what comes of the state at its end, with `now_l` in the tanks if given."""
        plan = plan or self._plan
        state = self._state(drivers.rain_mm.shape[1], self._begin_l)
        past = run(plan, hours_of(drivers, 0, _PAST_H), state)
        if now_l is not None:
            state.volume_l[:] = now_l
        return past, run(plan, hours_of(drivers, _PAST_H, HOURS), state)

    def _state(self, members: int, volume_l: Floats) -> State:
        charge = self._plan.battery_wh if np.isinf(self._plan.battery_wh) else 0.8 * self._plan.battery_wh
        return blank_state(self._plan, members, volume_l=volume_l, charge_wh=charge)

    def _ensemble(
        self,
        rain_mm: Floats,
        fell_mm: Floats,
        before: tuple[Floats, Floats],
        now: tuple[Floats, Floats],
        beliefs: Beliefs,
    ) -> Said:
        """before, now  measured volumes a day before and at the issue, each with its standard deviation (T, N) [L]"""
        rain_mm[:_PAST_H] = fell_mm[:_PAST_H, :, None]
        drivers = self._drivers(rain_mm.reshape(HOURS, -1), self._for_members(beliefs))
        dead_l = self._plan.dead_l[:, None]
        state = self._state(drivers.rain_mm.shape[1], np.repeat(self._begin_l, self._members, axis=1))
        run(self._plan, hours_of(drivers, 0, _PAST_H - _BEFORE_H), state, hourly=False)
        state.volume_l[:] = self._about(*before)
        run(self._plan, hours_of(drivers, _PAST_H - _BEFORE_H, _PAST_H), state, hourly=False)
        empty = np.repeat(may_be_empty(*now, dead_l), self._members, axis=1)
        state.volume_l[:] = left_dry(self._about(*now), state.volume_l, empty, dead_l)
        return self._said(run(self._plan, hours_of(drivers, _PAST_H, HOURS), state), self._members)

    def _about(self, measured_l: Floats, sd_l: Floats) -> Floats:
        """Volumes of the members about what was measured. (T, N·M) [L]"""
        at_l, spread_l = (np.repeat(values, self._members, axis=1) for values in (measured_l, sd_l))
        return self._held(at_l + spread_l * self._rng.normal(size=at_l.shape))

    def _measured(self, true_l: Floats) -> tuple[Floats, Floats]:
        """Volumes as their levels tell them, and the standard deviation. (T, N) [L]"""
        sd_l = self._level_sd(true_l)
        return self._held(true_l + sd_l * self._rng.normal(size=true_l.shape)), sd_l

    def _for_members(self, beliefs: Beliefs) -> Beliefs:
        """Beliefs of each issue, repeated for its members."""
        wide = [np.repeat(np.broadcast_to(v, (len(v), len(self._issues))), self._members, axis=1) for v in beliefs[:4]]
        return beliefs._replace(coefficient=wide[0], coefficient_sigma=wide[1], use=wide[2], use_sigma=wide[3])

    def _metered(self, drivers: Drivers, past: Trace) -> Beliefs:
        """What the meters of the last whole days add, of draws that have one."""
        day = drivers.draw_day[:_PAST_H]
        whole = range(1, int(day[-1]))
        ran_dry = past.volume_l <= self._plan.dead_l[:, None] + EMPTY_L
        dry = np.stack([ran_dry[day == index].any(axis=0) for index in whole])[:, self._plan.draw_tank]
        wanted = np.stack([drivers.demand_l[:_PAST_H][day == index].sum(axis=0) for index in whole]) > 0
        meters = [any(s.measures.startswith(f"draw.{draw.id}.") for s in self._site.sensor) for draw in self._site.draw]
        counted = ~dry & wanted[:, :, None] & np.array(meters)[:, None]
        return metered_use(self._beliefs, drivers.draw_factor[1 : int(day[-1])], counted)

    def _on_mean_rain(self, mean_mm: Floats, fell_mm: Floats, measured_l: Floats) -> Said:
        """The balance on the season's mean rain and the site file's figures: one number, no chances.

        As on paper: rain times roof times coefficient. Mean rain is a drizzle that never ends, and
        wetting and first flush, hour by hour, would leave nothing of it.
        """
        rain = np.concatenate([fell_mm[:_PAST_H], mean_mm[_PAST_H:]])
        plan = self._plan._replace(
            wetting_loss_mm=np.zeros_like(self._plan.wetting_loss_mm),
            flush_volume_l=np.zeros_like(self._plan.flush_volume_l),
        )
        drivers = _as_written(self._site, self._drivers(rain))
        return self._said(self._run(drivers, measured_l, plan)[1], 1)

    def _naive(self, measured_l: Floats, use_l: Floats) -> Said:
        """What is usable over the mean use of the last days; no rain, no overflow."""
        dead_l = self._plan.dead_l[:, None]
        usable_l = np.maximum(0.0, measured_l - dead_l).sum(axis=0)
        rest_l = (measured_l.sum(axis=0) - usable_l)[:, None]
        volume = rest_l + np.maximum(0.0, usable_l[:, None] - use_l[:, None] * np.array(LEADS_D))
        with np.errstate(divide="ignore", invalid="ignore"):
            days = np.where(use_l > 0, usable_l / use_l, np.inf)
        return Said(volume[:, :, None], days[:, None], np.full((len(days), 1), np.inf))

    def _said(self, trace: Trace, members: int) -> Said:
        ends = np.array(LEADS_D) * 24 - 1
        volume = trace.volume_l[ends].sum(axis=1).reshape(len(LEADS_D), -1, members)
        runs_out = trace.runs_out_h[self._feeds].min(axis=0) / 24
        overflows = trace.overflows_h[self._ends].min(axis=0) / 24
        return Said(np.moveaxis(volume, 0, 1).copy(), runs_out.reshape(-1, members), overflows.reshape(-1, members))

    def _known(
        self, measured_l: Floats, past: Trace, fell_mm: Floats, use_l: Floats, sd_l: Floats, drivers: Drivers
    ) -> Floats:
        """Levels now and before, rain of the last days, use so far and to come, time of year. (N, F)"""
        before = [past.volume_l[_PAST_H - 1 - 24 * lag] for lag in LAGS_D]
        levels = [self._held(volume + sd_l * self._rng.normal(size=sd_l.shape)).sum(axis=0) for volume in before]
        rain = [fell_mm[_PAST_H - 24 * days : _PAST_H].sum(axis=0) for days in (1, 3, 7, 14)]
        season = 2 * np.pi * (self._issues[0].now_ms / DAY_MS % 365.2425) / 365.2425
        to_come = drivers.demand_l[_PAST_H : _PAST_H + 14 * 24].sum() / 14
        same = [np.full(len(use_l), value) for value in (np.sin(season), np.cos(season), to_come)]
        return np.stack([measured_l.sum(axis=0), *levels, *rain, use_l, *same], axis=1)

    def _level_sd(self, volume_l: Floats) -> Floats:
        """Standard deviation of a volume that is read from one level. (T, N) [L]"""
        out = np.empty_like(volume_l)
        for index, storage in enumerate(storages_of(self._site)):
            geometry = storage.geometry
            surfaces = [geometry.surface_m2(float(level)) for level in geometry.level_m(volume_l[index])]
            tanks = [self._site.tank[tank].id for tank in storage.tanks]
            sensors = [sensor for tank in tanks for sensor in self._site.sensors_of(f"tank.{tank}.level")]
            noise_m = next((sensor.noise for sensor in sensors if sensor.noise is not None), LEVEL_NOISE_M)
            out[index] = noise_m * np.array(surfaces) * LITRES_PER_M3
        return out

    def _held(self, volume_l: Floats) -> Floats:
        return np.clip(volume_l, 0.0, self._plan.capacity_l[:, None])
