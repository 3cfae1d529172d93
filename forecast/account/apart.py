"""The account as the API asks for it of another process (`forecast.backroom`): the rain record is read there too."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from forecast.account.account import account
from forecast.account.measured import Measured
from forecast.account.result import Account, WhatIf
from forecast.account.whatif import what_if
from forecast.outlook.record import read_record
from ingest.site import Site


def account_with(site: Site, seen: Measured, record: Path | None) -> Account:
    """The account. record: file that tells the rain of hours without a gauge. Raises RecordFileError."""
    rain = None if record is None else read_record(record, site.zone)
    return account(site, seen if rain is None else seen.with_rain(rain), rain)


def what_if_with(site: Site, seen: Measured, record: Path | None, changes: Sequence[str]) -> WhatIf:
    """The same months with something changed. Raises RecordFileError, SettingsError, SiteFileError."""
    return what_if(site, seen if record is None else seen.with_rain(read_record(record, site.zone)), changes)
