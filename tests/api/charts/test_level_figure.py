from __future__ import annotations

import gzip
import re
from dataclasses import replace

import pytest

from api.charts.level import describe, level_figure
from api.charts.plot import Point
from api.languages.language import language
from api.speech import Speaker
from ingest.instants import DAY_MS, HOUR_MS
from tests.api.charts.pictures import (
    FAN,
    HOUR,
    RAIN,
    SEEN,
    SPEAKER,
    boxes,
    level_chart,
    overlapping,
    parsed,
    paths,
    places,
    rows,
    words,
)
from tests.api.fakes import NOW_MS, falling


def drawn(**changes: object) -> str:
    return str(level_figure(level_chart(**changes), SPEAKER))


def test_picture_has_a_title_and_a_sentence_in_figures() -> None:
    picture = parsed(drawn())
    assert picture.findtext("title") == "Level of tank main, measured and forecast"
    assert picture.findtext("desc") == (
        "Last measured level 1.06 m at Wed 25 Nov, 12:04. Forecast for Fri 11 Dec, 12:00: median 0.12 m, nine "
        "chances in ten between 0.12 m and 0.58 m. By then it has run out with a chance of 100 %, and run over "
        "with one of 4 %."
    )
    assert picture.get("role") == "img"
    assert picture.get("aria-labelledby") == "level-main-t level-main-d"


def test_axes_carry_units_levels_lines_and_local_days() -> None:
    said = words(drawn())
    assert {"level, m", "rain of 24 h, mm", "chance, %", "now", "has run out", "has run over"} <= set(said)
    assert {"brim 1.80 m", "outlet 0.12 m", "irrigation stops 0.27 m"} <= set(said)
    assert {"0", "0.5", "1", "1.5", "100"} <= set(said)
    assert 3 <= sum(word.endswith((" Nov", " Dec")) for word in said) <= 5


def test_no_words_stand_on_each_other() -> None:
    assert overlapping(drawn()) == []
    close = [(1.8, "brim"), (0.12, "outlet"), (0.15, "garden stops"), (0.2, "irrigation stops")]
    assert overlapping(drawn(lines=close)) == []


def test_the_brims_label_at_the_left_is_clear_of_the_title() -> None:
    # A fan that fills the right leaves only the left for it.
    full = replace(FAN, bands=falling(1.8, 0.0, 0.02, 1.2, 1.8))
    found = {box.words: box for box in boxes(drawn(fan=full))}
    assert found["brim 1.80 m"].left < 100
    assert found["brim 1.80 m"].top - found["level, m"].foot >= 0.2 * (found["level, m"].foot - found["level, m"].top)


def test_whoever_chose_gallons_reads_inches() -> None:
    picture = str(level_figure(level_chart(), replace(SPEAKER, units="us-gallon")))
    assert {"level, in", "rain of 24 h, in", "0", "20", "40", "60"} <= set(words(picture))
    # 1.06 m are 41.7 in, 9 mm are 0.35 in (25.4 mm to the inch).
    assert "Last measured level 41.7 in" in picture
    assert not re.search(r"\d m\b|, mm?\b", re.sub(r"(?:brim|outlet|stops) [\d.]+ m", "", picture))
    zero, twenty, forty, sixty = feet_of_ticks(picture)
    assert zero - twenty == pytest.approx(forty - sixty, abs=1)


def feet_of_ticks(picture: str) -> list[int]:
    """Heights of the words 0, 20, 40 and 60 at the level's axis."""
    found = {box.words: int(box.foot) for box in boxes(picture) if box.words in ("20", "40", "60")}
    zero = next(int(box.foot) for box in boxes(picture) if box.words == "0" and box.foot > found["20"])
    return [zero, found["20"], found["40"], found["60"]]


def test_silence_is_a_gap_in_the_line() -> None:
    assert len(paths(drawn(seen=[SEEN[:40], SEEN[70:]]), "seen")) == 2


