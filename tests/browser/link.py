"""How soon a site's page says what matters on a slow link: `python -m tests.browser.link --json`.

A real browser behind 400 kbit/s both ways with 400 ms from asking to answering, as its own emulation has
them; a first visit each time, nothing kept from before. The text is there when the days that the water
lasts can be read, the chart when its picture is drawn in the next frame.
"""

from __future__ import annotations

import argparse
import json
import statistics
import tempfile
from pathlib import Path
from typing import Final

from playwright.sync_api import Browser

from tests.browser.chromium import chromium
from tests.browser.states import STATES, stage

DOWN_KBIT_S: Final = 400
LATENCY_MS: Final = 400
_BYTES_S: Final = DOWN_KBIT_S * 1_000 / 8

#: Notes the time of the first frame after which the text, then the first picture, is there. [ms since the navigation]
_WATCH: Final = """
window.seen = {};
const look = () => {
  if (!seen.text_ms && document.querySelector(".lead strong")) seen.text_ms = performance.now();
  if (!seen.chart_ms && document.querySelector("figure > details")) seen.chart_ms = performance.now();
  if (!seen.chart_ms) requestAnimationFrame(look);
};
requestAnimationFrame(look);
"""


def measure(browser: Browser, url: str) -> dict[str, float]:
    """One first visit. text_ms, chart_ms: as said above; bytes: of the page on the wire, headers in."""
    context = browser.new_context(viewport={"width": 360, "height": 740})
    page = context.new_page()
    page.add_init_script(_WATCH)
    link = context.new_cdp_session(page)
    link.send("Network.enable")
    link.send(
        "Network.emulateNetworkConditions",
        {"offline": False, "latency": LATENCY_MS, "downloadThroughput": _BYTES_S, "uploadThroughput": _BYTES_S},
    )
    answer = page.goto(url)
    assert answer is not None
    page.wait_for_function("() => window.seen.chart_ms")
    seen: dict[str, float] = page.evaluate("() => window.seen")
    sizes = answer.request.sizes()
    context.close()
    return {**seen, "bytes": sizes["responseBodySize"] + sizes["responseHeadersSize"]}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--visits", type=int, default=7)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    fresh = next(state for state in STATES if state.name == "fresh")
    with tempfile.TemporaryDirectory() as work, stage(Path(work)) as states, chromium() as browser:
        visits = [measure(browser, states.show(fresh)) for _ in range(given.visits)]
    found = {
        key: {
            "median": round(statistics.median(visit[key] for visit in visits)),
            "worst": round(max(visit[key] for visit in visits)),
        }
        for key in ("text_ms", "chart_ms", "bytes")
    }
    if given.json:
        print(json.dumps({"kbit_s": DOWN_KBIT_S, "latency_ms": LATENCY_MS, "visits": given.visits, **found}))
        return
    for key, figures in found.items():
        print(f"{key:9} median {figures['median']:6}  worst {figures['worst']:6}")


if __name__ == "__main__":
    main()
