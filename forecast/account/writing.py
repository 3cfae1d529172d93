"""Rows as CSV (RFC 4180, UTF-8) or Parquet, piece by piece.

A text that a spreadsheet would take for a formula gets an apostrophe in front. Parquet carries units
and meanings in the metadata of its fields; it needs pyarrow, which is the extra `parquet`.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from importlib import import_module
from itertools import islice
from typing import Any, Final

from forecast.account.columns import COLUMNS, Column
from forecast.account.rows import Cell, Row
from ingest.errors import SettingsError
from ingest.instants import from_rfc3339

#: Rows of a piece of CSV, and of a row group of Parquet.
CSV_ROWS: Final = 1_000
PARQUET_ROWS: Final = 50_000
#: A spreadsheet takes a text that begins so for a formula (common practice, no source).
FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


def csv_pieces(table: str, rows: Iterable[Row], *, header: bool = True) -> Iterator[bytes]:
    """The header, then a thousand rows at a time, lines ended by CRLF. An unknown value is an empty cell."""
    if header:
        yield _lines([tuple(column.name for column in COLUMNS[table])])
    left = iter(rows)
    while piece := list(islice(left, CSV_ROWS)):
        yield _lines(piece)


def safe(cell: Cell) -> Cell:
    """A cell that no spreadsheet takes for a formula. Numbers are what they are."""
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(FORMULA) else cell


def parquet_pieces(table: str, rows: Iterable[Row]) -> Iterator[bytes]:
    """A Parquet file, a row group at a time. Raises SettingsError where pyarrow is not installed."""
    pa, parquet = _pyarrow()
    columns = COLUMNS[table]
    schema = pa.schema([_field(pa, column) for column in columns], metadata={"table": table})
    out = _Pieces()
    with parquet.ParquetWriter(pa.PythonFile(out, mode="w"), schema, compression="zstd") as writer:
        left = iter(rows)
        while group := list(islice(left, PARQUET_ROWS)):
            arrays = [
                pa.array(_values(column, cells), type=schema.field(column.name).type)
                for column, cells in zip(columns, zip(*group, strict=True), strict=True)
            ]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
            yield out.taken()
    yield out.taken()


def _lines(rows: Iterable[Row]) -> bytes:
    text = io.StringIO(newline="")
    csv.writer(text).writerows([safe(cell) for cell in row] for row in rows)
    return text.getvalue().encode()


class _Pieces(io.RawIOBase):
    """What was written since it was last taken."""

    def __init__(self) -> None:
        super().__init__()
        self._parts: list[bytes] = []

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self._parts.append(bytes(data))
        return len(self._parts[-1])

    def taken(self) -> bytes:
        parts, self._parts = self._parts, []
        return b"".join(parts)


def _field(pa: Any, column: Column) -> Any:
    types = {"time": pa.timestamp("ms", tz="UTC"), "text": pa.string(), "number": pa.float64(), "count": pa.int64()}
    metadata = {"meaning": column.meaning} | ({} if column.unit is None else {"unit": column.unit})
    return pa.field(column.name, types[column.kind], metadata=metadata)


def _values(column: Column, cells: tuple[Cell, ...]) -> list[Any]:
    if column.kind != "time":
        return list(cells)
    return [None if cell is None else from_rfc3339(str(cell)) for cell in cells]


def _pyarrow() -> tuple[Any, Any]:
    try:
        return import_module("pyarrow"), import_module("pyarrow.parquet")
    except ImportError:
        raise SettingsError(
            "Parquet needs pyarrow, which is not installed: add the extra `parquet`, or export CSV"
        ) from None
