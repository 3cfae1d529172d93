"""Everything else by Apprise: with it, without it, and when it fails."""

from __future__ import annotations

import sys
from typing import Any

import pytest

from api.notify.channels import DeliveryFailed, channel_of
from api.notify.message import Message
from api.notify.recipients import Recipient, Recipients
from ingest.errors import SettingsError
from tests.api.fakes import NOW_MS
from tests.api.notify.hook import listening

#: What Apprise imports on Python before 3.13.
pytestmark = pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")

MESSAGE = Message("m", "Act within 24 hours: Battery is low", "What to do: pump less.", {})


def service(url: str) -> Recipient:
    return Recipient.model_validate({"name": "phone", "channel": "apprise", "url": url})


def test_a_message_reaches_a_service() -> None:
    with listening() as hook:
        channel_of(service(f"json://127.0.0.1:{hook.port}/x"), Recipients()).deliver(MESSAGE, NOW_MS)
    (came,) = hook.came
    assert b"pump less" in came.body
    assert b"Battery is low" in came.body


def test_a_service_that_does_not_answer_has_not_got_it() -> None:
    with listening() as gone:
        pass
    with pytest.raises(DeliveryFailed, match="did not take it"):
        channel_of(service(f"json://127.0.0.1:{gone.port}/sesame"), Recipients()).deliver(MESSAGE, NOW_MS)


def test_a_service_that_breaks_has_not_got_it(monkeypatch: pytest.MonkeyPatch) -> None:
    import apprise

    def breaks(*_: object, **__: object) -> None:
        raise RuntimeError("token sesame")

    way = channel_of(service("json://127.0.0.1/x"), Recipients())
    monkeypatch.setattr(apprise.Apprise, "notify", breaks)
    with pytest.raises(DeliveryFailed, match="RuntimeError") as caught:
        way.deliver(MESSAGE, NOW_MS)
    assert "sesame" not in str(caught.value)


def test_an_unknown_service_is_refused_without_showing_its_url() -> None:
    with pytest.raises(SettingsError, match="expected a url that Apprise knows") as caught:
        channel_of(service("pigeon://sesame"), Recipients())
    assert "sesame" not in str(caught.value)


def test_without_the_extra_it_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    absent: Any = None
    monkeypatch.setitem(sys.modules, "apprise", absent)
    with pytest.raises(SettingsError, match=r'recipient "phone".*install ullage\[apprise\]'):
        channel_of(service("json://127.0.0.1/x"), Recipients())
