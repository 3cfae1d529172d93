"""What is wanted: its mean, its hours by the local clock, its months, and the pump's day."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.instants import MINUTE_MS, from_rfc3339, to_datetime
from ingest.site import Draw, Pump, Site
from simulator.demand import pumping, taps

YEAR_MIN = 365 * 1440
START_MS = from_rfc3339("2026-01-01T00:00:00Z")


def draw(**changes: object) -> Draw:
    plain = {"id": "d", "tank": "main", "feed": "gravity", "litres_per_day": 70.0, "hours": [6, 22]}
    return Draw.model_validate(plain | changes)


def local_hours(site: Site, litres: np.ndarray[tuple[int], np.dtype[np.float64]]) -> set[tuple[int, int]]:
    """(month, hour) by the site's clock of every minute with water."""
    moments = (to_datetime(START_MS + int(i) * MINUTE_MS).astimezone(site.zone) for i in np.flatnonzero(litres))
    return {(moment.month, moment.hour) for moment in moments}


@pytest.mark.parametrize("litres", [20.0, 70.0, 2000.0])
def test_the_mean_is_what_the_site_file_says(skerrow_head: Site, litres: float) -> None:
    wanted = taps(skerrow_head, draw(litres_per_day=litres), START_MS, YEAR_MIN, seed=1)
    assert wanted.sum() / 365 == pytest.approx(litres, rel=0.06)


def test_visits_are_few_short_and_within_the_hours_of_use(skerrow_head: Site) -> None:
    wanted = taps(skerrow_head, draw(months=[6, 7]), START_MS, YEAR_MIN, seed=1)
    hours = local_hours(skerrow_head, wanted)
    assert {month for month, _ in hours} == {6, 7}
    # A visit that begins in the last minute runs on a little.
    assert {hour for _, hour in hours} - {22} == set(range(6, 22))
    june = wanted[151 * 1440 : 181 * 1440]
    assert 0.01 < np.mean(june > 0) < 0.05


def test_hours_follow_the_change_of_the_clock(skerrow_head: Site) -> None:
    """The clocks of Europe/London go forward on 29 March 2026 (time zone database)."""
    wanted, days = pumping(
        skerrow_head, draw(feed="pumped", hours=[5, 8]), Pump(power_w=90.0, flow_l_min=14.0), START_MS, YEAR_MIN
    )
    starts = [to_datetime(START_MS + int(i) * MINUTE_MS) for i in np.flatnonzero(np.diff(days, prepend=0) > 0)]
    by_date = {(start.month, start.day): start.hour for start in starts}
    assert by_date[(3, 28)] == 5
    assert by_date[(3, 29)] == 4
    assert {hour for _, hour in local_hours(skerrow_head, days.astype(float))} == {5, 6, 7}
    assert wanted[days == 0].sum() == 0


def test_the_pump_wants_no_more_than_it_can_deliver(skerrow_head: Site) -> None:
    pump = Pump(power_w=90.0, flow_l_min=14.0)
    fits, _ = pumping(skerrow_head, draw(feed="pumped", litres_per_day=140.0, hours=[5, 8]), pump, START_MS, 1440)
    too_much, _ = pumping(skerrow_head, draw(feed="pumped", litres_per_day=9999.0, hours=[5, 8]), pump, START_MS, 1440)
    assert fits.sum() == pytest.approx(140)
    assert too_much.sum() == pytest.approx(180 * 14)


def test_a_day_is_the_same_in_every_span_and_two_draws_differ(skerrow_head: Site) -> None:
    whole = taps(skerrow_head, draw(), START_MS, 5000, seed=1)
    np.testing.assert_array_equal(
        taps(skerrow_head, draw(), START_MS + 1234 * MINUTE_MS, 3000, seed=1), whole[1234:4234]
    )
    assert not np.array_equal(taps(skerrow_head, draw(id="e"), START_MS, 5000, seed=1), whole)
