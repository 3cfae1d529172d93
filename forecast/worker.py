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
#: Seconds between looks for a site that could not be forecast yet.
RETRY_S: Final = 5.0
#: Rain of a month where the site file promises nothing and no record exists. [mm] A guess, and named so.
GUESSED_MONTH_MM: Final = 60.0


def forecast_site(site: Site, store: ReadingStore, record: RainRecord | None, now_ms: int) -> Forecast:
    """Gather, look ahead, predict. Raises ForecastUnavailable or StoreUnavailable.

    The same facts at the same instant give the same forecast: chance is seeded by site and time.
    """
    facts = gather(site, store, now_ms)
    rng = np.random.default_rng([zlib.crc32(site.id.encode()), now_ms])
    return predict(site, facts, outlook_for(site, facts, record, rng), rng)


def outlook_for(site: Site, facts: Facts, record: RainRecord | None, rng: np.random.Generator) -> Outlook:
    """Windows of the rain record where there is one for this season, else monthly means."""
    start_ms, hours = timeline(facts)
    if record is not None:
        try:
            return history_outlook(record, start_ms, hours, MEMBERS, rng)
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
        while not stop.is_set():
            done = self.round()
            stop.wait(self._every_s if done == len(self._sites) else min(RETRY_S, self._every_s))

    def round(self) -> int:
        """One forecast of every site; returns how many succeeded."""
        done = 0
        for site in self._sites.values():
            try:
                self._one(site)
            except (ForecastUnavailable, StoreUnavailable) as error:
                log.warning("no forecast for %s: %s", site.id, error)
            else:
                done += 1
        return done

    def _one(self, site: Site) -> None:
        forecast = forecast_site(site, self._store, self._rain.get(site.id), self._clock())
        self._records.put_forecast(site.id, forecast.issued_ms, encode(forecast))
        log.info(
            "forecast for %s: runs out within %d h with probability %.2f",
            site.id,
            forecast.horizon_h,
            forecast.runs_out.within,
        )
