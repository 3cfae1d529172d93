"""The templates and the one style, loaded once; every value is escaped."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from api.charts import figure as charts
from api.languages.language import LANGUAGES
from api.languages.reader import Reader, reader_of
from api.pages.detail import Row
from api.pages.script import ADDRESS
from api.pages.statement import Statement
from api.problems import Problem
from api.speech import Speaker
from ingest.saying import Sentence

_HERE: Final = Path(__file__).parent / "html"

#: Stands at the end of every page; its hash is in the content security policy.
STYLE: Final = (_HERE / "style.css").read_text(encoding="utf-8") + charts.STYLE

_templates: Final = Environment(
    loader=FileSystemLoader(_HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
)
#: Whoever gets one of these for a form may want what he wrote back.
_FOR_WHO_WROTE: Final = (401, 403, 409, 413, 422, 429, 503)
_UNIT: Final = re.compile(r"(?<=\d) (?=(?:L|gal|m|mm|in|pulg|V|A)\b|m²|ft²|pies²|°[CF]|%)")


def _units(text: str) -> str:
    """Keep a figure and its unit on one line."""
    return _UNIT.sub("\u00a0", text)


def _doubt(shown: Statement | Row) -> Markup:
    """The class of what is old or missing, as an attribute."""
    if shown.missing:
        return Markup(' class="missing"')
    return Markup(' class="stale"') if shown.stale else Markup("")


_templates.filters.update(units=_units, doubt=_doubt)
# The style is ours and must stand in the page byte for byte, or its hash does not match.
_templates.globals.update(style=Markup(STYLE), script=ADDRESS)  # noqa: S704


def render(name: str, reader: Reader, **values: object) -> str:
    """The page of a template in the reader's language: `_` and `ngettext` translate its words.

    A figure goes into a translated text by `_("… {volume} …").format(volume=…)`.
    """
    words = reader.language
    context = {"reader": reader, "languages": LANGUAGES, "_": words.gettext, "ngettext": words.ngettext}
    return _templates.get_template(name).render(context | values)


def error_page(request: Request, problem: Problem, detail: Sentence) -> HTMLResponse:
    """A problem as a page for people; detail: what is wrong."""
    reader = read_by(request)
    html = render(
        "error.html", reader, problem=problem, detail=told(detail, reader), back=_back(request),
        wrote=request.method == "POST" and problem.status in _FOR_WHO_WROTE,
    )  # fmt: skip
    return HTMLResponse(html, status_code=problem.status)


def _back(request: Request) -> str:
    """The page to which an address belongs: that of its site, or of its site's commissioning; empty: of none."""
    parts = request.scope["path"].split("/")[1:]
    service = getattr(request.app.state, "service", None)
    if service is None or len(parts) < 2 or parts[0] != "sites" or parts[1] not in service.sites:
        return ""
    return f"/sites/{parts[1]}" + ("/commissioning" if parts[2:] == ["commissioning"] else "")


def told(sentence: Sentence, reader: Reader) -> str:
    """What is wrong, in the reader's language."""
    if isinstance(sentence, str):
        return reader.language.gettext(sentence)
    return Speaker.to(reader, ZoneInfo("UTC")).say(sentence)


def read_by(request: Request) -> Reader:
    """Who reads: the language and the units of a request."""
    return reader_of(request.query_params, request.cookies, request.headers.get("accept-language", ""))
