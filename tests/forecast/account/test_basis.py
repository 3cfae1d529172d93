"""Which rain the account's promise rests on, and that a design check may promise by another."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.account.basis import basis
from forecast.outlook.record import RainRecord
from tests.forecast.sizing.made import START_MS, YEAR_H, site_of
from tests.spoken import spoken


def even(year_mm: float, hours: int = 2 * YEAR_H) -> RainRecord:
    """A record of the same rain in each hour."""
    return RainRecord(START_MS, np.full(hours, year_mm / YEAR_H), "the airport's")


@pytest.mark.parametrize(
    ("record", "says"),
    [
        (None, "A design check without a rain record rests on the same means"),
        (even(900.0), "rests on the rain record the airport's instead, 900 mm in a mean year, 180 mm more:"),
        (even(600.0), "rests on the rain record the airport's instead, 600 mm in a mean year, 120 mm less:"),
        (even(720.0), "the airport's instead, which has as much in a mean year, but dry and wet years"),
        (even(720.0, 500), "The rain record the airport's has no whole year"),
    ],
)
def test_the_promise_stands_beside_the_design_checks(record: RainRecord | None, says: str) -> None:
    promise, other = spoken(basis(site_of(), record))
    assert "rests on the monthly means of the site file, 720 mm in a year" in promise
    assert says in other
