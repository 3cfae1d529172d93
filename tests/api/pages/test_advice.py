"""What the site's page advises, and that old advice looks old."""

from __future__ import annotations

import pytest

from forecast.result import Allowance, Bands, Changeover, Decisions, FreeWater, Passage, Takeover
from ingest.instants import DAY_MS
from ingest.store.records import LogEntry, Records
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS, Clock, forecast_of, put

PAGE = "/sites/skerrow-head"
FREE = FreeWater(350.0, 7, 0.92)
ALLOWED = Allowance(95.0, 14, 0.04, 0.05)
GIVEN = Bands([0.0], [200.0], [400.0], [600.0], [900.0])
OPEN = Changeover(8.5, 0.1, 3, 0.08)


def text(client: Client) -> str:
    page: str = client.get(PAGE).text
    return page.replace("\N{NO-BREAK SPACE}", " ")


def test_advice_in_words(client: Client, records: Records) -> None:
    put(records, forecast_of(decisions=Decisions(ALLOWED, FREE, OPEN)))
    page = text(client)
    assert "Up to 95 L a day may be drawn for 14 days: then about 4 chances in 100 that rain water runs out" in page
    assert "350 L will run over within 7 days anyway (about 9 chances in 10)" in page
    assert "Open the borehole by Friday 4 December: about 1 chance in 10 that rain water has run out by then." in page
    assert "it may be closed from Saturday 28 November" in page
    assert "Shut the one supply before the other is opened: never both at once." in page
    answer = client.get("/api/v1/sites/skerrow-head/forecast").json()["decisions"]
    assert answer["allowance"] == {"allowance_l_day": 95.0, "days": 14, "chance": 0.04, "risk": 0.05}


@pytest.mark.parametrize(
    ("decisions", "said", "not_said"),
    [
        (Decisions(Allowance(0.0, 14, 0.3, 0.05), FREE, None), "Save water: even if nobody draws", "Open the"),
        (
            Decisions(None, FreeWater(0.0, 7, 0.1), Changeover(None, 0.02, 0, 0.01)),
            "No need to open",
            "a day may be drawn",
        ),
        (Decisions(None, FREE, Changeover(0.4, 0.6, None, 0.7)), "Open the borehole now", "may be closed"),
        (
            Decisions(None, FREE, None, Takeover(Passage([0.0] * 5 + [0.7] * 11, 0.7, p50=5.5), GIVEN)),
            "to open by itself by Tuesday 1 December, and to give about 400 L within 16 days, hardly more than 900",
            "Open the",
        ),
        (
            Decisions(None, FREE, None, Takeover(Passage([0.0] * 15 + [0.1], 0.1), GIVEN)),
            "The borehole opens by itself when it is needed: about 1 chance in 10 that it does within 16 days.",
            "likely to open",
        ),
    ],
)
def test_each_case_has_its_sentence(
    client: Client, records: Records, decisions: Decisions, said: str, not_said: str
) -> None:
    put(records, forecast_of(decisions=decisions))
    page = text(client)
    assert said in page
    assert not_said not in page


def test_no_advice_without_decisions_and_old_advice_is_stale(client: Client, records: Records, clock: Clock) -> None:
    put(records, forecast_of())
    assert "<h2>Advice" not in text(client)
    put(records, forecast_of(issued_ms=clock.now_ms, decisions=Decisions(ALLOWED, FREE, OPEN)))
    clock.now_ms += 4 * 3_600_000
    advised = text(client).split("<h2>Advice")[1].split("<h2>")[0]
    assert advised.count("◌ Stale") == 4


NOW_OPEN = Changeover(0.4, 0.6, None, 0.7)


@pytest.mark.parametrize(
    ("written", "changeover", "said", "not_said"),
    [
        ((), NOW_OPEN, ("Open the borehole, unless it is open", "Open the borehole now"), ("may be closed",)),
        (("closed",), NOW_OPEN, ("Open the borehole: about 6 chances in 10", "Open the borehole now"), ("unless",)),
        (("closed", "opened"), NOW_OPEN, ("Leave the borehole open: no day is near",), ("Open the borehole",)),
        (("opened",), OPEN, ("The borehole may be closed from Saturday 28 November",), ("Open the", "If the borehole")),
        (("opened",), Changeover(None, 0.02, 0, 0.01), ("The borehole may be closed now",), ("No need to open",)),
        (("opened", "closed"), OPEN, ("Open the borehole by Friday",), ("may be closed",)),
        (("closed",), Changeover(None, 0.02, 0, 0.01), ("No need to open",), ("may be closed",)),
    ],
)
def test_nobody_is_told_to_open_what_is_open_or_to_close_what_is_closed(
    client: Client,
    heard: object,
    records: Records,
    written: tuple[str, ...],
    changeover: Changeover,
    said: tuple[str, ...],
    not_said: tuple[str, ...],
) -> None:
    put(records, forecast_of(decisions=Decisions(None, FREE, changeover)))
    for number, kind in enumerate(written):
        records.append_log(LogEntry("skerrow-head", NOW_MS - DAY_MS + number, f"backup-{kind}", "borehole", "warden"))
    page = text(client).split("<h2>Tank")[0]
    assert [words for words in said if words not in page] == []
    assert [words for words in not_said if words in page] == []
