"""The benchmark of the account in its short form: it runs, and what it prints is there."""

from __future__ import annotations

from tests.bench.account import measure


def test_the_benchmark_of_the_account_runs() -> None:
    figures = measure(days=3)
    assert figures["readings"] == 3 * 24 * 60 * 6
    assert figures["together_s"] == round(figures["read_hours_s"] + figures["account_s"], 3)
    assert figures["reading_minutes_over_the_account"] > 0
