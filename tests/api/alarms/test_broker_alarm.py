"""A broker that drops messages is an alarm: once, and over after a day without loss."""

from __future__ import annotations

from api.alarms.engine import AlarmEngine
from api.settings import Settings
from ingest.instants import DAY_MS, HOUR_MS
from ingest.reading import Reading
from ingest.store.records import Records, Transition
from ingest.watch import BROKER_SITE, DROPPED
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS, Clock, MemoryReadings


def told(counts: dict[float, float]) -> MemoryReadings:
    """What Mosquitto told so many hours before now."""
    store = MemoryReadings()
    store.write([Reading(BROKER_SITE, NOW_MS - round(h * HOUR_MS), DROPPED, n) for h, n in counts.items()])
    return store


def due(store: MemoryReadings, records: Records, now_ms: int = NOW_MS) -> Transition | None:
    found = AlarmEngine({}, store, records, Clock(now_ms), Settings(), ()).tick()
    return found[0] if found else None


def test_an_increase_raises_it_once_with_how_many_were_lost(records: Records) -> None:
    store = told({5: 0, 2: 40, 1: 42})
    raised = due(store, records)
    assert raised is not None
    assert (raised.old, raised.new) == ("normal", "unacknowledged")
    assert raised.reason == "Messages that Mosquitto dropped within the last day: 42."
    assert due(store, records, NOW_MS + HOUR_MS) is None
    over = due(store, records, NOW_MS + DAY_MS)
    assert over is not None
    assert over.new == "returned"


def test_the_front_page_shows_it_above_the_sites(client: Client, heard: MemoryReadings, records: Records) -> None:
    assert "The broker drops messages" not in client.get("/").text
    due(told({5: 0, 2: 40}), records)
    page = client.get("/").text
    assert page.index("The broker drops messages") < page.index("Skerrow Head bird observatory")


def test_a_count_that_stands_still_or_never_came_is_no_alarm(records: Records) -> None:
    assert due(told({}), records) is None
    assert due(told({5: 42, 1: 42}), records) is None


def test_a_broker_started_anew_has_lost_what_it_shows_since(records: Records) -> None:
    assert due(told({5: 42, 1: 0}), records) is None
    raised = due(told({5: 42, 1: 3}), records)
    assert raised is not None
    assert "last day: 3." in raised.reason
