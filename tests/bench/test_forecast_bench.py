"""The benchmark of the forecast in its short form; ratios held loosely, for machines are shared."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.model.balance import blank_state
from ingest.site import Site
from ingest.sitefile import load_sites
from tests.bench.forecast import NAMES, ROOT, case_of, measure, simulate
from tests.bench.numpy_balance import run_batched


def test_the_rival_in_numpy_says_what_the_kernel_says(skerrow_head: Site) -> None:
    plan, drivers = case_of(skerrow_head)
    state = blank_state(plan, 50, volume_l=plan.capacity_l[:, None] * 0.4)
    volume, charge, runs_out = run_batched(plan, drivers, state, 2)
    trace = simulate(plan, drivers)
    for site in range(2):
        np.testing.assert_allclose(volume[:, site], trace.volume_l[:, 0], atol=1e-6)
        np.testing.assert_allclose(charge[:, site], trace.charge_wh, atol=1e-6)
        np.testing.assert_allclose(runs_out[site], trace.runs_out_h[0], atol=1e-9)


@pytest.mark.parametrize("name", NAMES)
def test_drivers_lie_in_the_one_layout_that_the_kernel_is_compiled_for(name: str) -> None:
    # Another layout costs seconds of compiling at the start, and then half as much time again.
    _, drivers = case_of(load_sites(ROOT / "deploy" / "sites")[name])
    assert [field for field, values in drivers._asdict().items() if not values.flags.c_contiguous] == []


def test_the_kernel_is_far_ahead_and_the_worker_keeps_up() -> None:
    figures = measure(times=200, batch=20, most=100, worker_sites=20)
    for site in figures["kernel"].values():
        assert site["times_plain_python"] > 500
        assert site["with_figures_ms"] < 4 * site["kernel_ms"]
    whole = figures["kernel"]["skerrow-head"]
    assert whole["times_numpy"] > 5
    one, many = (figures["ms_a_site_by_number_of_sites"][count] for count in ("10", "100"))
    assert many == pytest.approx(one, rel=1.0)
    # Reading, deciding and writing a site cost so many times its members' run.
    assert 1e3 / figures["worker"]["sites_per_core_s"] < 100 * whole["with_figures_ms"]
    # Were the kernel compiled at each start, that would be tens of seconds.
    assert figures["cold_start_s"] < 5 * figures["cold_imports_s"]
