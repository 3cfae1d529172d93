"""Parts of the live service are killed while somebody looks at its page: what the page says then, and afterwards."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect

from api.words import clock_time
from ingest.instants import MINUTE_MS
from ingest.sitefile import load_site
from tests.browser.live import SITE, Live, until
from tests.browser.test_story import STEP_S, polled_until
from tests.conftest import SITES


@pytest.fixture
def page(live: Live, browser: Browser) -> Iterator[Page]:
    """The site's page, open and left alone, once the tank has spilled and the link is well."""
    context = browser.new_context(storage_state=live.signed_in(), viewport={"width": 360, "height": 740})
    live.be_full()
    live.tell_until_now()
    page = context.new_page()
    page.clock.install()
    page.goto(f"{live.url}/sites/{SITE}")
    polled_until(page, page.locator("main p:not(.stale)").filter(has_text="Forecast made"))
    yield page
    context.close()


def test_a_killed_broker_comes_back_and_nothing_is_lost(page: Page, live: Live) -> None:
    killed = live.broker_pid
    live.kill_broker()
    live.clock.put_on(5 * 60)
    live.tell_until_now()  # the device keeps it until the broker has it on disk
    until(lambda: live.broker_pid != killed or None)
    polled_until(page, page.locator("main p").filter(has_text=f"Measured {_told(live)}"))
    expect(page.locator("main p.stale")).to_have_count(0)


def test_three_hours_without_the_collector_is_said_and_ends(page: Page, live: Live) -> None:
    live.clock.put_on(70)  # the collector tells each minute that it is there
    until(lambda: live.collector_heard_ms() > live.clock() - MINUTE_MS or None)
    live.collecting.kill()
    live.clock.put_on(3 * 3_600)
    live.tell_until_now()  # the broker is there still, and keeps it
    figure = page.locator("main .stale").filter(has_text="Tank main:")
    polled_until(page, figure)
    expect(figure).to_contain_text("◌ Stale")
    expect(figure).to_contain_text(" ago")
    expect(page.locator(".today")).to_contain_text("not all can be judged, something is stale or missing")
    polled_until(page, page.locator("main .stale").filter(has_text="Forecast made"))
    until(lambda: live.state_of("nothing-arrives") == "unacknowledged" or None)
    overview = page.context.new_page()
    overview.goto(live.url)
    alarm = overview.locator(".alarm").filter(has_text="No readings arrive from anywhere")
    expect(alarm).to_contain_text("The collector was last heard")

    live.collecting.start()
    polled_until(page, page.locator("main p:not(.stale)").filter(has_text=f"Measured {_told(live)}"))
    polled_until(page, page.locator("main p:not(.stale)").filter(has_text="Forecast made"))
    expect(page.locator(".today")).not_to_contain_text("not all can be judged")
    live.clock.put_on(70)
    until(lambda: live.state_of("nothing-arrives") in ("normal", "returned") or None, STEP_S)
    overview.reload()
    expect(alarm).to_contain_text("Over:")


def test_a_server_that_is_gone_is_said_and_its_return(page: Page, live: Live) -> None:
    live.web.stop()
    note = page.get_by_role("status")
    expect(note).to_have_text("")
    page.clock.run_for(61_000)
    expect(note).to_have_text(re.compile(r"Link lost since [0-2]\d:[0-5]\d: nothing newer than that is shown\."))
    assert "old" in (page.locator("main").get_attribute("class") or "")
    live.web.start()

    def well() -> bool | None:
        page.clock.run_for(20_000)  # of 120 s: the page asks twice as seldom after each failure
        return note.inner_text() == "" or None

    until(well)
    assert "old" not in (page.locator("main").get_attribute("class") or "")


def _told(live: Live) -> str:
    """When the device measured last, as the page says it."""
    return clock_time(live.told_ms, load_site(SITES / f"{SITE}.toml").zone)
