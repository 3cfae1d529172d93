"""Members that differ in size are each what a site of that size would be."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.members import member_drivers
from forecast.model.balance import blank_state, run
from forecast.model.plan import plan_of
from ingest.instants import from_rfc3339
from ingest.site import Site


@pytest.mark.parametrize("name", ["skerrow_head", "tarn_orchard"])
def test_a_batch_of_sizes_is_its_sites_one_by_one(name: str, request: pytest.FixtureRequest) -> None:
    site: Site = request.getfixturevalue(name)
    plan, rng = plan_of(site), np.random.default_rng(3)
    factors = np.array([0.5, 1.0, 3.0])
    rain = (rng.exponential(2.0, (900, 1)) * (rng.random((900, 1)) < 0.15)).repeat(3, axis=1)
    drivers = member_drivers(site, plan, rain, from_rfc3339("2026-05-01T00:00:00Z"), rng)
    capacity, flush = plan.capacity_l[:, None] * factors, plan.flush_volume_l[:, None] * factors[::-1]
    begin = plan.dead_l[:, None].repeat(3, axis=1)
    batch = run(
        plan, drivers._replace(capacity_l=capacity, flush_volume_l=flush), blank_state(plan, 3, volume_l=begin),
        ledger=True,
    )  # fmt: skip
    for member in range(3):
        alone = run(
            plan._replace(capacity_l=capacity[:, member].copy(), flush_volume_l=flush[:, member].copy()),
            drivers, blank_state(plan, 3, volume_l=begin), ledger=True,
        )  # fmt: skip
        np.testing.assert_allclose(batch.volume_l[:, :, member], alone.volume_l[:, :, member])
        np.testing.assert_allclose(batch.ledger[:, :, member], alone.ledger[:, :, member])
    assert batch.spill_l[-1, 0] > batch.spill_l[-1, 2]
