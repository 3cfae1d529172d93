"""What the outbox has to know before it decides: who was told, what is over, who else must hear."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from api.alarms.standing import standings
from api.notify.hours import digest_day
from api.notify.policy import Entry, Told, escalations
from api.notify.recipients import LOG, Recipients
from api.notify.stages import RAISED, beginnings, is_over, stage_of
from ingest.site import Site
from ingest.store.notifications import Notification, Notifications
from ingest.store.records import Records
from ingest.store.transitions import Transition
from ingest.watch import BROKER_SITE


class Circumstances:
    """The facts about due rows, read once a round."""

    def __init__(self, records: Records, sites: Mapping[str, Site], now_ms: int) -> None:
        self._records = records
        self._sites = sites
        self._now_ms = now_ms
        self._last: dict[str, dict[str, Transition]] = {}
        self._quiet: dict[str, set[str]] = {}

    def entries(self, rows: Sequence[Notification]) -> list[Entry]:
        """Each row with what decides about it."""
        return [self._entry(row) for row in rows]

    def _entry(self, row: Notification) -> Entry:
        about = row.transition
        if about is None:
            return Entry(row, Told.YES, shared=False, over=False, open=True)
        last = self._last_of(about)
        waits = row.kind == "escalation" and last == about and about.alarm not in self._muted(about.site)
        if row.channel == LOG or stage_of(about) == RAISED:
            return Entry(row, Told.YES, shared=False, over=is_over(last), open=waits)
        told, shared = self._told(row, about)
        return Entry(row, told, shared, is_over(last), waits)

    def _told(self, row: Notification, about: Transition) -> tuple[Told, bool]:
        """What this recipient knows of the beginning, and whether others know of it too."""
        began = beginnings(about, self._records.notifications.history(about))
        known = self._records.notifications.about([entry.id for entry in began])
        mine = [found for found in known if found.channel == row.channel]
        shared = any(found.sent_ms is not None and found.channel not in (row.channel, LOG) for found in known)
        if any(found.sent_ms is not None for found in mine):
            return Told.YES, shared
        return (Told.WAITING if any(found.pending for found in mine) else Told.NO), shared

    def _last_of(self, about: Transition) -> Transition | None:
        if about.site not in self._last:
            self._last[about.site] = self._records.last_transitions(about.site)
        return self._last[about.site].get(about.alarm)

    def _muted(self, site: str) -> set[str]:
        """Alarms that are shelved, out of service, suppressed or folded by now."""
        if site not in self._quiet:
            known = site in self._sites or site == BROKER_SITE
            found = standings(self._records, self._sites.get(site), self._now_ms) if known else []
            self._quiet[site] = {str(entry.alarm) for entry in found if entry.mute is not None}
        return self._quiet[site]


def add_digests(rows: Notifications, recipients: Recipients, now_ms: int) -> None:
    """A row for each report whose hour has come; there is one a recipient and day."""
    for recipient in recipients.recipient:
        day = digest_day(recipient, now_ms)
        if day is not None:
            rows.put("digest", recipient.name, now_ms, day=day.isoformat())


def add_escalations(rows: Notifications, recipients: Recipients, waiting: Sequence[Transition], now_ms: int) -> None:
    """A row for whoever must hear that nobody has acknowledged; one a transition and recipient.

    waiting  the last transitions of the alarms that are unacknowledged
    """
    if not waiting:
        return
    for recipient in recipients.recipient:
        if recipient.escalate_to is None:
            continue
        told = rows.about([entry.id for entry in waiting], recipient.name)
        for row in escalations(recipient, told, now_ms):
            if row.transition is not None:
                rows.put("escalation", recipient.escalate_to, now_ms, about=row.transition.id)
