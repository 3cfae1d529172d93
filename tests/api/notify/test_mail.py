"""E-mail over a real SMTP server: TLS, login, refusals, repeats."""

from __future__ import annotations

import email
import ssl
from collections.abc import Iterator
from typing import Any

import pytest

from api.notify.channels import DeliveryFailed
from api.notify.compose import Composer
from api.notify.mail import MailChannel, mail_of
from api.notify.message import Message
from api.notify.recipients import Recipients, Smtp
from ingest.site import Site
from tests.api.fakes import NOW_MS
from tests.api.notify.conftest import people, person, raised, row_about
from tests.api.notify.hook import PEM
from tests.api.notify.mailbox import Mailbox, mail_server

ANSWERED = Message(
    "msg_2", "Over: Battery is low – Skerrow Head", "Battery 12.60 V — well.\nTank 2,130 L.", {}, answers="msg_1"
)


@pytest.fixture
def box() -> Iterator[Mailbox]:
    with mail_server() as running:
        yield running


def channel(box: Mailbox, **changes: Any) -> MailChannel:
    usual = {"host": "127.0.0.1", "port": box.port, "security": "none", "sender": "ullage@tank.example"}
    warden = person()
    return MailChannel(warden, Recipients(recipient=[warden], smtp=Smtp.model_validate({**usual, **changes})), 5)


def test_a_mail_says_in_its_subject_how_urgent_it_is_what_and_where(box: Mailbox, skerrow_head: Site) -> None:
    message = Composer({skerrow_head.id: skerrow_head}).alarm(row_about(raised(), "warden"), person())
    channel(box).deliver(message, NOW_MS)
    (mail,) = box.came
    assert mail["Subject"] == "Act within 24 hours: Tank main is low – Skerrow Head bird observatory"
    assert (mail["To"], mail["From"]) == ("warden@skerrow.example", "Ullage <ullage@tank.example>")
    assert mail["Date"].datetime.isoformat() == "2026-11-25T12:04:00+00:00"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail.get_content_type() == "text/plain"
    assert mail.get_content().replace("\r\n", "\n").strip() == message.text.strip()
    assert all(len(line) <= 998 and max(line, default=0) < 128 for line in box.raw[0].splitlines())  # RFC 5321, 4.5.3


def test_a_repeat_has_the_same_message_id_and_follows_upon_its_beginning(box: Mailbox) -> None:
    way = channel(box)
    way.deliver(ANSWERED, NOW_MS)
    way.deliver(ANSWERED, NOW_MS + 60_000)
    assert [mail["Message-ID"] for mail in box.came] == ["<msg_2@tank.example>"] * 2
    assert box.came[0]["In-Reply-To"] == box.came[0]["References"] == "<msg_1@tank.example>"


def test_what_is_high_is_marked_so() -> None:
    high = mail_of(Message("m", "s", "t", {}, high=True), "a@b.example", "c@d.example", NOW_MS)
    assert (high["Importance"], mail_of(ANSWERED, "a@b.example", "c@d.example", NOW_MS)["Importance"]) == ("high", None)


@pytest.mark.parametrize("answer", ["451 later", "550 no such user", "552 full"])
def test_a_refused_address_is_not_delivered(box: Mailbox, answer: str) -> None:
    box.at_rcpt = answer
    with pytest.raises(DeliveryFailed, match=f"refuses warden@skerrow.example: {answer}"):
        channel(box).deliver(ANSWERED, NOW_MS)


def test_a_mail_that_is_not_taken_is_not_delivered(box: Mailbox) -> None:
    box.at_data = "452 no room"
    with pytest.raises(DeliveryFailed, match="answered 452 no room"):
        channel(box).deliver(ANSWERED, NOW_MS)


def test_nobody_there_is_not_delivered() -> None:
    with mail_server() as gone:
        pass
    with pytest.raises(DeliveryFailed, match="ConnectionRefusedError"):
        channel(gone).deliver(ANSWERED, NOW_MS)


def server_tls() -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(PEM)
    return context


def test_login_over_starttls(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SSL_CERT_FILE", str(PEM))
    with mail_server(tls_context=server_tls(), require_starttls=True, auth_required=True) as box:
        given = {"host": "localhost", "security": "starttls", "user": "ullage", "password": "sesame"}
        channel(box, **given).deliver(ANSWERED, NOW_MS)
        assert (len(box.came), box.logins) == (1, [b"ullage"])
        with pytest.raises(DeliveryFailed, match=r"refuses user and password of \[smtp\]") as caught:
            channel(box, **{**given, "password": "open-it"}).deliver(ANSWERED, NOW_MS)
        assert "open-it" not in str(caught.value)


def test_a_server_that_cannot_be_trusted_gets_no_password() -> None:
    with mail_server(tls_context=server_tls()) as box:
        given = {"host": "localhost", "user": "ullage", "password": "sesame"}
        with pytest.raises(DeliveryFailed, match="CERTIFICATE_VERIFY_FAILED"):
            channel(box, security="starttls", **given).deliver(ANSWERED, NOW_MS)
        assert (box.logins, box.came) == ([], [])


def test_a_server_without_starttls_gets_no_mail(box: Mailbox) -> None:
    with pytest.raises(DeliveryFailed, match="STARTTLS"):
        channel(box, host="localhost", security="starttls").deliver(ANSWERED, NOW_MS)
    assert box.came == []


def test_tls_from_the_first_byte(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SSL_CERT_FILE", str(PEM))
    with mail_server(ssl_context=server_tls()) as box:
        channel(box, host="localhost", security="tls").deliver(ANSWERED, NOW_MS)
        assert len(box.came) == 1


@pytest.mark.parametrize("line", ["a\r\nBcc: x@y.example", "a\nBcc: x@y.example", "a\x00\u2028Bcc: x@y.example"])
def test_no_name_smuggles_a_header_in(line: str) -> None:
    mail = mail_of(Message("m", line, "t", {}), "a@b.example", "c@d.example", NOW_MS)
    assert email.message_from_bytes(mail.as_bytes()).keys() == mail.keys()
    assert mail["Subject"] == "a Bcc: x@y.example"


def test_the_settings_show_no_password() -> None:
    assert "sesame" not in repr(people(person()).smtp)
