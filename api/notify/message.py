"""One message, ready for any channel."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any

from ingest.store.notifications import Notification


@dataclass(frozen=True)
class Message:
    """What one recipient gets.

    id       the same at every attempt, so that a receiver can tell a repeat
    subject  one line, short enough for the lock screen of a phone
    text     the whole of it, plain
    event    the same as a CloudEvent, for programs
    high     whether it is about an alarm of high priority
    answers  id of the message that it follows upon; empty: it stands alone
    """

    id: str
    subject: str
    text: str
    event: dict[str, Any]
    high: bool = False
    answers: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "subject", one_line(self.subject))


def message_id(notification: Notification) -> str:
    """The same for every attempt of a row; different for every row, also of another records store."""
    about = notification.transition
    facts: list[object] = [notification.kind, notification.channel, notification.day]
    if about is not None:
        facts += [about.id, about.site, about.alarm, about.time_ms, about.new]
    return _digest("msg_", facts)


def one_line(text: str) -> str:
    """Without line breaks and what else is no character: somebody's name ends no header and no line of the log."""
    return " ".join("".join(character if character.isprintable() else " " for character in text).split())


def bundle_id(together: list[str]) -> str:
    """The id of a message that holds several."""
    return _digest("set_", sorted(together))


def _digest(mark: str, facts: list[Any]) -> str:
    return mark + hashlib.sha256("\n".join(map(str, facts)).encode()).hexdigest()[:24]
