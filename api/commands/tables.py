"""Tables for a terminal: in one piece, wider than a narrow one rather than cut."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

#: The widest table in one piece. [letters]
_WIDTH = 118


def terminal() -> Console:
    """Where sentences go over the edge and tables stay whole."""
    from rich.console import Console

    console = Console(highlight=False, soft_wrap=True)
    console.width = max(_WIDTH, console.width)
    return console


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> Table:
    """Names to the left, figures to the right; a head may have several lines."""
    from rich.box import SIMPLE
    from rich.table import Table

    made = Table(box=SIMPLE, padding=(0, 1, 0, 0))
    for index, name in enumerate(heads):
        made.add_column(name, justify="left" if index == 0 else "right", no_wrap=True)
    for row in rows:
        made.add_row(*row)
    return made
