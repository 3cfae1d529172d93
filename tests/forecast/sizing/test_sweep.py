"""Sizes side by side are what the same sites would be alone, and no litre is lost."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.model.balance import DRAWN, FIRST_FLUSH, INFLOW, SPILLED
from forecast.model.plan import plan_of
from forecast.replay import replay
from forecast.sizing.batch import Size, batch_of, present
from forecast.sizing.sweep import sweep
from forecast.sizing.years import years_of_record
from forecast.sizing.yields import by_year, months
from ingest.site import Site
from tests.forecast.sizing.made import YEAR_H, showers, site_of, years_of

AS_IT_IS = Size("tank", "as it is", 2000.0, 1.0)


def test_the_first_member_is_a_replay_of_the_site() -> None:
    site, record = site_of(), showers(2)
    years = years_of_record(site, record)
    tally = sweep(site, plan_of(site), years, [AS_IT_IS])
    # A replay that begins where the year before ended: the year run twice.
    again = replay(site, record, 1.0)
    later = replay(site, record, float(again["volume_l"].iloc[YEAR_H - 1]) / 1000)
    for column, name in ((DRAWN, "drawn_l"), (SPILLED, "spilled_l"), (INFLOW, "inflow_l")):
        assert tally.ledger[:, column, 0].sum() == pytest.approx(later[name].sum(), rel=2e-3)
    assert int(tally.short[:, 0].sum()) == later.attrs["short_days"]


@pytest.mark.parametrize(
    ("lever", "changed"),
    [
        ("tank", {"tank": [{"id": "box", "shape": "rectangular", "length_m": 1.0, "width_m": 1.0,
                            "outlet_height_m": 0.0, "overflow_height_m": 4.0}]}),
        ("roof", {"roof": [{"id": "roof", "plan_area_m2": 100.0, "runoff_coefficient": 0.8, "wetting_loss_mm": 0.0,
                            "tank": "box"}]}),
        ("draw", {"draw": [{"id": "tap", "tank": "box", "feed": "gravity", "litres_per_day": 120.0}]}),
    ],
)  # fmt: skip
def test_a_lever_doubled_is_a_site_of_that_size(lever: str, changed: dict[str, object]) -> None:
    years = years_of_record(site_of(), showers(2))
    both = [AS_IT_IS, Size(lever, "curve", 0.0, 2.0)]  # type: ignore[arg-type]
    tally = sweep(site_of(), plan_of(site_of()), years, both)
    other = site_of(**changed)
    alone = sweep(other, plan_of(other), years, [AS_IT_IS])
    # The tank starts half full of its own size either way, and the first year is run before.
    np.testing.assert_allclose(tally.ledger[:, :, 1], alone.ledger[:, :, 0], atol=1e-6)
    assert not np.allclose(tally.ledger[:, :, 1], tally.ledger[:, :, 0])


@pytest.mark.parametrize("name", ["skerrow_head", "tarn_orchard"])
def test_what_fell_is_what_was_lost_and_what_came(name: str, request: pytest.FixtureRequest) -> None:
    site: Site = request.getfixturevalue(name)
    years = years_of_record(site, showers(3))
    plan = plan_of(site)
    tally = sweep(site, plan, years, batch_of(present(site, plan, 100.0))[:1])
    rows = months(site, plan, years, tally)
    for row in rows:
        lost = row.wetting_loss_l + row.coefficient_loss_l + row.gutter_loss_l + row.first_flush_l
        assert row.roof_rain_l == pytest.approx(lost + row.captured_l, abs=0.6)
        assert row.wanted_l == pytest.approx(row.drawn_l + row.backup_l, abs=0.2)
        assert min(row.wetting_loss_l, row.coefficient_loss_l, row.first_flush_l) >= 0
    year = rows[0]
    # What came was drawn or ran over; three years leave a third of a tank of difference at most.
    assert year.captured_l == pytest.approx(year.drawn_l + year.spilled_l, abs=plan.capacity_l.sum() / 3)
    assert sum(row.captured_l for row in rows[1:]) == pytest.approx(year.captured_l, abs=1.0)
    assert len(by_year(years, tally)) == 3


def test_a_chamber_that_only_a_hand_empties_is_emptied_once_a_week() -> None:
    flush = {"volume_l": 10.0}
    roof = {
        "id": "roof", "plan_area_m2": 50.0, "runoff_coefficient": 1.0, "wetting_loss_mm": 0.0, "tank": "box",
        "first_flush": flush,
    }  # fmt: skip
    site = site_of(roof=[roof])
    tally = sweep(site, plan_of(site), years_of(np.full(YEAR_H, 1.0)), [AS_IT_IS])
    taken = tally.ledger[:, FIRST_FLUSH, 0].sum()
    # Weeks are counted anew each month: five emptyings in a month, four in February.
    assert taken == pytest.approx(10.0 * (11 * 5 + 4))
