"""Charts made by hand for tests, and eyes to look at them with."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from html import unescape
from typing import NamedTuple
from zoneinfo import ZoneInfo

from api.charts.fan import Fan
from api.charts.level import LevelChart
from api.charts.plot import LETTER, Point
from api.speech import Speaker
from ingest.instants import DAY_MS, HOUR_MS
from tests.api.fakes import NOW_MS, falling, passage, rising

SPEAKER = Speaker(ZoneInfo("Europe/London"))
#: The hour in which NOW_MS lies; forecasts start there.
HOUR = NOW_MS - NOW_MS % HOUR_MS
FAN = Fan(HOUR, falling(1.06, 0.08, 0.05, 0.12, 1.8), stale=False)
SEEN = [Point(NOW_MS - n * HOUR_MS, 1.06 + n / 1000) for n in range(120, -1, -1)]
#: 12 mm in three hours, three days ago; all other hours dry.
RAIN = {HOUR - n * HOUR_MS: 4.0 if 70 <= n < 73 else 0.0 for n in range(1, 150)}

#: Width of a letter over its height: Liberation Sans and DejaVu Sans are narrower on average. (measured)
_WIDE = 0.56


def level_chart(**changes: object) -> LevelChart:
    """Skerrow Head's main tank, five days back and sixteen ahead."""
    usual: dict[str, object] = {
        "tank": "main",
        "now_ms": NOW_MS,
        "start_ms": NOW_MS - 5 * DAY_MS,
        "end_ms": FAN.end_ms,
        "brim_m": 1.8,
        "lines": [(1.8, "brim 1.80 m"), (0.12, "outlet 0.12 m"), (0.27, "irrigation stops 0.27 m")],
        "seen": [SEEN],
        "rain_mm": RAIN,
        "fan": FAN,
        "rain_ahead": falling(2, 0, 0.1, 0, 40, 16),
        "runs_out": rising(8.5, 14.5).by_day,
        "spills": passage((0.0, 0.01, 0.02, 0.04)).by_day,
    }
    return LevelChart(**(usual | changes))  # type: ignore[arg-type]


def parsed(html: str) -> ET.Element:
    """The picture of a figure. Its HTML is not XML, its SVG is."""
    found = re.search(r"<svg viewBox.*?</svg>", html, flags=re.DOTALL)
    assert found is not None
    return ET.fromstring(found.group(0))


def words(html: str) -> list[str]:
    return [text.text or "" for text in parsed(html).iter("text")]


def rows(html: str) -> list[list[str]]:
    """The cells of the table behind the picture, without its head."""
    lines = re.findall(r"<tr[^>]*><th scope=row>(.*?)(?=<tr|</table>)", html, flags=re.DOTALL)
    return [[unescape(cell) for cell in line.split("<td>")] for line in lines]


def paths(html: str, look: str) -> list[str]:
    """The data of every shape of a look."""
    return [path.get("d", "") for path in parsed(html).iter("path") if path.get("class") == look]


def places(data: str) -> list[tuple[int, int]]:
    """The places of a path that moves once and then goes in steps."""
    start, _, steps = data.rstrip("z").partition("l")
    x, y = map(int, re.findall(r"-?\d+", start))
    found = [(x, y)]
    numbers = [int(number) for number in re.findall(r"-?\d+", steps)]
    for dx, dy in zip(numbers[::2], numbers[1::2], strict=True):
        found.append((found[-1][0] + dx, found[-1][1] + dy))
    return found


class Box(NamedTuple):
    """Where words stand. [units]"""

    words: str
    left: float
    right: float
    top: float
    foot: float


def boxes(html: str) -> list[Box]:
    found = []
    for element in parsed(html).iter("text"):
        said, x, y = element.text or "", float(element.get("x", "0")), float(element.get("y", "0"))
        wide = len(said) * LETTER * _WIDE
        left = x - wide * {"": 0, "middle": 0.5, "end": 1}[element.get("text-anchor", "")]
        found.append(Box(said, left, left + wide, y - 0.72 * LETTER, y))
    return found


def overlapping(html: str) -> list[tuple[str, str]]:
    """Pairs of words that stand on each other."""
    found = boxes(html)
    return [
        (one.words, other.words)
        for number, one in enumerate(found)
        for other in found[number + 1 :]
        if one.left < other.right and other.left < one.right and one.top < other.foot and other.top < one.foot
    ]
