"""What the collector does for its store between two batches: roll hours up, let old readings go."""

from __future__ import annotations

import logging
from typing import Final

from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from ingest.store.readings import RollupStore

log = logging.getLogger(__name__)

ROLL_UP_EVERY_MS: Final = 10 * MINUTE_MS
PRUNE_EVERY_MS: Final = DAY_MS
#: An hour is rolled up this long after its end: most of its late readings have come by then.
GRACE_MS: Final = 5 * MINUTE_MS


class Housekeeping:
    """Rolls up and prunes a store when it is time; cheap to ask often.

    keep_days  readings older than this are deleted, their hourly roll-ups stay; None: all are kept [d]
    """

    def __init__(self, store: RollupStore, keep_days: float | None = None) -> None:
        self._store = store
        self._keep_days = keep_days
        self._roll_up_at_ms = 0
        self._prune_at_ms = 0

    def work(self, now_ms: int) -> None:
        """Do what is due. A clock set back makes it due at once. Raises what the store raises."""
        if not self._roll_up_at_ms - ROLL_UP_EVERY_MS <= now_ms < self._roll_up_at_ms:
            self._store.roll_up(now_ms - GRACE_MS)
            self._roll_up_at_ms = now_ms + ROLL_UP_EVERY_MS
        if self._keep_days is None or self._prune_at_ms - PRUNE_EVERY_MS <= now_ms < self._prune_at_ms:
            return
        gone = self._store.prune((now_ms - round(self._keep_days * DAY_MS)) // HOUR_MS * HOUR_MS)
        self._prune_at_ms = now_ms + PRUNE_EVERY_MS
        if gone:
            log.info("%d readings older than %g days deleted; their hourly roll-ups stay", gone, self._keep_days)
