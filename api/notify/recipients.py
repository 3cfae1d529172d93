"""Who is told of alarms, by which way, in which language, and at which hours: the tables of `notify.toml`.

Immutable; `api.notify.recipientsfile` loads and checks the file. Secrets are `SecretStr`: neither
a log line nor a representation shows them.
"""

from __future__ import annotations

import base64
import binascii
import ipaddress
from datetime import time
from email.headerregistry import Address
from typing import Annotated, Final, Literal
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

import httpx
from pydantic import Field, SecretStr, StringConstraints, field_validator, model_validator
from pydantic_core import PydanticCustomError

from api.alarms.types import Priority
from ingest.part import Id, Part, Positive

#: Their names stand in the records beside those of the recipients.
LOG: Final = "log"

Channel = Literal["email", "webhook", "apprise"]
Port = Annotated[int, Field(strict=True, ge=1, le=65_535)]
Hour = Annotated[int, Field(strict=True, ge=0, le=23)]
ClockTime = Annotated[str, StringConstraints(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]
Line = Annotated[str, StringConstraints(pattern=r"^[^\x00-\x1f\x7f]+$", max_length=2_000)]

_MARK: Final = "whsec_"
#: Kind of the error that says which keys a channel lacks, with what each must be.
LACKING: Final = "lacking"
#: Key lengths of a symmetric secret (Standard Webhooks 1.0.0, "Signature scheme").
_SECRET_BYTES: Final = range(24, 65)
#: What each way needs to know.
_NEEDS: Final[dict[Channel, tuple[str, ...]]] = {
    "email": ("address",), "webhook": ("url", "secret"), "apprise": ("url",)
}  # fmt: skip
_EXPECTED: Final = {
    "address": "a bare e-mail address, such as warden@skerrow.example",
    "url": "an https url without name and password in it (http only to this machine)",
    "secret": "whsec_ followed by the base64 of 24 to 64 random bytes; this makes one: "
    "echo whsec_$(head -c 32 /dev/urandom | base64)",
}


class Recipient(Part):
    """Somebody, or a program, to be told.

    name               under which the messages stand in the records: a new name is a new recipient
    channel            `email`, `webhook` or `apprise`
    address            of an e-mail
    url                of a webhook or of a service that Apprise knows
    secret             `whsec_` and the base64 of 24 to 64 bytes; signs a webhook's messages
    sites              ids of the sites; absent: all
    minimum_priority   nothing below it: `high`, `medium` or `low`
    language           `en` or `es`
    timezone           in which quiet hours and the digest's hour are meant
    quiet_hours        from and until, `["22:00", "06:30"]`: only alarms of high priority go then
    escalate_after_min when an alarm that was told is not acknowledged after so many minutes [min]
    escalate_to        this recipient is told, whatever its own minimum_priority
    digest_hour        local hour of the daily report; absent: none [h]
    """

    name: Id
    channel: Channel
    address: Line | None = None
    url: SecretStr | None = None
    secret: SecretStr | None = None
    sites: Annotated[list[Id], Field(min_length=1)] | None = None
    minimum_priority: Priority = "low"
    language: Literal["en", "es"] = "en"
    timezone: str | None = None
    quiet_hours: Annotated[list[ClockTime], Field(min_length=2, max_length=2)] | None = None
    escalate_after_min: Positive | None = None
    escalate_to: Id | None = None
    digest_hour: Hour | None = None

    @field_validator("name")
    @classmethod
    def _not_taken(cls, name: str) -> str:
        if name == LOG:
            raise ValueError("another name: this one is the log's")
        return name

    @field_validator("address")
    @classmethod
    def _an_address(cls, address: str | None) -> str | None:
        return None if address is None else mail_address(address)

    @field_validator("secret")
    @classmethod
    def _a_signing_secret(cls, secret: SecretStr | None) -> SecretStr | None:
        if secret is not None:
            signing_key(secret.get_secret_value())
        return secret

    @field_validator("timezone")
    @classmethod
    def _a_known_zone(cls, timezone: str | None) -> str | None:
        try:
            ZoneInfo(timezone or "UTC")
        except (KeyError, ValueError, OSError):
            raise ValueError("a name of the time zone database, such as Europe/London") from None
        return timezone

    @model_validator(mode="after")
    def _whole(self) -> Recipient:
        given = {key for key in _EXPECTED if getattr(self, key) is not None}
        needed = _NEEDS[self.channel]
        if lacking := [key for key in needed if key not in given]:
            raise PydanticCustomError(LACKING, "a key is missing", {"keys": {key: _EXPECTED[key] for key in lacking}})
        if given != set(needed):
            raise ValueError(f'{" and ".join(needed)} with channel = "{self.channel}", and nothing else')
        if self.channel == "webhook" and self.url is not None:
            web_url(self.url.get_secret_value())
        if (self.quiet_hours or self.digest_hour is not None) and self.timezone is None:
            raise ValueError("a timezone, because quiet_hours or a digest_hour are given")
        if (self.escalate_after_min is None) != (self.escalate_to is None):
            raise ValueError("escalate_after_min and escalate_to together, or neither")
        if self.escalate_to == self.name:
            raise ValueError("another recipient than itself in escalate_to")
        if self.quiet_hours and self.quiet_hours[0] == self.quiet_hours[1]:
            raise ValueError("two different times in quiet_hours")
        return self

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.timezone or "UTC")

    @property
    def quiet(self) -> tuple[time, time] | None:
        """Local times from and until."""
        if self.quiet_hours is None:
            return None
        return time.fromisoformat(self.quiet_hours[0]), time.fromisoformat(self.quiet_hours[1])


