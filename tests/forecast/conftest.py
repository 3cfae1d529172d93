"""Stores, and levels of Skerrow Head told before a fixed now."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.instants import MINUTE_MS, from_rfc3339
from ingest.reading import Reading
from ingest.store.records import Records
from ingest.store.sqlite import SqliteStore

NOW_MS = from_rfc3339("2026-11-10T10:25:00Z")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "readings.db")
    yield opened
    opened.close()


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Records]:
    opened = Records(f"sqlite:///{tmp_path / 'records.db'}")
    yield opened
    opened.close()


def levels(values: dict[int, float], flags: int = 0) -> list[Reading]:
    """Readings so many minutes before now."""
    return [
        Reading("skerrow-head", NOW_MS - minutes * MINUTE_MS, "post-1/level", value, flags)
        for minutes, value in values.items()
    ]
