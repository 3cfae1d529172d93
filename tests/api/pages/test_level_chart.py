from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from zoneinfo import ZoneInfo

from api.pages.chart import Chart, Fan, Point, pieces_of, svg
from ingest.instants import DAY_MS, HOUR_MS, from_rfc3339
from tests.api.fakes import NOW_MS, falling

FAN = Fan(NOW_MS, falling(1.06, 0.08, 0.05, 0.12, 1.8), stale=False)
PAST = [Point(NOW_MS - n * HOUR_MS, 1.06 + n / 1000) for n in range(72, -1, -1)]


def chart(**changes: object) -> Chart:
    usual: dict[str, object] = {
        "tank": "main",
        "zone": ZoneInfo("Europe/London"),
        "now_ms": NOW_MS,
        "start_ms": NOW_MS - 3 * DAY_MS,
        "end_ms": NOW_MS + 16 * DAY_MS,
        "outlet_m": 0.12,
        "brim_m": 1.8,
        "pieces": [PAST],
        "fan": FAN,
    }
    return Chart(**(usual | changes))  # type: ignore[arg-type]


def drawn(what: Chart) -> ET.Element:
    return ET.fromstring(svg(what))


def words(element: ET.Element) -> list[str]:
    return [text.text or "" for text in element.iter("text")]


def test_picture_has_a_title_and_a_description_in_figures() -> None:
    element = drawn(chart())
    assert element.findtext("title") == "Level of tank main, measured and forecast"
    assert element.findtext("desc") == (
        "Last measured level 1.06 m at Wed 25 Nov, 12:04. Forecast for Fri 11 Dec, 12:04: median 0.12 m, nine "
        "chances in ten between 0.12 and 0.58 m. Outlet at 0.12 m, brim at 1.80 m."
    )
    assert element.get("aria-labelledby") == "chart-main-t chart-main-d"


def test_axes_carry_unit_levels_and_local_days() -> None:
    shown = words(drawn(chart()))
    assert "m" in shown
    assert {"brim 1.80 m", "outlet 0.12 m", "now"} <= set(shown)
    assert {"0", "0.5", "1", "1.5"} <= set(shown)
    days = [word for word in shown if re.fullmatch(r"\d+ (Nov|Dec)", word)]
    assert 3 <= len(days) <= 5
    assert days[0] == "23 Nov"


def test_days_stay_at_local_midnight_when_the_clocks_change() -> None:
    autumn = from_rfc3339("2026-10-23T12:00:00Z")
    element = drawn(chart(start_ms=autumn, now_ms=autumn, end_ms=autumn + 5 * DAY_MS, pieces=[], fan=None))
    marks = {text.text: int(text.get("x", "0")) for text in element.iter("text") if "Oct" in (text.text or "")}
    # Midnight in London is 23:00 UTC up to the 25th and 00:00 UTC after it: one day is 25 hours long.
    gaps = [marks[f"{day + 1} Oct"] - marks[f"{day} Oct"] for day in (24, 25, 26)]
    assert gaps[1] > gaps[0]
    assert abs(gaps[0] - gaps[2]) <= 1


def test_silence_breaks_the_line() -> None:
    points = [Point(0, 1.0), Point(HOUR_MS, 1.1), Point(5 * HOUR_MS, 1.2)]
    assert pieces_of(points, HOUR_MS) == [points[:2], points[2:]]
    black = [
        line for line in drawn(chart(pieces=[PAST[:20], PAST[40:]])).iter("polyline") if line.get("stroke") == "#000"
    ]
    assert len(black) == 2


def test_stale_forecast_is_drawn_and_described_as_such() -> None:
    element = drawn(chart(fan=Fan(NOW_MS, FAN.level_m, stale=True)))
    assert any(line.get("stroke-dasharray") == "8 8" for line in element.iter("polyline"))
    assert "Stale forecast for" in (element.findtext("desc") or "")
    assert all(line.get("stroke-dasharray") is None for line in drawn(chart()).iter("polyline"))


def test_nothing_is_drawn_where_nothing_is_known() -> None:
    element = drawn(chart(pieces=[], fan=None))
    assert list(element.iter("polyline")) == []
    assert list(element.iter("polygon")) == []
    assert (element.findtext("desc") or "").startswith("No level was measured in the time shown. There is no forecast.")


def test_higher_level_is_drawn_higher_and_all_within_the_frame() -> None:
    element = drawn(chart(pieces=[[Point(NOW_MS - DAY_MS, 0.2), Point(NOW_MS, 1.7)]], fan=None))
    line = next(element.iter("polyline")).get("points", "")
    (x1, y1), (x2, y2) = (map(int, pair.split(",")) for pair in line.split())
    assert (x1 < x2, y1 > y2) == (True, True)
    for shape in drawn(chart()).iter("polygon"):
        for pair in shape.get("points", "").split():
            x, y = map(int, pair.split(","))
            assert 74 <= x <= 628
            assert 34 <= y <= 348
