"""The front page as text: whole without scripts, and honest about what is old or missing."""

from __future__ import annotations

import base64
import hashlib
import html
import re

import pytest

from api.current import SiteState, tank_state
from api.pages.script import ADDRESS
from api.pages.summary import battery_statements, tank_statement
from api.speech import Speaker
from forecast.result import Input
from ingest.errors import StoreUnavailable
from ingest.instants import DAY_MS, MINUTE_MS
from ingest.reading import Reading
from ingest.site import Site
from ingest.store.records import LogEntry, Records, Transition
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS, Clock, MemoryReadings, forecast_of, put


def text_of(html: str) -> str:
    """What a reader sees: no tags, no style, single blanks."""
    body = re.sub(r"<style>.*?</style>", "", html, flags=re.DOTALL)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", body)).replace(" .", ".")


@pytest.fixture
def fresh(heard: MemoryReadings, records: Records) -> None:
    put(records, forecast_of())


def test_first_two_kilobytes_answer_the_operators_questions(client: Client, fresh: None, records: Records) -> None:
    raised = Transition("skerrow-head", "battery-low", NOW_MS - DAY_MS, "normal", "unacknowledged", "Battery 11.92 V.")
    records.append_transitions([raised], [])
    start = text_of(client.get("/").content[:2048].decode())
    for answer in (
        "◆ Alarm, medium priority: Battery is low since Tue 24 Nov, 12:04. Battery 11.92 V.",
        "Rain water lasts 9 to 14 days. One chance in ten that it runs out before Saturday 5 December.",
        "No overflow expected in the next 16 days (about 4 chances in 100).",
        "Tank main: 59 % full, 1,890 L to draw (2,130 L of 3,620 L).",
        "Battery: 12.62 V (low below 12.00 V, cut-off at 11.60 V).",
        "No battery cut-off expected in the next 16 days (about 5 chances in 100).",
        "Measured Wed 25 Nov, 12:03.",
        "Forecast made Wed 25 Nov, 12:00.",
    ):
        assert answer in start


def test_page_loads_nothing_but_the_one_script_of_ours(client: Client, fresh: None) -> None:
    for path in ("/", "/sites/skerrow-head"):
        html = client.get(path).text
        assert re.findall(r"<(?:script|link|img|iframe)[^>]*>", html) == [
            f'<script src="{ADDRESS}" defer>',
            '<link rel="icon" href="data:,">',
        ]
        for loads in ("@import", "url(", " style=", " on"):
            assert loads not in re.sub(r">[^<]*<", "><", html), loads
        assert "//" not in html


def test_the_script_is_kept_for_good_and_asks_nobody_else(client: Client) -> None:
    answer = client.get(ADDRESS)
    assert answer.headers["content-type"].startswith("text/javascript")
    assert "immutable" in answer.headers["cache-control"]
    assert "http" not in answer.text


def test_style_is_the_one_that_the_policy_allows(client: Client) -> None:
    answer = client.get("/")
    match = re.search(r"<style>(.*?)</style>", answer.text, flags=re.DOTALL)
    assert match is not None
    digest = base64.b64encode(hashlib.sha256(match.group(1).encode()).digest()).decode()
    policy = answer.headers["content-security-policy"]
    assert f"style-src 'sha256-{digest}'" in policy
    assert "unsafe" not in policy
    assert "script-src 'self'" in policy
    assert answer.headers["x-content-type-options"] == "nosniff"


def test_stale_figures_say_so_with_their_age(client: Client, fresh: None, clock: Clock) -> None:
    clock.now_ms += 26 * 60 * MINUTE_MS
    text = text_of(client.get("/").text)
    assert "◌ Stale Tank main: 59 % full" in text
    assert "3,620 L). Measured Wed 25 Nov, 12:03, 26 hours ago." in text
    assert "◌ Stale Rain water lasts 8 to 13 days." in text
    assert "◌ Stale Forecast made Wed 25 Nov, 12:00, 26 hours ago: do not take it as fresh, because it was" in text


def test_forecast_from_stale_inputs_says_which(client: Client, heard: MemoryReadings, records: Records) -> None:
    inputs = [
        Input("level main", "post-1/level", NOW_MS - DAY_MS, stale=True),
        Input("battery voltage", "post-1/battery", missing=True),
    ]
    put(records, forecast_of(inputs=inputs))
    text = text_of(client.get("/").text)
    assert "do not take it as fresh, because level main is out of date. Made without battery voltage." in text
    assert ".." not in text
    assert "◌ Stale Rain water lasts" in text


