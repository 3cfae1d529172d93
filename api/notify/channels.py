"""The ways to people and programs. A channel returns when the receiver has the message, and raises when not."""

from __future__ import annotations

import logging
import ssl
from collections.abc import Mapping
from typing import Protocol

import certifi

from api.notify.message import Message, one_line
from api.notify.recipients import LOG, Recipient, Recipients

log = logging.getLogger("ullage.alarms")


class DeliveryFailed(Exception):
    """The receiver does not have the message; why. It will be sent again.

    retry_after_s  not sooner than this, says the receiver [s]
    """

    def __init__(self, why: str, retry_after_s: float = 0.0) -> None:
        super().__init__(why)
        self.retry_after_s = retry_after_s


class Channel(Protocol):
    """One way to somebody."""

    def deliver(self, message: Message, now_ms: int) -> None:
        """Hand the message over. Raises DeliveryFailed."""
        ...


class LogChannel:
    """One line in the log for each message."""

    def deliver(self, message: Message, now_ms: int) -> None:  # noqa: ARG002 - the log has its own clock
        log.warning("ALARM %s", one_line(message.event["data"]["text"]))


def tls_context() -> ssl.SSLContext:
    """Trusts whom this system trusts (SSL_CERT_FILE adds a house's own), and the list that HTTPX brings along."""
    context = ssl.create_default_context()
    context.load_verify_locations(certifi.where())
    return context


def channels_of(recipients: Recipients) -> Mapping[str, Channel]:
    """A channel for each recipient, by its name, and the log. Raises SettingsError when a package is missing."""
    return {LOG: LogChannel(), **{entry.name: channel_of(entry, recipients) for entry in recipients.recipient}}


def channel_of(recipient: Recipient, recipients: Recipients) -> Channel:
    """The way to one recipient. Each is loaded only where it is used."""
    match recipient.channel:
        case "email":
            from api.notify.mail import MailChannel  # noqa: PLC0415

            return MailChannel(recipient, recipients)
        case "webhook":
            from api.notify.webhook import WebhookChannel  # noqa: PLC0415

            return WebhookChannel(recipient, recipients)
        case "apprise":
            from api.notify.services import ServiceChannel  # noqa: PLC0415

            return ServiceChannel(recipient)
