"""What telemetry teaches: runoff of the roofs, use by hour, weekday and month, leaks. Pure.

Every estimate starts from the site file's figure with its usual spread and moves as far as the
data carry it: with few of them it stays there, and says so.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares
from sklearn.linear_model import HuberRegressor

from forecast.learned import Leak, Runoff, Use, weekdays
from forecast.members import COEFFICIENT_SIGMA, metered_use, site_beliefs
from forecast.model.draw import Integers, demand_l, local_hours
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
#: Of what a spell of rain brings, so much is weather that its hours do not show: the usual scatter of large
#: ones. (from the simulator's clean sites)
EVENT_SHARE: Final = 0.08
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


def prior_runoff(roof: Roof) -> Runoff:
    """The site file's figures, with their usual spread."""
    coefficient = roof.runoff_coefficient
    return Runoff(coefficient, COEFFICIENT_SIGMA * coefficient, roof.wetting_loss_mm, LOSS_SD_MM, events=0)


def hinge(rain_mm: Floats) -> Predicted:
    """Runoff of events by their rain alone: C · max(0, P − w). (N,) [mm]"""
    return lambda coefficient, loss_mm: coefficient * np.maximum(0.0, rain_mm - loss_mm)


def robust_fit(
    predicted: Predicted, runoff_mm: Floats, first: tuple[float, float], event_share: float = EVENT_SHARE
) -> tuple[Floats, Floats]:
    """Coefficient and loss by Cauchy's loss, and their covariance. (2,), (2, 2)

    Small events lie on the foot of the hinge and large ones on its slope, so both count; an event
    that went wrong (a gutter over its side, a draw nobody metered) is doubted, not followed. The
    scale is the misses' own, by their median. Most events are small, and their misses too: so the
    covariance is that of misses that grow with the event (a sandwich, Huber 1967, from memory).
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
    bread = np.linalg.inv((steep * believed[:, None]).T @ steep + 1e-6 * scale_mm**2 * np.eye(2))
    variance = scale_mm**2 + (event_share * (misses(line) + runoff_mm)) ** 2
    return line, bread @ (
        (steep * (believed**2 * variance)[:, None]).T @ steep + 1e-6 * scale_mm**4 * np.eye(2)
    ) @ bread


def fit_runoff(predicted: Predicted, runoff_mm: Floats, prior: Runoff, event_share: float = EVENT_SHARE) -> Runoff:
    """Prior and robust fit by their precision; with few events the prior.

    predicted    runoff of the events at a coefficient and a loss; runoff_mm  litres over m² that came (N,) [mm]
    event_share  of what an event brings, unknown from its hours
    """
    if len(runoff_mm) < FEWEST_EVENTS:
        return prior
    line, covariance = robust_fit(predicted, runoff_mm, (prior.coefficient, prior.loss_mm), event_share)
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
