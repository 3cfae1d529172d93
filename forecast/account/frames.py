"""Tables for a notebook: what is exported, as pandas DataFrames whose `attrs` say the unit of each column."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import pandas as pd

from forecast.account.account import account
from forecast.account.columns import COLUMNS, units
from forecast.account.measured import Measured
from forecast.account.rows import Row, account_rows, hourly_rows, reading_rows
from ingest.site import Site
from ingest.store.readings import ReadingStore


def account_frame(site: Site, measured: Measured) -> pd.DataFrame:
    """The account by month; `attrs["units"]` maps columns to units. Raises SettingsError without a [design]."""
    return frame("account", account_rows(account(site, measured)))


def hourly_frame(
    site: Site, store: ReadingStore, start_ms: int, end_ms: int, sensors: Sequence[str] = ()
) -> pd.DataFrame:
    """Hourly figures of some sensors, or of all."""
    return frame("hourly", hourly_rows(site, store, start_ms, end_ms, sensors))


def reading_frame(
    site: Site, store: ReadingStore, start_ms: int, end_ms: int, sensors: Sequence[str] = ()
) -> pd.DataFrame:
    """Readings of some sensors, or of all, the suspect ones with their flags. It holds them all in memory."""
    return frame("readings", reading_rows(site, store, start_ms, end_ms, sensors))


def frame(table: str, rows: Iterable[Row]) -> pd.DataFrame:
    """Rows as a DataFrame: times are aware timestamps, `attrs` holds `table` and `units`."""
    columns = COLUMNS[table]
    found = pd.DataFrame.from_records(list(rows), columns=[column.name for column in columns])
    for column in columns:
        if column.kind == "time":
            found[column.name] = pd.to_datetime(found[column.name], utc=True, format="ISO8601")
    found.attrs = {"table": table, "units": units(table)}
    return found
