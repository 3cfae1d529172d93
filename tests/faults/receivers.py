"""A program and a mail server that take alarm messages as badly as they may, and remember what they took."""

from __future__ import annotations

import asyncio
import contextlib
import email
import email.policy
import json
import random
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from tests.api.notify.hook import Hook, Request, listening, says
from tests.conftest import find_free_port

#: How a request is answered, and how often: well, refused, never, long after, and by hanging up.
HOOK_MOODS = {"well": 6, "500": 2, "hangs": 1, "late": 2, "hangs up": 1}
MAIL_MOODS = {"well": 7, "451": 2, "452": 1, "late": 1}
#: Longer than the sender waits, and than it lives.
LONG_S = 1.4


class Receivers:
    """What each took, by id: a receiver that keeps the ids it has seen.

    events  id → the event, of all that the webhook took; a bundle counts by what is in it
    outer   id of an event → ids of the messages in which it came
    mails   Message-ID → how often it was taken
    """

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed)
        self._lock = threading.Lock()
        self.calm = False
        self.events: dict[str, str] = {}
        self.changed: set[str] = set()
        self.outer: dict[str, set[str]] = {}
        self.came: Counter[str] = Counter()
        self.mails: Counter[str] = Counter()
        self.moods: Counter[str] = Counter()

    def mood(self, moods: dict[str, int]) -> str:
        with self._lock:
            chosen = "well" if self.calm else self._random.choices(list(moods), list(moods.values()))[0]
            self.moods[chosen] += 1
            return chosen

    def take_event(self, body: bytes) -> None:
        """Keep a webhook's message, if all of it came; the same id must always hold the same."""
        try:
            event = json.loads(body)
        except ValueError:
            return  # who sent it died in the middle
        with self._lock:
            self.came[event["id"]] += 1
            for one in event["data"].get("events", [event]):
                said = json.dumps(one, sort_keys=True)
                if self.events.setdefault(one["id"], said) != said:
                    self.changed.add(one["id"])
                self.outer.setdefault(one["id"], set()).add(event["id"])

    def take_mail(self, content: bytes) -> None:
        with self._lock:
            self.mails[email.message_from_bytes(content, policy=email.policy.default)["Message-ID"]] += 1


@contextmanager
def hook(receivers: Receivers) -> Iterator[Hook]:
    """The webhook's receiver."""

    with listening() as running:

        def answer(handler: Request) -> None:
            mood, body = receivers.mood(HOOK_MOODS), handler.body
            if mood in ("well", "late", "hangs up"):
                receivers.take_event(body)
            if mood in ("late", "hangs"):
                time.sleep(LONG_S)
            if mood in ("hangs up", "hangs"):
                return
            with contextlib.suppress(OSError):  # who asked may be dead
                says(500 if mood == "500" else 204)(handler)

        running.answer = answer
        yield running


class _Mailroom:
    def __init__(self, receivers: Receivers) -> None:
        self._receivers = receivers
        self._mood = ""

    async def handle_RCPT(  # noqa: N802 - so the server calls it
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[Any]
    ) -> str:
        self._mood = self._receivers.mood(MAIL_MOODS)
        envelope.rcpt_tos.append(address)
        return "451 later" if self._mood == "451" else "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        if self._mood == "452":
            return "452 no room"
        assert isinstance(envelope.content, bytes)
        self._receivers.take_mail(envelope.content)
        if self._mood == "late":
            await asyncio.sleep(LONG_S)
        return "250 OK"


@contextmanager
def mail_server(receivers: Receivers) -> Iterator[int]:
    """The mail server; its port."""
    port = find_free_port()
    controller = Controller(_Mailroom(receivers), hostname="127.0.0.1", port=port)
    controller.start()
    try:
        yield port
    finally:
        controller.stop()
