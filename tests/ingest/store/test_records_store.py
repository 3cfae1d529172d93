"""The records store: forecasts, transitions with their notifications, the site log."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from ingest.errors import StoreUnavailable
from ingest.store.records import LogEntry, Records, Transition
from ingest.store.schema import metadata

UP = Transition("site", "tank-low:main", 1_000, "normal", "active", "212 L left")
DOWN = Transition("site", "tank-low:main", 2_000, "active", "normal", "900 L again")


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Records]:
    store = Records(f"sqlite:///{tmp_path / 'records.db'}")
    yield store
    store.close()


def test_the_newest_forecast_is_the_latest_and_an_instant_has_one(records: Records) -> None:
    assert records.latest_forecast("site") is None
    for issued_ms, document in [(2, b"two"), (1, b"one"), (2, b"again")]:
        records.put_forecast("site", issued_ms, document)
    assert records.latest_forecast("site") == b"two"
    assert records.forecasts("site", 0, 2) == [b"one"]
    assert records.latest_forecast("other") is None


def test_transitions_and_their_notifications_come_in_one_commit(records: Records) -> None:
    records.append_transitions([UP, DOWN], ["log", "webhook"])
    due = records.due_notifications(1_500)
    assert [(entry.channel, entry.transition.new) for entry in due] == [("log", "active"), ("webhook", "active")]
    assert len(records.due_notifications(2_000)) == 4
    assert [entry.new for entry in records.transitions("site")] == ["normal", "active"]
    assert records.last_transitions("site")["tank-low:main"].new == "normal"


def test_a_page_of_transitions_goes_on_where_the_last_ended(records: Records) -> None:
    records.append_transitions([UP, DOWN, UP], [])
    first = records.transitions(limit=2)
    assert [entry.id for entry in records.transitions(before_id=first[-1].id)] == [first[-1].id - 1]


def test_a_notification_is_due_until_it_is_sent(records: Records) -> None:
    records.append_transitions([UP], ["webhook"])
    (entry,) = records.due_notifications(1_000)
    records.mark_failed(entry.id, tries=1, due_ms=9_000)
    assert records.due_notifications(8_999) == []
    (again,) = records.due_notifications(9_000)
    assert (again.id, again.tries) == (entry.id, 1)
    records.mark_sent(entry.id, 9_001)
    assert records.due_notifications(99_000) == []


def test_the_site_log_is_in_order(records: Records) -> None:
    for time_ms in (30, 10, 20):
        records.append_log(LogEntry("site", time_ms, "note", "", "warden", f"at {time_ms}"))
    assert [entry.time_ms for entry in records.log("site", 10, 30)] == [10, 20]


def test_a_restart_finds_everything(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'records.db'}"
    first = Records(url)
    first.append_transitions([UP], ["log"])
    first.close()
    second = Records(url)
    assert second.last_transitions("site")["tank-low:main"].reason == "212 L left"
    assert len(second.due_notifications(5_000)) == 1
    second.close()


def test_several_processes_may_open_a_new_store_at_once(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'records.db'}"
    code = f"from ingest.store.records import Records; Records({url!r}).ping()"
    opening = [subprocess.Popen([sys.executable, "-c", code]) for _ in range(4)]
    assert [process.wait(60) for process in opening] == [0, 0, 0, 0]


def test_a_place_that_cannot_be_written_is_unavailable(tmp_path: Path) -> None:
    with pytest.raises(StoreUnavailable, match="cannot be used"):
        Records(f"sqlite:///{tmp_path / 'no' / 'such' / 'folder.db'}")


def test_the_migrations_lead_to_the_schema(tmp_path: Path) -> None:
    Records(f"sqlite:///{tmp_path / 'records.db'}").close()
    engine = sa.create_engine(f"sqlite:///{tmp_path / 'records.db'}")
    inspector = sa.inspect(engine)
    for table in metadata.tables.values():
        assert {column["name"] for column in inspector.get_columns(table.name)} == set(table.columns.keys())
    engine.dispose()
