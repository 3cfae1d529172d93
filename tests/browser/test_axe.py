"""axe-core finds nothing on any page in any state, light and dark."""

from __future__ import annotations

import pytest

from tests.browser.conftest import OpenPage
from tests.browser.looking import contrast, open_all, violations
from tests.browser.states import STATES, Stage, State

_NARROW = {"width": 360, "height": 740}


@pytest.mark.parametrize("state", STATES, ids=lambda state: state.name)
def test_no_violation_in_any_state_light_or_dark(state: State, states: Stage, open_page: OpenPage) -> None:
    page = open_page(viewport=_NARROW)
    page.goto(states.show(state))
    open_all(page)
    assert violations(page) == []
    page.emulate_media(color_scheme="dark")
    assert violations(page, rules=["color-contrast"]) == []


def test_no_violation_on_the_sign_in_page_with_and_without_an_error(states: Stage, open_page: OpenPage) -> None:
    page = open_page(viewport=_NARROW)
    page.goto(states.show(STATES[0]))
    page.get_by_label("Setup code").fill("not-the-code")
    page.get_by_label("Your name").fill("Ada")
    page.get_by_label("Password").fill("seven seals of rain")
    page.get_by_role("button", name="Set up").click()
    page.get_by_role("alert").wait_for()
    assert violations(page) == []
    page.get_by_label("Setup code").fill(states.setup_code)
    page.get_by_label("Password").fill("seven seals of rain")
    page.get_by_role("button", name="Set up").click()
    page.get_by_role("heading", name="Ullage").wait_for()
    page.context.clear_cookies()
    page.goto(states.url)
    page.get_by_label("Name", exact=True).fill("Ada")
    page.get_by_label("Password").fill("wrong")
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("alert").wait_for()
    assert violations(page) == []


def test_axe_is_awake(open_page: OpenPage) -> None:
    page = open_page()
    page.set_content('<html lang="en"><title>t</title><img src="data:,"><p style="color:#bbb">pale</p>')
    assert {found.partition(":")[0] for found in violations(page)} >= {"image-alt", "color-contrast"}


def test_the_measure_of_contrast_is_the_standard_one() -> None:
    # WCAG 2.2: black on white is 21:1; #767676 on white is the lightest grey of 4.5:1 (common knowledge, computed).
    assert contrast([0, 0, 0], [255, 255, 255]) == pytest.approx(21.0)
    assert contrast([0x76] * 3, [255, 255, 255]) == pytest.approx(4.54, abs=0.01)
