"""A picture with all that belongs to it: a title, a sentence that says what it shows, a key, its figures as a table."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, NamedTuple

from markupsafe import Markup, escape

from api.charts.plot import WIDTH
from api.speech import Speaker
from ingest.saying import say

#: Joins the one style of the pages.
STYLE: Final = (Path(__file__).parent / "charts.css").read_text(encoding="utf-8")
#: Optional: reads values under a finger or with arrow keys, out of the table.
SCRIPT: Final = (Path(__file__).parent / "reader.js").read_text(encoding="utf-8")
#: How many fillings there are for the parts of a stacked bar.
PARTS: Final = 6
#: Parts filled with lines, and whether these are upright.
HATCHED: Final = {2: False, 4: True}


class Row(NamedTuple):
    """A row of the table: its name, its figures, and where in the picture it lies. [units]"""

    name: str
    cells: Sequence[str]
    x: int | None = None


@dataclass(frozen=True)
class Figure:
    """Words are in the reader's language already.

    id      of the picture in its page
    says    what the picture shows, for whoever does not see it
    height  of the box [units]
    parts   SVG from `plot`
    key     what its lines and areas mean, one sentence each; with a part's number: its filling before it
    heads, rows  the table behind the picture, the name's head first
    """

    id: str
    title: str
    says: str
    height: int
    parts: Sequence[str]
    heads: Sequence[str]
    rows: Sequence[Row]
    key: Sequence[str | tuple[int, str]] = field(default_factory=list)

    def markup(self, speaker: Speaker) -> Markup:
        """The figure as HTML."""
        name = escape(self.id)
        parts = [
            f'<figure class="chart" data-read="{escape(speaker.say(say("Read the picture")))}">',
            f'<svg viewBox="0 0 {WIDTH} {self.height}" role="img"',
            f' aria-labelledby="{name}-t {name}-d"><title id="{name}-t">{escape(self.title)}</title>',
            f'<desc id="{name}-d">{escape(self.says)}</desc>',
            *self.parts,
            "</svg>",
            self._caption(),
            *self._table(speaker.say(say("Figures of this picture"))),
            "</figure>",
        ]
        return Markup("".join(parts))  # noqa: S704 - built from numbers and escaped words

    def _caption(self) -> str:
        said = []
        for entry in self.key:
            number, words = entry if isinstance(entry, tuple) else (None, entry)
            said.append(escape(words) if number is None else f"<span>{_swatch(number)}{escape(words)}</span>")
        return f"<figcaption>{' '.join(said)}</figcaption>" if said else ""

    def _table(self, summary: str) -> Iterator[str]:
        yield f"<details><summary>{escape(summary)}</summary><table><tr>"
        yield from (f"<th scope=col>{escape(head)}" for head in self.heads)
        for row in self.rows:
            yield "<tr>" if row.x is None else f"<tr data-x={row.x}>"
            yield f"<th scope=row>{escape(row.name)}"
            yield from (f"<td>{escape(cell)}" for cell in row.cells)
        yield "</table></details>"


def _swatch(number: int) -> str:
    box = f'<path class="part{number}" d="M1 1H23V23H1z"/>'
    if number in HATCHED:
        lines = "M8 1V23M15 1V23" if HATCHED[number] else "M1 9H23M1 16H23"
        box += f'<path class="hatch" d="{lines}"/>'
    return f'<svg class="swatch" viewBox="0 0 24 24" aria-hidden="true">{box}</svg> '
