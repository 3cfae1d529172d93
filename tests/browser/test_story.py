"""A service from its first start to an alarm that somebody acknowledges, as one who opens its pages sees it.

The device speaks MQTT to the bundled broker; collector, forecaster and alarms are those in use.
"""

from __future__ import annotations

from playwright.sync_api import Locator, Page, expect

from tests.browser.conftest import OpenPage
from tests.browser.live import Live, until
from tests.browser.looking import violations

PASSWORD = "seven seals of rain"
#: The forecaster starts a process to learn in, which takes long on a busy machine.
_STEP_S = 90.0


def test_a_service_is_set_up_fills_spills_and_is_heard_again(live: Live, open_page: OpenPage) -> None:
    page = open_page(viewport={"width": 360, "height": 740})
    _set_up(page, live)
    expect(page.get_by_text("○ Missing").first).to_be_visible()
    assert violations(page) == []

    live.tell_dry_days()
    page.goto(f"{live.url}/sites/skerrow-head")
    _reloaded_until(page, page.get_by_text("Forecast made"))
    # The link dropped three hours ago: what is old looks old, figures and forecast.
    expect(page.locator(".stale").filter(has_text="Tank main: 48 % full")).to_contain_text("◌ Stale")
    expect(page.locator(".stale").filter(has_text="Forecast made")).to_contain_text("level main is out of date")
    assert "stale forecast" in page.locator("figure text").all_text_contents()

    live.tell_the_rest()
    overflow = page.locator(".alarm").filter(has_text="running over")
    _reloaded_until(page, overflow)
    _reloaded_until(page, page.locator("p:not(.stale)").filter(has_text="Forecast made"))
    expect(page.locator("main p:not(.stale)").filter(has_text="Tank main: 100 % full")).to_be_visible()
    assert "stale forecast" not in page.locator("figure text").all_text_contents()
    assert violations(page) == []

    known = page.locator("p:not(.alarm)").filter(has_text="Acknowledged by Ada")
    expect(known).to_have_count(0)
    page.locator("form:has(input[value^='overflow-now'])").get_by_role("button", name="I know: acknowledge").click()
    expect(known).to_be_visible()
    _sign_out_and_in(page, live)
    page.goto(f"{live.url}/sites/skerrow-head")
    expect(known).to_be_visible()


def _set_up(page: Page, live: Live) -> None:
    page.goto(live.url)
    page.get_by_label("Setup code").fill(live.setup_code)
    page.get_by_label("Your name").fill("Ada")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Set up").click()
    expect(page.get_by_role("link", name="Skerrow Head bird observatory")).to_be_visible()


def _sign_out_and_in(page: Page, live: Live) -> None:
    page.get_by_role("button", name="Sign out").click()
    page.get_by_label("Name", exact=True).fill("Ada")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("link", name="Skerrow Head bird observatory")).to_be_visible()


def _reloaded_until(page: Page, wanted: Locator) -> None:
    """What a reader does who does not want to wait for the page to ask by itself."""

    def there() -> bool | None:
        page.reload()
        return wanted.first.is_visible() or None

    until(there, _STEP_S)
