"""Quiet hours and the day of a digest, in a recipient's time zone. Pure."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from api.notify.recipients import Recipient
from ingest.instants import from_datetime, to_datetime


def quiet_until(recipient: Recipient, time_ms: int) -> int | None:
    """The end of the quiet hours that hold an instant; None: none do. [ms]"""
    if recipient.quiet is None:
        return None
    begin, end = recipient.quiet
    local = to_datetime(time_ms).astimezone(recipient.zone)
    now = local.time().replace(tzinfo=None)
    overnight = begin > end
    if not (begin <= now or now < end if overnight else begin <= now < end):
        return None
    until = local.date() + timedelta(days=1) if overnight and now >= begin else local.date()
    ends_ms = _instant(until, end.hour, end.minute, recipient)
    # Where the clocks go forward, the end may never stand on them.
    return ends_ms if ends_ms > time_ms else None


def slept(recipient: Recipient, start_ms: int, end_ms: int) -> bool:
    """Whether any quiet hours held between two instants."""
    if recipient.quiet is None:
        return False
    if quiet_until(recipient, start_ms) is not None:
        return True
    local, begin = to_datetime(start_ms).astimezone(recipient.zone), recipient.quiet[0]
    later = begin <= local.time().replace(tzinfo=None)
    begins = local.date() + timedelta(days=1) if later else local.date()
    return _instant(begins, begin.hour, begin.minute, recipient) < end_ms


def digest_day(recipient: Recipient, time_ms: int) -> date | None:
    """The local day whose digest is due at an instant: from its hour until midnight; None: none is."""
    local = to_datetime(time_ms).astimezone(recipient.zone)
    if recipient.digest_hour is None or local.hour < recipient.digest_hour:
        return None
    return local.date()


def _instant(day: date, hour: int, minute: int, recipient: Recipient) -> int:
    return from_datetime(datetime(day.year, day.month, day.day, hour, minute, tzinfo=recipient.zone))
