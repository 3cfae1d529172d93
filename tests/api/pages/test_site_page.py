from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from zoneinfo import ZoneInfo

import pytest

from api.pages.detail import bare_figure
from api.speech import Speaker
from ingest.instants import HOUR_MS, from_rfc3339
from ingest.reading import AHEAD_OF_CLOCK, BEFORE_COMMISSIONING, FAST_CHANGE, Reading
from ingest.store.records import Records, Transition
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS, MemoryReadings, forecast_of, put, rising, tank_forecast
from tests.api.pages.test_overview_page import text_of

PAGE = "/sites/skerrow-head"


def test_page_has_picture_inputs_reasons_and_cautions(client: Client, heard: MemoryReadings, records: Records) -> None:
    put(records, forecast_of())
    html = client.get(PAGE).text
    svg = re.search(r"<svg [^>]*role.*?</svg>", html, flags=re.DOTALL)
    assert svg is not None
    assert ET.fromstring(svg.group(0)).get("role") == "img"
    text = text_of(html)
    assert "level main post-1/level Wed 25 Nov, 11:59" in text
    assert "rain outlook record of 11 years has no time" in text
    assert "post-1/rain-total 412.2 mm Wed 25 Nov, 12:03" in text
    assert "Little rain is expected, and the taps take 70 L a day." in text
    assert "Whether a tap is left open." in text


def test_alarm_says_what_to_do_and_by_when(client: Client, records: Records) -> None:
    records.append_transitions(
        [Transition("skerrow-head", "tank-low:main", NOW_MS, "normal", "unacknowledged", "600 L.")], []
    )
    text = text_of(client.get(PAGE).text)
    assert "Soon no rain water can be drawn from this tank." in text
    assert "Draw less. Walk round and look for an open tap" in text.partition("To do today:")[2]
    assert "(within 24 hours)" in text


def test_page_without_any_data_says_what_is_missing(client: Client) -> None:
    text = text_of(client.get(PAGE).text)
    assert "No level was measured in the time shown. There is no forecast." in text
    assert "post-1/level missing never heard ○ Missing" in text


def test_a_newer_value_that_is_not_believed_is_told_at_once(client: Client, heard: MemoryReadings) -> None:
    heard.write([Reading("skerrow-head", NOW_MS - 1, "post-1/level", 0.21, FAST_CHANGE)])
    assert (
        "Newer values of post-1/level arrive but are not believed: changed faster than is possible here. "
        "The figure shown is from Wed 25 Nov, 12:03."
    ) in text_of(client.get(PAGE).text)


@pytest.mark.parametrize(
    ("time_ms", "flags", "said"),
    [
        (NOW_MS + 2 * HOUR_MS, AHEAD_OF_CLOCK, "2 hours in the future: the clock of post-1 is wrong. Set it, or leave"),
        (from_rfc3339("2000-01-01T00:10:00Z"), BEFORE_COMMISSIONING, "1 January 2000: the clock of post-1 is not set."),
    ],
)
def test_a_device_with_a_wrong_clock_is_heard(
    client: Client, readings: MemoryReadings, time_ms: int, flags: int, said: str
) -> None:
    readings.write([Reading("skerrow-head", time_ms, "post-1/level", 1.2, flags)])
    text = text_of(client.get(PAGE).text)
    assert f"Values of post-1/level arrive, but dated {said}" in text
    assert "Tank main: no level yet that can be believed." in text
    assert "Battery: no voltage heard yet." in text
    assert "has not been heard yet" not in text


def test_a_clock_set_right_is_told_no_more(client: Client, heard: MemoryReadings) -> None:
    """What it dated in the future stands before and after what is now."""
    for time_ms in (NOW_MS - 1, NOW_MS + HOUR_MS):
        heard.write([Reading("skerrow-head", time_ms, "post-1/level", 1.2, AHEAD_OF_CLOCK)])
    assert "arrive" not in text_of(client.get(PAGE).text)


def test_two_tanks_have_a_picture_and_sentences_each(
    client: Client, readings: MemoryReadings, records: Records
) -> None:
    readings.write([Reading("tarn-orchard", NOW_MS - HOUR_MS // 4, f"{t}-post/level", 0.5) for t in ("upper", "lower")])
    tanks = [tank_forecast("upper", runs_out=rising(2, 4)), tank_forecast("lower", runs_out=rising(6, 9))]
    put(records, forecast_of("tarn-orchard", tanks=tanks, battery=None))
    html = client.get("/sites/tarn-orchard").text
    assert html.count("<svg") == 4
    for tank in ("upper", "lower"):  # each bar stands over the words that say what it is
        assert re.search(rf"<svg[^>]*><rect width=\"\d+%\"/></svg>\s*<p>\s*Tank {tank}: ", html)
    assert len(set(re.findall(r' id="([^"]+)"', html))) == len(re.findall(r' id="', html)) == 6
    text = text_of(html)
    assert "Rain water lasts 2 to 4 days" in text
    assert "Rain water lasts 6 to 9 days" in text
    assert "Battery" not in text


def test_unknown_site_is_a_page_with_a_way_back(client: Client) -> None:
    answer = client.get("/sites/nowhere")
    assert answer.status_code == 404
    assert answer.headers["content-type"].startswith("text/html")
    assert "There is: skerrow-head, tarn-orchard." in answer.text
    assert 'href="/"' in answer.text


def test_a_flow_is_shown_by_the_minute_as_everywhere_else() -> None:
    assert bare_figure(810.0, "L/h", Speaker(ZoneInfo("UTC"))) == "13.5 L/min"
    assert bare_figure(810.0, "L/h", Speaker(ZoneInfo("UTC"), units="us-gallon")) == "3.57 gal/min"
    assert bare_figure(1.35, "m", Speaker(ZoneInfo("UTC"), units="us-gallon")) == "53.1 in"
