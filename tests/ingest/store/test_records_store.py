"""The records store: forecasts, transitions with their notifications, the site log."""

from __future__ import annotations

import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext

from ingest.errors import StoreUnavailable
from ingest.saying import litres, say
from ingest.store import schema
from ingest.store.access import AccessStore
from ingest.store.records import Evidence, LogEntry, Records, Transition

UP = Transition("site", "tank-low:main", 1_000, "normal", "unacknowledged", "212 L left")
DOWN = Transition("site", "tank-low:main", 2_000, "unacknowledged", "normal", "900 L again")


def test_the_newest_forecast_is_the_latest_and_an_instant_has_one(records: Records) -> None:
    assert records.latest_forecast("site") is None
    for issued_ms, document in [(2, b"two"), (1, b"one"), (2, b"again")]:
        records.put_forecast("site", issued_ms, document)
    assert records.latest_forecast("site") == b"two"
    assert records.forecasts("site", 0, 2) == [b"one"]
    assert records.latest_forecast("other") is None


def test_transitions_and_their_notifications_come_in_one_commit(records: Records) -> None:
    records.append_transitions([UP, DOWN], ["log", "webhook"])
    for channel in ("log", "webhook"):
        first, *rest = records.notifications.due(channel, 2_000)
        assert first.transition is not None
        assert (first.transition.new, first.due_ms, len(rest)) == ("unacknowledged", UP.time_ms, 1)
        assert len(records.notifications.due(channel, 1_500)) == 1
    assert [entry.new for entry in records.transitions("site")] == ["normal", "unacknowledged"]
    assert records.last_transitions("site")["tank-low:main"].new == "normal"


def test_a_page_of_transitions_goes_on_where_the_last_ended(records: Records) -> None:
    records.append_transitions([UP, DOWN, UP], [])
    first = records.transitions(limit=2)
    assert [entry.id for entry in records.transitions(before_id=first[-1].id)] == [first[-1].id - 1]


def test_the_site_log_is_in_order(records: Records) -> None:
    for time_ms in (30, 10, 20):
        records.append_log(LogEntry("site", time_ms, "note", "", "warden", f"at {time_ms}"))
    assert [entry.time_ms for entry in records.log("site", 10, 30)] == [10, 20]


def test_a_restart_finds_everything(new_database: str) -> None:
    first = Records(new_database)
    first.append_transitions([UP], ["log"])
    first.close()
    second = Records(new_database)
    assert second.last_transitions("site")["tank-low:main"].reason == "212 L left"
    assert len(second.notifications.due("log", 5_000)) == 1
    second.close()


def test_several_processes_may_open_a_new_store_at_once(new_database: str) -> None:
    code = f"from ingest.store.records import Records; Records({new_database!r}).ping()"
    opening = [subprocess.Popen([sys.executable, "-c", code]) for _ in range(4)]
    assert [process.wait(60) for process in opening] == [0, 0, 0, 0]


def test_a_place_that_cannot_be_written_is_unavailable(tmp_path: Path) -> None:
    with pytest.raises(StoreUnavailable, match="cannot be used"):
        Records(f"sqlite:///{tmp_path / 'no' / 'such' / 'folder.db'}")


def test_the_migrations_lead_to_the_schema(records: Records) -> None:
    assert AccessStore(records).people() == []  # its tables stand in a module of their own
    with records.transaction() as connection:
        assert compare_metadata(MigrationContext.configure(connection), schema.metadata) == []


def test_writers_take_turns_and_what_one_has_read_stays_true(new_database: str) -> None:
    stores = [Records(new_database) for _ in range(4)]
    with ThreadPoolExecutor(len(stores)) as pool:
        appended = list(pool.map(lambda store: store.append_transitions([UP, DOWN], ["log"]), stores))
    # Each begins with the state that the one before it left: of every raise one is kept, and one return.
    assert [len(entries) for entries in appended] == [2, 2, 2, 2]
    states = [entry.new for entry in reversed(stores[0].transitions("site"))]
    assert states == ["unacknowledged", "normal"] * 4
    for store in stores:
        store.close()


def test_a_transition_from_a_state_that_is_past_is_left_out(records: Records) -> None:
    assert [entry.id for entry in records.append_transitions([UP, UP, DOWN], ["log"])] == [1, 2]
    assert len(records.notifications.due("log", 9_000)) == 2


def test_a_muted_transition_is_kept_and_told_to_nobody(records: Records) -> None:
    records.append_transitions([UP._replace(muted="shelved")], ["log", "webhook"])
    assert records.notifications.waiting_channels() == []
    assert records.transitions("site")[0].muted == "shelved"


def test_figures_and_evidence_of_a_transition_come_back(records: Records) -> None:
    kept = UP._replace(
        said=say("{left} left", left=litres(212)), who="warden", evidence=(Evidence("post-1/level", 900, 0.2),)
    )
    records.append_transitions([kept], [])
    assert records.transitions("site") == [kept._replace(id=1)]


def test_alarms_from_before_the_lifecycle_are_brought_up(new_database: str) -> None:
    """As the first migration left them: two states, no acknowledgement."""
    engine = sa.create_engine(new_database)
    config = Config()
    config.set_main_option("script_location", str(Path(schema.__file__).parent / "migrations"))
    config.set_main_option("path_separator", "os")
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
        for old, new in (("normal", "active"), ("active", "normal"), ("normal", "active")):
            connection.execute(
                sa.text(
                    "INSERT INTO transition (site, alarm, time_ms, old, new, reason) VALUES ('s', 'a', 1, :o, :n, 'x')"
                ),
                {"o": old, "n": new},
            )
    engine.dispose()
    store = Records(new_database)
    found = store.transitions("s")
    store.close()
    assert [(entry.old, entry.new) for entry in found] == [
        ("normal", "unacknowledged"),
        ("unacknowledged", "normal"),
        ("normal", "unacknowledged"),
    ]
    assert (found[0].said, found[0].who, found[0].evidence, found[0].muted) == (None, "", (), "")
