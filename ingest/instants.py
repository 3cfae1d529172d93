"""Instants: UTC milliseconds inside, RFC 3339 outside."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

SECOND_MS = 1_000
MINUTE_MS = 60 * SECOND_MS
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS = timedelta(milliseconds=1)


def to_datetime(time_ms: int) -> datetime:
    """Aware UTC datetime of an instant. [ms since 1970-01-01T00:00:00Z]"""
    return _EPOCH + time_ms * _MS


def from_datetime(moment: datetime) -> int:
    """Instant of an aware datetime. [ms] Raises ValueError on a naive one."""
    if moment.tzinfo is None:
        raise ValueError(f"{moment.isoformat()} has no UTC offset: write it as 2026-03-01T12:00:00Z")
    return (moment - _EPOCH) // _MS


def to_rfc3339(time_ms: int) -> str:
    """`2026-03-01T12:00:00Z`, with milliseconds only where there are any (RFC 3339)."""
    timespec = "milliseconds" if time_ms % SECOND_MS else "seconds"
    return to_datetime(time_ms).isoformat(timespec=timespec).replace("+00:00", "Z")


def from_rfc3339(text: str) -> int:
    """Instant of an RFC 3339 text. [ms] Raises ValueError, saying what to write."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text!r} is not a time: write it as 2026-03-01T12:00:00Z") from None
    return from_datetime(moment)


def floor_hour(time_ms: int) -> int:
    """Start of the UTC hour that holds the instant. [ms]"""
    return time_ms - time_ms % HOUR_MS
