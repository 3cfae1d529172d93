"""The short form of `python -m tests.faults.conformance`: every operation, all checks, the edges of each field."""

from __future__ import annotations

from tests.faults.conformance import run


def test_the_service_keeps_to_its_document() -> None:
    outcome = run(examples=1, phases="examples,coverage", seed=1, real=True)
    assert outcome.clean, outcome.report
    assert outcome.cases > 500
