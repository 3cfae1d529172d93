"""The balance against US EPA SWMM 5 (pyswmm, swmm-toolkit): another engine, the same water."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np
import pytest

from tests.reference.swmm import Case, by_swmm, by_us, summer_of_2015

ONE_ROOF: Final = Case(roofs_m2=(100.0,), capacity_m3=2.0, start_m3=1.0, draw_l_day=100.0)
CASES: Final = {
    "one roof": ONE_ROOF,
    "two roofs": Case(roofs_m2=(60.0, 45.0), capacity_m3=1.5, start_m3=0.5, draw_l_day=100.0),
    "first flush as initial loss": Case((100.0,), 1.0, 0.5, 90.0, first_flush_mm=1.0, recovery_mm_h=0.01),
    "nearly always full": Case(roofs_m2=(400.0,), capacity_m3=4.0, start_m3=4.0, draw_l_day=90.0),
    "nearly always empty": Case(roofs_m2=(60.0,), capacity_m3=2.0, start_m3=0.1, draw_l_day=600.0),
    "pump on a schedule": Case(roofs_m2=(100.0,), capacity_m3=1.5, start_m3=1.0, draw_l_day=120.0, pump_hours=(5, 8)),
}


@pytest.mark.parametrize("name", CASES)
def test_a_summer_of_real_rain_agrees_with_swmm(name: str, tmp_path: Path) -> None:
    case, record = CASES[name], summer_of_2015()
    swmm, ours = by_swmm(case, record, tmp_path), by_us(case, record)
    assert ours.inflow == pytest.approx(swmm.inflow, rel=0.005)
    assert ours.overflow == pytest.approx(swmm.overflow, rel=0.005)
    assert ours.use == pytest.approx(swmm.use, rel=0.005)
    hours = min(len(ours.volume), len(swmm.volume))
    assert hours >= len(ours.volume) - 1
    difference = np.abs(ours.volume[:hours] - swmm.volume[:hours])
    assert difference.mean() < 0.01 * case.capacity_m3
    share = ours.volume / case.capacity_m3
    assert (np.mean(share > 0.9) > 0.8) == (name == "nearly always full")
    assert (np.mean(share < 0.1) > 0.8) == (name == "nearly always empty")


def test_the_totals_are_those_obtained_with_swmm_before() -> None:
    # Obtained once with pyswmm 2.2 and swmm-toolkit 0.17 on this case: 17.219, 4.988, 11.934 m³.
    ours = by_us(ONE_ROOF, summer_of_2015())
    assert ours.inflow == pytest.approx(17.219, rel=0.005)
    assert ours.overflow == pytest.approx(4.988, rel=0.005)
    assert ours.use == pytest.approx(11.934, rel=0.005)
