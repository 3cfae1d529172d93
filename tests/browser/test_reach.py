"""Every page reaches its reader: narrow, enlarged, by keyboard, without script, on paper, in Spanish."""

from __future__ import annotations

import io

import pytest
from playwright.sync_api import Page
from pypdf import PdfReader

from tests.browser.conftest import OpenPage
from tests.browser.looking import focus, open_all, overlapping_words, width_beyond
from tests.browser.states import STATES, Stage, State

BY_NAME = {state.name: state for state in STATES}
PICTURED = [BY_NAME[name] for name in ("fresh", "stale", "two-tanks", "alarm", "account")]

#: Every table that may be wider than the page, and what tells a reader so.
_WIDE = """
() => [...document.querySelectorAll("div.wide")].map(region => {
  const title = document.getElementById(region.getAttribute("aria-labelledby"));
  const said = region.closest("section").querySelector(".onward");
  return {
    id: title.id, name: title.textContent, beyond: region.scrollWidth - region.clientWidth,
    focusable: region.tabIndex === 0 && region.getAttribute("role") === "region",
    edge: getComputedStyle(region).backgroundImage, heads: region.querySelectorAll("tr:first-child th").length,
    said: said !== null && said.getBoundingClientRect().height > 0,
  };
})
"""


@pytest.mark.parametrize("width", [320, 360])
def test_nothing_is_wider_than_a_phone(width: int, states: Stage, open_page: OpenPage) -> None:
    page = open_page(viewport={"width": width, "height": 640})
    for state in STATES:
        page.goto(states.show(state))
        open_all(page)
        assert width_beyond(page) <= 0, state.name


@pytest.mark.parametrize("name", ["account", "design"])
def test_a_table_that_goes_on_says_so_and_is_read_by_keyboard(name: str, states: Stage, open_page: OpenPage) -> None:
    page = open_page(viewport={"width": 360, "height": 640})
    page.goto(states.show(BY_NAME[name]))
    found = page.evaluate(_WIDE)
    wide = [table for table in found if table["beyond"] > 0]
    assert len(wide) >= 2
    for table in found:
        assert table["name"]
        assert table["focusable"]
    # The edge is drawn behind every table, and paper that scrolls along covers it at the end; words say it too.
    assert all("gradient" in table["edge"] for table in wide)
    assert all(table["said"] for table in wide if table["heads"] > 4)
    region = page.get_by_role("region", name=wide[0]["name"])
    region.focus()
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    page.wait_for_function("name => document.getElementById(name).closest('section')"
                           ".querySelector('.wide').scrollLeft > 0", arg=wide[0]["id"])  # fmt: skip
    page.set_viewport_size({"width": 1200, "height": 800})
    assert not page.get_by_text("It goes on to the right").first.is_visible()


def test_letters_of_twice_the_size_need_no_scrolling_sideways(states: Stage, open_page: OpenPage) -> None:
    page = open_page(viewport={"width": 640, "height": 800})
    for state in (*PICTURED, BY_NAME["setup"]):
        page.goto(states.show(state))
        page.evaluate("() => document.documentElement.style.fontSize = '200%'")
        assert width_beyond(page) <= 0, state.name


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("width", [320, 800])
def test_no_words_of_a_picture_stand_on_each_other(
    width: int, language: str, states: Stage, open_page: OpenPage
) -> None:
    page = open_page(viewport={"width": width, "height": 640})
    for state in PICTURED:
        page.goto(f"{states.show(state)}?lang={language}")
        assert overlapping_words(page) == [], state.name


@pytest.mark.parametrize("state", [BY_NAME["alarm"], BY_NAME["setup"]], ids=lambda state: state.name)
def test_the_keyboard_reaches_everything_and_is_seen(state: State, states: Stage, open_page: OpenPage) -> None:
    page = open_page(viewport={"width": 360, "height": 640})
    page.goto(states.show(state))
    wanted = (
        page.locator("a, button, summary, input:not([type=hidden]), select, textarea").locator("visible=true").count()
    )
    reached = []
    for _ in range(wanted + 5):
        page.keyboard.press("Tab")
        at = focus(page)
        if at["name"].startswith("BODY"):
            break
        reached.append(at)
    assert len(reached) == wanted
    assert [at["name"] for at in reached if not (at["ring"] and at["seen"])] == []
    assert reached[0]["name"].startswith("A To the content")


def test_a_picture_is_read_with_arrow_keys(states: Stage, open_page: OpenPage) -> None:
    page = open_page()
    page.goto(states.show(BY_NAME["fresh"]))
    slider = page.get_by_role("slider").first
    slider.focus()
    before = slider.get_attribute("aria-valuetext") or ""
    page.keyboard.press("ArrowRight")
    after = slider.get_attribute("aria-valuetext") or ""
    assert before.startswith("Wed 25 Nov")
    assert after.startswith("Thu 26 Nov")
    assert "Has run out: < 1 %" in after
    assert page.locator(".read").first.inner_text() == after
    # Its line runs through the three plots and leaves the words between them alone.
    line = page.locator("figure path.reader").first.get_attribute("d") or ""
    assert line.count("M") == 3


def test_a_picture_is_read_under_the_mouse(states: Stage, open_page: OpenPage) -> None:
    page = open_page()
    page.goto(states.show(BY_NAME["fresh"]))
    picture = page.locator("figure > svg").first
    picture.scroll_into_view_if_needed()
    box = picture.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 0.98 * box["width"], box["y"] + box["height"] / 2)
    assert page.locator(".read").first.inner_text().startswith("Fri 11 Dec")


def test_everything_is_there_without_script(states: Stage, open_page: OpenPage) -> None:
    page = open_page(java_script_enabled=False)
    page.goto(states.show(BY_NAME["alarm"]))
    text = page.locator("main").inner_text()
    assert "Skerrow Head bird observatory" in text
    assert "priority" in text
    assert page.locator("figure > svg").count() >= 3
    assert page.locator("figure > svg").first.is_visible()
    assert page.get_by_role("slider").count() == 0
    page.locator("figure summary").first.click()
    assert page.locator("figure table").first.is_visible()


def test_paper_has_the_words_and_the_pictures(states: Stage, open_page: OpenPage) -> None:
    page = open_page()
    page.goto(states.show(BY_NAME["fresh"]))
    printed = PdfReader(io.BytesIO(page.pdf(format="A4")))
    text = " ".join(sheet.extract_text() for sheet in printed.pages)
    assert "Skerrow Head bird observatory" in text
    assert "brim 1.80 m" in text
    assert "Read the picture" not in text
    assert "To the content" not in text
    assert len(printed.pages) <= 4


def test_a_spanish_reader_finds_no_english(states: Stage, open_page: OpenPage) -> None:
    page = open_page(locale="es-ES")
    page.goto(states.show(BY_NAME["fresh"]))
    assert page.locator("html").get_attribute("lang") == "es"
    text = _without_names(page)
    for english in ("Rain", "level", "Tank", "measured", "Read", "Battery", "to do", "chance"):
        assert english.lower() not in text.lower(), english


def _without_names(page: Page) -> str:
    """What the page says, but for ids and for its own way to the other language."""
    text = page.locator("main").inner_text()
    for name in ("rain-total", "post-1/level", "post-1/battery", "level main", "rain outlook", "record of 11 years"):
        text = text.replace(name, "")
    return text
