"""What telemetry teaches: runoff of the roofs, use by hour, weekday and month, leaks. Pure.

Every estimate starts from the site file's figure with its usual spread and moves as far as the
data carry it: with few of them it stays there, and says so.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares
from sklearn.linear_model import HuberRegressor

from forecast.members import COEFFICIENT_SIGMA, Beliefs, metered_use, site_beliefs
from forecast.model.draw import Integers, demand_l, local_hours
from forecast.model.plan import Plan
from ingest.instants import to_datetime
from ingest.saying import Saying
from ingest.site import Roof, Site

Floats = npt.NDArray[np.float64]

#: Fewer events of rain, days of use, or nights than these teach nothing.
FEWEST_EVENTS: Final = 4
FEWEST_DAYS: Final = 7
FEWEST_NIGHTS: Final = 10
#: Spread of a roof's wetting loss about the site file's. [mm] (common practice, no source)
LOSS_SD_MM: Final = 0.3
#: What hourly means and a roof that wets all at once get wrong, however many events there are: a share
#: of the coefficient, and of the loss [mm]. From the simulator's physics; see tests/forecast/test_telemetry.py.
MODEL_SD: Final = 0.03
MODEL_LOSS_SD_MM: Final = 0.2
#: Where Cauchy's loss begins to doubt: 95 % as good as least squares where errors are normal (Holland and
#: Welsch 1977, from memory). [standard deviations]
CAUCHY_SCALE: Final = 2.385
#: Days that the site file's hours, weekdays and months weigh against those seen. The first is
#: common practice; the others are the ratio of variances, 0.3² a day against 0.15² a weekday and
#: 0.1² a month (no source).
HOURS_WEIGH_D: Final = 7.0
WEEKDAYS_WEIGH_D: Final = 4.0
MONTHS_WEIGH_D: Final = 9.0


#: Runoff of events [mm] at a coefficient and a loss [mm]. (N,)
Predicted = Callable[[float, float], Floats]


class Runoff(NamedTuple):
    """A roof's coefficient and wetting loss [mm] after `events` events, and their sd."""

    coefficient: float
    coefficient_sd: float
    loss_mm: float
    loss_sd_mm: float
    events: int


class Use(NamedTuple):
    """Use over the site file's demand: median and lognormal sigma, and how it lies over time. D days counted.

    by_hour     share of the day in each local hour; (24,), sums to 1
    by_weekday  (7,) Monday first, and by_month (12,): factors about 1
    """

    use: float
    sigma: float
    by_hour: Floats
    by_weekday: Floats
    by_month: Floats
    days: int


class Leak(NamedTuple):
    """What leaves a tank at night while its meters stand still. [L/h]

    fall_over_meters  litres that the level lost by day for each litre metered; 1 where meters are right.
                      None: use was too even, or too little, to tell it from a leak.
    """

    l_h: float
    sd_l_h: float
    nights: int
    fall_over_meters: float | None


@dataclass(frozen=True)
class Learned:
    """What is known of a site beyond its file: roofs, draws and tanks by id; absent: nothing learnt.

    notes  what was learnt and what not, as sentences for the forecast's `unknown`
    """

    roofs: dict[str, Runoff] = field(default_factory=dict)
    draws: dict[str, Use] = field(default_factory=dict)
    leaks: dict[str, Leak] = field(default_factory=dict)
    notes: tuple[Saying, ...] = ()

    def beliefs(self, site: Site) -> Beliefs:
        """What the members' coefficients and use are drawn from."""
        base = site_beliefs(site)
        for index, roof in enumerate(site.roof):
            if (runoff := self.roofs.get(roof.id)) is not None:
                sigma = runoff.coefficient_sd / runoff.coefficient
                base.coefficient[index] = runoff.coefficient * np.exp(-(sigma**2) / 2)
                base.coefficient_sigma[index] = sigma
        for index, draw in enumerate(site.draw):
            if (use := self.draws.get(draw.id)) is not None:
                base.use[index], base.use_sigma[index] = use.use, use.sigma
        return base

    def plan(self, site: Site, plan: Plan) -> Plan:
        """The same plan with the wetting losses that were learnt."""
        losses = [self.roofs[roof.id].loss_mm if roof.id in self.roofs else roof.wetting_loss_mm for roof in site.roof]
        return plan._replace(wetting_loss_mm=np.array(losses, dtype=np.float64))

    def demand_l(self, site: Site, start_ms: int, hours: int) -> tuple[Floats, Integers]:
        """As `draw.demand_l`, laid over hours, weekdays and months as it was seen to lie. (hours, D), (hours,)"""
        wanted, day = demand_l(site, start_ms, hours)
        hour, month, _ = local_hours(site, start_ms, hours)
        weekday = weekdays(site, start_ms, day)
        for index, draw in enumerate(site.draw):
            if (use := self.draws.get(draw.id)) is not None:
                used = np.isin(month, draw.months) if draw.months is not None else np.ones(hours, dtype=bool)
                shape = use.by_hour[hour] * use.by_weekday[weekday] * use.by_month[month - 1]
                wanted[:, index] = used * draw.litres_per_day * shape
        return wanted, day

    def leak_l_h(self, site: Site, plan: Plan, members: int, rng: np.random.Generator) -> Floats:
        """Leak of each tank and member, never below zero; none where none stands out of its own error. (T, M)"""
        leak = np.zeros((len(plan.dead_l), members))
        for index, tank in enumerate(site.tank):
            if (found := self.leaks.get(tank.id)) is not None and found.l_h > 2 * found.sd_l_h:
                leak[plan.tank_storage[index]] += np.maximum(0.0, rng.normal(found.l_h, found.sd_l_h, members))
        return leak


