"""The loop: read what is known, predict, record. One site's failure never stops the others."""

from __future__ import annotations

import logging
import threading
import zlib
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from forecast.facts import OLDEST_LEVEL_MS, SPIN_UP_DAYS, gather
from forecast.judging import Judging
from forecast.learned import Learned
from forecast.lessons import Lessons
from forecast.model.peaks import peak_factor
from forecast.outlook.blend import OLDEST_MS
from forecast.outlook.choose import OutlookSettings, choose_outlook
from forecast.outlook.record import RainRecord
from forecast.panel import prepare
from forecast.predict import HORIZON_H, MEMBERS, predict, timeline
from forecast.result import Forecast, encode
from ingest.errors import AsideError, ForecastUnavailable, StoreUnavailable
from ingest.instants import DAY_MS
from ingest.site import Site
from ingest.store.outlooks import GivenOutlooks
from ingest.store.readings import ReadingStore
from ingest.store.records import LogEntry, Records

if TYPE_CHECKING:
    from forecast.outlook.fetch import Fetcher  # and with it httpx, where services are asked

log = logging.getLogger("ullage.forecast")

#: Seconds between two rounds over all sites.
EVERY_S: Final = 600.0
#: Seconds to the next round where a site has no fresh forecast, and how much longer each time.
RETRY_S: Final = 3.0
RETRY_GROWTH: Final = 1.3
#: Forecasts kept in one commit: a commit waits for the disk.
BATCH: Final = 32
#: Bytes that the C library is to keep of what a forecast frees, for the next one.
_KEPT_FREE: Final = 8 << 20
#: Days back in which the site log is looked through: the oldest level and its spin-up.
LOG_DAYS: Final = 25


@dataclass(frozen=True)
class Outlooks:
    """Where the sites' outlooks of weather come from; by default from their season alone.

    settings  by site id
    fetcher   asks the weather services
    past      folder of past outlooks, from which a correction is learnt
    """

    settings: Mapping[str, OutlookSettings] = field(default_factory=dict)
    fetcher: Fetcher | None = None
    past: Path | None = None


