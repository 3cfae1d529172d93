"""What is to be judged, and which forecasts are kept."""

from __future__ import annotations

import pytest

from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, from_rfc3339
from ingest.store.records import Records
from ingest.store.scores import DUE, SCORED, SLOT_MS, ScoreRow, Scores

NOW_MS = from_rfc3339("2026-11-25T12:00:00Z")


@pytest.fixture
def scores(records: Records) -> Scores:
    return Scores(records)


def row(issued_ms: int, lead_d: int = 1, site: str = "skerrow-head", state: str = DUE) -> ScoreRow:
    return ScoreRow(site, issued_ms, lead_d, state, issued_ms + lead_d * DAY_MS)


def test_of_one_slot_the_first_forecast_alone_is_judged(scores: Scores) -> None:
    scores.open([row(NOW_MS, 1), row(NOW_MS, 3)])
    scores.open([row(NOW_MS + 10 * MINUTE_MS, 1), row(NOW_MS + 10 * MINUTE_MS, 1, "tarn-orchard")])
    scores.open([row(NOW_MS, 1)])
    kept = scores.of("skerrow-head", NOW_MS, NOW_MS + DAY_MS)
    assert [(found.issued_ms, found.lead_d) for found in kept] == [(NOW_MS, 1), (NOW_MS, 3)]
    scores.open([row(NOW_MS + SLOT_MS, 1)])
    assert len(scores.of("skerrow-head", NOW_MS, NOW_MS + DAY_MS)) == 3


def test_due_is_what_has_come_of_the_sites_asked_for_the_longest_waiting_first(scores: Scores) -> None:
    scores.open([row(NOW_MS, 7), row(NOW_MS, 1), row(NOW_MS, 3), row(NOW_MS, 1, "elsewhere")])
    at_ms = NOW_MS + 3 * DAY_MS
    assert [found.lead_d for found in scores.due(["skerrow-head"], at_ms, 10)] == [1, 3]
    assert [found.lead_d for found in scores.due(["skerrow-head"], at_ms, 1)] == [1]
    assert scores.due(["skerrow-head"], at_ms - 2 * DAY_MS - 1, 10) == []


def test_a_settled_row_is_not_due_and_is_settled_once(scores: Scores) -> None:
    scores.open([row(NOW_MS, 1)])
    scores.settle([row(NOW_MS, 1, state=SCORED)._replace(document=b"first")])
    scores.settle([row(NOW_MS, 1, state=SCORED)._replace(document=b"second")])
    assert [found.document for found in scores.of("skerrow-head", NOW_MS, NOW_MS + 1)] == [b"first"]
    assert scores.due(["skerrow-head"], NOW_MS + 30 * DAY_MS, 10) == []


def test_forecasts_thin_out_with_age(records: Records, scores: Scores) -> None:
    midnight = NOW_MS // DAY_MS * DAY_MS
    issued = [
        midnight - day * DAY_MS + hour * HOUR_MS + 5 * MINUTE_MS
        for day in (1, 13, 16, 29, 32, 100, 799, 802)
        for hour in range(24)
    ]
    records.put_forecasts([("skerrow-head", at, b"{}") for at in issued])
    records.put_forecast("tarn-orchard", midnight - 100 * DAY_MS + HOUR_MS, b"{}")
    records.put_forecast("tarn-orchard", midnight - 100 * DAY_MS + 2 * HOUR_MS, b"{}")
    scores.open([row(midnight - 799 * DAY_MS), row(midnight - 802 * DAY_MS)])
    while scores.thin("skerrow-head", NOW_MS, 20):
        pass

    def kept(day: int, site: str = "skerrow-head") -> int:
        begin = midnight - day * DAY_MS
        return len(records.forecasts(site, begin, begin + DAY_MS))

    assert [kept(day) for day in (1, 13, 16, 29, 32, 100, 799, 802)] == [24, 24, 4, 4, 1, 1, 1, 0]
    first = records.forecasts("skerrow-head", midnight - 100 * DAY_MS, midnight - 100 * DAY_MS + HOUR_MS)
    assert len(first) == 1, "the first of the day stays"
    assert kept(100, "tarn-orchard") == 2, "another site is left alone"
    assert len(scores.of("skerrow-head", 0, NOW_MS)) == 1


def test_thinning_stops_at_its_limit(records: Records, scores: Scores) -> None:
    begin = NOW_MS // DAY_MS * DAY_MS - 40 * DAY_MS
    records.put_forecasts([("skerrow-head", begin + hour * HOUR_MS, b"{}") for hour in range(24)])
    assert scores.thin("skerrow-head", NOW_MS, 10) == 10
    assert scores.thin("skerrow-head", NOW_MS, 100) == 13
    assert scores.thin("skerrow-head", NOW_MS, 100) == 0
