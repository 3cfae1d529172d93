"""Debian's Chromium, without a window."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Browser, sync_playwright


@contextmanager
def chromium() -> Iterator[Browser]:
    """A browser that ends with the block. Root has no sandbox to put it in."""
    path = shutil.which("chromium")
    assert path is not None, "chromium is not installed: deploy/test.sh installs it, or apt-get install chromium"
    arguments = ["--no-sandbox"] if os.geteuid() == 0 else []
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=path, args=arguments)
        yield started
        started.close()