def weekdays(site: Site, start_ms: int, day: Integers) -> Integers:
    """Local weekday, Monday 0, of hours whose local day is numbered from the first. (hours,)"""
    first = to_datetime(start_ms).astimezone(site.zone).weekday()
    return np.asarray((first + day) % 7)


def prior_runoff(roof: Roof) -> Runoff:
    """The site file's figures, with their usual spread."""
    coefficient = roof.runoff_coefficient
    return Runoff(coefficient, COEFFICIENT_SIGMA * coefficient, roof.wetting_loss_mm, LOSS_SD_MM, events=0)


def hinge(rain_mm: Floats) -> Predicted:
    """Runoff of events by their rain alone: C · max(0, P − w). (N,) [mm]"""
    return lambda coefficient, loss_mm: coefficient * np.maximum(0.0, rain_mm - loss_mm)


def robust_fit(predicted: Predicted, runoff_mm: Floats, first: tuple[float, float]) -> tuple[Floats, Floats]:
    """Coefficient and loss by Cauchy's loss, and their covariance. (2,), (2, 2)

    Small events lie on the foot of the hinge and large ones on its slope, so both count; an event
    that went wrong (a gutter over its side, a draw nobody metered) is doubted, not followed. The
    scale is the misses' own, by their median.
    """

    def misses(line: Floats) -> Floats:
        return np.asarray(predicted(float(line[0]), float(line[1])) - runoff_mm)

    # Normal sd from the median of the misses, with Rousseeuw and Leroy's correction for few (1987, from memory).
    few = 1.4826 * (1 + 5 / max(1, len(runoff_mm) - 2))
    line, scale_mm = np.array(first), 1.0
    for _ in range(3):
        fit = least_squares(
            misses, line, loss="cauchy", f_scale=CAUCHY_SCALE * scale_mm, bounds=([0.05, 0.0], [1.2, 15.0])
        )
        line = fit.x
        scale_mm = max(0.02, few * float(np.median(np.abs(misses(line)))))
    steps = np.diag([0.01, 0.02])
    steep = np.stack([(misses(line + step) - misses(line - step)) / (2 * step.sum()) for step in steps], axis=1)
    believed = 1 / (1 + (misses(line) / (CAUCHY_SCALE * scale_mm)) ** 2)
    information = (steep * believed[:, None]).T @ steep / scale_mm**2
    return line, np.linalg.inv(information + 1e-6 * np.eye(2))


def fit_runoff(predicted: Predicted, runoff_mm: Floats, prior: Runoff) -> Runoff:
    """Prior and robust fit by their precision; with few events the prior.

    predicted  runoff of the events at a coefficient and a loss; runoff_mm  litres over m² that came (N,) [mm]
    """
    if len(runoff_mm) < FEWEST_EVENTS:
        return prior
    line, covariance = robust_fit(predicted, runoff_mm, (prior.coefficient, prior.loss_mm))
    before = np.diag([prior.coefficient_sd**-2, prior.loss_sd_mm**-2])
    seen = np.linalg.inv(covariance + np.diag([(MODEL_SD * line[0]) ** 2, MODEL_LOSS_SD_MM**2]))
    after = np.linalg.inv(before + seen)
    coefficient, loss_mm = after @ (before @ np.array([prior.coefficient, prior.loss_mm]) + seen @ line)
    sd = np.sqrt(np.diag(after))
    return Runoff(min(1.0, float(coefficient)), float(sd[0]), max(0.0, float(loss_mm)), float(sd[1]), len(runoff_mm))


