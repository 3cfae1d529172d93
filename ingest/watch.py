"""How the broker is doing, kept like readings: what waits in it, how full it is, what it has lost.

They stand in the readings store under a site that no site file can name, so whoever judges alarms
reads them as it reads a level: `store.latest(BROKER_SITE, now_ms)`, each with its time.

| sensor              | from      | value                                                        |
|---------------------|-----------|--------------------------------------------------------------|
| `nats/waiting`      | bundled   | messages that the collector has not acknowledged             |
| `nats/storage`      | bundled   | share of its bounds, or of the disk if that is less, 0 to 1  |
| `nats/well`         | bundled   | 1, or 0 when it takes nothing more                           |
| `mosquitto/dropped` | Mosquitto | messages dropped since it started: every increase is a loss  |

The first three are renewed each minute, so an old one means that the collector does not run. The
last comes when it changes and at each connection; a fall means that Mosquitto was started anew.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Final

from ingest.instants import MINUTE_MS
from ingest.monitoring import Monitoring
from ingest.reading import Reading
from ingest.store.readings import ReadingStore

log = logging.getLogger(__name__)

#: The ids of sites have no capitals.
BROKER_SITE: Final = "BROKER"
WAITING: Final = "nats/waiting"
STORAGE: Final = "nats/storage"
WELL: Final = "nats/well"
DROPPED: Final = "mosquitto/dropped"
#: Where Mosquitto tells it, for those who may read it.
DROPPED_TOPIC: Final = "$SYS/broker/publish/messages/dropped"

WATCH_EVERY_MS: Final = MINUTE_MS
#: From this share on the log says so too.
NEARLY_FULL: Final = 0.5


class Watch:
    """Looks at the bundled broker when it is time, and stores what it saw; cheap to ask often.

    monitoring  gives the pages of the server that runs now; None while none does
    """

    def __init__(self, monitoring: Callable[[], Monitoring | None], store: ReadingStore) -> None:
        self._monitoring = monitoring
        self._store = store
        self._due_ms: int | None = None
        self._nearly_full = False

    def work(self, now_ms: int) -> None:
        """Look, if it is time; for the first time a minute after the start. Raises what the store raises."""
        if self._due_ms is None or now_ms < self._due_ms - WATCH_EVERY_MS:  # the clock may be set back
            self._due_ms = now_ms + WATCH_EVERY_MS
        if now_ms >= self._due_ms:
            self._due_ms = now_ms + WATCH_EVERY_MS
            self._store.write(self.look(now_ms))

    def look(self, now_ms: int) -> list[Reading]:
        """What there is to be seen now. [UTC ms]"""
        monitoring = self._monitoring()
        if monitoring is None:
            return [Reading(BROKER_SITE, now_ms, WELL, 0.0)]
        seen = {WELL: float(monitoring.trouble() is None)}
        if (stored := monitoring.stored()) is not None:
            seen |= {WAITING: float(stored.messages), STORAGE: stored.share}
            self._say(stored.share)
        return [Reading(BROKER_SITE, now_ms, sensor, value) for sensor, value in seen.items()]

    def _say(self, share: float) -> None:
        """Once for each time that it fills."""
        if share >= NEARLY_FULL and not self._nearly_full:
            log.warning(
                "the broker's store is %.0f %% full: when it is full, devices must keep their readings", share * 100
            )
        self._nearly_full = share >= NEARLY_FULL
