"""The page of the account and the monthly report: what they say, in both languages and units."""

from __future__ import annotations

import re
from html import unescape
from zoneinfo import ZoneInfo

import pytest

from api.languages.language import language
from api.pages.account import months_before
from api.pages.account_tables import month_table, part_table
from api.speech import Speaker
from forecast.account.result import Account, Flows, Part, Period
from ingest.instants import from_rfc3339, to_rfc3339
from ingest.reading import Reading
from ingest.site import Site
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS, MemoryReadings
from tests.api.season import season

ACCOUNT, REPORT = "/sites/skerrow-head/account", "/sites/skerrow-head/report"


@pytest.fixture(scope="module")
def said(skerrow_head: Site) -> list[Reading]:
    return season(skerrow_head, 60)


@pytest.fixture
def told(readings: MemoryReadings, said: list[Reading]) -> MemoryReadings:
    for reading in said:
        readings.kept[reading.site, reading.sensor].append(reading)
    return readings


def words_of(html: str) -> str:
    """What a page says, without its style and tags."""
    bare = re.sub(r"<style>.*?</style>|<svg.*?</svg>", " ", html, flags=re.DOTALL)
    return unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", bare))).replace("\u00a0", " ")


def test_the_account_page_says_what_was_promised_and_what_came(client: Client, told: MemoryReadings) -> None:
    html = client.get(ACCOUNT).text
    said = words_of(html)
    assert "of rain water drawn, give or take" in said
    # Sixty days were heard of the year that the page asks for: the promise of the others is held against nobody.
    assert re.search(r"for the same hours the design promised [\d,]+ L\. From 26 September 2026 until 25 Nov", said)
    assert "Nothing was measured from 1 November 2025 until 26 September 2026" in said
    assert re.search(r"until 26 September 2026: these [\d,]+ of [\d,]+ hours are left out", said)
    assert "asked for" not in said
    assert "October 2025" not in said
    for words in (
        "The shortfall by cause",
        "Leak or unmetered",
        "Where the water went",
        "Meters and levels",
        "bunkhouse",
    ):
        assert words in said
    assert html.count("<figure") == 3
    for caution in ("not for drinking", "does not wash out the slope", "licensed practice"):
        assert caution in said
    for link in ("export/account?form=csv", "export/hourly?form=parquet", "report?month=2026-10"):
        assert link in html


def test_the_account_page_in_spanish_and_gallons(client: Client, told: MemoryReadings) -> None:
    said = words_of(client.get(f"{ACCOUNT}?lang=es&units=us-gallon").text)
    assert "La falta, por causas" in said
    assert "agua de lluvia consumida" in said
    assert " gal" in said
    assert " L " not in said.replace(" L/h", "")


def test_the_report_is_of_the_last_whole_month_or_of_the_one_asked_for(client: Client, told: MemoryReadings) -> None:
    last = words_of(client.get(REPORT).text)
    assert "Skerrow Head bird observatory: October 2026" in last
    # Half an hour before and after midnight on the first, local time: British Summer Time ended on 25 October.
    assert "From 1 October 2026 until 1 November 2026: " in last
    this = words_of(client.get(f"{REPORT}?month=2026-11").text)
    assert "November 2026" in this
    assert "Made Wed 25 Nov, 12:04." in this
    assert "Informe" in client.get(f"{REPORT}?lang=es").text


@pytest.mark.parametrize(("code", "cell", "last"), [("en", "160 more", "More than promised"),
                                                   ("es", "160 de más", "Más de lo prometido")])  # fmt: skip
def test_the_tables_call_it_more_where_more_came_than_was_promised(code: str, cell: str, last: str) -> None:
    nothing = Flows(*[0.0] * 11)
    period = Period("2026-10", 0, 0, 744, 744, 744, 744, 90.0, 80.0, 5_000.0, 0.0, 5_160.0, 20.0, 0.0, 0.0, -160.0,
                    nothing, nothing, [Part("rain", -159.8, 9.0), Part("leak", -0.2, 9.0)], [])  # fmt: skip
    speaker = Speaker(ZoneInfo("UTC"), language(code))
    account = Account("made", 0, 0, 0, period, [period], [], [], [], [], [], [])
    assert [row[3] for row in month_table(account, speaker).rows] == [cell, cell]
    parts = part_table(period, speaker)
    assert parts.rows[-1] == [last, "160"]
    assert parts.rows[-2][1].startswith("0")


@pytest.mark.parametrize(
    ("month", "says"),
    [
        ("2026-12", "Expected: a month that has begun, such as 2026-10."),
        ("2030-01", "Expected: a month that has begun, such as 2026-10."),
        ("2026-13", "Expected: a year and a month, such as 2026-10."),
        ("soon", "Expected: a year and a month, such as 2026-10."),
        ("", "Expected: a year and a month, such as 2026-10."),
    ],
)
def test_a_month_that_has_not_begun_or_is_none_is_refused_in_words(client: Client, month: str, says: str) -> None:
    answer = client.get(f"{REPORT}?month={month}")
    assert answer.status_code == 422
    assert says in words_of(answer.text)
    assert "[0-9]" not in answer.text


def test_a_report_of_a_part_of_a_month_says_so_at_its_top(client: Client, told: MemoryReadings) -> None:
    whole = words_of(client.get(f"{REPORT}?month=2026-10").text)
    assert "no month's account" not in whole
    begun = words_of(client.get(f"{REPORT}?month=2026-09").text)
    known = re.search(r"no month's account: what was drawn is known in (\d+) of 720 hours of the month", begun)
    assert known is not None
    assert 24 * 4 < int(known[1]) < 24 * 5
    assert begun.index("no month's account") < begun.index("of rain water drawn")
    now = words_of(client.get(f"{REPORT}?month=2026-11").text)
    assert "This is no month's account yet: the month is not over." in now


def test_the_pages_say_which_rain_was_promised(client: Client, told: MemoryReadings) -> None:
    for path in (ACCOUNT, REPORT):
        said = words_of(client.get(path).text)
        assert "The promise rests on the monthly means of the site file, 752 mm in a year" in said
        assert "one with a record rests on that, and promises another amount." in said


def test_before_anything_was_heard_the_pages_say_so_and_blame_nobody(client: Client) -> None:
    for path in (ACCOUNT, REPORT):
        answer = client.get(path)
        assert answer.status_code == 200
        assert "No rain was measured" in answer.text
        assert "No level was measured of main" in answer.text


def test_months_begin_at_the_sites_midnight(skerrow_head: Site) -> None:
    assert to_rfc3339(months_before(skerrow_head, NOW_MS, 0)) == "2026-11-01T00:00:00Z"
    assert to_rfc3339(months_before(skerrow_head, NOW_MS, 4)) == "2026-06-30T23:00:00Z"
    assert to_rfc3339(months_before(skerrow_head, from_rfc3339("2026-01-05T00:00:00Z"), 1)) == "2025-12-01T00:00:00Z"
    assert to_rfc3339(months_before(skerrow_head, NOW_MS, -1)) == "2026-12-01T00:00:00Z"
