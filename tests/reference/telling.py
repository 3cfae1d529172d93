"""What the commands of this folder share: options, years played side by side in several processes, and printed rows."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import Any, Protocol, TypeVar

Of = TypeVar("Of")


class Row(Protocol):
    """A NamedTuple of figures."""

    def _asdict(self) -> dict[str, Any]: ...


def parser(description: str, *, workers: bool = False) -> argparse.ArgumentParser:
    """With --json, and with --workers where years are played. The text says what the command holds against what."""
    made = argparse.ArgumentParser(description=description)
    made.add_argument("--json", action="store_true", help="print JSON")
    if workers:
        made.add_argument("--workers", type=int, default=2, help="processes")
    return made


def side_by_side(play: Callable[[int], Of], numbers: Iterable[int], workers: int) -> Iterator[Of]:
    """`play` of each number, in their order. It must be a function of a module, or a partial of one."""
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(play, numbers)


def tell(tables: Mapping[str, Sequence[Row]], *, as_json: bool) -> None:
    """Print all rows: as JSON by the names of their tables, or a line each with what every figure is called."""
    if as_json:
        print(json.dumps({name: [row._asdict() for row in rows] for name, rows in tables.items()}, indent=2))
        return
    for row in (row for rows in tables.values() for row in rows):
        print("  ".join(f"{name} {value}" for name, value in row._asdict().items()))
