"""What runs over: noise alone makes no water, quiet ends tell the volumes, doubt widens the band."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.account.brim import ran_over
from forecast.account.roofs import Spells
from forecast.account.spells import Told
from forecast.account.tanks import TankFound, volume_of
from forecast.learned import Floats
from forecast.model.geometry import geometry_of
from ingest.site import Site

HOURS = 4_000
CAPACITY_L = 1_000.0
NOISE_L = 10.0


def tank(volume_l: Floats, still: np.ndarray) -> TankFound:
    """A storage of which only volumes matter."""
    none, noise_l = np.zeros(HOURS), NOISE_L
    return TankFound(
        ("t",), volume_l, noise_l, still, 1.0, none > 0, none, none, none, none, none, None, None, ()
    )  # fmt: skip


def filled(came_l: Floats, use_l: Floats) -> tuple[Floats, Floats]:
    """True volumes at the full hours, and what ran over in each hour."""
    volume_l, over_l = np.full(HOURS + 1, 900.0), np.zeros(HOURS)
    for hour in range(HOURS):
        there_l = volume_l[hour] + came_l[hour] - use_l[hour]
        over_l[hour] = max(0.0, there_l - CAPACITY_L)
        volume_l[hour + 1] = max(0.0, there_l - over_l[hour])
    return volume_l, over_l


def ran(came_l: Floats, *, seed: int, metered: bool = True, spell_share: float = 0.0) -> tuple[float, float, float]:
    """What was found to run over, its standard deviation, and the truth. [L] each"""
    rng = np.random.default_rng(seed)
    use_l = np.full(HOURS, 4.0)
    volume_l, over_l = filled(came_l, use_l)
    wet = np.convolve(came_l > 0, np.ones(3))[:HOURS] > 0
    still = np.append(~wet, True)
    seen_l = volume_l + np.where(still, 1.0, NOISE_L) * rng.normal(size=HOURS + 1)
    may = (seen_l[:-1] > CAPACITY_L - 4 * NOISE_L) | (seen_l[1:] > CAPACITY_L - 4 * NOISE_L)
    roofs_l = came_l * rng.normal(1.0, spell_share, HOURS) if spell_share else came_l
    found = ran_over(
        tank(seen_l, still), roofs_l, np.diff(seen_l) + use_l, may, np.ones(HOURS, dtype=bool), spell_share,
        metered=metered,
    )  # fmt: skip
    return float(found.over_l.sum()), float(np.sqrt(found.variance_l2.sum())), float(over_l.sum())


def rain(each_l: float, every_h: int) -> Floats:
    """So much in one hour out of so many."""
    return np.where(np.arange(HOURS) % every_h == every_h // 2, each_l, 0.0)


def test_with_a_meter_the_water_that_ran_over_is_found() -> None:
    for seed in range(5):
        found_l, sd_l, truth_l = ran(rain(300.0, 50), seed=seed)
        assert truth_l > 5_000
        assert found_l == pytest.approx(truth_l, rel=0.01)
        assert abs(found_l - truth_l) < 3 * sd_l


def test_with_a_meter_a_spell_begins_in_quiet_water_however_long_it_rained_before() -> None:
    hour = np.arange(HOURS) % 80
    came_l = np.where((hour >= 20) & (hour < 32), 8.0, np.where(hour == 32, 400.0, 0.0))
    off_l = [found_l - truth_l for found_l, _, truth_l in (ran(came_l, seed=seed) for seed in range(6))]
    # Fifty levels in rain would leave some 70 L.
    assert np.sqrt(np.mean(np.square(off_l))) < 35.0


def test_a_tank_that_is_filled_and_does_not_run_over_loses_nothing() -> None:
    # Each rain brings just what was drawn since the last: the tank comes within its noise of the brim and no higher.
    excess = [ran(rain(4.0 * 50 - 1.0, 50), seed=seed) for seed in range(8)]
    assert all(truth_l == 0.0 for _, _, truth_l in excess)
    # Counting what noise lifts over the brim and dropping what it pushes below would find hundreds of litres.
    assert np.mean([found_l for found_l, _, _ in excess]) < 15.0


def test_without_a_meter_the_band_holds_what_single_spells_do_not_tell() -> None:
    held = 0
    for seed in range(20):
        found_l, sd_l, truth_l = ran(rain(300.0, 60), seed=seed, metered=False, spell_share=0.1)
        assert sd_l > 0.02 * truth_l
        held += abs(found_l - truth_l) < 2 * sd_l
    assert held >= 18


def test_a_full_tank_still_shows_whether_anything_came() -> None:
    first, end, capped = np.array([0, 10]), np.array([5, 15]), np.array([False, True])
    seen = Told(
        Spells(first, end, np.zeros(2), np.ones(2), capped), np.full(16, 990.0), np.full(15, 4.0), capacity_l=1_000.0
    )
    inflow_l = np.zeros(15)
    assert seen.seen_of(inflow_l) == pytest.approx([0.0, 0.0])
    inflow_l[[2, 12]] = 100.0
    # Of the second spell what the room and the use within it let stay: 10 L and 12 L before the rain's hour is over.
    assert seen.seen_of(inflow_l) == pytest.approx([100.0, 22.0])


def test_a_reading_above_the_brim_is_not_cut_off(skerrow_head: Site) -> None:
    geometry = geometry_of(skerrow_head.tank[0])
    brim_m = float(geometry.levels_m[-1])
    level_m = brim_m + np.array([-0.01, 0.0, 0.01, np.nan])
    volume_l = volume_of(geometry, level_m)
    assert volume_l[2] - volume_l[1] == pytest.approx(volume_l[1] - volume_l[0], rel=0.01)
    assert np.isnan(volume_l[3])
    # Noise about the brim then has no bias.
    noisy_m = brim_m + np.random.default_rng(1).normal(0, 0.004, 20_000)
    assert volume_of(geometry, noisy_m).mean() == pytest.approx(geometry.capacity_l, rel=2e-4)
