"""What a tank loses beyond its meters: a leak, or a meter that counts wrong. Pure.

In dry weather the level falls by what is drawn and what leaks. A leak runs by the hour, a meter's
error by the litre: stretches of night, when nobody draws, and of day part the two. Where use never
rests they look alike, and the account says so.
"""

from __future__ import annotations

import itertools
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from forecast.learn import CAUCHY_SCALE

Floats = npt.NDArray[np.float64]
Truths = npt.NDArray[np.bool_]
Integers = npt.NDArray[np.int64]

#: Stretches that it takes to say anything.
FEWEST: Final = 12
#: A stretch shorter than this says little. [h]
SHORTEST_H: Final = 3
#: Local hours between which nobody is up, where the draws' own hours do not say. [h]
NIGHT: Final = (0, 5)
#: A meter within this share is as good as meters are. (common practice, no source)
METER_SHARE: Final = 0.03


class Loss(NamedTuple):
    """A tank's loss in dry weather.

    leak_l_h, leak_sd_l_h  lost by the hour
    gain, gain_sd          litres that the level fell for each metered litre; 1: the meter is right, or there is none
    stretches              from which it was told
    confounded             use never rested, or was not metered by night: a leak and a meter's error look alike
    """

    leak_l_h: float
    leak_sd_l_h: float
    gain: float
    gain_sd: float
    stretches: int
    confounded: bool

    @property
    def leaks(self) -> bool:
        return self.leak_l_h > 2.5 * self.leak_sd_l_h

    @property
    def meter_errs(self) -> bool:
        return abs(self.gain - 1) > max(METER_SHARE, 2.5 * self.gain_sd)


class Stretches(NamedTuple):
    """Dry stretches, each all by day or all by night: what the level fell, what was metered, how long. (N,) each"""

    fall_l: Floats
    metered_l: Floats
    hours: Floats
    night: Truths


def dry_stretches(volume_l: Floats, metered_l: Floats, dry: Truths, night: Truths) -> Stretches:
    """Runs of dry hours cut where night begins and ends.

    volume_l  at the full hours (H + 1,); metered_l, dry, night  of the hours (H,)
    """
    usable = dry & ~np.isnan(volume_l[:-1]) & ~np.isnan(volume_l[1:]) & ~np.isnan(metered_l)
    change = np.flatnonzero((np.diff(usable.astype(int)) != 0) | (np.diff(night.astype(int)) != 0)) + 1
    edges = np.concatenate([[0], change, [len(usable)]])
    pairs = [(a, b) for a, b in itertools.pairwise(edges.tolist()) if usable[a] and b - a >= SHORTEST_H]
    if not pairs:
        return Stretches(np.empty(0), np.empty(0), np.empty(0), np.empty(0, dtype=bool))
    first, end = np.array(pairs).T
    counted = np.concatenate([[0.0], np.cumsum(np.nan_to_num(metered_l))])
    return Stretches(
        volume_l[first] - volume_l[end], counted[end] - counted[first], (end - first).astype(float), night[first]
    )


def loss_of(dry: Stretches, noise_l: float, *, metered: bool, rests: bool) -> Loss | None:
    """Leak and the meters' error from dry stretches. None: too few.

    noise_l  standard deviation of one volume [L]
    metered  whether every draw of the tank has a meter
    rests    whether there are hours in which nobody draws
    """
    if not metered:
        dry = Stretches(dry.fall_l[dry.night], dry.metered_l[dry.night], dry.hours[dry.night], dry.night[dry.night])
        if not rests:
            return None
    if len(dry.hours) < FEWEST:
        return None
    if not metered or dry.metered_l.max(initial=0.0) <= 0:
        line, covariance = _robust(dry.hours[:, None], dry.fall_l, noise_l)
        return Loss(float(line[0]), float(np.sqrt(covariance[0, 0])), 1.0, np.inf, len(dry.hours), confounded=False)
    line, covariance = _robust(np.stack([dry.hours, dry.metered_l], axis=1), dry.fall_l, noise_l)
    sd = np.sqrt(np.diag(covariance))
    alike = abs(covariance[0, 1]) > 0.95 * sd[0] * sd[1]
    return Loss(float(line[0]), float(sd[0]), float(line[1]), float(sd[1]), len(dry.hours), confounded=bool(alike))


def _robust(columns: Floats, fall_l: Floats, noise_l: float) -> tuple[Floats, Floats]:
    """A line through the origin by Cauchy's loss, and its covariance: a stretch with an unseen draw is doubted."""
    scale = max(1e-6, noise_l * np.sqrt(2))
    first: Floats = np.asarray(np.linalg.lstsq(columns, fall_l, rcond=None)[0], dtype=np.float64)
    for _ in range(3):
        fit = least_squares(lambda line: columns @ line - fall_l, first, loss="cauchy", f_scale=CAUCHY_SCALE * scale)
        first = fit.x
        scale = max(0.3 * noise_l, 1e-6, 1.4826 * float(np.median(np.abs(columns @ first - fall_l))))
    believed = 1 / (1 + ((columns @ first - fall_l) / (CAUCHY_SCALE * scale)) ** 2)
    information = (columns * believed[:, None]).T @ columns / scale**2
    return first, np.linalg.inv(information + 1e-12 * np.eye(len(first)))
