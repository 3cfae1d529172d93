"""Use that no meter counted: told by the level in dry hours, in others guessed from like hours and weighed. Pure.

In rain the level tells what came less what was drawn, and neither. Of the two one knows a guess each: of use what
such hours take, of what came what the roofs as found bring. Over a spell as a whole the better guess counts for
more: for use in a downpour the days about it, in a drizzle the level.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.account.scene import Scene

Floats = npt.NDArray[np.float64]
Truths = npt.NDArray[np.bool_]

#: Hours of a kind that it takes to say what such an hour takes.
FEWEST_ALIKE: Final = 3
#: What is never known of the use in a single hour, as a share of it. (no source)
HOUR_SHARE: Final = 0.5


class Brought(NamedTuple):
    """What the roofs of a storage brought as found.

    came_l  (H,) [L]; share  of a spell of it, that is not known
    sure    hours in which nothing was wrong with a roof: how much a fault takes is known too poorly (H,)
    """

    came_l: Floats
    share: float
    sure: Truths


class Guess(NamedTuple):
    """Use without a meter by the hour. (H,) each [L]

    use_l      told or guessed; NaN: not known
    guessed_l  as much of it as is known like a guess
    sd_l       standard deviation of a single hour of its kind
    """

    use_l: Floats
    guessed_l: Floats
    sd_l: Floats


def guessed(
    scene: Scene, told_l: Floats, told: Truths, held: Truths, there_l: Floats, while_h: Floats, usual_l: Floats
) -> Guess:
    """What the level lost in hours that tell it; else what such an hour of that month takes while there is water.

    held     hours in which the storage surely held water for whoever wanted it
    there_l  that water; where there was none, what came in the hour (H,)
    while_h  for how much of the hour it was there; usual_l  what is taken by the site file (H,)
    """
    out, sd_l = np.where(told, told_l, np.nan), np.zeros(len(told_l))
    for month in np.unique(scene.month).tolist():
        for hour in range(24):
            inside = (scene.month == month) & (scene.hour == hour)
            if not inside.any():
                continue
            known = inside & held & ~np.isnan(out)
            enough = known.sum() >= FEWEST_ALIKE
            alike = out[known] if enough else usual_l[inside]
            here = inside & ~told
            out[here] = np.where(
                np.isnan(told_l[here]), np.nan, np.minimum(alike.mean() * while_h[here], there_l[here])
            )
            sd_l[here] = max(float(alike.std()) if enough else 0.0, HOUR_SHARE * max(0.0, float(alike.mean())))
    return Guess(out, np.where(told, 0.0, out), sd_l)


def weighed(guess: Guess, left_l: Floats, brought: Brought, may: Truths, ends_l: Floats) -> Guess:
    """The guess beside what came less what stayed, over each run of hours, by the precision of the two.

    left_l  what came by the roofs as found, less what stayed and leaked: use, if the roofs are right (H,)
    may     hours without rest below the brim in which use is guessed (H,)
    ends_l  standard deviation of the volume at the full hours (H + 1,)
    """
    use_l, guessed_l = guess.use_l.copy(), guess.guessed_l.copy()
    known = may & brought.sure & ~np.isnan(use_l) & ~np.isnan(left_l)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(int)))
    for first, end in edges.reshape(-1, 2).tolist():
        here = slice(first, end)
        prior_l, variance_l2 = float(use_l[here].sum()), guess.sd_l[here] ** 2
        prior_sd = float(np.sqrt(variance_l2.sum()))
        if prior_sd <= 0:
            continue
        spell_sd = float(
            np.sqrt(ends_l[first] ** 2 + ends_l[end] ** 2 + (brought.share * brought.came_l[here].sum()) ** 2)
        )
        weight = prior_sd**2 / (prior_sd**2 + spell_sd**2)
        after_l = max(0.0, prior_l + weight * (float(left_l[here].sum()) - prior_l))
        use_l[here] += (after_l - prior_l) * variance_l2 / variance_l2.sum()
        guessed_l[here] *= np.sqrt(1.0 - weight)
    return Guess(use_l, guessed_l, guess.sd_l)
