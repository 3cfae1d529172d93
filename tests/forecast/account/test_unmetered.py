"""Use without a meter, in rain: the days about it and the level each count for what they are worth."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.account.unmetered import Brought, Guess, weighed

HOURS = 10
#: Use is guessed in the hours 2 to 5.
MAY = (np.arange(HOURS) >= 2) & (np.arange(HOURS) < 6)
SURE = np.ones(HOURS, dtype=bool)
GUESS = Guess(np.full(HOURS, 5.0), np.where(MAY, 5.0, 0.0), np.where(MAY, 3.0, 0.0))


def weigh(came_l: float, true_l: float, *, ends_l: float = 1.0, share: float = 0.1, sure: np.ndarray = SURE) -> Guess:
    """With so much that came, and was really drawn, in each hour of the guess."""
    brought = Brought(np.where(MAY, came_l, 0.0), share, sure)
    return weighed(GUESS, np.full(HOURS, true_l), brought, MAY, np.full(HOURS + 1, ends_l))


def test_in_a_drizzle_the_level_tells_what_was_drawn() -> None:
    found = weigh(came_l=1.0, true_l=8.0)
    assert found.use_l[MAY].sum() == pytest.approx(32.0, rel=0.03)
    # It is hardly a guess any more, and the hours that were told are left alone.
    assert found.guessed_l[MAY].sum() < 0.3 * GUESS.guessed_l.sum()
    assert found.use_l[~MAY] == pytest.approx(GUESS.use_l[~MAY])


def test_in_a_downpour_the_days_about_it_tell() -> None:
    found = weigh(came_l=300.0, true_l=30.0)
    assert found.use_l[MAY].sum() == pytest.approx(20.0, rel=0.05)
    assert found.guessed_l.sum() == pytest.approx(GUESS.guessed_l.sum(), rel=0.01)


def test_a_noisy_level_counts_for_less() -> None:
    steady, noisy = (weigh(came_l=1.0, true_l=8.0, ends_l=sd_l).use_l.sum() for sd_l in (1.0, 30.0))
    assert GUESS.use_l.sum() < noisy < GUESS.use_l.sum() + 0.1 * (steady - GUESS.use_l.sum())


def test_while_something_is_wrong_with_a_roof_the_guess_stays() -> None:
    assert weigh(came_l=1.0, true_l=8.0, sure=~MAY).use_l == pytest.approx(GUESS.use_l)


def test_nobody_pours_water_back() -> None:
    assert weigh(came_l=1.0, true_l=-8.0).use_l[MAY].sum() == pytest.approx(0.0)
