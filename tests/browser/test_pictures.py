"""The pictures of the README are there, small, and made by the command that is named beside them."""

from __future__ import annotations

import re
from pathlib import Path

from playwright.sync_api import Browser

from tests.browser.screenshots import PICTURES, ROOT, readme_pictures
from tests.browser.states import STATES, Stage

BOUND = 80_000


def test_the_readme_shows_two_small_pictures() -> None:
    shown = re.findall(r"!\[[^\]]+\]\((deploy/pictures/[^)]+)\)", (ROOT / "README.md").read_text())
    assert len(shown) == 2
    assert {ROOT / picture for picture in shown} == set(PICTURES.iterdir())
    assert all((ROOT / picture).stat().st_size < BOUND for picture in shown)


def test_the_command_draws_them(states: Stage, browser: Browser, tmp_path: Path) -> None:
    states.show(next(state for state in STATES if state.name == "fresh"))
    drawn = readme_pictures(browser, states.url, tmp_path)
    assert all(picture.read_bytes()[8:12] == b"WEBP" for picture in drawn)
