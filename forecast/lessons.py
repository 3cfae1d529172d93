"""Learning beside forecasting: each site anew after a day, a few sites between two rounds."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from typing import Final

from forecast.aside import aside
from forecast.learned import Learned
from forecast.telemetry import Hourly, hourly
from ingest.errors import AsideError, StoreUnavailable
from ingest.instants import DAY_MS
from ingest.site import Site
from ingest.store.readings import ReadingStore

log = logging.getLogger("ullage.forecast")

#: A site is learnt anew when what was learnt is this old.
ANEW_MS: Final = DAY_MS
#: Sites learnt between two rounds: each takes a second or two, and forecasts must not wait for them.
AT_ONCE: Final = 2


class Lessons:
    """What each site has taught so far; empty after a start, filled as rounds go by."""

    def __init__(self, sites: Mapping[str, Site], store: ReadingStore) -> None:
        self._sites = sites
        self._store = store
        self._learned: dict[str, Learned] = {}
        self._learnt_ms: dict[str, int] = {}

    def of(self, site: str) -> Learned | None:
        """What the site has taught; None: it was not looked at yet."""
        return self._learned.get(site)

    def go_on(self, now_ms: int) -> None:
        """Learn a few of the sites whose turn it is, the longest waiting first."""
        due = [name for name in self._sites if now_ms - self._learnt_ms.get(name, now_ms - ANEW_MS) >= ANEW_MS]
        due = sorted(due, key=lambda site: self._learnt_ms.get(site, 0))[:AT_ONCE]
        self._learnt_ms |= dict.fromkeys(due, now_ms)
        seen = {name: hours for name in due if (hours := self._seen(name, now_ms)) is not None}
        if not seen:
            return
        try:
            taught = aside("forecast.teaching:learn_all", [(self._sites[name], hours) for name, hours in seen.items()])
        except AsideError as error:
            log.warning("%s: nothing learnt today: %s", ", ".join(seen), error)
            return
        self._learned |= zip(seen, taught, strict=True)

    def _seen(self, name: str, now_ms: int) -> Hourly | None:
        try:
            return hourly(self._sites[name], self._store, now_ms)
        except StoreUnavailable as error:
            log.warning("%s: nothing learnt today: %s", name, error)
            return None
