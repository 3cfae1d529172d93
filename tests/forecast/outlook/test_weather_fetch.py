"""Asking politely: identification, Expires, validators, 429, 503, sizes, and the answer kept for when all fails."""

from __future__ import annotations

from collections.abc import Iterator
from email.utils import format_datetime
from pathlib import Path

import httpx
import pytest

from forecast.outlook import fetch
from forecast.outlook.fetch import Answer, Fetcher
from ingest.errors import OutlookUnavailable
from ingest.instants import HOUR_MS, MINUTE_MS, SECOND_MS, from_rfc3339, to_datetime
from tests.conftest import find_free_port
from tests.forecast.outlook.stand_in import Reply, StandIn, weather_stand_in

NOW_MS = from_rfc3339("2026-11-30T12:00:00Z")
CONTACT = "warden@skerrow-head.invalid"


def http_date(time_ms: int) -> str:
    return format_datetime(to_datetime(time_ms), usegmt=True)


def anything(body: bytes) -> bytes:
    return body


@pytest.fixture
def service() -> Iterator[StandIn]:
    with weather_stand_in() as stand_in:
        yield stand_in


@pytest.fixture
def fetcher(tmp_path: Path) -> Iterator[Fetcher]:
    fetcher = Fetcher(tmp_path / "cache")
    yield fetcher
    fetcher.close()


def ask(fetcher: Fetcher, service: StandIn, now_ms: int = NOW_MS) -> Answer:
    return fetcher.get(service.base, "/rain", {"lat": "57.6"}, now_ms, anything, CONTACT)


def test_it_says_who_asks(fetcher: Fetcher, service: StandIn) -> None:
    service.replies["/rain"] = Reply(b"{}")
    assert ask(fetcher, service) == Answer(b"{}", NOW_MS)
    assert service.asked[0].headers["user-agent"] == f"ullage/0.1 {CONTACT}"
    assert service.asked[0].path == "/rain?lat=57.6"


def test_nothing_is_asked_before_it_expires_not_even_after_a_restart(
    fetcher: Fetcher, service: StandIn, tmp_path: Path
) -> None:
    service.replies["/rain"] = Reply(b"first", headers={"Expires": http_date(NOW_MS + 40 * MINUTE_MS)})
    ask(fetcher, service)
    service.replies["/rain"] = Reply(b"second")
    again = Fetcher(tmp_path / "cache")
    assert ask(again, service, NOW_MS + 39 * MINUTE_MS) == Answer(b"first", NOW_MS)
    assert len(service.asked) == 1
    assert ask(again, service, NOW_MS + 41 * MINUTE_MS).body == b"second"
    again.close()


def test_without_expires_it_asks_once_an_hour(fetcher: Fetcher, service: StandIn) -> None:
    service.replies["/rain"] = Reply(b"{}")
    ask(fetcher, service)
    ask(fetcher, service, NOW_MS + HOUR_MS - 1)
    assert len(service.asked) == 1
    ask(fetcher, service, NOW_MS + HOUR_MS)
    assert len(service.asked) == 2


@pytest.mark.parametrize(
    ("expires", "next_ms"),
    [
        (http_date(NOW_MS - HOUR_MS), NOW_MS + MINUTE_MS),
        (http_date(NOW_MS + 999 * HOUR_MS), NOW_MS + fetch.LONGEST_MS),
        ("when pigs fly", NOW_MS + HOUR_MS),
    ],
)
def test_an_odd_expires_neither_floods_nor_silences(
    fetcher: Fetcher, service: StandIn, expires: str, next_ms: int
) -> None:
    service.replies["/rain"] = Reply(b"{}", headers={"Expires": expires})
    ask(fetcher, service)
    ask(fetcher, service, next_ms - 1)
    assert len(service.asked) == 1
    ask(fetcher, service, next_ms)
    assert len(service.asked) == 2


def test_an_unchanged_answer_is_not_sent_again_and_keeps_its_time(fetcher: Fetcher, service: StandIn) -> None:
    modified = http_date(NOW_MS - HOUR_MS)
    service.replies["/rain"] = Reply(b"{}", headers={"Last-Modified": modified, "ETag": '"a1"'})
    ask(fetcher, service)
    later_ms = NOW_MS + 2 * HOUR_MS
    service.replies["/rain"] = Reply(status=304, headers={"Expires": http_date(later_ms + 30 * MINUTE_MS)})
    assert ask(fetcher, service, later_ms) == Answer(b"{}", NOW_MS)
    assert service.asked[1].headers["if-modified-since"] == modified
    assert service.asked[1].headers["if-none-match"] == '"a1"'
    ask(fetcher, service, later_ms + 29 * MINUTE_MS)
    assert len(service.asked) == 2


@pytest.mark.parametrize("retry", ["900", http_date(NOW_MS + 900 * SECOND_MS)], ids=["seconds", "date"])
def test_retry_after_is_waited_out(fetcher: Fetcher, service: StandIn, retry: str) -> None:
    service.replies["/rain"] = Reply(status=429, headers={"Retry-After": retry})
    with pytest.raises(OutlookUnavailable, match=r"429 Too Many Requests; asked again after 2026-11-30T12:15:00Z"):
        ask(fetcher, service)
    service.replies["/rain"] = Reply(b"{}")
    with pytest.raises(OutlookUnavailable, match="429"):
        ask(fetcher, service, NOW_MS + 899 * SECOND_MS)
    assert len(service.asked) == 1
    assert ask(fetcher, service, NOW_MS + 900 * SECOND_MS).problem is None


