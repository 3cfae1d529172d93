"""The outbox's rows: one of each, in order, each ending in one way, and none lost by a migration."""

from __future__ import annotations

from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic import command
from alembic.config import Config

from ingest.store import schema
from ingest.store.records import Records, Transition

UP = Transition("site", "tank-low:main", 1_000, "normal", "unacknowledged", "212 L left")
KNOWN = UP._replace(time_ms=2_000, old="unacknowledged", new="acknowledged")
DOWN = UP._replace(time_ms=3_000, old="acknowledged", new="normal")


def test_a_row_waits_until_it_is_sent(records: Records) -> None:
    records.append_transitions([UP], ["warden"])
    rows = records.notifications
    (row,) = rows.due("warden", 1_000)
    rows.mark_failed([row.id], tries=1, due_ms=9_000)
    assert rows.due("warden", 8_999) == []
    (again,) = rows.due("warden", 9_000)
    assert (again.id, again.tries, again.pending) == (row.id, 1, True)
    rows.mark_sent([row.id], 9_001)
    assert rows.due("warden", 99_000) == []
    assert rows.waiting_channels() == []
    assert [found.sent_ms for found in rows.about([1], "warden")] == [9_001]


def test_a_dropped_row_stays_with_its_reason_and_is_not_sent(records: Records) -> None:
    records.append_transitions([UP], ["warden"])
    rows = records.notifications
    rows.drop([1], "another site")
    assert rows.due("warden", 99_000) == []
    assert [(found.dropped, found.pending) for found in rows.about([1])] == [("another site", False)]


def test_there_is_one_digest_a_recipient_and_day_and_one_escalation_a_transition(records: Records) -> None:
    rows = records.notifications
    records.append_transitions([UP], ["warden"])
    added = [
        rows.put("digest", "warden", 5, day="2026-11-25"),
        rows.put("digest", "warden", 9, day="2026-11-25"),
        rows.put("digest", "trustee", 5, day="2026-11-25"),
        rows.put("digest", "warden", 9, day="2026-11-26"),
        rows.put("escalation", "trustee", 5, about=1),
        rows.put("escalation", "trustee", 9, about=1),
        rows.put("escalation", "warden", 9, about=1),
    ]
    assert added == [True, False, True, True, True, False, True]


@pytest.mark.parametrize("again", [{"transition": 1, "day": ""}, {"transition": None, "day": "2026-11-25"}])
def test_the_database_itself_refuses_a_second_row(records: Records, again: dict[str, object]) -> None:
    records.append_transitions([UP], [])
    row = {"kind": "digest", "channel": "warden", "tries": 0, "due_ms": 1, "dropped": "", **again}
    with records.transaction() as connection:
        connection.execute(sa.insert(schema.notification), row)
    with pytest.raises(sa.exc.IntegrityError), records.transaction() as connection:
        connection.execute(sa.insert(schema.notification), row)


def test_those_that_go_together_count_as_one_message(records: Records) -> None:
    rows = records.notifications
    records.append_transitions([UP, KNOWN, DOWN], ["warden"])
    rows.tie([2, 3])
    assert [row.id for row in rows.tied(2)] == [2, 3]
    rows.mark_sent([1], 100)
    rows.mark_sent([2, 3], 200)
    assert rows.sent_since("warden", 0) == [100, 200]
    assert rows.sent_since("warden", 100) == [200]


def test_the_history_of_an_alarm_is_its_own_and_newest_first(records: Records) -> None:
    other = UP._replace(alarm="battery-low")
    appended = records.append_transitions([UP, other, KNOWN, DOWN], [])
    assert [entry.new for entry in records.notifications.history(appended[-1])] == ["acknowledged", "unacknowledged"]
    assert records.notifications.last_in("unacknowledged") == [appended[1]]


def test_rows_of_an_older_schema_are_kept(new_database: str) -> None:
    engine = sa.create_engine(new_database)
    config = Config()
    config.set_main_option("script_location", str(Path(schema.__file__).parent / "migrations"))
    config.set_main_option("path_separator", "os")
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0005")
        connection.exec_driver_sql(
            "INSERT INTO transition (id, site, alarm, time_ms, old, new, reason) "
            "VALUES (7, 'site', 'battery-low', 1, 'normal', 'unacknowledged', 'low')"
        )
        connection.exec_driver_sql(
            "INSERT INTO notification (transition, channel, tries, due_ms) VALUES (7, 'log', 2, 5)"
        )
    engine.dispose()
    records = Records(new_database)
    (row,) = records.notifications.due("log", 5)
    records.append_transitions([UP], [])  # and ids go on behind those that were copied
    records.close()
    assert row.transition is not None
    assert (row.kind, row.transition.reason, row.tries) == ("alarm", "low", 2)
