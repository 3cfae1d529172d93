from __future__ import annotations

from api.hourly import Hourly
from ingest.instants import HOUR_MS, floor_hour
from tests.api.fakes import NOW_MS


def test_an_answer_is_made_once_an_hour_for_each_key() -> None:
    kept, made = Hourly(), iter(range(10))
    begin_ms = floor_hour(NOW_MS)
    assert [kept.get("a", begin_ms + late, lambda: next(made)) for late in (0, HOUR_MS - 1)] == [0, 0]
    assert kept.get("b", begin_ms, lambda: next(made)) == 1
    assert kept.get("a", begin_ms + HOUR_MS, lambda: next(made)) == 2


def test_a_failure_is_not_kept() -> None:
    kept = Hourly()

    def fails() -> int:
        raise OSError("out of reach")

    for _ in range(2):
        try:
            kept.get("a", NOW_MS, fails)
        except OSError:
            continue
        raise AssertionError("the failure was swallowed")
    assert kept.get("a", NOW_MS, lambda: 1) == 1
