"""The loop: read what is known, predict, record. One site's failure never stops the others."""

from __future__ import annotations

import logging
import threading
import zlib
from collections.abc import Callable, Mapping
from typing import Final

import numpy as np

from forecast.facts import Facts, gather
from forecast.outlook.ensemble import Outlook
from forecast.outlook.history import history_outlook
from forecast.outlook.monthly import monthly_outlook
from forecast.outlook.record import RainRecord
from forecast.predict import MEMBERS, predict, timeline
from forecast.result import Forecast, encode
from ingest.errors import ForecastUnavailable, StoreUnavailable
from ingest.site import Site
from ingest.store.readings import ReadingStore
from ingest.store.records import Records

log = logging.getLogger("ullage.forecast")

#: Seconds between two rounds over all sites.
EVERY_S: Final = 600.0
#: Seconds to the next round where a site has no fresh forecast, and how much longer each time.
RETRY_S: Final = 3.0
RETRY_GROWTH: Final = 1.3
#: Rain of a month where the site file promises nothing and no record exists. [mm] A guess, and named so.
GUESSED_MONTH_MM: Final = 60.0


def forecast_site(
    site: Site, store: ReadingStore, record: RainRecord | None, now_ms: int, *, without_year: int | None = None
) -> Forecast:
    """Gather, look ahead, predict. Raises ForecastUnavailable or StoreUnavailable.

    The same facts at the same instant give the same forecast: chance is seeded by site and time.
    without_year  a calendar year of the record to leave out: for honest forecasts of the past
    """
    facts = gather(site, store, now_ms)
    rng = np.random.default_rng([zlib.crc32(site.id.encode()), now_ms])
    return predict(site, facts, outlook_for(site, facts, record, rng, without_year), rng)


def outlook_for(
    site: Site, facts: Facts, record: RainRecord | None, rng: np.random.Generator, without_year: int | None = None
) -> Outlook:
    """Windows of the rain record where there is one for this season, else monthly means."""
    start_ms, hours = timeline(facts)
    if record is not None:
        try:
            return history_outlook(record, start_ms, hours, MEMBERS, rng, without_year=without_year)
        except ForecastUnavailable as error:
            log.warning("%s: %s; monthly means stand in", site.id, error)
    monthly = site.design.rain_mm if site.design else [GUESSED_MONTH_MM] * 12
    return monthly_outlook(monthly, start_ms, hours, MEMBERS, rng)


class Worker:
    """Forecasts every site every `every_s` seconds, and soon for one that had nothing to go on."""

    def __init__(
        self,
        sites: Mapping[str, Site],
        store: ReadingStore,
        records: Records,
        rain: Mapping[str, RainRecord],
        clock: Callable[[], int],
        every_s: float = EVERY_S,
    ) -> None:
        self._sites = sites
        self._store = store
        self._records = records
        self._rain = rain
        self._clock = clock
        self._every_s = every_s

    def run(self, stop: threading.Event) -> None:
        """Work until told to stop."""
        wait_s = RETRY_S
        while not stop.is_set():
            wait_s = self._every_s if self.round() else min(wait_s * RETRY_GROWTH, self._every_s)
            stop.wait(wait_s)

    def round(self) -> bool:
        """One forecast of every site; returns whether each has a fresh one now."""
        fresh = [self._one(site) for site in self._sites.values()]
        return all(fresh)

    def _one(self, site: Site) -> bool:
        now_ms = self._clock()
        try:
            forecast = forecast_site(site, self._store, self._rain.get(site.id), now_ms)
            self._records.put_forecast(site.id, now_ms, encode(forecast))
        except (ForecastUnavailable, StoreUnavailable) as error:
            log.warning("no forecast for %s: %s", site.id, error)
            return False
        log.info(
            "%s: runs out within %d days: %.0f %%; overflows: %.0f %%",
            site.id,
            forecast.horizon_h // 24,
            100 * forecast.runs_out.within,
            100 * forecast.overflows.within,
        )
        return not forecast.stale
