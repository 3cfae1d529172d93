from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from api.access.access import Access
from api.current import read_state
from api.languages.language import language
from api.pages.pictures import battery_picture, flow_pictures, level_picture
from api.service import Service
from api.settings import Settings
from api.speech import Speaker
from forecast.result import BatteryForecast
from ingest.instants import MINUTE_MS
from ingest.reading import Reading
from ingest.site import Site
from ingest.store.access import AccessStore
from ingest.store.records import Records
from tests.api.charts.pictures import overlapping, paths, rows, words
from tests.api.fakes import NOW_MS, Clock, MemoryReadings, falling, forecast_of, passage, put

SPEAKER = Speaker(ZoneInfo("Europe/London"))


@pytest.fixture
def service(skerrow_head: Site, readings: MemoryReadings, records: Records, settings: Settings) -> Service:
    return Service(
        {skerrow_head.id: skerrow_head}, readings, records, Clock(), settings, Access(AccessStore(records), Clock())
    )


def week(readings: MemoryReadings, silent_h: range = range(0)) -> None:
    """A week of every sensor, each quarter of an hour; nothing in the hours before now that are silent."""
    told = []
    for n in range(7 * 96, -1, -1):
        at = NOW_MS - n * 15 * MINUTE_MS
        if n // 4 not in silent_h:
            values = {"level": 1.2 - 0.0002 * (672 - n), "taps-total": 2.0 * (672 - n), "rain-total": 10.0 + (n < 300)}
            told += [Reading("skerrow-head", at, f"post-1/{name}", value) for name, value in values.items()]
            told.append(Reading("skerrow-head", at, "post-1/battery", 12.6))
    readings.write(told)


def test_level_has_its_lines_its_rain_and_its_chances(
    skerrow_head: Site, service: Service, readings: MemoryReadings, records: Records
) -> None:
    week(readings)
    put(records, forecast_of())
    state = read_state(skerrow_head, readings, records, NOW_MS, service.settings)
    html = str(level_picture(state, state.tanks[0], service, SPEAKER))
    assert {"brim 1.80 m", "outlet 0.12 m", "irrigation stops 0.27 m"} <= set(words(html))
    assert overlapping(html) == []
    assert rows(html)[-1][3:] == ["> 99 %", "4 %"]
    fallen = [row[2] for row in rows(html) if row[3] == ""]
    assert fallen.count("1.0") == 1
    assert fallen.count("0.0") == len(fallen) - 1


def test_the_measured_line_ends_at_the_newest_reading_and_breaks_in_a_silence(
    skerrow_head: Site, service: Service, readings: MemoryReadings
) -> None:
    week(readings, silent_h=range(30, 40))
    state = read_state(skerrow_head, readings, service.records, NOW_MS, service.settings)
    html = str(level_picture(state, state.tanks[0], service, SPEAKER))
    assert len(paths(html, "seen")) == 2
    assert "Last measured level 1.07 m at Wed 25 Nov, 12:04." in html


def test_battery_is_drawn_in_volts_at_rest(
    skerrow_head: Site, service: Service, readings: MemoryReadings, records: Records
) -> None:
    week(readings)
    half = falling(0.5, 0.0, 0.0, 0.0, 1.0)
    put(records, forecast_of(battery=BatteryForecast(0.5, half, passage((0.0, 0.02)))))
    state = read_state(skerrow_head, readings, records, NOW_MS, service.settings)
    html = str(battery_picture(state, service, SPEAKER))
    # A half-full sealed lead-acid bank of 12 V rests at 12.25 V (forecast/model/power.py).
    assert rows(html)[-1][1] == "12.25 (12.25–12.25)"
    assert {"low 12.00 V", "cut-off 11.60 V"} <= set(words(html))


def test_a_site_without_battery_or_meters_has_no_such_pictures(
    tarn_orchard: Site, service: Service, readings: MemoryReadings
) -> None:
    state = read_state(tarn_orchard, readings, service.records, NOW_MS, service.settings)
    assert battery_picture(state, service, SPEAKER) is None
    assert flow_pictures(state, service, SPEAKER) == []


def test_flows_are_summed_by_local_day_in_the_readers_units(
    skerrow_head: Site, service: Service, readings: MemoryReadings
) -> None:
    week(readings)
    state = read_state(skerrow_head, readings, service.records, NOW_MS, service.settings)
    ((title, drawn),) = flow_pictures(state, service, SPEAKER)
    assert title == "Drawn on each day"
    by_day = {row[0]: row[1] for row in rows(str(drawn))}
    # 2 L each quarter of an hour; the meter began to be heard at noon of the 18th.
    assert (by_day["24 Nov"], by_day["18 Nov"], by_day["12 Nov"]) == ("192", "–", "–")
    assert "taps: 192 L on an average day." in str(drawn)
    ((_, gallons),) = flow_pictures(state, service, Speaker(SPEAKER.zone, language("en"), "us-gallon"))
    assert {row[0]: row[1] for row in rows(str(gallons))}["24 Nov"] == "51"
    assert "gal" in words(str(gallons))
