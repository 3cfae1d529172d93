"""The alarm that belongs to no site: a broker that drops messages. Every increase of its count is a loss."""

from __future__ import annotations

from api.alarms.rules import Finding, unknown
from api.alarms.types import BROKER_DROPPING
from ingest.instants import DAY_MS
from ingest.saying import number, say
from ingest.store.readings import ReadingStore
from ingest.store.records import Evidence
from ingest.totals import increments
from ingest.watch import BROKER_SITE, DROPPED


def broker_dropping(readings: ReadingStore, now_ms: int) -> Finding:
    """Whether the broker dropped messages within the last day. Raises StoreUnavailable.

    The count starts anew with the broker, so a fall is no loss of what it showed before; what it
    shows after a fall was lost since.
    """
    window_ms = BROKER_DROPPING.off_delay_ms
    seen = readings.range(BROKER_SITE, DROPPED, now_ms - window_ms - DAY_MS, now_ms + 1)
    if not seen:
        return unknown("The broker does not tell what it drops.")
    lost = round(sum(step.amount for step in increments(seen) if step.end_ms > now_ms - window_ms))
    evidence = tuple(Evidence(DROPPED, reading.time_ms, reading.value) for reading in seen[-2:])
    if lost:
        return Finding(
            True, 0, say("Messages that Mosquitto dropped within the last day: {lost}.", lost=number(lost)), evidence
        )
    return Finding(False, window_ms, say("No message was dropped in the last day."), evidence)
