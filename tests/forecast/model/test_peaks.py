"""Peaks within the hour, read off how intensity rises from 6 h to 1 h."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.model.peaks import peak_factor
from tests.reference.rain_records import schwingbach

YEAR_H = 8766


def bursts(power: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Two years with one storm each, whose largest fall in d hours goes with d to the power of `power`."""
    rain = np.zeros(2 * YEAR_H)
    depth = np.arange(1, 9) ** power
    for year in range(2):
        rain[year * YEAR_H + 4000 : year * YEAR_H + 4008] = 20 * np.diff(depth, prepend=0.0)
    return rain


@pytest.mark.parametrize("beta", [0.4, 0.7])
def test_a_storm_that_scales_gives_its_exponent(beta: float) -> None:
    assert peak_factor(bursts(1 - beta)) == pytest.approx(6**beta, rel=1e-6)


def test_steady_rain_has_no_peaks() -> None:
    assert peak_factor(np.full(3 * YEAR_H, 0.1)) == pytest.approx(1.0)


def test_too_short_or_too_dry_a_record_says_nothing() -> None:
    assert peak_factor(np.ones(YEAR_H)) is None
    assert peak_factor(np.zeros(3 * YEAR_H)) is None


def test_a_real_hourly_record() -> None:
    # Exponents of 0.5 to 0.8 are usual for convective rain (common practice, no source).
    factor = peak_factor(schwingbach().rain_mm)
    assert factor is not None
    assert 6**0.5 < factor < 6**0.85
