"""How good the forecasts of a site have been, as its page says it."""

from __future__ import annotations

from api.service import Service
from forecast.track import TRACK_DAYS, record_of
from forecast.track_sayings import track_sayings
from ingest.instants import DAY_MS, floor_hour
from ingest.saying import Saying
from ingest.site import Site


def track(site: Site, service: Service, now_ms: int) -> list[Saying]:
    """The track record in a few sentences, put together once an hour: thousands of judgements go into it."""
    hour_ms = floor_hour(now_ms)
    kept = service.told.get(site.id)
    if kept is None or kept[0] != hour_ms:
        record = record_of(service.records, site.id, hour_ms - TRACK_DAYS * DAY_MS, hour_ms, now_ms)
        kept = service.told[site.id] = (hour_ms, track_sayings(record))
    return kept[1]