class Smtp(Part):
    """The mail server.

    security   `starttls`, `tls`, or `none`: a server on this machine only
    user, password  how to log in; absent: not at all
    sender     address that the mails come from
    """

    host: Line
    port: Port | None = None
    security: Literal["starttls", "tls", "none"] = "starttls"
    user: Line | None = None
    password: SecretStr | None = None
    sender: Line

    @field_validator("sender")
    @classmethod
    def _an_address(cls, sender: str) -> str:
        return mail_address(sender)

    @model_validator(mode="after")
    def _whole(self) -> Smtp:
        if self.security == "none" and not is_this_machine(self.host):
            raise ValueError('security = "starttls" or "tls": "none" is for a mail server on this machine')
        if (self.user is None) != (self.password is None):
            raise ValueError("user and password together, or neither")
        return self

    @property
    def where(self) -> tuple[str, int]:
        """Host and port; ports as RFC 8314 and RFC 5321 have them."""
        return self.host, self.port or {"starttls": 587, "tls": 465, "none": 25}[self.security]


class Recipients(Part):
    """The whole file.

    page            address of the page as the recipients reach it, for the link in a message
    allow_networks  networks of this house to which webhooks may go although they are not public
    """

    page: Line | None = None
    allow_networks: list[str] = Field(default_factory=list)
    smtp: Smtp | None = None
    recipient: list[Recipient] = Field(default_factory=list)

    @field_validator("page")
    @classmethod
    def _a_web_address(cls, page: str | None) -> str | None:
        if page is not None and (not urlsplit(page).hostname or urlsplit(page).scheme not in ("http", "https")):
            raise ValueError("an address such as https://tank.example/")
        return page if page is None or page.endswith("/") else f"{page}/"

    @field_validator("allow_networks")
    @classmethod
    def _networks(cls, networks: list[str]) -> list[str]:
        for network in networks:
            try:
                ipaddress.ip_network(network)
            except ValueError:
                raise ValueError('networks such as "192.168.1.0/24"') from None
        return networks

    @property
    def names(self) -> tuple[str, ...]:
        """Under which messages stand in the records: the log, and every recipient."""
        return LOG, *(entry.name for entry in self.recipient)

    def named(self, name: str) -> Recipient | None:
        return next((entry for entry in self.recipient if entry.name == name), None)


def signing_key(secret: str) -> bytes:
    """The signing key in a `whsec_` secret. Raises ValueError."""
    if not secret.startswith(_MARK):
        raise ValueError(_EXPECTED["secret"])
    try:
        key = base64.b64decode(secret.removeprefix(_MARK), validate=True)
    except binascii.Error as error:
        raise ValueError(_EXPECTED["secret"]) from error
    if len(key) not in _SECRET_BYTES:
        raise ValueError(_EXPECTED["secret"])
    return key


def web_url(url: str) -> str:
    """An https URL without a password in it; plain http to this machine only, because messages would travel readable.

    Raises ValueError.
    """
    try:
        parts = httpx.URL(url)
    except httpx.InvalidURL:
        raise ValueError(_EXPECTED["url"]) from None
    fitting = ("https", "http") if is_this_machine(parts.host) else ("https",)
    if not parts.host or parts.scheme not in fitting or parts.userinfo:
        raise ValueError(_EXPECTED["url"])
    return url


def mail_address(text: str) -> str:
    """A bare address, `warden@skerrow.example`. Raises ValueError."""
    try:
        address = Address(addr_spec=text)
    except (ValueError, IndexError) as error:
        raise ValueError(_EXPECTED["address"]) from error
    if not address.username or not address.domain or not text.isascii():
        raise ValueError(_EXPECTED["address"])
    return text


def is_this_machine(host: str) -> bool:
    return host in ("localhost", "127.0.0.1", "::1")
