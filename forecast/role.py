"""The forecaster as a role: open the stores, load the rain, work."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping
from pathlib import Path

from forecast.outlook.record import RainRecord, read_record
from forecast.worker import Worker
from ingest.site import Site
from ingest.store.locate import await_readings
from ingest.store.records import Records

log = logging.getLogger("ullage.forecast")


def run_forecast(
    sites: Mapping[str, Site],
    readings: str,
    records_url: str,
    rain_folder: Path | None,
    every_s: float,
    clock: Callable[[], int],
    stop: threading.Event,
) -> None:
    """Forecast all sites until `stop` is set.

    rain_folder  holds one rain record a site, SITE.csv; a site without one uses monthly means
    Raises RecordFileError on a bad record, StoreUnavailable when a store cannot be opened.
    """
    rain = load_rain(sites, rain_folder)
    store = await_readings(readings, stop)
    records = Records(records_url)
    try:
        Worker(sites, store, records, rain, clock, every_s).run(stop)
    finally:
        store.close()
        records.close()


def load_rain(sites: Mapping[str, Site], folder: Path | None) -> dict[str, RainRecord]:
    """The rain record of each site that has one in the folder."""
    found = {}
    for site in sites:
        file = folder / f"{site}.csv" if folder else None
        if file is not None and file.exists():
            found[site] = read_record(file)
            log.info("%s: rain record %s, %d hours", site, file, len(found[site].rain_mm))
        else:
            log.warning("%s: no rain record; monthly means stand in", site)
    return found
