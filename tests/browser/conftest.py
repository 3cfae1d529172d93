"""A real browser, and what it is shown. All of it ends with this folder: its loop must not meet other tests."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from tests.browser.chromium import chromium
from tests.browser.live import Live, live_service
from tests.browser.states import Stage, stage

OpenPage = Callable[..., Page]

#: Far more than anything takes, for machines that do much else.
_PATIENCE_MS = 30_000
expect.set_options(timeout=_PATIENCE_MS)


@pytest.fixture(scope="package")
def browser() -> Iterator[Browser]:
    with chromium() as started:
        yield started


@pytest.fixture(scope="package")
def states(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("states")) as shown:
        yield shown


@pytest.fixture(scope="package")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Live]:
    with live_service(tmp_path_factory.mktemp("live")) as service:
        yield service


@pytest.fixture
def open_page(browser: Browser) -> Iterator[OpenPage]:
    """A page in a browser context of its own, with the options of `Browser.new_context`."""
    opened: list[BrowserContext] = []

    def open_one(**options: object) -> Page:
        opened.append(browser.new_context(**options))  # type: ignore[arg-type]
        opened[-1].set_default_timeout(_PATIENCE_MS)
        return opened[-1].new_page()

    yield open_one
    for context in opened:
        context.close()
