"""Every reading store, for the suite that all of them must pass.

A new store joins by one more entry in `_OPENERS`: a function that opens it, again and again
on the same data, given a folder of the test's own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from ingest.store.readings import ReadingStore
from ingest.store.sqlite import SqliteStore

Open = Callable[[], ReadingStore]

_OPENERS: dict[str, Callable[[Path], ReadingStore]] = {
    "sqlite": lambda folder: SqliteStore(folder / "readings.db"),
}


@pytest.fixture(params=list(_OPENERS))
def open_store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Open]:
    """Opens the store under test; what was opened is closed at the end."""
    opened: list[ReadingStore] = []

    def opener() -> ReadingStore:
        opened.append(_OPENERS[request.param](tmp_path))
        return opened[-1]

    yield opener
    for store in opened:
        store.close()


@pytest.fixture
def store(open_store: Open) -> ReadingStore:
    return open_store()