def test_stale_forecast_looks_and_sounds_like_one() -> None:
    html = drawn(fan=replace(FAN, stale=True))
    assert "stale forecast" in words(html)
    assert len(paths(html, "old")) == 1
    assert "The forecast is stale." in html
    fresh = drawn()
    assert "stale forecast" not in words(fresh)
    assert paths(fresh, "old") == []


def test_where_nothing_is_known_nothing_is_drawn() -> None:
    html = drawn(seen=[], rain_mm={}, fan=None, rain_ahead=None, runs_out=(), spills=())
    assert [paths(html, look) for look in ("seen", "wide", "half", "full", "open")] == [[], [], [], [], []]
    assert "No level was measured in the time shown. There is no forecast." in html
    assert all(row[1:] == ["–", "–", "", ""] for row in rows(html))


def test_higher_is_drawn_higher_and_all_within_the_frame() -> None:
    html = drawn(seen=[[Point(NOW_MS - DAY_MS, 0.2), Point(NOW_MS, 1.7)]])
    (x1, y1), (x2, y2) = places(paths(html, "seen")[0])
    assert (x1 < x2, y1 > y2) == (True, True)
    for look in ("wide", "half"):
        assert all(72 <= x <= 632 and 172 <= y <= 392 for x, y in places(paths(html, look)[0]))


def test_the_table_has_what_was_measured_and_what_may_come() -> None:
    by_time = {row[0]: row[1:] for row in rows(drawn())}
    # 4 mm fell in each of the hours that began 72, 71 and 70 hours before noon of the 25th.
    assert by_time["Sun 22 Nov, 12:00"] == ["1.13", "0.0", "", ""]
    assert by_time["Mon 23 Nov, 12:00"] == ["1.11", "12.0", "", ""]
    assert by_time["Thu 26 Nov, 12:00"] == ["0.98 (0.93–1.03)", "2 (2–2)", "< 1 %", "< 1 %"]
    assert by_time["Fri 11 Dec, 12:00"] == ["0.12 (0.12–0.58)", "2 (2–2)", "> 99 %", "4 %"]


@pytest.mark.parametrize("missing", [0, 23])
def test_rain_of_a_day_with_an_unmeasured_hour_is_unknown_and_not_less(missing: int) -> None:
    chart = level_chart()
    assert chart.fell_mm(HOUR - 2 * DAY_MS) == 12.0
    hour = HOUR - 2 * DAY_MS - (missing + 1) * HOUR_MS
    holed = level_chart(rain_mm={at: amount for at, amount in RAIN.items() if at != hour})
    assert holed.fell_mm(HOUR - 2 * DAY_MS) is None


def test_an_old_forecast_gives_figures_only_for_what_is_still_to_come() -> None:
    old = replace(FAN, start_ms=HOUR - 3 * DAY_MS, stale=True)
    html = drawn(fan=old)
    by_time = {row[0]: row[1:] for row in rows(html)}
    assert by_time["Wed 25 Nov, 12:00"] == ["1.06", "0.0", "", ""]
    assert by_time["Thu 26 Nov, 12:00"][0] == "0.74 (0.54–0.94)"


def test_a_stale_sentence_differs_from_a_fresh_one() -> None:
    chart = level_chart(fan=replace(FAN, stale=True))
    assert describe(chart, SPEAKER) != describe(level_chart(), SPEAKER)


def test_the_whole_figure_is_small() -> None:
    wavy = [Point(point.at, point.value + 0.1 * (n % 7) / 7) for n, point in enumerate(SEEN)]
    assert len(gzip.compress(drawn(seen=[wavy]).encode())) < 2_500


def test_a_spanish_reader_reads_spanish_and_nothing_overlaps() -> None:
    spanish = Speaker(SPEAKER.zone, language("es"))
    html = str(level_figure(level_chart(lines=[(1.8, "rebosadero 1,80 m"), (0.12, "salida 0,12 m")]), spanish))
    assert {"nivel, m", "ahora", "agotado", "rebosado", "0,5", "salida 0,12 m"} <= set(words(html))
    assert overlapping(html) == []
    assert rows(html)[-1][1] == "0,12 (0,12–0,58)"
    assert rows(html)[-1][0].startswith("vie 11 dic")
