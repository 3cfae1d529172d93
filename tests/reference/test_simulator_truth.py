"""The short form of `tests.reference.simulator_truth`: nine forecasts a site, so wider bounds."""

from __future__ import annotations

from tests.reference.simulator_truth import SITES, cases_of, random_site, table


def test_the_bands_hold_where_another_physics_is_the_truth() -> None:
    *leads, pooled = table([case for number in range(SITES) for case in cases_of(number, issues=9)])
    assert pooled.all_cases == SITES * 9 * len(leads)
    assert 0.83 <= pooled.all_held_90 <= 0.97
    assert pooled.cases >= 30
    assert 0.78 <= pooled.held_90 <= 0.98
    assert 0.33 <= pooled.held_50 <= 0.67


def test_the_random_sites_differ() -> None:
    sites = [random_site(number) for number in range(SITES)]
    assert len({site.roof[0].plan_area_m2 for site in sites}) == SITES
    assert len({site.latitude for site in sites}) == SITES