def test_missing_is_said_and_never_zero(client: Client) -> None:
    text = text_of(client.get("/").text)
    first = "There is no forecast yet: the first is made some minutes after the first level."
    assert f"○ Missing How long rain water lasts is not known. {first}" in text
    assert "○ Missing Tank main: no level heard yet." in text
    assert "○ Missing Battery: no voltage heard yet." in text
    assert not re.search(r"\b0 (L|V|m|%)", text)


def test_a_device_that_was_never_heard_is_awaited(client: Client, readings: MemoryReadings, records: Records) -> None:
    page = "/sites/skerrow-head"
    # Its sensors are heard every five minutes, and are late after three times that.
    awaited = (
        "post-1 has not been heard yet. Its first reading is expected within 5 minutes of being switched on; if none "
        "has come after 15 minutes, see Commissioning: it says what must be sent, and where."
    )
    assert f"To do today: wait for the first readings. {awaited} Commissioning" in text_of(client.get(page).text)
    assert 'href="/sites/skerrow-head/commissioning">Commissioning' in client.get("/").text
    # Two posts of another site, one of which is heard: no more waiting for all, and that one is not awaited.
    readings.write([Reading("tarn-orchard", NOW_MS - MINUTE_MS, "upper-post/level", 0.5)])
    text = text_of(client.get("/sites/tarn-orchard").text)
    assert "To do today: not all can be judged" in text
    assert "lower-post has not been heard yet" in text
    assert "upper-post has not been heard yet" not in text
    # Once an alarm tells of the silence, that says what to do.
    silent = Transition("skerrow-head", "nothing-heard:post-1", NOW_MS, "normal", "unacknowledged", "Nothing heard.")
    records.append_transitions([silent], [])
    text = text_of(client.get(page).text)
    assert "has not been heard yet" not in text
    assert "Look at the device: is its light on" in text


def test_what_no_sensor_measures_is_not_awaited(skerrow_head: Site) -> None:
    site = skerrow_head.model_copy(update={"sensor": []})
    tank, speaker = tank_state(site, site.tank[0], {}), Speaker(site.zone)
    assert speaker.say(tank_statement(tank).said) == "Tank main: its level is not measured."
    battery = battery_statements(SiteState(site, NOW_MS, {}, [tank], None))[0]
    assert speaker.say(battery.said) == "Battery: its voltage is not measured."


def test_nothing_to_do_is_said_only_where_all_can_be_judged(client: Client, fresh: None, clock: Clock) -> None:
    blind = "To do today: not all can be judged, something is stale or missing."
    first, _, second = text_of(client.get("/").text).partition("Skerrow Head")
    # Whom nobody can judge comes first.
    assert ("To do today: wait for the first readings." in first, "Tarn orchard" in first) == (True, True)
    assert "To do today: nothing urgent. At the next visit, write down: whether the borehole is open;" in second
    clock.now_ms += 31 * MINUTE_MS
    assert text_of(client.get("/").text).count(blind) == 1


def test_nothing_urgent_becomes_nothing_once_a_visit_wrote_it_down(
    client: Client, fresh: None, records: Records
) -> None:
    page = "/sites/skerrow-head"
    lacking = "whether the borehole is open; when last done: clean-gutters and rinse-first-flush."
    ask = f"At the next visit, write down: {lacking}"
    for path in (page, "/"):
        assert f"To do today: nothing urgent. {ask}" in text_of(client.get(path).text)
    for kind, part in (("upkeep", "clean-gutters"), ("upkeep", "rinse-first-flush"), ("backup-closed", "borehole")):
        records.append_log(LogEntry("skerrow-head", NOW_MS - DAY_MS, kind, part, "warden"))
    for path in (page, "/"):
        text = text_of(client.get(path).text)
        assert "To do today: nothing. " in text
        assert "write down" not in text


def test_a_short_history_is_said_where_it_matters(client: Client, readings: MemoryReadings, records: Records) -> None:
    def tell(ago_ms: int) -> None:
        readings.write([Reading("skerrow-head", NOW_MS - ago_ms, "post-1/level", 1.06)])

    put(records, forecast_of())
    for ago_ms in range(0, 10 * MINUTE_MS, MINUTE_MS):
        tell(ago_ms)
    short = "A first guess: measured since Wed 25 Nov, 11:55, use as planned, rain by the season."
    assert f"before Saturday 5 December. {short}" in text_of(client.get("/").text)
    tell(2 * DAY_MS)
    longer = "Measured only since Mon 23 Nov, 12:04; use as planned, rain by the season."
    assert f"before Saturday 5 December. {longer}" in text_of(client.get("/").text)
    tell(5 * DAY_MS)  # heard long ago, silent for a while
    text = text_of(client.get("/").text)
    assert "Measured only since" not in text
    assert "first guess" not in text


