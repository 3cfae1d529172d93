"""The webhook: a CloudEvent, signed as Standard Webhooks says; checked with that project's own library."""

from __future__ import annotations

import base64
import json
import time
from collections.abc import Callable

import httpx
import pytest
import standardwebhooks

from api.notify.channels import DeliveryFailed, LogChannel, WebhookChannel
from api.notify.message import message_id
from ingest.site import Site
from ingest.store.records import Transition

SECRET = "whsec_" + base64.b64encode(bytes(range(32))).decode()
URL = "https://alarm.example/hook"
NOW_MS = time.time_ns() // 1_000_000  # the oracle holds the time stamp against the real clock
RAISED = Transition(
    "skerrow-head", "tank-low:main", NOW_MS, "normal", "unacknowledged", "600 L can be drawn — below 700 L.", 17
)


def channel(answer: Callable[[httpx.Request], httpx.Response], site: Site) -> WebhookChannel:
    return WebhookChannel(URL, SECRET, {site.id: site}, httpx.MockTransport(answer))


@pytest.fixture
def posted(skerrow_head: Site) -> httpx.Request:
    seen: list[httpx.Request] = []

    def answer(request: httpx.Request) -> httpx.Response:
        request.read()
        seen.append(request)
        return httpx.Response(204)

    channel(answer, skerrow_head).deliver(RAISED, NOW_MS)
    return seen[0]


def test_signature_stands_before_the_standards_own_library(posted: httpx.Request) -> None:
    verified = standardwebhooks.Webhook(SECRET).verify(posted.content, dict(posted.headers))
    assert verified == json.loads(posted.content)


def test_changed_body_does_not(posted: httpx.Request) -> None:
    with pytest.raises(standardwebhooks.WebhookVerificationError):
        standardwebhooks.Webhook(SECRET).verify(posted.content.replace(b"600", b"900"), dict(posted.headers))


def test_event_is_a_structured_cloud_event_that_says_what_to_do(posted: httpx.Request) -> None:
    event = json.loads(posted.content)
    assert posted.headers["content-type"].startswith("application/cloudevents+json")
    # Required attributes of CloudEvents 1.0 (from memory): id, source, specversion, type.
    assert (event["specversion"], event["type"]) == ("1.0", "ullage.alarm.raised")
    assert (event["source"], event["subject"]) == ("/sites/skerrow-head", "tank-low:main")
    assert event["id"] == posted.headers["webhook-id"]
    data = event["data"]
    assert data["title"] == "Tank main is low"
    assert data["action"].startswith("Draw less.")
    assert data["text"] == (
        "Skerrow Head bird observatory: Tank main is low (medium, respond within 24 h). "
        "600 L can be drawn — below 700 L."
    )


def test_same_id_on_every_attempt_and_another_for_every_transition() -> None:
    assert message_id(RAISED) == message_id(RAISED._replace(reason="worded anew"))
    others = [RAISED._replace(id=18), RAISED._replace(time_ms=NOW_MS + 1), RAISED._replace(new="normal")]
    assert len({message_id(entry) for entry in [RAISED, *others]}) == 4


@pytest.mark.parametrize("status", [199, 301, 400, 404, 410, 429, 500, 503])
def test_anything_but_2xx_is_not_delivered(skerrow_head: Site, status: int) -> None:
    with pytest.raises(DeliveryFailed, match=str(status)):
        channel(lambda request: httpx.Response(status, headers={"Location": "/x"}), skerrow_head).deliver(
            RAISED, NOW_MS
        )


@pytest.mark.parametrize("error", [httpx.ConnectError("refused"), httpx.ReadTimeout("too slow")])
def test_no_answer_is_not_delivered(skerrow_head: Site, error: Exception) -> None:
    def answer(request: httpx.Request) -> httpx.Response:
        raise error

    with pytest.raises(DeliveryFailed, match=type(error).__name__):
        channel(answer, skerrow_head).deliver(RAISED, NOW_MS)


def test_log_channel_writes_one_line(skerrow_head: Site, caplog: pytest.LogCaptureFixture) -> None:
    LogChannel({skerrow_head.id: skerrow_head}).deliver(RAISED, NOW_MS)
    (line,) = [record.getMessage() for record in caplog.records]
    assert line.startswith("ALARM Skerrow Head bird observatory: Tank main is low (medium, respond within 24 h). 600 L")


def test_line_of_a_cleared_or_forgotten_alarm(caplog: pytest.LogCaptureFixture) -> None:
    cleared = RAISED._replace(old="active", new="normal", alarm="leak:main", reason="Tight again.")
    LogChannel({}).deliver(cleared, NOW_MS)
    assert caplog.records[0].getMessage() == "ALARM skerrow-head: over: leak:main. Tight again."
