"""The design check as the API asks for it of another process (`forecast.backroom`), which reads the record too."""

from __future__ import annotations

from pathlib import Path

from forecast.outlook.record import read_record
from forecast.sizing.check import design_check
from forecast.sizing.result import DesignCheck
from ingest.site import Site


def design_check_with(site: Site, record: Path | None) -> DesignCheck:
    """Over the record of a file, or the site's monthly means without one. Raises RecordFileError, SettingsError."""
    return design_check(site, None if record is None else read_record(record, site.zone))
