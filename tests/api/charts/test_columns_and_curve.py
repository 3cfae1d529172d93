from __future__ import annotations

import re
from dataclasses import replace

import pytest

from api.charts.columns import Column, ColumnChart, column_figure
from api.charts.curve import CurveChart, Mark, curve_figure
from api.charts.plot import Point
from tests.api.charts.pictures import SPEAKER, boxes, overlapping, paths, rows, words

MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
YIELD = ColumnChart(
    id="yield",
    title="Yield by month",
    says="Delivered 30,000 L of 48,000 L designed.",
    unit="L a month",
    first="Month",
    parts=["delivered"],
    columns=[Column(month, [2_000.0 + 200 * n], 4_000.0) for n, month in enumerate(MONTHS)],
    whole="designed",
)
CAUSES = replace(
    YIELD,
    id="causes",
    parts=["less rain", "first flush", "run over"],
    columns=[Column("2025", [100.0, 50.0, 25.0]), Column("2026", [100.0, None, 25.0])],
    whole="",
)
CURVE = CurveChart(
    id="yield-by-tank",
    title="Yield by tank",
    says="Beyond 4,000 L more tank gives little more yield.",
    across="tank, L",
    upright="yield, L a year",
    points=[Point(0.0, 0.0), Point(4_000.0, 36_000.0), Point(10_000.0, 40_000.0)],
    marks=[Mark(4_000.0, 36_000.0, "knee 4,000 L"), Mark(9_500.0, 39_700.0, "planned 9,500 L")],
)


def test_columns_stand_beside_what_was_designed() -> None:
    html = str(column_figure(YIELD, SPEAKER))
    assert paths(html, "part0")[0].count("M") == 12
    assert paths(html, "open")[0].count("M") == 12
    assert rows(html)[0] == ["Jan", "2,000", "4,000"]
    assert "Open columns: designed." in html


def test_names_that_have_no_room_are_left_out_and_nothing_overlaps() -> None:
    html = str(column_figure(YIELD, SPEAKER))
    said = words(html)
    assert "Jan" in said
    assert len([month for month in MONTHS if month in said]) < 12
    assert overlapping(html) == []


def test_figures_of_the_axis_have_room_at_its_left() -> None:
    wide = replace(YIELD, columns=[Column("Jan", [1_234_567.0])], whole="")
    for box in boxes(str(column_figure(wide, SPEAKER))):
        assert box.left >= -1


def test_parts_stand_on_each_other_in_order() -> None:
    html = str(column_figure(CAUSES, SPEAKER))
    feet = [re.findall(r"M\d+ (\d+)V(\d+)", paths(html, f"part{n}")[0])[0] for n in range(3)]
    assert [foot for foot, _ in feet[1:]] == [head for _, head in feet[:-1]]
    assert "Parts in this order from the foot up." in html
    assert html.count('class="swatch"') == 3


def test_a_column_with_an_unknown_part_is_not_drawn_and_its_cell_is_a_dash() -> None:
    html = str(column_figure(CAUSES, SPEAKER))
    assert paths(html, "part0")[0].count("M") == 1
    assert rows(html)[1] == ["2026", "100", "–", "25"]
    # A day without rain has no bar either: what was not measured has a dashed place of its own.
    assert paths(html, "unknown")[0].count("M") == 1
    assert "Dashed: not measured." in html
    assert "unknown" not in str(column_figure(YIELD, SPEAKER))


def test_the_parts_of_a_stack_are_told_apart_by_more_than_their_grey() -> None:
    six = replace(CAUSES, parts=list("abcdef"), columns=[Column("2025", [10.0] * 6)])
    html = str(column_figure(six, SPEAKER))
    column, keys = html.split("<figcaption>")
    assert column.count('class="hatch"') == keys.count('class="hatch"') == 2
    (level, upright) = paths(column, "hatch")
    assert "H" in level
    assert "H" not in upright


def test_more_parts_than_fillings_are_refused() -> None:
    with pytest.raises(ValueError, match="only 6 fillings"):
        column_figure(replace(CAUSES, parts=list("abcdefg")), SPEAKER)


def test_a_curve_names_its_points_and_tells_all_of_them_in_its_table() -> None:
    html = str(curve_figure(CURVE, SPEAKER))
    assert {"knee 4,000 L", "planned 9,500 L", "tank, L", "yield, L a year"} <= set(words(html))
    assert rows(html) == [["0", "0"], ["4,000", "36,000"], ["10,000", "40,000"]]
    assert overlapping(html) == []
    assert all(box.left >= 0 and box.right <= 645 for box in boxes(html))


def test_a_curve_of_one_point_is_refused() -> None:
    with pytest.raises(ValueError, match="two points or more"):
        curve_figure(replace(CURVE, points=CURVE.points[:1]), SPEAKER)
