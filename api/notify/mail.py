"""An e-mail by SMTP: plain text, one recipient a mail."""

from __future__ import annotations

import smtplib
import ssl
from contextlib import suppress
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from typing import Final

from api.notify.channels import DeliveryFailed, tls_context
from api.notify.message import Message, one_line
from api.notify.recipients import Recipient, Recipients
from api.notify.recipients import Smtp as Server
from ingest.instants import to_datetime

#: For each answer of the server.
WITHIN_S: Final = 15.0


class MailChannel:
    """The mail server has the message when it answers 250 after DATA.

    SMTP knows no ids: after a crash between that answer and its record the mail goes out again. Its
    Message-ID is the same, by which some mail programs show only one of the two.
    """

    def __init__(self, recipient: Recipient, recipients: Recipients, within_s: float = WITHIN_S) -> None:
        assert recipients.smtp is not None  # noqa: S101 - the file was checked
        assert recipient.address is not None  # noqa: S101
        self._server = recipients.smtp
        self._address = recipient.address
        self._tls = None if recipients.smtp.security == "none" else tls_context()  # made once, it is slow to make
        self._within_s = within_s

    def deliver(self, message: Message, now_ms: int) -> None:
        mail = mail_of(message, self._server.sender, self._address, now_ms)
        host, port = self._server.where
        try:
            connection = _connected(self._server, self._tls, self._within_s)
            try:
                if self._server.user is not None and self._server.password is not None:
                    connection.login(self._server.user, self._server.password.get_secret_value())
                connection.send_message(mail, self._server.sender, [self._address])
            finally:
                # It has the mail, or not: how we part changes nothing.
                with suppress(OSError, smtplib.SMTPException):
                    connection.quit()
        except smtplib.SMTPRecipientsRefused as error:
            code, answer = error.recipients[self._address]
            raise DeliveryFailed(f"{host}:{port} refuses {self._address}: {code} {_said(answer)}") from None
        except smtplib.SMTPAuthenticationError as error:
            raise DeliveryFailed(f"{host}:{port} refuses user and password of [smtp]: {error.smtp_code}") from None
        except smtplib.SMTPResponseException as error:
            raise DeliveryFailed(f"{host}:{port} answered {error.smtp_code} {_said(error.smtp_error)}") from None
        except (OSError, smtplib.SMTPException) as error:
            raise DeliveryFailed(f"{host}:{port}: {type(error).__name__}: {error}") from None


def mail_of(message: Message, sender: str, address: str, now_ms: int) -> EmailMessage:
    """The message as a mail (RFC 5322); nobody's out-of-office note answers it (RFC 3834)."""
    domain = sender.rpartition("@")[2]
    mail = EmailMessage(policy=SMTP)
    mail["From"] = f"Ullage <{sender}>"
    mail["To"] = address
    mail["Subject"] = message.subject
    mail["Date"] = format_datetime(to_datetime(now_ms))
    mail["Message-ID"] = f"<{message.id}@{domain}>"
    if message.answers:
        mail["In-Reply-To"] = mail["References"] = f"<{message.answers}@{domain}>"
    mail["Auto-Submitted"] = "auto-generated"
    if message.high:
        mail["Importance"] = "high"  # RFC 2156, section 5.3.4
    mail.set_content(message.text, cte="quoted-printable")  # passes servers that know seven bits only
    return mail


def _connected(server: Server, context: ssl.SSLContext | None, within_s: float) -> smtplib.SMTP:
    host, port = server.where
    if server.security == "tls":
        return smtplib.SMTP_SSL(host, port, timeout=within_s, context=context)
    connection = smtplib.SMTP(host, port, timeout=within_s)
    try:
        if server.security == "starttls":
            connection.starttls(context=context)
    except BaseException:
        connection.close()
        raise
    return connection


def _said(answer: bytes | str) -> str:
    """A server's words, in a line."""
    return one_line(answer.decode("ascii", "replace") if isinstance(answer, bytes) else answer)[:200]
