"""Looking at a page that a browser shows: what axe says, colours, boxes of words, the focus."""

from __future__ import annotations

from typing import Any, Final

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

_TAGS: Final = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
_AXE: Final = Axe()

#: Draws the colour of a style on a canvas, which knows every way of writing one.
_COLOURS: Final = """
() => {
  const context = document.createElement("canvas").getContext("2d", {willReadFrequently: true});
  const rgb = colour => {
    if (!colour || colour === "none") return null;
    context.clearRect(0, 0, 1, 1); context.fillStyle = colour; context.fillRect(0, 0, 1, 1);
    const [r, g, b, a] = context.getImageData(0, 0, 1, 1).data;
    return a === 0 ? null : [r, g, b];
  };
  const paper = rgb(getComputedStyle(document.body).backgroundColor) || [255, 255, 255];
  return [...document.querySelectorAll("figure svg path, figure svg text")].map(shape => {
    const style = getComputedStyle(shape);
    return {
      tag: shape.tagName, look: shape.getAttribute("class") || "", words: shape.textContent, paper,
      fill: rgb(style.fill), stroke: rgb(style.stroke), width: style.strokeWidth, dash: style.strokeDasharray,
      order: style.paintOrder,
    };
  });
}
"""

_BOXES: Final = """
() => [...document.querySelectorAll("figure svg")].map(svg => [...svg.querySelectorAll("text")].map(text => {
  const box = text.getBoundingClientRect();
  return [text.textContent, box.left, box.right, box.top + box.height * 0.2, box.bottom - box.height * 0.2];
}))
"""

_FOCUS: Final = """
() => {
  const at = document.activeElement, style = getComputedStyle(at), box = at.getBoundingClientRect();
  return {
    name: `${at.tagName} ${at.id || at.name || at.textContent.trim().slice(0, 30)}`,
    ring: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2,
    seen: box.width > 0 && box.height > 0 && box.right > 0 && box.left < innerWidth,
  };
}
"""


def violations(page: Page, rules: list[str] | None = None) -> list[str]:
    """What axe finds against WCAG 2.0 to 2.2, A and AA, or against some rules: rule, help and the elements."""
    only = {"type": "tag", "values": _TAGS} if rules is None else {"type": "rule", "values": rules}
    # Evaluated by the browser's own tool, so the page's policy against scripts stays as it is.
    found = _AXE.run(page, options={"runOnly": only, "resultTypes": ["violations"]})
    return [
        f"{entry['id']}: {entry['help']}: {node['html'][:200]} {node['failureSummary']}"
        for entry in found.response["violations"]
        for node in entry["nodes"]
    ]


def shapes(page: Page) -> list[dict[str, Any]]:
    """Every path and every text of the pictures, with the colours in which it is drawn."""
    found: list[dict[str, Any]] = page.evaluate(_COLOURS)
    return found


def overlapping_words(page: Page) -> list[tuple[str, str]]:
    """Pairs of words of one picture that stand on each other, as this browser sets them."""
    pairs = []
    for boxes in page.evaluate(_BOXES):
        for number, (one, left, right, top, foot) in enumerate(boxes):
            pairs += [
                (one, other)
                for other, left2, right2, top2, foot2 in boxes[number + 1 :]
                if left < right2 - 1 and left2 < right - 1 and top < foot2 - 1 and top2 < foot - 1
            ]
    return pairs


def focus(page: Page) -> dict[str, Any]:
    """What has the focus, whether a ring is drawn around it, and whether it lies in the window."""
    found: dict[str, Any] = page.evaluate(_FOCUS)
    return found


def contrast(one: list[int], other: list[int]) -> float:
    """Contrast ratio of two colours: WCAG 2.2, definitions of relative luminance and contrast ratio."""
    lighter, darker = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def _luminance(rgb: list[int]) -> float:
    red, green, blue = (
        share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4
        for share in (value / 255 for value in rgb)
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def width_beyond(page: Page) -> int:
    """By how much the page is wider than its window. [px]"""
    return int(page.evaluate("() => document.documentElement.scrollWidth - document.documentElement.clientWidth"))


def open_all(page: Page) -> None:
    """Open whatever can be opened."""
    page.evaluate("() => document.querySelectorAll('details').forEach(part => { part.open = true; })")


_WORDS: Final = """
() => {
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), said = [document.title];
  while (walker.nextNode()) {
    const within = walker.currentNode.parentElement;
    if (!within.closest("script, style, [lang]:not(html), [hreflang]")) said.push(walker.currentNode.data);
  }
  for (const part of document.querySelectorAll("*"))
    for (const name of ["aria-label", "aria-valuetext", "alt", "title", "placeholder", "data-lost", "data-read"])
      if (part.hasAttribute(name)) said.push(part.getAttribute(name));
  return said;
}
"""


def all_words(page: Page) -> list[str]:
    """Every piece of text in the page, seen or heard, but for the names of other languages in their own."""
    found: list[str] = page.evaluate(_WORDS)
    return found
