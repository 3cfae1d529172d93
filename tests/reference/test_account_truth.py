"""The account against the simulator's truth, in short: one site for some months; the year is a command."""

from __future__ import annotations

import pytest

from tests.reference.account_truth import run, verdicts


@pytest.mark.parametrize("cause", ["clean", "coefficient", "leak"])
def test_yield_spill_and_the_planted_cause(cause: str) -> None:
    cases = run(sites=1, causes=(cause,), days=150)
    (verdict,) = verdicts(cases)
    assert verdict.worst_yield_off < 0.02
    assert verdict.worst_spill_off < 0.05
    assert verdict.worst_parts_off < 0.001
    assert verdict.worst_coefficient_off < 0.05
    assert verdict.named == (0 if cause == "clean" else 1)
    assert verdict.largest_false_share < 0.05
