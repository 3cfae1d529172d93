"""People to tell, a receiver that can be down, and an outbox between a records store and them."""

from __future__ import annotations

import base64
import threading
from pathlib import Path
from typing import Any

import pytest

from api.notify.channels import Channel, DeliveryFailed
from api.notify.compose import Composer
from api.notify.message import Message
from api.notify.outbox import Outbox
from api.notify.recipients import Recipient, Recipients, Smtp
from ingest.instants import SECOND_MS
from ingest.site import Site
from ingest.store.notifications import Notification
from ingest.store.records import Records, Transition
from tests.api.fakes import NOW_MS, Clock

SECRET = "whsec_" + base64.b64encode(bytes(range(32))).decode()
SITE = "skerrow-head"
ALARM = "battery-low"


def person(name: str = "warden", **changes: Any) -> Recipient:
    return Recipient(name=name, channel="email", address=f"{name}@skerrow.example", **changes)


def program(name: str = "pager", **changes: Any) -> Recipient:
    return Recipient.model_validate(
        {"name": name, "channel": "webhook", "url": "https://alarm.example/hook", "secret": SECRET, **changes}
    )


def people(*recipients: Recipient, **changes: Any) -> Recipients:
    return Recipients(
        recipient=list(recipients), smtp=Smtp(host="mail.example", sender="ullage@tank.example"), **changes
    )


class Receiver:
    """A channel that notes what it got, and fails while told to."""

    def __init__(self) -> None:
        self.got: list[Message] = []
        self.tried = 0
        self.down = False

    def deliver(self, message: Message, now_ms: int) -> None:
        self.tried += 1
        if self.down:
            raise DeliveryFailed("it is down")
        self.got.append(message)

    @property
    def subjects(self) -> list[str]:
        return [message.subject for message in self.got]


class Reports:
    """Writes a report of one line."""

    def digest(self, row: Notification, recipient: Recipient, now_ms: int) -> Message:
        return Message(f"report-{row.day}", f"report of {row.day}", "", {"data": {"text": ""}})


class Post:
    """A records store, those who are told, and the outbox of a process that may be started anew."""

    def __init__(self, records: Records, clock: Clock, sites: dict[str, Site], recipients: Recipients) -> None:
        self.records, self.clock, self.recipients = records, clock, recipients
        self.receivers = {name: Receiver() for name in recipients.names}
        self.composer = Composer(sites, recipients.page or "")
        self.stop = threading.Event()
        self.restart()

    def restart(self) -> None:
        channels: dict[str, Channel] = dict(self.receivers)
        self.outbox = Outbox(self.records, self.recipients, channels, self.composer, Reports(), self.clock)

    def go(self, seconds: float = 0) -> None:
        """Let time pass, then one round."""
        self.clock.now_ms += round(seconds * SECOND_MS)
        self.outbox.deliver_due(self.stop)

    def change(self, new: str, alarm: str = ALARM, site: str = SITE, who: str = "", muted: str = "") -> Transition:
        """The alarm goes into another state now."""
        last = self.records.last_transitions(site).get(alarm)
        old = "normal" if last is None else last.new
        entry = Transition(site, alarm, self.clock.now_ms, old, new, f"{alarm} is {new}.", who=who, muted=muted)
        (appended,) = self.records.append_transitions([entry], self.recipients.names)
        return appended

    def raise_alarm(self, alarm: str = ALARM, site: str = SITE) -> Transition:
        return self.change("unacknowledged", alarm, site)

    def got(self, name: str) -> list[str]:
        return self.receivers[name].subjects

    def kinds(self, name: str) -> list[str]:
        """Types of the events that a recipient got, without what they all begin with."""
        return [message.event["type"].removeprefix("ullage.") for message in self.receivers[name].got]

    def dropped(self, name: str) -> list[str]:
        return [row.dropped for row in self.records.notifications.about(range(1, 200), name) if row.dropped]


@pytest.fixture
def sites(skerrow_head: Site, tarn_orchard: Site) -> dict[str, Site]:
    return {site.id: site for site in (skerrow_head, tarn_orchard)}


@pytest.fixture
def post(records: Records, clock: Clock, sites: dict[str, Site]) -> Post:
    """One person who is told of everything, and the log."""
    return Post(records, clock, sites, people(person()))


@pytest.fixture
def notify_file(tmp_path: Path) -> Path:
    return tmp_path / "notify.toml"


def raised(**changes: Any) -> Transition:
    usual: dict[str, Any] = {
        "site": SITE, "alarm": "tank-low:main", "time_ms": NOW_MS, "old": "normal", "new": "unacknowledged",
        "reason": "600 L can be drawn — below 700 L.", "id": 17,
    }  # fmt: skip
    return Transition(**(usual | changes))


def row_about(entry: Transition, channel: str = "pager", **changes: Any) -> Notification:
    return Notification(1, "alarm", channel, entry)._replace(**changes)
