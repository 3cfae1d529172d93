"""The templates and the one style, loaded once; every value is escaped."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from api.problems import Problem

_HERE: Final = Path(__file__).parent / "html"

#: Stands at the end of every page; its hash is in the content security policy.
STYLE: Final = (_HERE / "style.css").read_text(encoding="utf-8")

#: Shown at the foot of every page. Common practice, no source; local codes decide.
CAUTIONS: Final = (
    "Rain water is not for drinking unless treated and tested to local rules.",
    "Keep an air gap or a listed backflow preventer between the supplies, fitted by a licensed plumber.",
    "Work on roofs, in tanks (confined space, drowning) and on batteries (acid, hydrogen) is for trained people.",
    "Warm or stagnant water and spray can carry Legionella; keep mosquito screens whole.",
    "An overflow needs a way that does not wash out the slope.",
    "This service advises and opens no valve. Local codes and licensed practice come first.",
)

_templates: Final = Environment(
    loader=FileSystemLoader(_HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
)
_UNIT: Final = re.compile(r"(?<=\d) (?=(?:L|L/h|m|mm|V|A|°C)\b|%)")


def _units(text: str) -> str:
    """Keep a figure and its unit on one line."""
    return _UNIT.sub("\u00a0", text)


_templates.filters["units"] = _units
# The style is ours and must stand in the page byte for byte, or its hash does not match.
_templates.globals.update(style=Markup(STYLE), cautions=CAUTIONS)  # noqa: S704


def render(name: str, **values: object) -> str:
    """The page of a template."""
    return _templates.get_template(name).render(values)


def error_page(problem: Problem) -> HTMLResponse:
    """A problem as a page for people."""
    return HTMLResponse(render("error.html", problem=problem), status_code=problem.status)
