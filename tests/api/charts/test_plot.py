from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from api.charts.plot import TOLERANCE, Axis, Bar, Extent, Plot, Point, apart, pieces_of, simplify
from tests.api.charts.pictures import places

PLOT = Plot(Axis(0.0, 100.0, 70, 630), Axis(0.0, 2.0, 300, 100))

series = st.lists(st.floats(0, 1000), min_size=1, max_size=60).map(
    lambda values: [(10.0 * n, value) for n, value in enumerate(values)]
)


@given(series)
def test_a_simplified_line_misses_no_place_by_more_than_it_may(line: list[tuple[float, float]]) -> None:
    kept = simplify(line)
    assert set(kept) <= set(line)
    assert (kept[0], kept[-1]) == (line[0], line[-1])
    for (x0, y0), (x1, y1) in itertools.pairwise(kept):
        for x, y in line:
            if x0 <= x <= x1:
                assert abs(y0 + (y1 - y0) * (x - x0) / (x1 - x0) - y) <= TOLERANCE + 1e-6


@given(series)
def test_highest_and_lowest_always_stay(line: list[tuple[float, float]]) -> None:
    kept = [y for _, y in simplify(line)]
    assert max(kept) == max(y for _, y in line)
    assert min(kept) == min(y for _, y in line)


def test_a_straight_line_is_two_places_and_a_peak_a_third() -> None:
    straight = [(float(x), 2.0 * x) for x in range(100)]
    assert simplify(straight) == [straight[0], straight[-1]]
    assert simplify([*straight[:50], (50.0, 300.0), *straight[51:]])[1:-1] == [
        (49.0, 98.0),
        (50.0, 300.0),
        (51.0, 102.0),
    ]


def test_values_lie_on_the_axis_and_beyond_it_are_cut_off() -> None:
    assert [PLOT.x(value) for value in (-5, 0, 50, 100, 130)] == [70, 70, 350, 630, 630]
    assert [PLOT.y(value) for value in (0, 1, 2)] == [300, 200, 100]


def test_a_line_goes_in_steps_from_place_to_place() -> None:
    drawn = PLOT.line([Point(0, 0.0), Point(50, 2.0), Point(100, 0.0)], "seen")
    assert drawn == '<path class="seen" d="M70 300l280-200 280 200"/>'
    assert places("M70 300l280-200 280 200") == [(70, 300), (350, 100), (630, 300)]


def test_a_lone_reading_is_a_dot() -> None:
    assert PLOT.line([Point(50, 1.0)], "seen") == '<path class="seen" d="M350 200l0 0"/>'


def test_a_band_goes_there_and_back_and_is_closed() -> None:
    low, high = [Point(0, 0.5), Point(100, 0.0)], [Point(0, 1.0), Point(100, 2.0)]
    assert PLOT.band(low, high, "wide") == '<path class="wide" d="M70 250l560 50 0-200-560 100z"/>'


def test_bars_have_margins_and_flat_ones_are_not_drawn() -> None:
    bars = [Bar(0, 10, 0.0, 1.0), Bar(10, 20, 0.0, 0.0), Bar(20, 30, 1.0, 2.0)]
    assert PLOT.bars(bars, "full") == '<path class="full" d="M73 300V200H123V300zM185 200V100H235V200z"/>'
    assert PLOT.bars([Bar(0, 10, 0.0, 0.0)], "full") == ""


def test_silence_breaks_the_line() -> None:
    points = [Point(0, 1.0), Point(10, 1.1), Point(50, 1.2)]
    assert pieces_of(points, 10) == [points[:2], points[2:]]
    assert PLOT.lines(pieces_of(points, 10), "seen").count("<path") == 2


def test_labels_of_close_lines_move_apart_and_keep_their_order() -> None:
    assert apart([300, 290, 100], 28) == [300, 272, 100]
    drawn = PLOT.rule_labels([(0.1, "outlet"), (0.15, "reserve"), (2.0, "brim")])
    assert drawn.index("outlet") < drawn.index("reserve") < drawn.index("brim")


def test_a_label_stands_where_it_hides_nothing_and_no_line_crosses_it() -> None:
    # Level at 1 until the middle, then falling to the line: the right end is taken, the place beside the middle free.
    drawn = [Extent(at, 1.0, 1.0) for at in range(50)] + [Extent(at, 1.9 - at / 55, 1.0) for at in range(50, 101)]
    at_right, beside = PLOT.rule_labels([(0.1, "outlet")]), PLOT.rule_labels([(0.1, "outlet")], 50, drawn)
    assert 'text-anchor="end"' in at_right
    assert beside.startswith(f'<text class="plate" x="{PLOT.x(50) + 8}"')
    everywhere = [Extent(at, 0.0, 2.0) for at in range(101)]
    assert "plate" not in PLOT.rule_labels([(0.1, "outlet")], 50, everywhere)  # paper would hide what is drawn


def test_hatching_stays_within_its_bar() -> None:
    bar = Bar(0, 10, 0.0, 1.0)
    level, upright = PLOT.hatching([bar], upright=False), PLOT.hatching([bar], upright=True)
    assert level.count("M70 ") == 14
    assert upright.startswith('<path class="hatch" d="M77 300V200')
    assert PLOT.hatching([Bar(0, 10, 0.0, 0.0)], upright=False) == ""


def test_words_are_escaped() -> None:
    assert "&lt;b&gt;" in PLOT.rule_labels([(1.0, "<b>")])