def fit_use(site: Site, draw: int, metered_l: Floats, start_ms: int, enough: npt.NDArray[np.bool_]) -> Use | None:
    """Use of a draw from its meter. None where too few whole days were metered.

    metered_l  by hour from `start_ms` on; NaN where not metered (H,) [L]
    enough     hours in which there was water for whoever wanted it (H,)
    """
    hours = len(metered_l)
    wanted, day = demand_l(site, start_ms, hours)
    hour, month, _ = local_hours(site, start_ms, hours)
    weekday = weekdays(site, start_ms, day)
    days = int(day[-1]) + 1
    count, unknown, lacking = np.bincount(day), np.zeros(days), np.zeros(days)
    np.add.at(unknown, day, np.isnan(metered_l))
    np.add.at(lacking, day, ~enough)
    used, want = np.zeros(days), np.zeros(days)
    np.add.at(used, day, np.nan_to_num(metered_l))
    np.add.at(want, day, wanted[:, draw])
    counted = (count >= 23) & (unknown == 0) & (lacking == 0) & (want > 0)
    if counted.sum() < FEWEST_DAYS:
        return None
    first = np.searchsorted(day, np.arange(days))
    ratio = np.where(counted, used / np.maximum(want, 1e-9), 0.0)
    base = site_beliefs(site)
    one = base._replace(use=base.use[draw : draw + 1], use_sigma=base.use_sigma[draw : draw + 1])
    after = metered_use(one, ratio[:, None, None], counted[:, None, None])
    inside = counted[day]
    usual, seen = np.zeros(24), np.zeros(24)
    np.add.at(usual, hour[inside], wanted[inside, draw])
    np.add.at(seen, hour[inside], metered_l[inside])
    n = int(counted.sum())
    by_hour = HOURS_WEIGH_D * usual / usual.sum() + n * seen / max(seen.sum(), 1e-9)
    mean = ratio[counted].mean()
    return Use(
        float(after.use[0, 0]),
        float(after.use_sigma[0, 0]),
        by_hour / by_hour.sum(),
        _factors(ratio[counted] / max(mean, 1e-9), weekday[first][counted], 7, WEEKDAYS_WEIGH_D),
        _factors(ratio[counted] / max(mean, 1e-9), month[first][counted] - 1, 12, MONTHS_WEIGH_D),
        n,
    )


def _factors(ratio: Floats, kind: Integers, kinds: int, weigh_d: float) -> Floats:
    """Mean ratio of each kind of day, drawn towards 1 by `weigh_d` days. (kinds,)"""
    days = np.bincount(kind, minlength=kinds)
    return np.asarray((weigh_d + np.bincount(kind, ratio, minlength=kinds)) / (weigh_d + days))


def fit_leak(night_fall_l_h: Floats, day_fall_l: Floats, day_metered_l: Floats) -> Leak | None:
    """Leak from nights whose meters stood still, and whether meters and level agree by day. None: too few nights.

    night_fall_l_h  what the level lost in an hour of each night without rain or metered use (N,) [L/h]
    day_fall_l, day_metered_l  of each whole day without rain (D,) [L]

    Over whole days a leak and a meter that counts too little look alike wherever use is even: both
    lose what no meter counts. Only days of different use part them (intercept and slope of a
    Huber line); the night parts them too, unless what runs at night is too small for its meter.
    """
    if len(night_fall_l_h) < FEWEST_NIGHTS:
        return None
    leak = float(np.median(night_fall_l_h))
    sd = 1.2533 * 1.4826 * float(np.median(np.abs(night_fall_l_h - leak)) / np.sqrt(len(night_fall_l_h)))
    slope = None
    if len(day_fall_l) >= FEWEST_NIGHTS and day_metered_l.std() > 0.15 * day_metered_l.mean() > 0:
        scale = day_metered_l.mean()
        line = HuberRegressor(alpha=0.0, max_iter=500).fit(day_metered_l[:, None] / scale, day_fall_l / scale)
        slope = float(line.coef_[0])
    return Leak(max(0.0, leak), sd, len(night_fall_l_h), slope)


def events_of(rain_mm: Floats, apart_h: int = 6, drain_h: int = 2) -> list[tuple[int, int]]:
    """Spells of rain, first hour and end, with `drain_h` for the roof to run off; hours apart end a spell.

    An hour of unknown rain ends the spell that it touches, and that spell is left out. (common practice, no source)
    """
    wet = np.flatnonzero(~(rain_mm == 0.0))
    if not len(wet):
        return []
    spells = np.split(wet, np.flatnonzero(np.diff(wet) > apart_h) + 1)
    whole = [(int(spell[0]), int(spell[-1]) + 1 + drain_h) for spell in spells if not np.isnan(rain_mm[spell]).any()]
    return [(first, end) for first, end in whole if first > 0 and end < len(rain_mm)]
