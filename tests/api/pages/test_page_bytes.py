"""What a page costs on a slow and costly link: bytes on the wire, headers and all."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from api.app import create_app
from api.settings import Settings
from forecast.result import Allowance, Changeover, Decisions, FreeWater
from ingest.instants import HOUR_MS
from ingest.site import Site
from ingest.store.records import LogEntry, Records, Transition
from tests.api.fakes import NOW_MS, Clock, MemoryReadings, forecast_of, put
from tests.api.pages.test_overview_page import text_of
from tests.api.pages.test_pictures import week
from tests.api.pages.wire import ask, served

FIRST: int = 1_400
PAGES = ("/", "/sites/skerrow-head")
NOTE: str = "a quarter turn of the valve by the wash house, no leak seen, the gravel below was dry and the lid shut"
ANSWERS = {
    "en": [
        "Rain water lasts 9 to 14 days.",
        "before Saturday 5 December",
        "59 % full, 1,890 L to draw",
        "Measured Wed 25 Nov, 12:03.",
        "To do today:",
        "No overflow",
        "Battery: 12.62 V",
    ],
    "es": [
        "Hay agua de lluvia para 9 a 14 días.",
        "antes del sábado 5 de diciembre",
        "lleno al 59 %, 1890 L",
        "Medido el mié 25 nov, 12:03.",
        "Para hoy:",
        "No se espera que rebose",
        "Batería: 12,62 V",
    ],
}


@pytest.fixture
def address(
    skerrow_head: Site, tarn_orchard: Site, readings: MemoryReadings, records: Records, settings: Settings
) -> Iterator[tuple[str, int]]:
    """Two sites with a week of readings, all that a forecast says, and an alarm."""
    week(readings)
    heard = {"level": 1.06, "battery": 12.62, "taps-total": 1_344.0, "rain-total": 11.0}
    for name, value in heard.items():
        (last,) = readings.range("skerrow-head", f"post-1/{name}", NOW_MS, NOW_MS + 1)
        kept = readings.kept["skerrow-head", f"post-1/{name}"]
        kept[kept.index(last)] = last._replace(time_ms=NOW_MS - 60_000, value=value)
    decisions = Decisions(Allowance(95.0, 14, 0.04, 0.05), FreeWater(350.0, 7, 0.92), Changeover(8.5, 0.1, 3, 0.08))
    put(records, forecast_of(decisions=decisions))
    raised = Transition(
        "skerrow-head", "tank-low:main", NOW_MS, "normal", "unacknowledged", "1,890 L: below 2,000 L for 40 minutes."
    )
    records.append_transitions([raised], [])
    for number in range(6):  # notes as people write them, no two alike
        note = " ".join(f"{word}{number * 7 + place}" for place, word in enumerate(NOTE.split()))
        records.append_log(LogEntry("skerrow-head", NOW_MS - number * HOUR_MS, "note", "", f"warden {number}", note))
    sites = {site.id: site for site in (skerrow_head, tarn_orchard)}
    app = create_app(sites, readings, records, Clock(), replace(settings, demo=True))
    with served(app) as found:
        yield found


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("path", PAGES)
@pytest.mark.parametrize("history", ["a week", "an hour"])
def test_what_matters_is_in_the_first_packet(
    address: tuple[str, int], readings: MemoryReadings, path: str, language: str, history: str
) -> None:
    if history == "an hour":
        for key, kept in readings.kept.items():
            readings.kept[key] = [reading for reading in kept if reading.time_ms > NOW_MS - HOUR_MS]
    sent = ask(address, path, Accept_Language=language)
    first = text_of(sent.first(FIRST)).replace("\N{NO-BREAK SPACE}", " ")
    assert [answer for answer in ANSWERS[language] if answer not in first] == []
    assert "for 40 minutes." in first  # the alarm
    assert ("plan" in first) == (history == "an hour")  # how little is known


@pytest.mark.parametrize("language", ["en", "es"])
def test_first_load_of_a_site_with_its_script(address: tuple[str, int], language: str) -> None:
    sent = ask(address, PAGES[1], Accept_Language=language)
    scripts = [part.partition('"')[0] for part in sent.text.split('<script src="')[1:]]
    whole = sent.size + sum(ask(address, script).size for script in scripts)
    assert whole <= 14_000


@pytest.mark.parametrize("path", PAGES)
def test_unchanged_page_costs_a_few_hundred_bytes(address: tuple[str, int], path: str) -> None:
    tag = ask(address, path).header("etag")
    again = ask(address, path, If_None_Match=tag)
    assert again.head.startswith(b"HTTP/1.1 304")
    assert again.size <= 400
