"""The outbox: what is to be said to whom, what was said, and what needs not be said any more.

A row is one message to one recipient about one thing, and there is one row of each: a restart
finds it as it was. It ends in exactly one of two ways, sent or dropped with the reason why.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final, Literal, NamedTuple

import sqlalchemy as sa

from ingest.store.database import translated
from ingest.store.schema import notification, transition
from ingest.store.transitions import Transition, transition_of

#: Rows that one round may take of one recipient.
ROUND: Final = 500
#: How far back the beginning of an alarm is looked for.
_HISTORY: Final = 50

Kind = Literal["alarm", "escalation", "digest"]


class Notification(NamedTuple):
    """One row.

    kind        `alarm`: a transition; `escalation`: nobody acknowledged it; `digest`: a day's report
    channel     name of the recipient
    transition  what it is about; None for a digest
    day         local day of a digest, `2026-11-25`; empty for the others
    tries       failed so far
    bundle      id of the first row of the message that it goes in, settled before the first attempt, for
                it may arrive although we hear nothing of it; None: not attempted yet
    sent_ms     when the receiver had it [ms]
    dropped     why it is never sent; empty: it is not dropped
    """

    id: int
    kind: Kind
    channel: str
    transition: Transition | None
    day: str = ""
    tries: int = 0
    due_ms: int = 0
    bundle: int | None = None
    sent_ms: int | None = None
    dropped: str = ""

    @property
    def pending(self) -> bool:
        return self.sent_ms is None and not self.dropped


class Notifications:
    """The notifications of a records store. Every method raises StoreUnavailable while it cannot be used."""

    def __init__(self, engine: sa.Engine) -> None:
        self._engine = engine

    def due(self, channel: str, now_ms: int) -> list[Notification]:
        """What waits for a recipient and whose time has come, oldest first."""
        c = notification.c
        return self._read(c.channel == channel, c.sent_ms.is_(None), c.dropped == "", c.due_ms <= now_ms)

    def about(self, transitions: Sequence[int], channel: str | None = None) -> list[Notification]:
        """Every row about these transitions, of one recipient or of all, in any state."""
        mine = [] if channel is None else [notification.c.channel == channel]
        return self._read(notification.c.transition.in_(transitions), *mine)

    def waiting_channels(self) -> list[str]:
        """Names of the recipients for whom anything waits; whoever could be reached comes before who could not."""
        c = notification.c
        waiting = sa.select(c.channel).where(c.sent_ms.is_(None), c.dropped == "")
        wanted = waiting.group_by(c.channel).order_by(sa.func.max(c.tries), c.channel)
        with translated(), self._engine.connect() as connection:
            return list(connection.execute(wanted).scalars())

    def sent_since(self, channel: str, since_ms: int) -> list[int]:
        """When each message went to a recipient, oldest first; a bundle counts once. [ms]"""
        c = notification.c
        message = sa.func.coalesce(c.bundle, c.id)
        wanted = sa.select(sa.func.max(c.sent_ms)).where(c.channel == channel, c.sent_ms > since_ms).group_by(message)
        with translated(), self._engine.connect() as connection:
            return sorted(connection.execute(wanted).scalars())

    def last_in(self, state: str) -> list[Transition]:
        """The newest transition of every alarm of every site that is in a state."""
        c = transition.c
        newest = sa.select(sa.func.max(c.id)).group_by(c.site, c.alarm)
        wanted = sa.select(transition).where(c.id.in_(newest), c.new == state).order_by(c.id)
        with translated(), self._engine.connect() as connection:
            return [transition_of(row) for row in connection.execute(wanted).mappings()]

    def history(self, entry: Transition) -> list[Transition]:
        """The transitions of the same alarm before this one, newest first."""
        c = transition.c
        same = (c.site == entry.site, c.alarm == entry.alarm, c.id < entry.id)
        wanted = sa.select(transition).where(*same).order_by(c.id.desc()).limit(_HISTORY)
        with translated(), self._engine.connect() as connection:
            return [transition_of(row) for row in connection.execute(wanted).mappings()]

    def put(self, kind: Kind, channel: str, due_ms: int, *, about: int | None = None, day: str = "") -> bool:
        """Add a row, unless there is one of this kind for this recipient about the same. Whether it was added."""
        c = notification.c
        same = sa.select(c.id).where(
            c.kind == kind, c.channel == channel, c.day == day, c.transition.is_not_distinct_from(about)
        )
        row = _new_row(kind, channel, about, day, due_ms)
        with translated(), self._engine.begin() as connection:
            if connection.execute(same).first() is not None:
                return False
            connection.execute(sa.insert(notification), row)
        return True

    def mark_sent(self, ids: Sequence[int], now_ms: int) -> None:
        """The receiver has them."""
        self._update(ids, sent_ms=now_ms)

    def mark_failed(self, ids: Sequence[int], tries: int, due_ms: int) -> None:
        """They failed for the `tries`-th time; try again at `due_ms`."""
        self._update(ids, tries=tries, due_ms=due_ms)

    def postpone(self, ids: Sequence[int], due_ms: int) -> None:
        """Not before `due_ms`."""
        self._update(ids, due_ms=due_ms)

    def drop(self, ids: Sequence[int], why: str) -> None:
        """Never."""
        self._update(ids, dropped=why)

    def tie(self, ids: Sequence[int]) -> None:
        """They go in one message, now and at every later attempt."""
        self._update(ids, bundle=min(ids))

    def tied(self, bundle: int) -> list[Notification]:
        """All that go in one message."""
        return self._read(notification.c.bundle == bundle)

    def _update(self, ids: Sequence[int], **values: Any) -> None:
        with translated(), self._engine.begin() as connection:
            connection.execute(sa.update(notification).where(notification.c.id.in_(ids)).values(values))

    def _read(self, *conditions: sa.ColumnElement[bool]) -> list[Notification]:
        wanted = sa.select(notification).where(*conditions).order_by(notification.c.id).limit(ROUND)
        with translated(), self._engine.connect() as connection:
            rows = connection.execute(wanted).mappings().all()
            keys = {row["transition"] for row in rows if row["transition"] is not None}
            found = connection.execute(sa.select(transition).where(transition.c.id.in_(keys))).mappings()
            about = {row["id"]: transition_of(row) for row in found}
        return [_notification(dict(row), about) for row in rows]


def alarm_row(transition_id: int, channel: str, due_ms: int) -> dict[str, Any]:
    """The columns of a new row about a transition."""
    return _new_row("alarm", channel, transition_id, "", due_ms)


def _new_row(kind: Kind, channel: str, about: int | None, day: str, due_ms: int) -> dict[str, Any]:
    row = {"kind": kind, "channel": channel, "transition": about, "day": day}
    return {**row, "tries": 0, "due_ms": due_ms, "dropped": ""}


def _notification(row: Mapping[str, Any], about: Mapping[int, Transition]) -> Notification:
    key = row["transition"]
    return Notification(**{**row, "transition": None if key is None else about[key]})
