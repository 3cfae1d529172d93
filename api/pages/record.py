"""How good the forecasts of a site have been, as its page says it."""

from __future__ import annotations

from api.service import Service
from forecast.track import TRACK_DAYS, record_of
from forecast.track_sayings import track_sayings
from ingest.instants import DAY_MS
from ingest.saying import Saying
from ingest.site import Site


def track(site: Site, service: Service, now_ms: int) -> list[Saying]:
    """The track record in a few sentences; thousands of judgements go into it."""

    def made() -> list[Saying]:
        return track_sayings(record_of(service.records, site.id, now_ms - TRACK_DAYS * DAY_MS, now_ms, now_ms))

    return service.hourly.get(("track", site.id), now_ms, made)