def test_the_pause_after_failures_doubles_up_to_an_hour_and_ends_with_success(
    fetcher: Fetcher, service: StandIn
) -> None:
    service.replies["/rain"] = Reply(status=503)
    asked_ms = []
    for minute in range(4 * 60):
        before = len(service.asked)
        with pytest.raises(OutlookUnavailable, match="503"):
            ask(fetcher, service, NOW_MS + minute * MINUTE_MS)
        if len(service.asked) > before:
            asked_ms.append(minute)
    assert asked_ms == [0, 1, 3, 7, 15, 31, 63, 123, 183]
    service.replies["/rain"] = Reply(b"{}")
    assert ask(fetcher, service, NOW_MS + 5 * HOUR_MS).problem is None


def test_the_last_answer_serves_while_the_service_fails_and_that_is_said(fetcher: Fetcher, service: StandIn) -> None:
    service.replies["/rain"] = Reply(b"good")
    ask(fetcher, service)
    service.replies["/rain"] = Reply(status=503)
    later = ask(fetcher, service, NOW_MS + 2 * HOUR_MS)
    assert (later.body, later.fetched_ms) == (b"good", NOW_MS)
    assert later.problem is not None
    assert "503" in later.problem


def test_an_answer_that_cannot_be_read_does_not_replace_a_good_one(fetcher: Fetcher, service: StandIn) -> None:
    def check(body: bytes) -> None:
        if body == b"bad":
            raise OutlookUnavailable("nonsense")

    service.replies["/rain"] = Reply(b"good")
    fetcher.get(service.base, "/rain", {}, NOW_MS, check)
    service.replies["/rain"] = Reply(b"bad")
    later = fetcher.get(service.base, "/rain", {}, NOW_MS + HOUR_MS, check)
    assert later.body == b"good"
    assert later.problem is not None
    assert "nonsense" in later.problem


@pytest.mark.parametrize(
    ("reply", "said"),
    [
        (Reply(status=403), "is the contact right"),
        (Reply(status=404), "may not cover this place"),
        (Reply(status=301, headers={"Location": "http://elsewhere.invalid/"}), "has moved"),
        (Reply(status=500), "500"),
        (Reply(status=304), "304"),
    ],
)
def test_refusals_are_told_with_a_remedy(fetcher: Fetcher, service: StandIn, reply: Reply, said: str) -> None:
    service.replies["/rain"] = reply
    with pytest.raises(OutlookUnavailable, match=said):
        ask(fetcher, service)
    assert len(service.asked) == 1


def test_an_answer_without_end_is_cut(fetcher: Fetcher, service: StandIn, monkeypatch: pytest.MonkeyPatch) -> None:
    service.replies["/rain"] = Reply(b"x" * 200_000)
    monkeypatch.setattr(fetch, "MOST_BYTES", 100_000)
    with pytest.raises(OutlookUnavailable, match=r"more than 0\.1 MB"):
        ask(fetcher, service)


def test_an_answer_that_drips_is_cut(fetcher: Fetcher, service: StandIn, monkeypatch: pytest.MonkeyPatch) -> None:
    service.replies["/rain"] = Reply(b"x")
    monkeypatch.setattr(fetch, "WHOLE_S", -1.0)
    with pytest.raises(OutlookUnavailable, match="takes more than"):
        ask(fetcher, service)


def test_nobody_there_and_silence_are_told(fetcher: Fetcher, tmp_path: Path) -> None:
    with pytest.raises(OutlookUnavailable, match=r"127\.0\.0\.1: no answer \(ConnectError\)"):
        fetcher.get(f"http://127.0.0.1:{find_free_port()}", "/rain", {}, NOW_MS, anything)

    def silent(request: httpx.Request) -> httpx.Response:
        raise httpx.ReadTimeout("", request=request)

    patient = Fetcher(tmp_path / "other", transport=httpx.MockTransport(silent))
    with pytest.raises(OutlookUnavailable, match="ReadTimeout"):
        patient.get("http://weather.invalid", "/rain", {}, NOW_MS, anything)
    patient.close()


def test_a_damaged_cache_is_fetched_anew(fetcher: Fetcher, service: StandIn, tmp_path: Path) -> None:
    service.replies["/rain"] = Reply(b"{}")
    ask(fetcher, service)
    (file,) = (tmp_path / "cache").glob("*.outlook")
    file.write_bytes(b"\xff broken")
    assert ask(fetcher, service, NOW_MS + MINUTE_MS) == Answer(b"{}", NOW_MS + MINUTE_MS)


def test_a_cache_that_cannot_be_written_still_holds_the_pause(service: StandIn, tmp_path: Path) -> None:
    (tmp_path / "cache").write_text("in the way")
    fetcher = Fetcher(tmp_path / "cache")
    service.replies["/rain"] = Reply(b"{}")
    ask(fetcher, service)
    assert ask(fetcher, service, NOW_MS + MINUTE_MS).body == b"{}"
    assert len(service.asked) == 1
    fetcher.close()


def test_a_version_that_will_end_is_logged(
    fetcher: Fetcher, service: StandIn, caplog: pytest.LogCaptureFixture
) -> None:
    """A deprecated version answers 203: https://docs.api.met.no/doc/TermsOfService, read November 2026."""
    service.replies["/rain"] = Reply(b"{}", status=203)
    assert ask(fetcher, service).body == b"{}"
    assert "203" in caplog.text