@pytest.mark.parametrize(
    ("first_ms", "said"),
    [(NOW_MS - 4 * DAY_MS, "By the season, without a weather forecast."), (NOW_MS - DAY_MS, "rain by the season.")],
)
def test_a_forecast_without_weather_says_so(
    client: Client, heard: MemoryReadings, records: Records, first_ms: int, said: str
) -> None:
    heard.write([Reading("skerrow-head", first_ms, "post-1/level", 1.2)])
    put(records, forecast_of())
    assert said in text_of(client.get("/").text)
    put(records, forecast_of(issued_ms=NOW_MS, inputs=[Input("rain outlook", "a service", NOW_MS - DAY_MS)]))
    assert "y the season" not in text_of(client.get("/").text)


def test_level_at_the_outlet_is_no_water_and_not_missing(client: Client, fresh: None, readings: MemoryReadings) -> None:
    readings.write([Reading("skerrow-head", NOW_MS, "post-1/level", 0.11)])
    text = text_of(client.get("/").text)
    assert "No rain water can be drawn. Tank main is down to its outlet." in text
    assert ", 0 L to draw" in text


def test_level_at_the_brim_is_said_instead_of_days(client: Client, fresh: None, readings: MemoryReadings) -> None:
    readings.write([Reading("skerrow-head", NOW_MS, "post-1/level", 1.795)])
    assert "Tank main is at the brim: what runs in now runs over." in text_of(client.get("/").text)
    spilling_on = [Reading("tarn-orchard", NOW_MS, "upper-post/level", 1.0)]
    readings.write(spilling_on)
    assert "Tank upper is at the brim" not in text_of(client.get("/").text)


def test_cautions_stand_at_the_foot(client: Client) -> None:
    for path in ("/", "/sites/skerrow-head"):
        text = text_of(client.get(path).text)
        for words in (
            "not for drinking unless treated and tested to local rules",
            "backflow",
            "confined space",
            "Local",
        ):
            assert words in text


def test_page_that_has_not_changed_is_not_sent_again(client: Client, fresh: None, clock: Clock) -> None:
    first = client.get("/")
    clock.now_ms += MINUTE_MS
    again = client.get("/", headers={"If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    assert again.headers["etag"] == first.headers["etag"]
    assert first.headers["cache-control"] == "private, no-cache"


def test_page_changes_when_a_figure_goes_stale(client: Client, fresh: None, clock: Clock) -> None:
    etag = client.get("/").headers["etag"]
    clock.now_ms += 31 * MINUTE_MS
    assert client.get("/", headers={"If-None-Match": etag}).status_code == 200


def test_what_people_wrote_is_escaped(client: Client, records: Records) -> None:
    reason = "<script>alert(1)</script>"
    records.append_transitions(
        [Transition("skerrow-head", "battery-low", NOW_MS, "normal", "unacknowledged", reason)], []
    )
    html = client.get("/").text
    assert "<script>alert" not in html
    assert "&lt;script&gt;" in html


def test_what_to_do_about_an_overflow_goes_by_the_sites_log(client: Client, fresh: None, records: Records) -> None:
    raised = Transition("skerrow-head", "overflow-now:main", NOW_MS, "normal", "unacknowledged", "At the brim.")
    records.append_transitions([raised], [])
    api = "/api/v1/sites/skerrow-head/alarms"
    for minute, (kind, said) in enumerate(
        (
            (None, "Close the backup supply if it is open."),
            ("backup-opened", "Close the backup supply: by the site's log it is open."),
            ("backup-closed", "By the site's log the backup supply is shut: see that it is."),
        )
    ):
        if kind is not None:
            records.append_log(LogEntry("skerrow-head", NOW_MS - (5 - minute) * MINUTE_MS, kind, "borehole", "warden"))
        assert said in html.unescape(text_of(client.get("/").text))
        assert said in html.unescape(text_of(client.get("/?lang=en").text))
        assert any(said in entry["action"] for entry in client.get(api).json()["alarms"])


def test_most_urgent_alarm_comes_first(client: Client, records: Records) -> None:
    for alarm in ("empty-predicted:main", "battery-low"):
        records.append_transitions([Transition("skerrow-head", alarm, NOW_MS, "normal", "unacknowledged", "So.")], [])
    text = text_of(client.get("/").text)
    assert text.index("Battery is low") < text.index("Tank main is likely to run out")


def test_trouble_is_told_as_a_page(client: Client, readings: MemoryReadings) -> None:
    readings.failure = StoreUnavailable("gone")
    answer = client.get("/")
    assert answer.status_code == 503
    assert "The data cannot be reached at the moment. Try again in 10 seconds." in text_of(answer.text)


def test_head_is_answered(client: Client) -> None:
    answer = client.request("HEAD", "/")
    assert answer.status_code == 200
