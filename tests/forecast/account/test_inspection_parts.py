"""Level sensors, leaks and roofs, each by itself on figures made by hand."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from forecast.account.catchment import Way
from forecast.account.levels import at_the_brim, at_the_outlet, sensor_error
from forecast.account.losses import dry_stretches, loss_of
from forecast.account.measured import bridged
from forecast.account.named import netted
from forecast.account.result import Part
from forecast.account.roofs import AsFound, Expected, Spells, as_found
from forecast.account.tanks import steadied
from forecast.learned import Floats, Runoff

Truths = npt.NDArray[np.bool_]

PRIOR = Runoff(0.85, 0.07, 0.4, 0.3, 0)
AREA_M2 = 100.0
HOURS = 365 * 24


def test_short_gaps_are_bridged_and_long_ones_stay() -> None:
    levels = np.array([np.nan, 1.0, np.nan, np.nan, 4.0, *[np.nan] * 6, 5.0])
    out = bridged(levels, longest_h=3)
    assert out[1:5] == pytest.approx([1.0, 2.0, 3.0, 4.0])
    assert np.isnan(out[0])
    assert np.isnan(out[5:11]).all()


def test_volumes_are_steadied_in_quiet_hours_only() -> None:
    truth = np.array([100.0, 98.0, 96.0, 196.0, 194.0, 192.0])
    noisy = truth + np.array([5.0, -5.0, 5.0, -5.0, 5.0, -5.0])
    means = (truth[:-1] + truth[1:]) / 2
    quiet = np.array([True, True, False, True, True])
    assert steadied(noisy, means, np.full(5, 1.0), quiet) == pytest.approx(truth)
    assert steadied(noisy, means, np.full(5, 1.0), np.zeros(5, dtype=bool)) == pytest.approx(noisy)
    noisy[1] = np.nan
    assert np.isnan(steadied(noisy, means, np.full(5, 1.0), quiet)[1])


def test_a_level_sensor_shows_its_error_at_the_brim() -> None:
    rng = np.random.default_rng(1)
    hours = np.arange(HOURS)
    level = 1.2 + 0.25 * np.sin(2 * np.pi * hours / 400)
    rise = np.where(hours % 5 == 0, 0.03, 0.0)
    level = np.minimum(level, 1.4)
    drift = 0.03 * hours / HOURS
    shown = np.append(level, level[-1]) + np.append(drift, drift[-1]) + rng.normal(0, 0.002, HOURS + 1)
    found = sensor_error([at_the_brim(shown, 1.4, rise)])
    assert found is not None
    assert found.stands_out
    assert found.change_m == pytest.approx(0.028, abs=0.004)
    assert np.abs(found.corrected(shown)[:-1] - level).max() < 0.012
    steady = np.append(level, level[-1]) + rng.normal(0, 0.002, HOURS + 1)
    still = sensor_error([at_the_brim(steady, 1.4, rise)])
    assert still is not None
    assert not still.stands_out
    assert sensor_error([at_the_brim(shown, 1.4, np.zeros(HOURS))]) is None


def test_a_level_sensor_shows_its_error_at_the_outlet() -> None:
    rng = np.random.default_rng(5)
    hours = np.arange(60 * 24)
    in_use = (hours % 24 >= 6) & (hours % 24 < 22)
    # Twenty days full enough, forty used up to the outlet at 0.1 m.
    level = np.where(hours < 480, 0.8 - 0.7 * np.cumsum(in_use) / 320, 0.1)
    shown = level + 0.025 + rng.normal(0, 0.001, len(hours))
    found = sensor_error([at_the_outlet(shown, 0.1, in_use)])
    assert found is not None
    assert found.error_m[-1] == pytest.approx(0.025, abs=0.002)
    assert found.stands_out
    # At night nobody asks for water, so a level that stands still says nothing.
    assert len(at_the_outlet(shown, 0.1, ~in_use).at_h) == 0


def lost(leak_l_h: float, gain: float, rng: np.random.Generator) -> tuple[Floats, Floats, Truths]:
    """A dry month: volume, what its meter counted, and night."""
    hours = np.arange(30 * 24)
    night = hours % 24 < 6
    metered: Floats = np.where(night, 0.0, rng.gamma(2.0, 4.0, len(hours)))
    volume = 20_000 - np.concatenate([[0.0], np.cumsum(leak_l_h + gain * metered)])
    return volume + rng.normal(0, 3.0, len(volume)), metered, night


@pytest.mark.parametrize(("leak_l_h", "gain"), [(2.0, 1.0), (0.0, 1.15), (1.0, 0.9), (0.0, 1.0)])
def test_night_and_day_part_a_leak_from_a_meter_that_errs(leak_l_h: float, gain: float) -> None:
    volume, metered, night = lost(leak_l_h, gain, np.random.default_rng(2))
    found = loss_of(
        dry_stretches(volume, metered, np.ones(len(metered), dtype=bool), night), 3.0, metered=True, rests=True
    )
    assert found is not None
    assert found.leak_l_h == pytest.approx(leak_l_h, abs=0.2)
    assert found.gain == pytest.approx(gain, abs=0.02)
    assert found.leaks == (leak_l_h > 0)
    assert found.meter_errs == (gain != 1.0)


def test_without_a_meter_only_rest_tells_a_leak() -> None:
    volume, metered, night = lost(2.0, 1.0, np.random.default_rng(3))
    dry = np.ones(len(metered), dtype=bool)
    stretches = dry_stretches(volume, np.zeros(len(metered)), dry, night)
    found = loss_of(stretches, 3.0, metered=False, rests=True)
    assert found is not None
    assert found.leak_l_h == pytest.approx(2.0, abs=0.2)
    assert loss_of(stretches, 3.0, metered=False, rests=False) is None


def spells(
    way_of: dict[range, Way] | None = None, coefficient: float = 0.85, count: int = 120
) -> tuple[Spells, Floats]:
    """Spells of a year, brought by a known way; some by another."""
    rng = np.random.default_rng(4)
    first = np.sort(rng.choice(np.arange(0, HOURS - 30, 30), count, replace=False))
    rain_mm = rng.gamma(0.8, 9.0, count) + 0.3
    came = expected(rain_mm)(Way(coefficient, 0.4))
    for places, way in (way_of or {}).items():
        came[list(places)] = expected(rain_mm)(way)[list(places)]
    came = np.maximum(0.0, came * rng.normal(1.0, 0.04, count) + rng.normal(0, 3.0, count))
    return Spells(first, first + 8, came, np.full(count, 5.0), np.zeros(count, dtype=bool)), rain_mm


def expected(rain_mm: Floats) -> Expected:
    """What spells of four hours bring."""

    def brought(way: Way) -> Floats:
        runoff_l = (way.coefficient or 0.85) * np.maximum(0.0, rain_mm - (way.loss_mm or 0.4)) * AREA_M2
        past_gutter = np.minimum(runoff_l, way.gutter_share * 20_000)
        return np.asarray(np.maximum(0.0, past_gutter - 40.0 - 4 * way.wasted_l_h))

    return brought


def found_of(seen: Spells, rain_mm: Floats) -> AsFound:
    return as_found(seen, expected(rain_mm), PRIOR, AREA_M2, HOURS)


def test_a_sound_roof_is_found_sound() -> None:
    found = found_of(*spells())
    assert found.runoff.coefficient == pytest.approx(0.85, abs=0.02)
    assert found.runoff.loss_mm == pytest.approx(0.4, abs=0.2)
    assert found.faults == ()
    assert found.trend_year is not None
    assert abs(found.trend_year) < 3 * (found.trend_sd or 0)


@pytest.mark.parametrize(("count", "off", "loss_off_mm"), [(30, 0.05, 0.3), (100, 0.03, 0.2)])
def test_coefficient_and_loss_are_near_after_so_many_spells(count: int, off: float, loss_off_mm: float) -> None:
    runoff = found_of(*spells(coefficient=0.78, count=count)).runoff
    assert runoff.coefficient == pytest.approx(0.78, abs=off)
    assert runoff.loss_mm == pytest.approx(0.4, abs=loss_off_mm)


def test_a_roof_that_lost_a_fifth_is_learnt_and_is_no_fault() -> None:
    found = found_of(*spells(coefficient=0.68))
    assert found.runoff.coefficient == pytest.approx(0.68, abs=0.02)
    assert found.faults == ()


@pytest.mark.parametrize(
    ("kind", "way", "places"),
    [
        ("gutter", Way(0.85, 0.4, gutter_share=0.0), range(50, 58)),
        ("first-flush", Way(0.85, 0.4, wasted_l_h=150.0), range(40, 120)),
        ("coefficient", Way(0.51, 0.4), range(60, 100)),
    ],
)
def test_weeks_in_which_something_was_wrong_are_found(kind: str, way: Way, places: range) -> None:
    seen, rain_mm = spells({places: way})
    found = found_of(seen, rain_mm)
    assert [fault.kind for fault in found.faults] == [kind]
    fault = found.faults[0]
    inside = (seen.first_h >= fault.first_h) & (seen.first_h < fault.end_h)
    assert set(np.flatnonzero(inside)) >= set(places[2:-2])
    assert inside.sum() <= len(places) + 4
    # What was wrong for a while is not what the roof is.
    assert found.runoff.coefficient == pytest.approx(0.85, abs=0.04)


def test_rain_beyond_the_design_that_ran_over_is_no_cause() -> None:
    parts = [Part("rain", -500.0, 0.0), Part("full", 620.0, 0.0), Part("leak", 30.0, 0.0)]
    assert [part.litres for part in netted(parts)] == [-500.0, 120.0, 30.0]
    assert [part.litres for part in netted([Part("rain", 200.0, 0.0), Part("full", -50.0, 0.0)])] == [200.0, -50.0]
