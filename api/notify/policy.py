"""Who gets which message now, which waits, and which is not sent at all. Pure: rows, facts and now in, a plan out.

- The beginning of an alarm goes to those who watch the site at that priority. What becomes of it
  goes to those who were told of the beginning, and to nobody else: programs hear all of it; people
  that it is over, and that somebody has acknowledged it where others were told as well.
- Quiet hours: high priority goes; all else waits until they end, and is dropped if the alarm is over by then.
- Nobody gets more than 10 messages in 10 minutes: what is more goes together, in one that lists it.
- A program, the log for one, takes what it gets, one by one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Final, NamedTuple

from api.alarms.types import PRIORITIES, Priority, alarm_id
from api.notify.hours import digest_day, quiet_until, slept
from api.notify.recipients import Recipient
from api.notify.stages import ACKNOWLEDGED, CLOSED, RAISED, stage_of
from ingest.instants import DAY_MS, MINUTE_MS
from ingest.store.notifications import Notification
from ingest.store.transitions import Transition

#: More messages to one recipient within this window go together.
MOST: Final = 10
WINDOW_MS: Final = 10 * MINUTE_MS
#: A message that could not be delivered for so long helps nobody any more.
GIVEN_UP_AFTER_MS: Final = 7 * DAY_MS


class Told(Enum):
    """What a recipient knows of the beginning of an alarm."""

    YES = "yes"
    WAITING = "waiting"
    NO = "no"


class Entry(NamedTuple):
    """A row that is due, and the facts that decide about it.

    told   whether this recipient was told of the beginning
    shared whether others were told as well
    over   whether the alarm's condition has gone by now
    open   whether it still waits for an acknowledgement
    """

    row: Notification
    told: Told
    shared: bool
    over: bool
    open: bool


@dataclass
class Plan:
    """What to do with the rows of one recipient.

    send   each list is one message
    hold   row and not before when [ms]
    drop   row and why
    """

    send: list[list[Notification]] = field(default_factory=list)
    hold: list[tuple[Notification, int]] = field(default_factory=list)
    drop: list[tuple[Notification, str]] = field(default_factory=list)


def plan(recipient: Recipient | None, entries: Sequence[Entry], recent: Sequence[int], now_ms: int) -> Plan:
    """Decide about every due row of one recipient.

    recipient  None: the log, which gets everything
    entries    oldest first
    recent     when messages went there within the window, oldest first [ms]
    """
    made = Plan()
    if recipient is None:
        made.send = [[entry.row] for entry in entries]
        return made
    fresh: list[Notification] = []
    for entry in entries:
        if entry.row.bundle is None:
            fresh += _judge(made, recipient, entry, now_ms)
    tried = _tried(made, recipient, [entry.row for entry in entries if entry.row.bundle is not None], now_ms)
    _group(made, tried, fresh, recent, now_ms)
    return made


def _judge(made: Plan, recipient: Recipient, entry: Entry, now_ms: int) -> list[Notification]:
    """The row, if it may go now; else what becomes of it is noted in the plan."""
    why = _pointless(recipient, entry, now_ms)
    if why:
        made.drop.append((entry.row, why))
        return []
    about = entry.row.transition
    if about is not None and stage_of(about) != RAISED and entry.told == Told.WAITING:
        return []  # the beginning of its alarm goes first
    until_ms = _not_before(recipient, [entry.row], now_ms)
    if until_ms is not None:
        made.hold.append((entry.row, until_ms))
        return []
    return [entry.row]


def _tried(made: Plan, recipient: Recipient, rows: Sequence[Notification], now_ms: int) -> list[list[Notification]]:
    """Messages that were attempted before, each as it was then.

    One may have arrived although we heard nothing of it. So it is not judged again: what goes with it,
    and that it goes, was settled when it was first attempted.
    """
    messages: dict[int | None, list[Notification]] = {}
    for row in rows:
        messages.setdefault(row.bundle, []).append(row)
    ready = []
    for together in messages.values():
        until_ms = _not_before(recipient, together, now_ms)
        if all(_too_old(recipient, row, now_ms) for row in together):
            made.drop += [(row, _too_old(recipient, row, now_ms)) for row in together]
        elif until_ms is not None:
            made.hold += [(row, until_ms) for row in together]
        else:
            ready.append(together)
    return ready


def _pointless(recipient: Recipient, entry: Entry, now_ms: int) -> str:
    """Why a row is never sent; empty: it is."""
    row, about = entry.row, entry.row.transition
    too_old = _too_old(recipient, row, now_ms)
    if about is None or too_old:
        return too_old
    if row.kind == "escalation":
        return "" if entry.open else "acknowledged or over before anybody else was told"
    if stage_of(about) == RAISED:
        return _of_the_beginning(recipient, entry, about, now_ms)
    return _of_the_rest(recipient, entry, about)


def _too_old(recipient: Recipient, row: Notification, now_ms: int) -> str:
    if row.transition is not None:
        return "not delivered within seven days" if now_ms - row.transition.time_ms > GIVEN_UP_AFTER_MS else ""
    newest = digest_day(recipient, now_ms)
    return "a newer report is due" if newest is not None and newest.isoformat() > row.day else ""


def _of_the_beginning(recipient: Recipient, entry: Entry, about: Transition, now_ms: int) -> str:
    if recipient.sites is not None and about.site not in recipient.sites:
        return "another site"
    priority = priority_of(about)
    if PRIORITIES.index(priority) > PRIORITIES.index(recipient.minimum_priority):
        return "below this recipient's minimum priority"
    if entry.over and priority != "high" and slept(recipient, about.time_ms, now_ms):
        return "over before the quiet hours ended"
    return ""


def _of_the_rest(recipient: Recipient, entry: Entry, about: Transition) -> str:
    matters = stage_of(about) != CLOSED and (entry.shared or stage_of(about) != ACKNOWLEDGED)
    if recipient.channel != "webhook" and not matters:
        return "known to those whom it concerns"
    return "this recipient was not told of its beginning" if entry.told == Told.NO else ""


def _not_before(recipient: Recipient, rows: Sequence[Notification], now_ms: int) -> int | None:
    """Until when a message has to wait; None: it need not. [ms] A report comes at its own hour."""
    urgent = any(row.transition is None or priority_of(row.transition) == "high" for row in rows)
    return None if urgent else quiet_until(recipient, now_ms)


def _group(
    made: Plan,
    tried: Sequence[list[Notification]],
    fresh: Sequence[Notification],
    recent: Sequence[int],
    now_ms: int,
) -> None:
    """One by one, or together where that would be too many; what does not fit waits until there is room again."""
    reports = [[row] for row in fresh if row.transition is None]
    alarms = [row for row in fresh if row.transition is not None]
    sent = [sent_ms for sent_ms in recent if sent_ms > now_ms - WINDOW_MS]
    opens_ms = (sent[0] if sent else now_ms) + WINDOW_MS
    before = [*tried, *reports]
    room = max(0, MOST - len(sent))
    made.send += before[:room]
    made.hold += [(row, opens_ms) for together in before[room:] for row in together]
    room = max(0, room - len(before))
    if len(alarms) <= room:
        made.send += [[row] for row in alarms]
    elif room:
        made.send.append(alarms)
    else:
        made.hold += [(row, opens_ms) for row in alarms]


def priority_of(entry: Transition) -> Priority:
    """The priority of the alarm of a transition; of a type that no longer exists, the middle one."""
    alarm = alarm_id(entry.alarm)
    return "medium" if alarm is None else alarm.kind.priority


def escalations(recipient: Recipient, rows: Sequence[Notification], now_ms: int) -> list[Notification]:
    """Of the rows of a recipient about alarms that nobody has acknowledged: those somebody else must hear of now.

    Counted from when this recipient was told, or should have been: a mail server that is down must
    not keep an alarm from the next one.
    """
    if recipient.escalate_after_min is None:
        return []
    after_ms = recipient.escalate_after_min * MINUTE_MS
    return [row for row in rows if not row.dropped and now_ms - _told_ms(recipient, row) >= after_ms]


def _told_ms(recipient: Recipient, row: Notification) -> int:
    if row.sent_ms is not None or row.transition is None:
        return row.sent_ms or row.due_ms
    time_ms = row.transition.time_ms
    high = priority_of(row.transition) == "high"
    return time_ms if high else quiet_until(recipient, time_ms) or time_ms
