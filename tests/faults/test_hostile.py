"""The short form of `python -m tests.faults.hostile`."""

from __future__ import annotations

from tests.faults.attacks import KINDS
from tests.faults.hostile import run


def test_hostile_requests_are_refused_and_told_nothing() -> None:
    outcome = run(requests=400, seed=1)
    assert outcome.wrong == []
    assert len(outcome.by_kind) == len(KINDS)
    assert sum(sum(statuses.values()) for statuses in outcome.by_kind.values()) == 400
