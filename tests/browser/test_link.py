"""What the reader's own link costs and does: bytes and round trips as a budget, a link that drops and returns."""

from __future__ import annotations

import re

from playwright.sync_api import Page, Response, expect

from tests.browser.conftest import OpenPage
from tests.browser.states import STATES, Stage

FRESH = next(state for state in STATES if state.name == "fresh")
#: Whole first load of a site's page, and an unchanged reload, headers in. [bytes on the wire]
FIRST_LOAD, AGAIN = 14_000, 700


def test_a_site_is_one_round_trip_and_a_script_that_nothing_waits_for(states: Stage, open_page: OpenPage) -> None:
    page = open_page()
    answers = _answers(page)
    page.goto(states.show(FRESH), wait_until="networkidle")
    kinds = [answer.request.resource_type for answer in answers]
    assert kinds == ["document", "script"]
    assert all(answer.status == 200 for answer in answers)
    sizes = [_on_the_wire(answer) for answer in answers]
    assert sum(sizes) <= FIRST_LOAD
    assert page.locator("script").get_attribute("defer") is not None


def test_an_unchanged_page_is_a_few_bytes_and_its_script_none(states: Stage, open_page: OpenPage) -> None:
    page = open_page()
    page.goto(states.show(FRESH), wait_until="networkidle")
    answers = _answers(page)
    page.clock.install()
    page.reload(wait_until="networkidle")
    answers.clear()
    with page.expect_response(lambda answer: answer.request.resource_type == "fetch") as asked:
        page.clock.run_for(61_000)
    answer = asked.value
    assert len(answers) == 1
    assert answer.status in (200, 304)
    assert _on_the_wire(answer) <= AGAIN


def test_a_lost_link_is_said_and_so_is_its_return(states: Stage, open_page: OpenPage) -> None:
    page = open_page()
    page.clock.install()
    page.goto(states.show(FRESH))
    note = page.get_by_role("status")
    expect(note).to_have_text("")
    page.context.set_offline(True)
    page.clock.run_for(61_000)
    expect(note).to_contain_text("Link lost since")
    assert _looks_old(page)
    page.context.set_offline(False)  # the browser says so, and the page asks at once
    expect(note).to_have_text("")
    assert not _looks_old(page)


def test_a_page_renews_itself_and_keeps_its_reader_where_he_was(states: Stage, open_page: OpenPage) -> None:
    page = open_page()
    page.clock.install()
    page.goto(states.show(FRESH))
    page.locator("figure summary").nth(1).click()
    page.get_by_role("slider").nth(1).focus()
    page.route(re.compile("/sites/"), lambda route: route.fulfill(body=_renamed(route.fetch().text())))
    page.clock.run_for(61_000)
    expect(page.get_by_role("heading", level=1)).to_have_text("Renewed")
    expect(page.get_by_role("slider").nth(1)).to_be_focused()
    assert page.locator("figure details").nth(1).get_attribute("open") is not None
    assert page.get_by_role("slider").count() == page.locator("figure").count()


def _answers(page: Page) -> list[Response]:
    """What the page is answered from now on."""
    found: list[Response] = []

    def keep(answer: Response) -> None:  # the browser's driver takes no method of a list
        found.append(answer)

    page.on("response", keep)
    return found


def _renamed(html: str) -> str:
    """The page with another heading, as if its site had another name by now."""
    return re.sub("<h1>.*?</h1>", "<h1>Renewed</h1>", html)


def _looks_old(page: Page) -> bool:
    return bool(page.evaluate("() => document.querySelector('main').classList.contains('old')"))


def _on_the_wire(answer: Response) -> int:
    sizes = answer.request.sizes()
    return int(sizes["responseBodySize"] + sizes["responseHeadersSize"])
