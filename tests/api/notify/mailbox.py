"""A mail server that keeps what it gets: aiosmtpd on loopback."""

from __future__ import annotations

import email
import email.policy
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.message import EmailMessage
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

from tests.conftest import find_free_port


@dataclass
class Mailbox:
    """What an SMTP server took; `says` is its answer to RCPT and to DATA."""

    port: int = 0
    came: list[EmailMessage] = field(default_factory=list)
    raw: list[bytes] = field(default_factory=list)
    logins: list[bytes] = field(default_factory=list)
    at_rcpt: str = "250 OK"
    at_data: str = "250 OK"

    async def handle_RCPT(  # noqa: N802 - so the server calls it
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if self.at_rcpt.startswith("250"):
            envelope.rcpt_tos.append(address)
        return self.at_rcpt

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        assert isinstance(envelope.content, bytes)
        self.raw.append(envelope.content)
        self.came.append(email.message_from_bytes(envelope.content, policy=email.policy.default))
        return self.at_data

    def authenticate(
        self, server: SMTP, session: Session, envelope: Envelope, mechanism: str, data: LoginPassword
    ) -> AuthResult:
        self.logins.append(data.login)
        return AuthResult(success=data.password == b"sesame", handled=False)


@contextmanager
def mail_server(**options: Any) -> Iterator[Mailbox]:
    box = Mailbox()
    box.port = find_free_port()
    controller = Controller(box, hostname="127.0.0.1", port=box.port, authenticator=box.authenticate, **options)
    controller.start()
    try:
        yield box
    finally:
        controller.stop()
