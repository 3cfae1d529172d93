"""What axe does not see: letters and lines of the pictures, and meaning that hangs on colour alone."""

from __future__ import annotations

import itertools

import pytest

from tests.browser.conftest import OpenPage
from tests.browser.looking import contrast, shapes
from tests.browser.states import STATES, Stage

BY_NAME = {state.name: state for state in STATES}
#: Looks that carry something by their line. Areas are told by their outline.
LINES = {"seen", "median", "old", "other", "rule", "wide", "half", "frame", "tick", "now", "open", "full", "part0"}


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["fresh", "stale"])
def test_letters_and_lines_of_pictures_stand_out(name: str, scheme: str, states: Stage, open_page: OpenPage) -> None:
    page = open_page(color_scheme=scheme)
    page.goto(states.show(BY_NAME[name]))
    seen = shapes(page)
    letters = [shape for shape in seen if shape["tag"] == "text"]
    assert letters
    for shape in letters:
        # The halo in the paper's colour parts the letters from whatever lies below.
        assert shape["order"].startswith("stroke")
        assert contrast(shape["stroke"], shape["paper"]) == pytest.approx(1.0)
        assert contrast(shape["fill"], shape["paper"]) >= 4.5, shape["words"]
    lines = [shape for shape in seen if shape["tag"] == "path" and shape["look"] in LINES]
    assert lines
    for shape in lines:
        assert contrast(shape["stroke"], shape["paper"]) >= 3.0, shape["look"]


def test_pictures_are_grey_and_their_lines_differ_without_colour(states: Stage, open_page: OpenPage) -> None:
    page = open_page()
    page.goto(states.show(BY_NAME["fresh"]))
    seen = shapes(page)
    colours = [shape[key] for shape in seen for key in ("fill", "stroke") if shape[key] is not None]
    assert all(max(rgb) - min(rgb) <= 2 for rgb in colours)
    drawn = {shape["look"]: (shape["width"], shape["dash"]) for shape in seen if shape["look"] in LINES}
    for one, other in itertools.combinations(("seen", "median", "other", "rule"), 2):
        assert drawn[one] != drawn[other]


def test_alarms_say_in_words_and_shape_what_they_say_in_colour(states: Stage, open_page: OpenPage) -> None:
    page = open_page()
    page.goto(states.show(BY_NAME["alarm"]))
    alarms = page.locator(".alarm").all_inner_texts()
    assert len(alarms) >= 2
    assert all(text[0] in "▲◆●○" for text in alarms)
    assert all("priority" in text or "Over" in text for text in alarms)


def test_what_is_stale_or_missing_says_so_in_words_and_shape(states: Stage, open_page: OpenPage) -> None:
    page = open_page()
    page.goto(states.show(BY_NAME["stale"]))
    marked = page.locator("p.stale, tr.stale, p.missing, tr.missing").all_inner_texts()
    assert marked
    assert all("◌ Stale" in text or "○ Missing" in text for text in marked)
