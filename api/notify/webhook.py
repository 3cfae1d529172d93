"""A signed POST of a CloudEvent, to an address that was checked."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import hmac
import ipaddress
import json
import ssl
from typing import Final

import httpx

from api.notify.channels import DeliveryFailed, tls_context
from api.notify.message import Message
from api.notify.recipients import Recipient, Recipients, signing_key
from api.notify.targets import Address, ForbiddenTargetError, checked_address
from ingest.instants import SECOND_MS

#: For all of it, however slowly an answer trickles in (Standard Webhooks 1.0.0, "Request timeouts": 15 to 30 s).
WITHIN_S: Final = 20.0
#: A receiver that wants to be left alone for longer is asked again after this.
_LONGEST_PAUSE_S: Final = 3_600.0
_PORTS: Final = {"http": 80, "https": 443}


class WebhookChannel:
    """CloudEvents 1.0, structured JSON over HTTP, signed as Standard Webhooks 1.0.0 says (symmetric).

    The receiver has it when it answers 2xx. After a crash between the answer and its record the
    message goes out again under the same webhook-id: receivers keep the ids they have seen.
    A redirect is not followed, and no proxy of the environment is used.
    """

    def __init__(self, recipient: Recipient, recipients: Recipients, within_s: float = WITHIN_S) -> None:
        assert recipient.url is not None  # noqa: S101 - the recipient was checked
        assert recipient.secret is not None  # noqa: S101
        self._url = httpx.URL(recipient.url.get_secret_value())
        self._key = signing_key(recipient.secret.get_secret_value())
        self._allowed = [ipaddress.ip_network(network) for network in recipients.allow_networks]
        # Made once, it is slow to make; a bare one trusts nobody and costs nothing.
        self._tls = tls_context() if self._url.scheme == "https" else ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        self._within_s = within_s

    def deliver(self, message: Message, now_ms: int) -> None:
        body = json.dumps(message.event, allow_nan=False, ensure_ascii=False, separators=(",", ":")).encode()
        try:
            response = asyncio.run(self._post(body, signature_headers(self._key, message.id, now_ms, body)))
        except TimeoutError:
            raise DeliveryFailed(f"{self._url.host} did not answer within {self._within_s:.0f} s") from None
        except ForbiddenTargetError as error:
            raise DeliveryFailed(str(error)) from None
        except (OSError, httpx.HTTPError) as error:
            raise DeliveryFailed(f"{self._url.host}: {type(error).__name__}: {error}") from None
        if not response.is_success:
            raise DeliveryFailed(f"{self._url.host} answered {response.status_code}", retry_after_s(response))

    async def _post(self, body: bytes, headers: dict[str, str]) -> httpx.Response:
        async with asyncio.timeout(self._within_s):
            port = self._url.port or _PORTS[self._url.scheme]
            address = await checked_address(self._url.host, port, self._allowed)
            request = addressed(self._url, address, body, headers)
            async with httpx.AsyncClient(
                verify=self._tls, timeout=self._within_s, trust_env=False, follow_redirects=False
            ) as client:
                # The answer's body is left unread: a receiver cannot hold us with it.
                response = await client.send(request, stream=True)
                await response.aclose()
                return response


def addressed(url: httpx.URL, address: Address, body: bytes, headers: dict[str, str]) -> httpx.Request:
    """A POST that connects to an address, while host name and certificate stay those of the URL."""
    return httpx.Request(
        "POST",
        url.copy_with(host=str(address)),
        content=body,
        headers={
            "Host": url.netloc.decode(),
            "Content-Type": "application/cloudevents+json; charset=utf-8",
            "User-Agent": "Ullage",
            **headers,
        },
        extensions={"sni_hostname": url.host},
    )


def signature_headers(key: bytes, message: str, now_ms: int, body: bytes) -> dict[str, str]:
    """HMAC-SHA256 over `id.timestamp.body`, version 1; the time is that of the attempt. [ms]"""
    timestamp = str(now_ms // SECOND_MS)
    signed = b".".join([message.encode(), timestamp.encode(), body])
    digest = base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()
    return {"webhook-id": message, "webhook-timestamp": timestamp, "webhook-signature": f"v1,{digest}"}


def retry_after_s(response: httpx.Response) -> float:
    """What the receiver asks for in seconds, an hour at most; 0: nothing. [s] A date is not read."""
    try:
        return min(_LONGEST_PAUSE_S, max(0.0, float(response.headers.get("Retry-After", "0"))))
    except ValueError:
        return 0.0
