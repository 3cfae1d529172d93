"""Pictures of the pages: `python -m tests.browser.screenshots` draws those of the README from the demonstration.

With --states it draws every page in every state too, light and dark, narrow and wide, to be looked at.
"""

from __future__ import annotations

import argparse
import base64
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from playwright.sync_api import Browser

from tests.browser.chromium import chromium
from tests.browser.states import STATES, stage

ROOT: Final = Path(__file__).parent.parent.parent
PICTURES: Final = ROOT / "deploy" / "pictures"
#: A phone of 360 px, drawn twice as fine; a window.
PHONE: Final = {"viewport": {"width": 360, "height": 740}, "device_scale_factor": 2}
README_PHONE: Final = {"viewport": {"width": 360, "height": 690}, "device_scale_factor": 1.5}
WINDOW: Final = {"viewport": {"width": 760, "height": 900}, "device_scale_factor": 1}
_START_S: Final = 180.0
_TO_WEBP: Final = """
async png => {
  const image = new Image(), canvas = document.createElement("canvas");
  image.src = `data:image/png;base64,${png}`;
  await image.decode();
  [canvas.width, canvas.height] = [image.width, image.height];
  canvas.getContext("2d").drawImage(image, 0, 0);
  return canvas.toDataURL("image/webp", 0.8);
}
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--states", type=Path, metavar="FOLDER", help="also every state, into this folder")
    parser.add_argument("--no-demo", action="store_true", help="leave the README's pictures as they are")
    given = parser.parse_args()
    with chromium() as browser:
        if not given.no_demo:
            with demonstration() as url:
                for picture in readme_pictures(browser, url, PICTURES):
                    print(f"{picture.relative_to(ROOT)}  {picture.stat().st_size} bytes")
        if given.states is not None:
            given.states.mkdir(parents=True, exist_ok=True)
            every_state(browser, given.states)
            print(given.states)


def readme_pictures(browser: Browser, url: str, folder: Path) -> list[Path]:
    """What an operator sees first on his phone, and the pictures of a site."""
    page = browser.new_context(**README_PHONE).new_page()  # type: ignore[arg-type]
    page.goto(f"{url}/")
    overview = page.screenshot()
    page.context.close()
    page = browser.new_context(**WINDOW).new_page()  # type: ignore[arg-type]
    page.goto(f"{url}/sites/skerrow-head")
    level = page.locator("figure").first.screenshot()
    page.context.close()
    return [_kept(browser, folder / "overview.webp", overview), _kept(browser, folder / "level.webp", level)]


def _kept(browser: Browser, file: Path, png: bytes) -> Path:
    """Keep a picture as WebP, a third of the bytes: the browser knows how."""
    page = browser.new_page()
    kept = page.evaluate(_TO_WEBP, base64.b64encode(png).decode())
    page.close()
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_bytes(base64.b64decode(kept.partition(",")[2]))
    return file


def every_state(browser: Browser, folder: Path) -> None:
    """STATE-phone.png, STATE-phone-dark.png and STATE-window.png of each state."""
    looks = {"phone": PHONE, "phone-dark": {**PHONE, "color_scheme": "dark"}, "window": WINDOW}
    with tempfile.TemporaryDirectory() as work, stage(Path(work)) as states:
        for name, options in looks.items():
            context = browser.new_context(**options)  # type: ignore[arg-type]
            page = context.new_page()
            for state in STATES:
                page.goto(states.show(state))
                page.screenshot(path=folder / f"{state.name}-{name}.png", full_page=True)
            context.close()


@contextmanager
def demonstration() -> Iterator[str]:
    """The demonstration in a folder that goes away; the address of its pages once everything is there."""
    with tempfile.TemporaryDirectory() as work:
        said = Path(work) / "said"
        command = [sys.executable, "-m", "api.cli", "demo", "--data", f"{work}/demo"]
        with said.open("w") as out:
            environment = {**os.environ, "COLUMNS": "200"}
            process = subprocess.Popen(command, cwd=ROOT, stdout=out, stderr=subprocess.STDOUT, env=environment)
        try:
            yield _address(process, said)
        finally:
            process.send_signal(signal.SIGINT)
            process.wait(60)


def _address(process: subprocess.Popen[bytes], said: Path) -> str:
    end = time.monotonic() + _START_S
    while not (found := re.search(r"Open (http://\S+?)/ ", said.read_text())):
        if process.poll() is not None or time.monotonic() > end:
            raise SystemExit(f"the demonstration does not start:\n{said.read_text()}")
        time.sleep(0.2)
    return found.group(1)


if __name__ == "__main__":
    main()
