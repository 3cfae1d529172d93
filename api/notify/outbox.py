"""Deliver what is due, mark it sent, and try again later what failed.

The outbox is the records store: a notification is written in the commit of its transition, so
none is lost, and is marked sent only after the receiver has it, so none is skipped. What to do
with each row is decided by `policy`, from the records and now.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from threading import Event
from typing import Final, Protocol

from api.alarms.lifecycle import ACTIVE, UNACKNOWLEDGED
from api.notify.channels import Channel, DeliveryFailed
from api.notify.compose import Composer
from api.notify.due import Circumstances, add_digests, add_escalations
from api.notify.message import Message, bundle_id, message_id
from api.notify.policy import WINDOW_MS, plan
from api.notify.recipients import LOG, Recipient, Recipients
from api.notify.stages import RAISED, beginnings, stage_of
from ingest.errors import StoreUnavailable
from ingest.instants import HOUR_MS, MINUTE_MS, SECOND_MS
from ingest.store.notifications import Notification
from ingest.store.records import Records

log = logging.getLogger("ullage.notify")

INTERVAL_S: Final = 2.0
FIRST_RETRY_MS: Final = 10 * SECOND_MS
LAST_RETRY_MS: Final = HOUR_MS
#: How often it is asked whether anybody else has to be told, and whether a report is due.
_LOOK_EVERY_MS: Final = MINUTE_MS // 2


class Digests(Protocol):
    """Writes the daily report."""

    def digest(self, row: Notification, recipient: Recipient, now_ms: int) -> Message: ...


def retry_after_ms(tries: int) -> int:
    """How long to wait after the `tries`-th failure: 10 s, doubled each time, an hour at most. [ms]"""
    return int(min(FIRST_RETRY_MS * 2 ** min(tries - 1, 20), LAST_RETRY_MS))


class Outbox:
    """Feeds the channels from the records. One per records store, or messages go out twice."""

    def __init__(
        self,
        records: Records,
        recipients: Recipients,
        channels: Mapping[str, Channel],
        composer: Composer,
        digests: Digests,
        clock: Callable[[], int],
    ) -> None:
        self._records = records
        self._rows = records.notifications
        self._recipients = recipients
        self._channels = channels
        self._composer = composer
        self._digests = digests
        self._clock = clock
        self._looked_ms: int | None = None

    def run(self, stop: Event, interval_s: float = INTERVAL_S) -> None:
        """Deliver until told to stop. A store out of reach is waited for; anything else escapes."""
        while not stop.is_set():
            try:
                self.deliver_due(stop)
            except StoreUnavailable as error:
                log.warning("messages cannot be read now, trying again in %.0f s: %s", interval_s, error)
            stop.wait(interval_s)

    def deliver_due(self, stop: Event) -> None:
        """Everything due, recipient by recipient, oldest first; one that cannot be reached rests until later."""
        self._look()
        for name in self._rows.waiting_channels():
            if stop.is_set():
                return
            self._serve(name, stop)

    def _look(self) -> None:
        """Add the rows that no transition adds: escalations and digests."""
        now_ms = self._clock()
        if self._looked_ms is not None and 0 <= now_ms - self._looked_ms < _LOOK_EVERY_MS:
            return
        self._looked_ms = now_ms
        add_digests(self._rows, self._recipients, now_ms)
        waiting = self._rows.last_in(UNACKNOWLEDGED)
        add_escalations(self._rows, self._recipients, waiting, now_ms)

    def _serve(self, name: str, stop: Event) -> None:
        now_ms = self._clock()
        due = self._rows.due(name, now_ms)
        if not due:
            return
        recipient = self._recipients.named(name)
        if recipient is None and name != LOG:
            log.warning("%s: messages wait, but there is no such recipient: name it again, or let them be", name)
            self._rows.postpone([row.id for row in due], now_ms + HOUR_MS)
            return
        entries = Circumstances(self._records, self._composer.sites, now_ms).entries(due)
        decided = plan(recipient, entries, self._rows.sent_since(name, now_ms - WINDOW_MS), now_ms)
        for row, why in decided.drop:
            self._rows.drop([row.id], why)
        for row, until_ms in decided.hold:
            self._rows.postpone([row.id], until_ms)
        for together in decided.send:
            if stop.is_set() or not self._deliver(together, recipient, name):
                return

    def _deliver(self, rows: Sequence[Notification], recipient: Recipient | None, name: str) -> bool:
        """One message; whether the receiver has it."""
        ids = [row.id for row in rows]
        if recipient is not None and rows[0].bundle is None:
            self._rows.tie(ids)  # it may arrive although we hear nothing of it: it stays the same message
        try:
            self._channels[name].deliver(self._write(rows, recipient), self._clock())
        except DeliveryFailed as error:
            tries = 1 + max(row.tries for row in rows)
            wait_ms = max(retry_after_ms(tries), round(error.retry_after_s * SECOND_MS))
            self._rows.mark_failed(ids, tries, self._clock() + wait_ms)
            log.warning(
                "%s: not delivered (attempt %d), next in %d s: %s; it was about %s",
                name, tries, wait_ms // SECOND_MS, error, _about(rows),
            )  # fmt: skip
            return False
        self._rows.mark_sent(ids, self._clock())
        return True

    def _write(self, rows: Sequence[Notification], recipient: Recipient | None) -> Message:
        row = rows[0]
        if recipient is not None and row.transition is None:
            return self._digests.digest(row, recipient, self._clock())
        if recipient is not None and len(rows) > 1:
            return self._composer.bundle(rows, recipient)
        return self._composer.alarm(row, recipient, self._beginning(row))

    def _beginning(self, row: Notification) -> str:
        """The id of the message by which this recipient heard of the alarm first."""
        about = row.transition
        if about is None or (row.kind == "alarm" and about.old not in ACTIVE and stage_of(about) == RAISED):
            return ""
        began = beginnings(about, self._rows.history(about))
        known = self._rows.about([entry.id for entry in began], row.channel)
        sent = [found for found in known if found.sent_ms is not None and found.id != row.id]
        if not sent or sent[0].bundle is None:
            return ""
        together = [message_id(found) for found in self._rows.tied(sent[0].bundle)]
        return together[0] if len(together) == 1 else bundle_id(together)


def _about(rows: Sequence[Notification]) -> str:
    if rows[0].transition is None:
        return "the daily report"
    return ", ".join(f"{row.transition.site} {row.transition.alarm}" for row in rows if row.transition is not None)
