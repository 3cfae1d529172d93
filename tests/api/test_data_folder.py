"""What is kept is nobody else's business: new folders and files are closed to other users."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from api.whole import prepare
from ingest.role import IngestSettings, run_ingest
from ingest.store.backup import backup, restore
from ingest.store.records import Records
from ingest.store.sqlite import SqliteStore
from tests.conftest import SITES


@pytest.fixture(autouse=True)
def _usual_umask() -> Iterator[None]:
    before = os.umask(0o022)
    yield
    os.umask(before)


def open_to_others(*paths: Path) -> list[Path]:
    return [path for path in paths if path.stat().st_mode & 0o077]


def test_a_new_data_folder_is_closed_to_others(tmp_path: Path) -> None:
    prepare(tmp_path / "data")
    assert open_to_others(tmp_path / "data", tmp_path / "data" / "records.db") == []


def test_the_collector_alone_closes_its_folder_and_the_brokers(tmp_path: Path) -> None:
    stop = threading.Event()
    data = tmp_path / "data"
    settings = IngestSettings(SITES, data, port=0)
    run_ingest(settings, stop, on_start=lambda _collector: stop.set())
    assert open_to_others(data, data / "readings.db", data / "broker") == []


def test_files_and_backups_are_closed_even_in_a_folder_that_is_open(tmp_path: Path) -> None:
    Records(f"sqlite:///{tmp_path / 'records.db'}").close()
    SqliteStore(tmp_path / "readings.db").close()
    for name in ("records.db", "readings.db"):
        backup(tmp_path / name, tmp_path / "copies" / name)
        restore(tmp_path / "copies" / name, tmp_path / "back" / name)
    made = [tmp_path / folder / name for folder in ("", "copies", "back") for name in ("records.db", "readings.db")]
    assert open_to_others(tmp_path / "copies", tmp_path / "back", *made) == []
