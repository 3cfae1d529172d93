"""The command `ullage export`: readings, hours, the account or forecasts of a site as CSV or Parquet."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, BinaryIO

import typer

from api.commands.account import FromOption, ToOption, span_of
from api.options import DataOption, ReadingsOption, RecordsOption, SiteArgument
from ingest.errors import SettingsError

if TYPE_CHECKING:
    from forecast.account.rows import Row
    from ingest.site import Site


class What(StrEnum):
    """A table to export."""

    READINGS = "readings"
    HOURLY = "hourly"
    ACCOUNT = "account"
    FORECASTS = "forecasts"


class Form(StrEnum):
    """A form to write it in."""

    CSV = "csv"
    PARQUET = "parquet"


def export(
    site: SiteArgument,
    what: Annotated[What, typer.Argument(help="Which table.")],
    start: FromOption = None,
    end: ToOption = None,
    out: Annotated[Path | None, typer.Option("--out", help="File to write; default: standard output.")] = None,
    form: Annotated[Form, typer.Option("--form", help="How to write it.")] = Form.CSV,
    sensor: Annotated[list[str] | None, typer.Option("--sensor", help="Only this sensor, DEVICE/NAME.")] = None,
    after: Annotated[
        str | None, typer.Option("--after", help="Go on after this row: its key, such as post-1/level,TIME.")
    ] = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on in the CSV file of --out, after its last whole row.")
    ] = False,
    rain: Annotated[
        Path | None, typer.Option("--rain", help="For the account: rain record for hours without a gauge.")
    ] = None,
    data: DataOption = Path("ullage-data"),
    readings: ReadingsOption = "",
    records: RecordsOption = "",
) -> None:
    """Take a table away as CSV or Parquet, row by row, to be taken up again where it broke off."""
    from forecast.account.writing import csv_pieces, parquet_pieces
    from ingest.sitefile import load_site

    described = load_site(site)
    if resume:
        after = _resumed(out, form, what)
    with _rows(described, what, start, end, sensor or [], after, rain, data, readings, records) as rows:
        pieces = parquet_pieces(what, rows) if form is Form.PARQUET else csv_pieces(what, rows, header=after is None)
        if out is None:
            _write(sys.stdout.buffer, pieces)
            return
        with out.open("ab" if resume else "wb") as file:
            _write(file, pieces)
    typer.echo(f"{out}: {out.stat().st_size:,} bytes", err=True)


def _write(file: BinaryIO, pieces: Iterable[bytes]) -> None:
    for piece in pieces:
        file.write(piece)


def _resumed(out: Path | None, form: Form, what: What) -> str | None:
    """Cut a broken last line off the file, and say after which row to go on. None: from the beginning."""
    import csv

    from forecast.account.rows import cursor_of

    if out is None or form is not Form.CSV:
        raise SettingsError("--resume: expected a CSV file in --out; a Parquet file cannot be taken up again")
    if not out.exists():
        return None
    with out.open("r+b") as file:
        whole = 0
        last = b""
        lines = 0
        for line in file:
            if not line.endswith(b"\r\n"):
                break
            whole, last, lines = whole + len(line), line, lines + 1
        file.truncate(whole if lines > 1 else 0)
    if lines < 2:
        return None
    row = next(csv.reader([last.decode()]))
    return cursor_of(what, row)


@contextmanager
def _rows(
    site: Site,
    what: What,
    start: str | None,
    end: str | None,
    sensors: list[str],
    after: str | None,
    rain: Path | None,
    data: Path,
    readings: str,
    records: str,
) -> Iterator[Iterator[Row]]:
    from forecast.account.account import account
    from forecast.account.measured import read_measured
    from forecast.account.rows import account_rows, forecast_rows, hourly_rows, reading_rows
    from forecast.outlook.record import read_record
    from ingest.store.locate import open_readings
    from ingest.store.records import Records

    start_ms, end_ms = span_of(site, start, end)
    if what is What.FORECASTS:
        kept = Records(records or f"sqlite:///{data / 'records.db'}")
        try:
            yield forecast_rows(site, kept.forecasts, start_ms, end_ms, after)
        finally:
            kept.close()
        return
    store = open_readings(readings or str(data / "readings.db"), data=data)
    try:
        if what is What.ACCOUNT:
            record = None if rain is None else read_record(rain, site.zone)
            yield account_rows(account(site, read_measured(site, store, start_ms, end_ms, record)), after)
        else:
            make = reading_rows if what is What.READINGS else hourly_rows
            yield make(site, store, start_ms, end_ms, sensors, after)
    finally:
        store.close()
