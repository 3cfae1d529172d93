"""The forecaster as a role: open the stores, load the rain, work."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from forecast.aside import aside
from forecast.doubts import rain_stand_in
from forecast.judging import Judging
from forecast.lessons import Lessons
from forecast.outlook.choose import SERVICES, OutlookSettings
from forecast.outlook.record import RainRecord
from forecast.worker import Outlooks, Worker
from ingest.errors import RecordFileError
from ingest.site import Site
from ingest.store.locate import await_readings
from ingest.store.records import Records

if TYPE_CHECKING:
    from forecast.outlook.fetch import Fetcher

log = logging.getLogger("ullage.forecast")


def run_forecast(
    sites: Mapping[str, Site],
    readings: str,
    records_url: str,
    rain_folder: Path | None,
    every_s: float,
    clock: Callable[[], int],
    stop: threading.Event,
    *,
    weather: OutlookSettings | None = None,
    cache: Path | None = None,
    data: Path = Path("ullage-data"),
) -> None:
    """Forecast all sites until `stop` is set.

    rain_folder  holds one rain record a site, SITE.csv; a site without one uses monthly means, or a guess
    weather      where outlooks come from; SITE in the path of a document stands for the id of the site
    cache        folder of the weather services' answers and of past outlooks
    data         folder of what is kept beside a database of readings
    Raises RecordFileError on a bad record, AsideError when none could be read, StoreUnavailable when a store
    cannot be opened.
    """
    rain = load_rain(sites, rain_folder)
    store = await_readings(readings, stop, data)
    records = Records(records_url)
    fetcher = _fetcher(weather, cache)
    outlooks = Outlooks({site: _of_site(weather, site) for site in sites} if weather else {}, fetcher, cache)
    try:
        lessons = Lessons(sites, store)
        judging = Judging(sites, store, records)
        Worker(sites, store, records, rain, clock, every_s, outlooks, lessons, judging).run(stop)
    finally:
        if fetcher is not None:
            fetcher.close()
        store.close()
        records.close()


def _fetcher(weather: OutlookSettings | None, cache: Path | None) -> Fetcher | None:
    """Only where a service is to be asked."""
    if weather is None or cache is None or weather.source not in SERVICES:
        return None
    from forecast.outlook.fetch import Fetcher  # noqa: PLC0415 - httpx

    return Fetcher(cache)


def _of_site(weather: OutlookSettings, site: str) -> OutlookSettings:
    """A document is a site's own."""
    return replace(weather, source=weather.source.replace("SITE", site)) if "SITE" in weather.source else weather


def load_rain(sites: Mapping[str, Site], folder: Path | None) -> dict[str, RainRecord]:
    """The rain record of each site that has one in the folder. Raises RecordFileError, or AsideError."""
    if folder is not None and not folder.is_dir():
        raise RecordFileError(f"{folder}: expected a folder of rain records, one SITE.csv for each site's id")
    files = {site: file for site in sites if folder is not None and (file := folder / f"{site}.csv").exists()}
    zones = {site: sites[site].zone for site in files}
    found: dict[str, RainRecord] = aside("forecast.outlook.record:read_records", files, zones) if files else {}
    for site in sites:
        if site in found:
            log.info("%s: rain record %s, %d hours", site, files[site], len(found[site].rain_mm))
        else:
            where = f" {folder / f'{site}.csv'}" if folder else ""
            log.warning("%s: no rain record%s; %s", site, where, rain_stand_in(sites[site]))
    return found
