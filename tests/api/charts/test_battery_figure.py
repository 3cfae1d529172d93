from __future__ import annotations

import math
from dataclasses import replace

from api.charts.battery import BatteryChart, battery_figure
from api.charts.fan import Fan
from api.charts.plot import Point
from ingest.instants import DAY_MS, HOUR_MS
from tests.api.charts.pictures import HOUR, SPEAKER, overlapping, parsed, paths, rows, words
from tests.api.fakes import NOW_MS, falling

FAN = Fan(HOUR, falling(12.6, 0.05, 0.04, 11.5, 13.0), stale=False)
SEEN = [Point(NOW_MS - n * HOUR_MS, 12.6 + 0.4 * math.sin(n / 4)) for n in range(120, -1, -1)]
CHART = BatteryChart(
    now_ms=NOW_MS,
    start_ms=NOW_MS - 5 * DAY_MS,
    end_ms=FAN.end_ms,
    low_v=12.0,
    cutoff_v=11.6,
    seen=[SEEN],
    fan=FAN,
    cutoff=[0.0] * 14 + [0.06, 0.2],
)


def drawn(**changes: object) -> str:
    return str(battery_figure(replace(CHART, **changes), SPEAKER))  # type: ignore[arg-type]


def test_picture_says_what_it_shows() -> None:
    assert parsed(drawn()).findtext("desc") == (
        "Last measured voltage 12.60 V at Wed 25 Nov, 12:04. Forecast for Fri 11 Dec, 12:00: median 11.80 V at rest, "
        "nine chances in ten between 11.50 V and 12.44 V. By then the cut-off has come with a chance of 20 %. "
        "Low below 12.00 V, cut-off at 11.60 V."
    )


def test_lines_are_named_and_nothing_stands_on_anything() -> None:
    html = drawn()
    assert {"low 12.00 V", "cut-off 11.60 V", "voltage, V"} <= set(words(html))
    assert overlapping(html) == []
    assert overlapping(drawn(low_v=11.7)) == []


def test_the_table_ends_with_the_chance_of_cut_off() -> None:
    table = rows(drawn())
    assert len(table) == 6 + 16
    assert table[-1] == ["Fri 11 Dec, 12:00", "11.80 (11.50–12.44)", "20 %"]
    assert table[5] == ["Wed 25 Nov, 12:04", "12.60", ""]


def test_without_forecast_or_voltage_it_says_so() -> None:
    html = drawn(seen=[], fan=None, cutoff=())
    assert "No voltage was measured in the time shown. There is no forecast." in html
    assert paths(html, "seen") == paths(html, "wide") == []


def test_a_stale_forecast_says_so() -> None:
    html = drawn(fan=replace(FAN, stale=True))
    assert "stale forecast" in words(html)
    assert "The forecast is stale." in html
