"""One rectangle with two scales, and what can be drawn in it. Coordinates are whole units of the box.

The look of a shape is its class, set in `charts.css`; each differs from the others in lightness, dash or
hatching and never in colour alone:

frame, tick   the axes
rule, now     a reference line (dashed), the present (thin, upright)
wide, half    the 90 % and the 50 % band of a forecast, outlined
median        the middle of a forecast; with `old` beside it: dashed, because it is stale
seen          what was measured
other         a second line in the same plot (dashed)
full, open    bars: measured or sure; to come or designed (outlined)
part0 … part5 the parts of a stacked bar, two of them hatched
hatch         the lines of such a one
unknown       the place of a bar that was not measured (dashed)
plate         words with so much paper about them that no line crosses them
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from markupsafe import escape

#: Width of every picture, and the height of its letters, in its own units.
WIDTH = 640
LETTER = 26
#: Mean width of a letter over its height, on the safe side (common practice, no source).
_LETTER_WIDTH = 0.58
#: Height of a title's foot above its plot. [units]
TITLE_GAP = 17
#: Space between the lines of a hatching, and height of a bar that stands for what was not measured. [units]
HATCH, STUB = 7, 22
#: How far a simplified line may lie from its points. [units: half a pixel on a phone]
TOLERANCE = 1.0


class Point(NamedTuple):
    """A value at a place, both in the units of the plot's axes; the place is mostly an instant. [ms]"""

    at: float
    value: float


class Bar(NamedTuple):
    """From one place to another, and from one value to another."""

    start: float
    end: float
    low: float
    high: float


class Extent(NamedTuple):
    """What is drawn at a place: from one value to another, which are one for a line."""

    at: float
    low: float
    high: float


class Axis(NamedTuple):
    """The range of values from `low` to `high` on the units from `first` to `last`; beyond it is cut off."""

    low: float
    high: float
    first: int
    last: int

    def exact(self, values: Iterable[float]) -> list[float]:
        """Where values lie. [units]"""
        low, high, first = self.low, self.high, self.first
        scale = (self.last - first) / (high - low)
        return [first + scale * (min(high, max(low, value)) - low) for value in values]

    def __call__(self, value: float) -> int:
        return round(self.exact([value])[0])


class Plot(NamedTuple):
    """Two axes; every method gives the SVG of one thing."""

    x: Axis
    y: Axis

    def line(self, points: Sequence[Point], look: str) -> str:
        """A line through the points, fewer of them where that shows no difference."""
        places = self._places(points)
        if len(places) == 1:
            places *= 2  # a lone reading is a dot, by its round ends
        return f'<path class="{look}" d="{_path(places)}"/>'

    def lines(self, pieces: Iterable[Sequence[Point]], look: str) -> str:
        """One line for each piece: what was not measured is not drawn."""
        return "".join(self.line(piece, look) for piece in pieces)

    def band(self, low: Sequence[Point], high: Sequence[Point], look: str) -> str:
        """The area between two lines over the same places, with its outline."""
        around = [*self._places(low), *reversed(self._places(high))]
        return f'<path class="{look}" d="{_path(around)}z"/>'

    def bars(self, bars: Iterable[Bar], look: str, margin: int = 3) -> str:
        """Upright bars, each with a margin at both sides; nothing where all are flat. [units]"""
        boxes = []
        for bar in bars:
            left, right = self.x(bar.start) + margin, self.x(bar.end) - margin
            foot, head = self.y(bar.low), self.y(bar.high)
            if head != foot and right > left:
                boxes.append(f"M{left} {foot}V{head}H{right}V{foot}z")
        return f'<path class="{look}" d="{"".join(boxes)}"/>' if boxes else ""

    def hatching(self, bars: Iterable[Bar], *, upright: bool) -> str:
        """Lines that fill bars, level or upright."""
        lines = []
        for bar in bars:
            left, right, foot, head = self.x(bar.start), self.x(bar.end), self.y(bar.low), self.y(bar.high)
            if upright:
                lines += [f"M{x} {foot}V{head}" for x in range(left + HATCH, right, HATCH)]
            else:
                lines += [f"M{left} {y}H{right}" for y in range(foot - HATCH, head, -HATCH)]
        return f'<path class="hatch" d="{"".join(lines)}"/>' if lines else ""

    def unknown(self, places: Iterable[tuple[float, float]]) -> str:
        """Where a bar would stand if it had been measured."""
        boxes = [f"M{self.x(start)} {self.y.first}v-{STUB}H{self.x(end)}v{STUB}" for start, end in places]
        return f'<path class="unknown" d="{"".join(boxes)}"/>' if boxes else ""

    def rule(self, value: float, look: str = "rule") -> str:
        """A level line from side to side."""
        return f'<path class="{look}" d="M{self.x.first} {self.y(value)}H{self.x.last}"/>'

    def upright(self, at: float, look: str = "now") -> str:
        """A line from foot to head."""
        return f'<path class="{look}" d="M{self.x(at)} {self.y.first}V{self.y.last}"/>'

    def frame(self) -> str:
        """The left and the lower side."""
        return f'<path class="frame" d="M{self.x.first} {self.y.last}V{self.y.first}H{self.x.last}"/>'

    def y_ticks(self, ticks: Iterable[tuple[float, str]]) -> str:
        """Marks and words at the left."""
        left, parts = self.x.first, []
        for value, words in ticks:
            y = self.y(value)
            parts.append(f'<path class="tick" d="M{left - 7} {y}h7"/>{text(left - 11, y + 9, words, "end")}')
        return "".join(parts)

    def x_ticks(self, ticks: Iterable[tuple[float, str]]) -> str:
        """Marks and words below, each word in the middle below its mark and kept within the picture."""
        foot, parts = self.y.first, []
        for at, words in ticks:
            x, half = self.x(at), width_of(words) // 2
            middle = min(WIDTH - half, max(half, x))
            parts.append(f'<path class="tick" d="M{x} {foot}v7"/>{text(middle, foot + 32, words, "middle")}')
        return "".join(parts)

    def rule_labels(
        self, rules: Sequence[tuple[float, str]], beside: float | None = None, drawn: Sequence[Extent] = ()
    ) -> str:
        """Words at reference lines, moved apart where the lines lie close together.

        They stand at the right end, right of the place `beside`, or at the left end, where they hide least of what
        is drawn; on paper of their own where they hide nothing of it.
        """
        ordered = sorted(rules, key=lambda rule: -self.y(rule[0]))
        feet = apart([self.y(value) - 6 for value, _ in ordered])
        return "".join(self._label(words, y, beside, drawn) for y, (_, words) in zip(feet, ordered, strict=True))

    def _label(self, words: str, foot: int, beside: float | None, drawn: Sequence[Extent]) -> str:
        wide = width_of(words)
        starts = [self.x.first] if beside is None else [self.x(beside), self.x.first]
        lefts = [self.x.last - wide, *(start + 8 for start in starts if start + 8 + wide < self.x.last)]
        hidden = [self._hidden(left, left + wide, foot, drawn) for left in lefts]
        left = lefts[hidden.index(min(hidden))]
        x, anchor = (self.x.last, "end") if left == lefts[0] else (left, "")
        return text(x, foot, words, anchor) if min(hidden) else plated(x, foot, words, anchor)

    def _hidden(self, left: int, right: int, foot: int, drawn: Sequence[Extent]) -> int:
        """At how many places words there would cover what is drawn."""
        covered = 0
        for at, low, high in drawn:
            if left - 4 <= self.x(at) <= right + 4:
                covered += self.y(high) <= foot + 6 and self.y(low) >= foot - LETTER
        return covered

    def _places(self, points: Sequence[Point]) -> list[tuple[int, int]]:
        at, values = self.x.exact([point.at for point in points]), self.y.exact([point.value for point in points])
        exact = simplify(list(zip(at, values, strict=True)))
        return [(round(x), round(y)) for x, y in exact]


