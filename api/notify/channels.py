"""Where alarm messages go. A channel returns when the receiver has the message, and raises when not."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import logging
from collections.abc import Mapping
from typing import Final, Protocol

import httpx

from api.notify.message import cloud_event, headline, message_id
from api.settings import Settings, secret_key
from ingest.instants import SECOND_MS
from ingest.site import Site
from ingest.store.records import Transition

log = logging.getLogger("ullage.alarms")

LOG: Final = "log"
WEBHOOK: Final = "webhook"
TIMEOUT: Final = httpx.Timeout(10.0, connect=5.0)


class DeliveryFailed(Exception):
    """The receiver does not have the message; why. It will be sent again."""


class Channel(Protocol):
    """One way to somebody."""

    def deliver(self, transition: Transition, now_ms: int) -> None:
        """Hand the message over. Raises DeliveryFailed."""
        ...

    def close(self) -> None: ...


class LogChannel:
    """One line in the log for each message."""

    def __init__(self, sites: Mapping[str, Site]) -> None:
        self._sites = sites

    def deliver(self, transition: Transition, now_ms: int) -> None:  # noqa: ARG002 - the log has its own clock
        log.warning("ALARM %s", headline(transition, self._sites))

    def close(self) -> None:
        """Nothing to let go of."""


class WebhookChannel:
    """A signed POST of a CloudEvent.

    The receiver has it when it answers 2xx. After a crash between the answer and its record the
    message goes out again under the same webhook-id: receivers keep the ids they have seen.
    """

    def __init__(
        self, url: str, secret: str, sites: Mapping[str, Site], transport: httpx.BaseTransport | None = None
    ) -> None:
        self._url = url
        self._key = secret_key(secret)
        self._sites = sites
        self._client = httpx.Client(timeout=TIMEOUT, transport=transport, follow_redirects=False)

    def deliver(self, transition: Transition, now_ms: int) -> None:
        body = json.dumps(cloud_event(transition, self._sites), allow_nan=False).encode()
        headers = {
            "Content-Type": "application/cloudevents+json; charset=utf-8",
            **signature_headers(self._key, message_id(transition), now_ms // SECOND_MS, body),
        }
        try:
            # Streamed, and the answer's body left unread: a receiver cannot hold us with it.
            with self._client.stream("POST", self._url, content=body, headers=headers) as response:
                if not response.is_success:
                    raise DeliveryFailed(f"the receiver answered {response.status_code}")
        except httpx.HTTPError as error:
            raise DeliveryFailed(f"{type(error).__name__}: {error}") from error

    def close(self) -> None:
        self._client.close()


def signature_headers(key: bytes, message: str, timestamp_s: int, body: bytes) -> dict[str, str]:
    """Standard Webhooks headers: HMAC-SHA256 over `id.timestamp.body`, version 1."""
    signed = b".".join([message.encode(), str(timestamp_s).encode(), body])
    digest = base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()
    return {"webhook-id": message, "webhook-timestamp": str(timestamp_s), "webhook-signature": f"v1,{digest}"}


def channels_of(settings: Settings, sites: Mapping[str, Site]) -> dict[str, Channel]:
    """The channels that the settings ask for, by the name under which they stand in the records."""
    channels: dict[str, Channel] = {LOG: LogChannel(sites)}
    if settings.webhook_url:
        channels[WEBHOOK] = WebhookChannel(settings.webhook_url, settings.webhook_secret, sites)
    return channels
