"""A picture with all that belongs to it: a title, a sentence that says what it shows, a key, its figures as a table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, NamedTuple

from markupsafe import Markup, escape

from api.charts.plot import WIDTH
from api.speech import Speaker
from ingest.saying import say

#: Joins the one style of the pages.
STYLE: Final = (Path(__file__).parent / "charts.css").read_text(encoding="utf-8")
#: How many fillings there are for the parts of a stacked bar.
PARTS: Final = 6


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
        return Markup("").join(
            [
                Markup('<figure class="chart">'),
                Markup('<svg viewBox="0 0 {} {}" role="img" aria-labelledby="{}-t {}-d">').format(
                    WIDTH, self.height, name, name
                ),
                Markup('<title id="{}-t">{}</title><desc id="{}-d">{}</desc>').format(
                    name, self.title, name, self.says
                ),
                Markup("".join(self.parts)),  # noqa: S704 - built from numbers and escaped words
                Markup("</svg>"),
                self._caption(),
                self._table(speaker.say(say("Figures of this picture"))),
                Markup("</figure>"),
            ]
        )

    def _caption(self) -> Markup:
        said = []
        for entry in self.key:
            number, words = entry if isinstance(entry, tuple) else (None, entry)
            filling = Markup("") if number is None else _swatch(number)
            said.append(Markup("<span>{}{}</span>").format(filling, words) if filling else escape(words))
        return Markup("<figcaption>{}</figcaption>").format(Markup(" ").join(said)) if said else Markup("")

    def _table(self, summary: str) -> Markup:
        heads = Markup("").join(Markup("<th scope=col>{}").format(head) for head in self.heads)
        rows = []
        for row in self.rows:
            place = Markup(" data-x={}").format(row.x) if row.x is not None else Markup("")
            cells = Markup("").join(Markup("<td>{}").format(cell) for cell in row.cells)
            rows.append(Markup("<tr{}><th scope=row>{}{}").format(place, row.name, cells))
        return Markup("<details><summary>{}</summary><table><tr>{}{}</table></details>").format(
            summary, heads, Markup("").join(rows)
        )


def _swatch(number: int) -> Markup:
    box = Markup('<path class="part{}" d="M1 1H23V23H1z"/>').format(number)
    return Markup('<svg class="swatch" viewBox="0 0 24 24" aria-hidden="true">{}</svg> ').format(box)
