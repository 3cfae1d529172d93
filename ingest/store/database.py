"""What every store in the records database shares: how it is opened, and what its errors become."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import exc

from ingest.errors import StoreUnavailable


def durable(connection: Any, _record: object) -> None:
    """SQLite: readers beside the one writer, and a commit that is on disk when it returns."""
    for pragma in ("journal_mode = WAL", "synchronous = FULL", "busy_timeout = 10000", "foreign_keys = ON"):
        connection.execute(f"PRAGMA {pragma}")


@contextmanager
def translated() -> Iterator[None]:
    """Database errors that may pass become StoreUnavailable; mistakes of ours stay what they are."""
    try:
        yield
    except (exc.OperationalError, exc.InterfaceError, exc.TimeoutError) as error:
        raise StoreUnavailable(f"the records store cannot be used: {error.__cause__ or error}") from error
