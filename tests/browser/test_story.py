"""A service from its first start to an alarm that somebody acknowledges, as those who open its pages see it.

The device speaks MQTT to the bundled broker; collector, forecaster and alarms are those in use. Ada has a
narrow phone without JavaScript, and does everything by forms; Ben's browser has it, and his page stays open.
"""

from __future__ import annotations

import re

from playwright.sync_api import Locator, Page, expect

from tests.browser.conftest import OpenPage
from tests.browser.live import NAME, NOTE, PASSWORD, SITE, Live, until
from tests.browser.looking import open_all, violations, width_beyond

NARROW = {"width": 320, "height": 568}
#: The forecaster starts a process to learn in, which takes long on a busy machine.
STEP_S = 90.0


def test_a_service_is_set_up_fills_spills_and_is_heard_again(live: Live, open_page: OpenPage) -> None:
    ada = open_page(viewport=NARROW, java_script_enabled=False)
    _set_up(ada, live)
    expect(ada.get_by_text("○ Missing").first).to_be_visible()
    ben = _another(open_page, ada)
    ben.goto(live.url)
    assert violations(ben) == []

    live.tell_dry_days()
    ada.goto(f"{live.url}/sites/{SITE}")
    _reloaded_until(ada, ada.get_by_text("Forecast made"))
    # The link dropped three hours ago: what is old looks old, figures and forecast.
    expect(ada.locator(".stale").filter(has_text="Tank main: 48 % full")).to_contain_text("◌ Stale")
    expect(ada.locator(".stale").filter(has_text="Forecast made")).to_contain_text("level main is out of date")
    assert "stale forecast" in ada.locator("figure text").all_text_contents()
    assert width_beyond(ada) <= 0
    ben.clock.install()
    ben.goto(f"{live.url}/sites/{SITE}")

    live.tell_the_rest()
    # His page asks by itself, once a minute.
    polled_until(ben, ben.locator("main p:not(.stale)").filter(has_text="Tank main: 100 % full"))
    _reloaded_until(ada, ada.locator(".alarm").filter(has_text="running over"))
    _reloaded_until(ada, ada.locator("p:not(.stale)").filter(has_text="Forecast made"))
    expect(ada.locator("main p:not(.stale)").filter(has_text="Tank main: 100 % full")).to_be_visible()
    assert "stale forecast" not in ada.locator("figure text").all_text_contents()
    assert violations(ben) == []

    _acknowledge_and_write_down(ada)
    polled_until(ben, known(ben))
    _sign_out_and_in(ada)
    # His browser used her session, which is over.
    polled_until(ben, ben.get_by_role("heading", name="Sign in"))
    ada.goto(f"{live.url}/sites/{SITE}")
    expect(known(ada)).to_be_visible()
    open_all(ada)
    assert width_beyond(ada) <= 0


def known(page: Page) -> Locator:
    return page.locator("p:not(.alarm)").filter(has_text=f"Acknowledged by {NAME}")


def polled_until(page: Page, wanted: Locator) -> None:
    """Let minutes go by in the browser until its page shows it without being asked."""

    def there() -> bool | None:
        page.clock.run_for(61_000)
        return wanted.first.is_visible() or None

    until(there, STEP_S)


def _set_up(page: Page, live: Live) -> None:
    page.goto(live.url)
    code = live.access.offer_setup()
    assert code is not None
    page.get_by_label("Setup code").fill("not-the-code")
    page.get_by_label("Your name").fill(NAME)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Set up").click()
    expect(page.get_by_role("alert")).to_contain_text("Wrong setup code")
    page.get_by_label("Setup code").fill(code)
    page.get_by_label("Password").fill(PASSWORD)
    assert width_beyond(page) <= 0
    page.get_by_role("button", name="Set up").click()
    expect(page.get_by_role("link", name="Skerrow Head bird observatory")).to_be_visible()


def _another(open_page: OpenPage, page: Page) -> Page:
    """A browser with JavaScript in which the same person is signed in."""
    return open_page(viewport={"width": 360, "height": 740}, storage_state=page.context.storage_state())


def _acknowledge_and_write_down(page: Page) -> None:
    expect(known(page)).to_have_count(0)
    page.locator("form:has(input[value^='overflow-now'])").get_by_role("button", name="I know: acknowledge").click()
    expect(known(page)).to_be_visible()
    page.get_by_text("Write down what was done").click()
    form = page.locator("form[action$='/log']")
    assert form.get_by_role("textbox", name="By whom").input_value() == NAME
    form.get_by_role("combobox", name="What").select_option("backup-closed borehole")
    form.get_by_role("textbox", name="Note").fill(NOTE)
    form.get_by_role("button", name="Write down").click()
    closed = page.locator("main p").filter(has_text="the borehole is closed since")
    expect(closed).to_contain_text(f"written down by {NAME}")
    page.get_by_text("Write down what was done").click()
    form.get_by_role("combobox", name="What").select_option("upkeep clean-gutters")
    form.get_by_role("button", name="Write down").click()
    due = page.locator("main li").filter(has_text="clean-gutters: due")
    expect(due).to_have_text(re.compile(f"last done .* by {NAME}"))
    expect(page.locator("main li").filter(has_text="Upkeep done: clean-gutters")).to_have_count(1)  # in the log


def _sign_out_and_in(page: Page) -> None:
    page.get_by_role("button", name="Sign out").click()
    page.get_by_label("Name", exact=True).fill(NAME)
    page.get_by_label("Password").fill("seven seals of ruin")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("alert")).to_be_visible()
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("link", name="Skerrow Head bird observatory")).to_be_visible()


def _reloaded_until(page: Page, wanted: Locator) -> None:
    """What a reader does whose page does not ask by itself."""

    def there() -> bool | None:
        page.reload()
        return wanted.first.is_visible() or None

    until(there, STEP_S)
