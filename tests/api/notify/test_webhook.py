"""The webhook: a CloudEvent, signed as Standard Webhooks says; checked with that project's own library."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator

import pytest
import standardwebhooks

from api.notify.channels import DeliveryFailed
from api.notify.compose import Composer
from api.notify.message import Message, message_id
from api.notify.recipients import Recipients
from api.notify.webhook import WebhookChannel
from ingest.site import Site
from ingest.store.records import Evidence
from tests.api.notify.conftest import SECRET, people, program, raised, row_about
from tests.api.notify.hook import PEM, Came, Hook, Request, listening, says

NOW_MS = time.time_ns() // 1_000_000
RAISED = raised(time_ms=NOW_MS, evidence=(Evidence("post-1/level", NOW_MS - 60_000, 0.36),))
HERE = ["127.0.0.0/8"]


@pytest.fixture
def message(skerrow_head: Site) -> Message:
    return Composer({skerrow_head.id: skerrow_head}).alarm(row_about(RAISED), program())


@pytest.fixture
def hook() -> Iterator[Hook]:
    with listening() as running:
        yield running


def channel(hook: Hook, within_s: float = 5.0, networks: list[str] = HERE, path: str = "/hook?k=1") -> WebhookChannel:
    recipient = program(url=f"http://127.0.0.1:{hook.port}{path}")
    return WebhookChannel(recipient, Recipients(allow_networks=networks, recipient=[recipient]), within_s)


@pytest.fixture
def posted(hook: Hook, message: Message) -> Came:
    # The oracle holds the time stamp against the real clock, which may be minutes past NOW_MS by now.
    channel(hook).deliver(message, time.time_ns() // 1_000_000)
    (came,) = hook.came
    return came


def test_signature_stands_before_the_standards_own_library(posted: Came) -> None:
    verified = standardwebhooks.Webhook(SECRET).verify(posted.body, dict(posted.headers.items()))
    assert verified == json.loads(posted.body)
    assert posted.path == "/hook?k=1"


def test_changed_body_does_not(posted: Came) -> None:
    with pytest.raises(standardwebhooks.WebhookVerificationError):
        standardwebhooks.Webhook(SECRET).verify(posted.body.replace(b"600", b"900"), dict(posted.headers.items()))


def test_event_is_a_structured_cloud_event_that_says_what_to_do(posted: Came) -> None:
    event = json.loads(posted.body)
    # CloudEvents 1.0.2, "Context Attributes" and HTTP binding 3.2.1: these are required.
    assert posted.headers["Content-Type"] == "application/cloudevents+json; charset=utf-8"
    assert (event["specversion"], event["type"]) == ("1.0", "ullage.alarm.raised")
    assert (event["source"], event["subject"]) == ("/sites/skerrow-head", "tank-low:main")
    assert event["id"] == posted.headers["webhook-id"]
    data = event["data"]
    assert (data["title"], data["priority"], data["part"]) == ("Tank main is low", "medium", "main")
    assert data["action"].startswith("Draw less.")
    assert data["evidence"][0]["value"] == 0.36
    assert data["text"].startswith("Act within 24 hours: Tank main is low – Skerrow Head bird observatory. 600 L")


def test_every_event_is_small(posted: Came) -> None:
    assert len(posted.body) < 20_000  # Standard Webhooks 1.0.0, "Payload Size": smaller than 20 kB


def test_same_id_on_every_attempt_and_another_for_every_row() -> None:
    row = row_about(RAISED)
    assert message_id(row) == message_id(row._replace(tries=3, due_ms=9, id=2))
    others = [
        row._replace(transition=RAISED._replace(id=18)),
        row._replace(transition=RAISED._replace(time_ms=NOW_MS + 1)),
        row._replace(transition=RAISED._replace(new="returned")),
        row._replace(kind="escalation"),
        row._replace(channel="other"),
    ]
    assert len({message_id(entry) for entry in [row, *others]}) == 6


@pytest.mark.parametrize("status", [301, 307, 400, 404, 410, 429, 500, 503])
def test_anything_but_2xx_is_not_delivered_and_no_redirect_is_followed(
    hook: Hook, message: Message, status: int
) -> None:
    hook.answer = says(status, Location=f"http://127.0.0.1:{hook.port}/elsewhere")
    with pytest.raises(DeliveryFailed, match=str(status)):
        channel(hook).deliver(message, NOW_MS)
    assert len(hook.came) == 1


@pytest.mark.parametrize(("header", "expected"), [("120", 120), ("99999", 3600), ("-5", 0), ("soon", 0), ("nan", 0)])
def test_a_receiver_may_ask_for_time(hook: Hook, message: Message, header: str, expected: float) -> None:
    hook.answer = says(503, Retry_After=header)
    with pytest.raises(DeliveryFailed) as caught:
        channel(hook).deliver(message, NOW_MS)
    assert caught.value.retry_after_s == expected


def test_nobody_there_is_not_delivered(message: Message) -> None:
    with listening() as gone:
        pass
    with pytest.raises(DeliveryFailed, match="ConnectError"):
        channel(gone).deliver(message, NOW_MS)


def test_an_answer_that_trickles_in_is_waited_for_only_so_long(hook: Hook, message: Message) -> None:
    def trickle(handler: Request) -> None:
        try:
            while True:
                handler.wfile.write(b"H")
                handler.wfile.flush()
                time.sleep(0.05)
        except OSError:
            pass

    hook.answer = trickle
    begun = time.monotonic()
    with pytest.raises(DeliveryFailed, match="did not answer within"):
        channel(hook, within_s=0.4).deliver(message, NOW_MS)
    assert time.monotonic() - begun < 5


def test_over_tls_the_name_is_checked_while_the_address_is_connected_to(
    message: Message, monkeypatch: pytest.MonkeyPatch
) -> None:
    import socket

    real = socket.getaddrinfo
    monkeypatch.setattr(socket, "getaddrinfo", lambda host, *rest, **more: real("127.0.0.1", *rest, **more))
    monkeypatch.setenv("SSL_CERT_FILE", str(PEM))
    with listening(tls=True) as hook:
        for name, right in [("alarm.example", True), ("other.example", False)]:
            recipient = program(url=f"https://{name}:{hook.port}/hook")
            way = WebhookChannel(recipient, Recipients(allow_networks=HERE, recipient=[recipient]), 5)
            if right:
                way.deliver(message, NOW_MS)
                assert hook.came[0].headers["Host"] == f"alarm.example:{hook.port}"
            else:
                with pytest.raises(DeliveryFailed, match=r"(?i)certificate|hostname"):
                    way.deliver(message, NOW_MS)
    assert len(hook.came) == 1


def test_a_proxy_of_the_environment_is_not_used(hook: Hook, message: Message, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HTTP_PROXY", "http://127.0.0.1:1")
    monkeypatch.setenv("ALL_PROXY", "http://127.0.0.1:1")
    channel(hook).deliver(message, NOW_MS)
    assert len(hook.came) == 1


def test_url_and_secret_are_in_no_representation_and_no_failure(message: Message) -> None:
    recipient = program(url="http://127.0.0.1:9/token-sesame")
    recipients = people(recipient, allow_networks=HERE)
    with pytest.raises(DeliveryFailed) as caught:
        WebhookChannel(recipient, recipients).deliver(message, NOW_MS)
    for shown in (repr(recipient), repr(recipients), str(caught.value)):
        assert "sesame" not in shown
        assert SECRET not in shown
