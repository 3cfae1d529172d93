"""Backup, restore and copy, from the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from api.cli import app
from ingest.errors import SettingsError
from ingest.reading import Reading
from ingest.store.records import Records, Transition
from ingest.store.sqlite import SqliteStore


def filled(folder: Path, readings: int) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    store = SqliteStore(folder / "readings.db")
    store.write([Reading("site", 1_000 * number, "post-1/level", float(number)) for number in range(readings)])
    store.close()


def count(file: Path) -> int:
    store = SqliteStore(file, writer=False)
    try:
        return store.counts()["readings"]
    finally:
        store.close()


def test_a_backup_can_be_put_back_and_what_stood_there_is_kept(tmp_path: Path) -> None:
    data, copies = tmp_path / "data", tmp_path / "copies"
    filled(data, 5)
    records = Records(f"sqlite:///{data / 'records.db'}")
    records.append_transitions([Transition("site", "tank-low:main", 1, "normal", "unacknowledged", "low")], [])
    done = CliRunner().invoke(app, ["backup", str(copies), "--data", str(data)])
    assert done.exit_code == 0, done.output
    assert done.output.count("checked") == 2
    records.close()
    filled(data, 9)
    done = CliRunner().invoke(app, ["restore", str(copies), "--data", str(data)])
    assert done.exit_code == 0, done.output
    assert "what stood there is now" in done.output
    assert count(data / "readings.db") == 5


def test_a_backup_says_what_it_did_not_copy_and_of_nothing_is_none(tmp_path: Path) -> None:
    filled(tmp_path / "data", 5)
    done = CliRunner().invoke(app, ["backup", str(tmp_path / "copies"), "--data", str(tmp_path / "data")])
    assert "records.db is not here: back up the database that holds it" in done.output
    done = CliRunner().invoke(app, ["backup", str(tmp_path / "copies"), "--data", str(tmp_path / "nowhere")])
    assert isinstance(done.exception, SettingsError)


def test_a_folder_without_a_backup_is_refused(tmp_path: Path) -> None:
    done = CliRunner().invoke(app, ["restore", str(tmp_path), "--data", str(tmp_path / "data")])
    assert isinstance(done.exception, SettingsError)


@pytest.mark.parametrize("as_json", [False, True])
def test_a_copy_is_counted_and_summed(tmp_path: Path, as_json: bool) -> None:
    filled(tmp_path / "a", 100)
    target = tmp_path / "b" / "readings.db"
    command = ["copy", str(tmp_path / "a" / "readings.db"), str(target), "--data", str(tmp_path / "data")]
    done = CliRunner().invoke(app, [*command, *(["--json"] if as_json else [])])
    assert done.exit_code == 0, done.output
    assert count(target) == 100
    if as_json:
        assert json.loads(done.output)["complete"] is True
    else:
        assert "moved 100 readings" in done.output
