"""A table as a page shows it, with `tables.html`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Table:
    """heads: of the columns, the names' first; rows: the name first."""

    caption: str
    heads: Sequence[str]
    rows: Sequence[Sequence[str]]
