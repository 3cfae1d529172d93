"""The account against the simulator's truth, in short: single sites for some months; the years are a command."""

from __future__ import annotations

import pytest

from tests.reference.account_spells import learnt_of
from tests.reference.account_truth import cases_of, verdicts


@pytest.mark.parametrize("cause", ["clean", "coefficient", "leak"])
def test_yield_spill_and_the_planted_cause(cause: str) -> None:
    cases = cases_of(0, (cause,), days=150)
    (verdict,) = verdicts(cases)
    assert verdict.worst_yield_off < 0.02
    assert verdict.worst_spill_off < 0.05
    assert verdict.yield_held == verdict.spill_held == 1
    assert verdict.worst_parts_off < 0.001
    assert verdict.worst_coefficient_off < 0.05
    assert verdict.named == (0 if cause == "clean" else 1)
    assert verdict.largest_false_share < 0.05
    # What these data cannot tell from the planted cause is said with it.
    assert "meter" in cases[0].alike or cause == "clean"


def test_coefficient_and_loss_after_thirty_spells_of_the_simulators_minutes() -> None:
    found = [one for number in (0, 1, 3) for one in learnt_of(number, days=75, counts=(30,))]
    assert len(found) == 3
    assert all(one.within and abs(one.coefficient_sds) < 2 for one in found)