def title(plot: Plot, words: str) -> str:
    """What the upright axis shows, above it."""
    return text(0, plot.y.last - TITLE_GAP, words)


def text(x: int, y: int, words: str, anchor: str = "") -> str:
    """Words with their foot at y; anchor is where x is in them: the start, the `middle` or the `end`."""
    held = f' text-anchor="{anchor}"' if anchor else ""
    return f'<text x="{x}" y="{y}"{held}>{escape(words)}</text>'


def plated(x: int, y: int, words: str, anchor: str = "") -> str:
    """The same on paper of their own, so that no line crosses them."""
    return text(x, y, words, anchor).replace("<text", '<text class="plate"', 1)


def width_of(words: str) -> int:
    """About how wide words are drawn. [units]"""
    return round(len(words) * LETTER * _LETTER_WIDTH)


def room_left(ticks: Sequence[tuple[float, str]], least: int) -> int:
    """Where an upright axis begins, so that the words of its ticks have room at its left. [units]"""
    return max([least, *(width_of(words) + 14 for _, words in ticks)])


def apart(feet: Sequence[int], gap: int = LETTER + 2) -> list[int]:
    """Feet of labels, the lowest first, each moved up until it is clear of the one below. [units]"""
    placed: list[int] = []
    for foot in feet:
        placed.append(min(foot, placed[-1] - gap) if placed else foot)
    return placed


def pieces_of(points: Iterable[Point], longest_gap: float) -> list[list[Point]]:
    """Cut a series where nothing was heard for longer than that: a line must not bridge a silence."""
    pieces: list[list[Point]] = []
    for point in points:
        if pieces and point.at - pieces[-1][-1].at <= longest_gap:
            pieces[-1].append(point)
        else:
            pieces.append([point])
    return pieces


def simplify(places: Sequence[tuple[float, float]], tolerance: float = TOLERANCE) -> list[tuple[float, float]]:
    """The places that a line needs: first, last, highest, lowest, and every one it would miss by more.

    Ramer 1972 and Douglas & Peucker 1973, with the distance taken upright: x is mostly time.
    """
    if len(places) < 3:
        return list(places)
    values = [y for _, y in places]
    pinned = sorted({0, values.index(min(values)), values.index(max(values)), len(places) - 1})
    kept, spans = set(pinned), list(itertools.pairwise(pinned))
    while spans:
        first, last = spans.pop()
        (x0, y0), (x1, y1) = places[first], places[last]
        slope = (y1 - y0) / (x1 - x0) if x1 != x0 else 0.0
        missed = [abs(y - y0 - slope * (x - x0)) for x, y in places[first + 1 : last]]
        if missed and max(missed) > tolerance:
            worst = first + 1 + missed.index(max(missed))
            kept.add(worst)
            spans += [(first, worst), (worst, last)]
    return [places[index] for index in sorted(kept)]


def _path(places: Sequence[tuple[int, int]]) -> str:
    """Path data in steps from place to place, which are the shortest to write."""
    (x, y), *_ = places
    steps = [f"{x1 - x0} {y1 - y0}" for (x0, y0), (x1, y1) in itertools.pairwise(places)]
    return f"M{x} {y}l" + " ".join(steps).replace(" -", "-")
