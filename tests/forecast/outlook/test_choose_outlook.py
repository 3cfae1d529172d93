"""Which outlook a site gets, with services on loopback; never an exception for what a service does."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from forecast.facts import Facts, LevelNow
from forecast.outlook.choose import OutlookSettings, choose_outlook, season_outlook
from forecast.outlook.emos import predictors
from forecast.outlook.ensemble import Outlook
from forecast.outlook.fetch import Fetcher
from forecast.outlook.file import write_document
from forecast.outlook.record import RainRecord
from forecast.predict import HORIZON_H, predict, timeline
from ingest.errors import SettingsError
from ingest.instants import DAY_MS, HOUR_MS, from_rfc3339
from ingest.site import Site
from tests.forecast.outlook.documents import body_of
from tests.forecast.outlook.stand_in import Reply, StandIn, weather_stand_in
from tests.spoken import spoken

NOW_MS = from_rfc3339("2026-11-30T10:20:00Z")
CONTACT = "warden@skerrow-head.invalid"
PAST_H = 14 * 24
PATHS = {
    "open-meteo": {"/v1/ensemble": "open_meteo"},
    "met-norway": {"/weatherapi/locationforecast/2.0/compact": "met_norway"},
    "nws": {"/points/57.6,-3.9": "nws_point", "/gridpoints/SKH/12,34": "nws_grid"},
}


@pytest.fixture
def service() -> Iterator[StandIn]:
    with weather_stand_in() as stand_in:
        yield stand_in


@pytest.fixture
def fetcher(tmp_path: Path) -> Iterator[Fetcher]:
    fetcher = Fetcher(tmp_path / "cache")
    yield fetcher
    fetcher.close()


@pytest.fixture(scope="module")
def record() -> RainRecord:
    rng = np.random.default_rng(4)
    hours = 6 * 365 * 24
    rain = np.where(rng.random(hours) < 0.08, rng.gamma(0.8, 1.5, hours), 0.0)
    return RainRecord(from_rfc3339("2019-01-01T00:00:00Z"), rain, "invented")


def facts(now_ms: int = NOW_MS) -> Facts:
    hour_ms = now_ms - now_ms % HOUR_MS
    return Facts(
        now_ms,
        levels={"main": LevelNow(now_ms, 1.2, 2400.0, 20.0)},
        rain_start_ms=hour_ms - PAST_H * HOUR_MS,
        rain_mm=np.full(PAST_H + 1, np.nan),
    )


def chosen(
    site: Site,
    record: RainRecord | None,
    settings: OutlookSettings | None = None,
    fetcher: Fetcher | None = None,
    *,
    now_ms: int = NOW_MS,
    past: Path | None = None,
) -> Outlook:
    known = facts(now_ms)
    rng = np.random.default_rng(9)
    return choose_outlook(site, known, record, timeline(known), 100, rng, settings, fetcher=fetcher, past=past)


def is_whole(outlook: Outlook) -> bool:
    known = facts()
    start_ms, hours = timeline(known)
    return (
        outlook.start_ms == start_ms
        and outlook.rain_mm.shape == (hours, 100)
        and not np.isnan(outlook.rain_mm).any()
        and hours == PAST_H + HORIZON_H + 1
    )


def test_without_a_source_it_is_the_season_as_before(skerrow_head: Site, record: RainRecord) -> None:
    outlook = chosen(skerrow_head, record)
    start_ms, hours = timeline(facts())
    before = season_outlook(skerrow_head, record, start_ms, hours, 100, np.random.default_rng(9))
    np.testing.assert_array_equal(outlook.rain_mm, before.rain_mm)
    assert outlook.issued_ms is None
    assert "monthly means" in spoken([chosen(skerrow_head, None).source])[0]
    too_short = RainRecord(NOW_MS - NOW_MS % HOUR_MS, np.zeros(5), "short")
    assert "monthly means" in spoken([chosen(skerrow_head, too_short).source])[0]


def test_a_season_of_monthly_means_says_what_its_chances_are_worth(skerrow_head: Site, record: RainRecord) -> None:
    def notes(record: RainRecord | None) -> list[str]:
        season = season_outlook(skerrow_head, record, NOW_MS, 240, 10, np.random.default_rng(1))
        return spoken(season.notes)

    assert any("means, which hide dry spells" in note and "14 %" in note and "in 18 %" in note for note in notes(None))
    assert notes(record) == []


def test_where_nobody_said_how_much_it_rains_it_is_called_a_guess(skerrow_head: Site) -> None:
    outlook = chosen(skerrow_head.model_copy(update={"design": None}), None)
    assert spoken([outlook.source])[0].startswith("a guess of 60 mm in every month")
    assert "a guess" in spoken(outlook.notes)[0]
    assert "a guess" not in " ".join(spoken(chosen(skerrow_head, None).notes))


@pytest.mark.parametrize("source", sorted(PATHS))
def test_each_service_gives_a_whole_outlook_that_a_forecast_can_use(
    skerrow_head: Site, record: RainRecord, service: StandIn, fetcher: Fetcher, source: str
) -> None:
    for path, name in PATHS[source].items():
        service.replies[path] = Reply(body_of(name))
    # The answer of open_meteo spans the first six hours of that day.
    now_ms = from_rfc3339("2026-11-30T00:20:00Z") if source == "open-meteo" else NOW_MS
    settings = OutlookSettings(source, CONTACT, service.base)
    outlook = chosen(skerrow_head, record, settings, fetcher, now_ms=now_ms)
    assert not np.isnan(outlook.rain_mm).any()
    assert len(service.asked) == len(PATHS[source])
    assert all(asked.headers["user-agent"].endswith(CONTACT) for asked in service.asked)
    assert "then rain record invented" in spoken([outlook.source])[0]
    assert outlook.issued_ms is not None
    assert not outlook.stale
    assert outlook.temperature_c is not None
    forecast = predict(skerrow_head, facts(now_ms), outlook, np.random.default_rng(1))
    assert any(
        spoken([entry.name]) == ["rain outlook"] and entry.time_ms == outlook.issued_ms for entry in forecast.inputs
    )


def test_the_rain_of_the_service_arrives_hour_for_hour(
    skerrow_head: Site, record: RainRecord, service: StandIn, fetcher: Fetcher
) -> None:
    service.replies["/v1/ensemble"] = Reply(body_of("open_meteo"))
    now_ms = from_rfc3339("2026-11-30T00:20:00Z")
    settings = OutlookSettings("open-meteo", base=service.base)
    outlook = chosen(skerrow_head, record, settings, fetcher, now_ms=now_ms)
    values = [np.unique(outlook.rain_mm[PAST_H + hour]).tolist() for hour in range(3)]
    assert values == [[0.0, 0.4], [1.2, 2.0], [0.0, 0.6]]


@pytest.mark.parametrize("reply", [Reply(status=503), Reply(b"{}"), Reply(b"<html>"), Reply(status=404)])
@pytest.mark.parametrize("source", sorted(PATHS))
def test_a_service_that_fails_leaves_the_season_and_a_note(
    skerrow_head: Site, record: RainRecord, service: StandIn, fetcher: Fetcher, source: str, reply: Reply
) -> None:
    for path in PATHS[source]:
        service.replies[path] = reply
    outlook = chosen(skerrow_head, record, OutlookSettings(source, CONTACT, service.base), fetcher)
    assert is_whole(outlook)
    assert outlook.issued_ms is None
    assert spoken([outlook.source])[0].startswith("rain record invented")
    assert spoken(outlook.notes)[0].startswith(f"No weather outlook from {source}: 127.0.0.1: ")


def test_an_old_answer_serves_while_the_service_fails_and_grows_stale(
    skerrow_head: Site, record: RainRecord, service: StandIn, fetcher: Fetcher
) -> None:
    service.replies["/weatherapi/locationforecast/2.0/compact"] = Reply(body_of("met_norway"))
    settings = OutlookSettings("met-norway", CONTACT, service.base)
    chosen(skerrow_head, record, settings, fetcher)
    service.replies.clear()
    later = chosen(skerrow_head, record, settings, fetcher, now_ms=NOW_MS + 13 * HOUR_MS)
    assert later.stale
    assert any("failed when last asked" in note for note in spoken(later.notes))
    assert any("more than 12 hours ago" in note for note in spoken(later.notes))
    forecast = predict(skerrow_head, facts(NOW_MS + 13 * HOUR_MS), later, np.random.default_rng(1))
    assert forecast.stale
    assert all(note in forecast.unknown for note in later.notes)
    gone = chosen(skerrow_head, record, settings, fetcher, now_ms=NOW_MS + 20 * HOUR_MS)
    assert not gone.stale
    assert gone.issued_ms is None
    assert "says nothing of the hours to come" in spoken(gone.notes)[0]


def test_a_document_of_ours_is_an_outlook(skerrow_head: Site, record: RainRecord, tmp_path: Path) -> None:
    given = Outlook(np.full((96, 20), 0.7), NOW_MS - NOW_MS % HOUR_MS, "the warden", NOW_MS - HOUR_MS)
    file = tmp_path / "skerrow-head.json"
    file.write_bytes(write_document(given))
    outlook = chosen(skerrow_head, record, OutlookSettings(str(file)))
    assert is_whole(outlook)
    assert (outlook.rain_mm[PAST_H : PAST_H + 4] == 0.7).all()
    assert (outlook.rain_mm[PAST_H + 95] == 0.7).mean() > 0.5
    file.write_text(json.dumps({"issued": "x"}))
    assert "No weather outlook from" in spoken(chosen(skerrow_head, record, OutlookSettings(str(file))).notes)[0]
    file.unlink()
    assert "No such file" in spoken(chosen(skerrow_head, record, OutlookSettings(str(file))).notes)[0]


def test_without_a_fetcher_a_service_is_not_asked(skerrow_head: Site, record: RainRecord) -> None:
    assert "nothing here can ask" in spoken(chosen(skerrow_head, record, OutlookSettings("open-meteo")).notes)[0]


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"source": "met-norway"}, "met-norway does not answer those it cannot write to"),
        ({"source": "nws"}, "nws does not answer those it cannot write to"),
        ({"source": "nws", "contact": "a person\r\nX: y@z"}, "an e-mail or web address"),
        ({"source": "nws", "contact": "somebody"}, "an e-mail or web address"),
        ({"source": "crystal-ball"}, "none, open-meteo, met-norway, nws, or the path"),
        ({"source": "open-meteo", "base": "ftp://x"}, "begins with https://"),
    ],
)
def test_settings_that_cannot_work_are_refused(settings: dict[str, str], said: str) -> None:
    with pytest.raises(SettingsError, match=said):
        OutlookSettings(**settings)


def test_settings_name_every_problem() -> None:
    with pytest.raises(SettingsError) as caught:
        OutlookSettings("met-norway", base="x")
    assert len(str(caught.value).splitlines()) == 2


def test_an_outlook_with_300_past_days_is_corrected_by_them(
    skerrow_head: Site, record: RainRecord, tmp_path: Path
) -> None:
    """A giver that always says twice too much is put right, and that is said."""
    rng = np.random.default_rng(8)
    issues = []
    tomorrow_ms = (NOW_MS // DAY_MS + 1) * DAY_MS
    for day in range(320):
        fell = float(rng.gamma(0.6, 6.0)) if rng.random() < 0.5 else 0.0
        mean_root, log_sd = predictors(2.0 * fell * rng.lognormal(0, 0.3, (1, 20)))[0].tolist()
        first_ms = tomorrow_ms - (400 - day) * DAY_MS
        issues.append({"first_ms": first_ms, "said": [[20, mean_root, log_sd]] * 10, "fell": [fell] * 10})
    (tmp_path / "skerrow-head.document.past.json").write_text(json.dumps({"issues": issues}))
    given = Outlook(
        np.full((96, 20), 0.8) * np.linspace(0.9, 1.1, 20), NOW_MS - NOW_MS % HOUR_MS, "x", NOW_MS - HOUR_MS
    )
    file = tmp_path / "outlook.json"
    file.write_bytes(write_document(given))
    plain = chosen(skerrow_head, record, OutlookSettings(str(file)))
    corrected = chosen(skerrow_head, record, OutlookSettings(str(file)), past=tmp_path)
    tomorrow = (tomorrow_ms - corrected.start_ms) // HOUR_MS
    hours = slice(tomorrow, tomorrow + 24)
    assert plain.rain_mm[hours].sum(axis=0).mean() == pytest.approx(19.2, rel=0.05)
    assert corrected.rain_mm[hours].sum(axis=0).mean() == pytest.approx(9.6, rel=0.15)
    assert any("corrected by its own past here, 320 cases" in note for note in spoken(corrected.notes))


def test_the_season_is_that_of_weeks_as_dry_as_the_last_days(skerrow_head: Site) -> None:
    hours = np.arange(6 * 365 * 24)
    spells = RainRecord(from_rfc3339("2019-01-01T00:00:00Z"), (hours // 240 % 2 * 0.5).astype(np.float64), "spells")
    dry = replace(facts(), rain_mm=np.zeros(PAST_H + 1))
    rng = np.random.default_rng(9)
    for known, least, most in ((facts(), 4.0, 8.0), (dry, 0.0, 3.0)):
        season = choose_outlook(skerrow_head, known, spells, timeline(known), 100, rng)
        tomorrow_mm = season.rain_mm[PAST_H : PAST_H + 24].sum(axis=0).mean()
        assert least < tomorrow_mm < most
