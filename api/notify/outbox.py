"""Deliver what is due, mark it sent, and try again later what failed.

The outbox is the records store: a notification is written in the commit of its transition, so
none is lost, and is marked sent only after the receiver has it, so none is skipped.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from threading import Event
from typing import Final

from api.notify.channels import Channel, DeliveryFailed
from ingest.errors import StoreUnavailable
from ingest.instants import HOUR_MS, SECOND_MS
from ingest.store.records import Notification, Records

log = logging.getLogger("ullage.notify")

INTERVAL_S: Final = 2.0
FIRST_RETRY_MS: Final = 10 * SECOND_MS
LAST_RETRY_MS: Final = HOUR_MS


def retry_after_ms(tries: int) -> int:
    """How long to wait after the `tries`-th failure: 10 s, doubled each time, an hour at most. [ms]"""
    return int(min(FIRST_RETRY_MS * 2 ** min(tries - 1, 20), LAST_RETRY_MS))


class Outbox:
    """Feeds the channels from the records. One per records store, or messages go out twice."""

    def __init__(self, records: Records, channels: Mapping[str, Channel], clock: Callable[[], int]) -> None:
        self._records = records
        self._channels = channels
        self._clock = clock

    def run(self, stop: Event, interval_s: float = INTERVAL_S) -> None:
        """Deliver until told to stop. A store out of reach is waited for; anything else escapes."""
        try:
            while not stop.is_set():
                try:
                    self.deliver_due(stop)
                except StoreUnavailable as error:
                    log.warning("messages cannot be read now, trying again in %.0f s: %s", interval_s, error)
                stop.wait(interval_s)
        finally:
            for channel in self._channels.values():
                channel.close()

    def deliver_due(self, stop: Event) -> None:
        """Everything due, oldest first; a channel that fails rests until the next round."""
        failed: set[str] = set()
        for notification in self._records.due_notifications(self._clock()):
            if stop.is_set():
                return
            if notification.channel not in failed and not self._deliver(notification):
                failed.add(notification.channel)

    def _deliver(self, notification: Notification) -> bool:
        try:
            channel = self._channels.get(notification.channel)
            if channel is None:
                raise DeliveryFailed("no such channel is set up any more: set it up again, or let it be")
            channel.deliver(notification.transition, self._clock())
        except DeliveryFailed as error:
            tries = notification.tries + 1
            wait_ms = retry_after_ms(tries)
            self._records.mark_failed(notification.id, tries, self._clock() + wait_ms)
            log.warning(
                "%s: message about %s %s not delivered (attempt %d), next in %d s: %s",
                notification.channel,
                notification.transition.site,
                notification.transition.alarm,
                tries,
                wait_ms // SECOND_MS,
                error,
            )
            return False
        self._records.mark_sent(notification.id, self._clock())
        return True
