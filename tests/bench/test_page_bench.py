"""The benchmark of the pages in its short form; the ratio held loosely, for machines are shared."""

from __future__ import annotations

from tests.bench.page import PATHS, measure


def test_a_page_costs_little_more_when_much_is_stored() -> None:
    figures = measure(days=20, rounds=5)
    assert set(figures["pages"]) == set(PATHS)
    for path in PATHS:
        assert figures["times_two_days"][path] < 4
        assert figures["pages"][path]["body_bytes"] < 14_000