def forecast_site(
    site: Site,
    store: ReadingStore,
    record: RainRecord | None,
    now_ms: int,
    *,
    outlooks: Outlooks | None = None,
    without_year: int | None = None,
    log: Sequence[LogEntry] = (),
    learned: Learned | None = None,
    given: bytes | None = None,
) -> Forecast:
    """Gather, look ahead, predict. Raises ForecastUnavailable or StoreUnavailable.

    The same facts at the same instant give the same forecast. Chance is seeded by site and day (UTC): what
    changes from one forecast to the next of a day is what was measured, not the luck of another draw.
    without_year  a calendar year of the record to leave out: for honest forecasts of the past
    learned       what its telemetry taught; None: its file's figures
    log           what people wrote down of the site, of the last weeks
    given         an outlook document that somebody sent for the site
    """
    outlooks = outlooks or Outlooks()
    facts = gather(site, store, now_ms, log)
    rng = np.random.default_rng([zlib.crc32(site.id.encode()), now_ms // DAY_MS])
    outlook = choose_outlook(
        site,
        facts,
        record,
        timeline(facts),
        MEMBERS,
        rng,
        outlooks.settings.get(site.id),
        fetcher=outlooks.fetcher,
        past=outlooks.past,
        without_year=without_year,
        given=given,
    )
    return predict(site, facts, outlook, rng, learned=learned)


def with_peaks(site: Site, record: RainRecord | None) -> Site:
    """The site with the peak factor that its hourly record shows, where its file gives none."""
    if site.rain_peak_factor is not None or record is None or record.daily:
        return site
    return site.model_copy(update={"rain_peak_factor": peak_factor(record.rain_mm)})


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
        outlooks: Outlooks | None = None,
        lessons: Lessons | None = None,
        judging: Judging | None = None,
    ) -> None:
        self._sites = {name: with_peaks(site, rain.get(name)) for name, site in sites.items()}
        self._store = store
        self._records = records
        self._rain = rain
        self._clock = clock
        self._every_s = every_s
        self._outlooks = outlooks
        self._lessons = lessons
        self._judging = judging
        self._given = GivenOutlooks(records)
        self._silent: set[str] = set()
        _keep_freed_memory()

    def run(self, stop: threading.Event) -> None:
        """Work until told to stop: all sites every so often, and between those lacking a fresh forecast."""
        while not stop.is_set():
            lacking, waited_s, wait_s = self.round(), 0.0, min(RETRY_S, self._every_s)
            while lacking and waited_s + wait_s < self._every_s and not stop.wait(wait_s):
                waited_s, wait_s = waited_s + wait_s, wait_s * RETRY_GROWTH
                lacking = self.round(lacking)
            for work in (self._lessons, self._judging):
                if work is not None and not stop.is_set():
                    self._beside(work.go_on)
            stop.wait(self._every_s - waited_s)

    def _beside(self, work: Callable[[int], object]) -> None:
        """What forecasts can do without for a while."""
        try:
            work(self._clock())
        except Exception:
            log.exception("unforeseen error while learning or judging; the forecasts go on")

    def round(self, names: Collection[str] | None = None) -> list[str]:
        """One forecast of each site, or of those named; returns the sites that have no fresh one now."""
        sites = [site for name, site in self._sites.items() if names is None or name in names]
        now_ms = self._clock()
        self._prepare_suns(sites, now_ms)
        return [
            name for first in range(0, len(sites), BATCH) for name in self._batch(sites[first : first + BATCH], now_ms)
        ]

    def _prepare_suns(self, sites: Sequence[Site], now_ms: int) -> None:
        start_ms = now_ms - OLDEST_LEVEL_MS - (SPIN_UP_DAYS + 1) * DAY_MS
        hours = (OLDEST_LEVEL_MS // DAY_MS + SPIN_UP_DAYS + 2) * 24 + HORIZON_H
        try:
            prepare(sites, start_ms, hours)
        except AsideError as error:
            log.warning("the sun is found site by site: %s", error)

    def _batch(self, sites: list[Site], now_ms: int) -> list[str]:
        """Forecasts of some sites, kept in one commit; the sites without a fresh one."""
        try:
            entries = self._records.log(None, now_ms - LOG_DAYS * DAY_MS, now_ms + 1)
            given = self._given.sites(now_ms - OLDEST_MS)
            made = [forecast for site in sites if (forecast := self._one(site, entries, given))]
            self._records.put_forecasts([(forecast.site, forecast.issued_ms, encode(forecast)) for forecast in made])
            if self._judging is not None:
                self._judging.note(made)
        except StoreUnavailable as error:
            log.warning("no forecast for %s: %s", ", ".join(site.id for site in sites), error)
            return [site.id for site in sites]
        for forecast in made:
            log.info(
                "%s: runs out within %d days: %.0f %%; overflows: %.0f %%",
                forecast.site,
                forecast.horizon_h // 24,
                100 * forecast.runs_out.within,
                100 * forecast.overflows.within,
            )
        fresh = {forecast.site for forecast in made if not forecast.stale}
        return [site.id for site in sites if site.id not in fresh]

    def _one(self, site: Site, entries: Sequence[LogEntry], given: Collection[str]) -> Forecast | None:
        own = [entry for entry in entries if entry.site == site.id]
        try:
            sent = self._given.of(site.id) if site.id in given else None
            forecast = forecast_site(
                site,
                self._store,
                self._rain.get(site.id),
                self._clock(),
                outlooks=self._outlooks,
                log=own,
                learned=self._lessons.of(site.id) if self._lessons else None,
                given=sent.document if sent else None,
            )
        except (ForecastUnavailable, StoreUnavailable) as error:
            # Said once, not at every try.
            log.log(
                logging.DEBUG if site.id in self._silent else logging.WARNING, "no forecast for %s: %s", site.id, error
            )
            self._silent.add(site.id)
            return None
        except Exception:
            # A mistake of ours at one site ends no other's forecasts; the alarm of a stale one tells of it.
            log.exception("no forecast for %s: unforeseen error; the other sites go on", site.id)
            return None
        self._silent.discard(site.id)
        return forecast


def _keep_freed_memory() -> None:
    """Free one large block, and the C library keeps up to twice as much of what is freed later.

    So does glibc's malloc (mallopt(3), on its dynamic threshold); with others nothing happens. By default it
    gives a forecast's arrays back at once, and the next site pays again for every page of them.
    """
    np.empty(_KEPT_FREE, dtype=np.uint8)
