"""The alarm that belongs to no site: a broker that drops messages. Every increase of its count is a loss."""

from __future__ import annotations

from api.alarms.lifecycle import ACTIVE, NORMAL, state_of
from api.alarms.types import BROKER_DROPPING
from api.words import count
from ingest.instants import DAY_MS
from ingest.store.readings import ReadingStore
from ingest.store.records import Records, Transition
from ingest.totals import increments
from ingest.watch import BROKER_SITE, DROPPED


def broker_due(readings: ReadingStore, records: Records, now_ms: int) -> Transition | None:
    """The transition of the broker's alarm that is due now; None: none is. Raises StoreUnavailable.

    The count starts anew with the broker, so a fall is no loss of what it showed before; what it
    shows after a fall was lost since. Once raised, it is cleared when a day has passed without loss.
    """
    previous = records.last_transitions(BROKER_SITE).get(BROKER_DROPPING.key)
    window_ms = BROKER_DROPPING.off_delay_ms
    seen = readings.range(BROKER_SITE, DROPPED, now_ms - window_ms - DAY_MS, now_ms + 1)
    lost = round(sum(step.amount for step in increments(seen) if step.end_ms > now_ms - window_ms))
    active = state_of(previous) == ACTIVE
    if lost and not active:
        reason = f"Mosquitto dropped {count(lost, 'message')} within the last day."
        return Transition(BROKER_SITE, BROKER_DROPPING.key, now_ms, NORMAL, ACTIVE, reason)
    if active and seen and not lost:
        return Transition(
            BROKER_SITE, BROKER_DROPPING.key, now_ms, ACTIVE, NORMAL, "No message was dropped in the last day."
        )
    return None
