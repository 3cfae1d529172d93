"""Learning beside forecasting: each site anew after a day, a few sites between two rounds."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

from ingest.errors import StoreUnavailable
from ingest.instants import DAY_MS
from ingest.site import Site
from ingest.store.readings import ReadingStore

if TYPE_CHECKING:
    from forecast.learn import Learned

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
        from forecast.telemetry import hourly, learn  # noqa: PLC0415 - scikit-learn takes a second to load

        due = [name for name in self._sites if now_ms - self._learnt_ms.get(name, now_ms - ANEW_MS) >= ANEW_MS]
        for name in sorted(due, key=lambda site: self._learnt_ms.get(site, 0))[:AT_ONCE]:
            self._learnt_ms[name] = now_ms
            try:
                self._learned[name] = learn(self._sites[name], hourly(self._sites[name], self._store, now_ms))
            except StoreUnavailable as error:
                log.warning("%s: nothing learnt today: %s", name, error)
