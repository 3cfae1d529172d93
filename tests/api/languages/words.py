"""Every text of the tree that people read, and the catalogue that its translation belongs in."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from jinja2.ext import babel_extract

ROOT = Path(__file__).parent.parent.parent.parent

#: Beginning of a path → catalogue. The first that fits counts.
HOMES = {
    "api/words.py": "words",
    "api/speech.py": "words",
    "api/alarms/": "alarms",
    "api/notify/": "notify",
    "api/access/": "access",
    "api/pages/html/login": "access",
    "api/pages/html/setup": "access",
    "api/pages/html/people": "access",
    "api/pages/people": "access",
    "api/pages/html/account": "account",
    "api/pages/html/design": "design",
    "api/pages/account": "account",
    "api/pages/design": "design",
    "api/charts/": "chart",
    "api/": "pages",
    "forecast/account": "account",
    "forecast/sizing": "design",
    "forecast/design": "design",
    "forecast/track": "track",
    "forecast/": "forecast",
    "ingest/": "ingest",
}
_MARKS = {"say": 1, "Saying": 1, "gettext": 1, "_": 1, "ngettext": 2, "template": 1}


@dataclass(frozen=True)
class Text:
    """A text, or its two forms for one and for many; where it stands."""

    path: str
    line: int
    forms: tuple[str, ...]

    @property
    def home(self) -> str:
        stem = next(home for start, home in HOMES.items() if self.path.startswith(start))
        return f"api/languages/es/{stem}.po"

    def __str__(self) -> str:
        return f"{self.path}:{self.line} {' / '.join(map(repr, self.forms))} → {self.home}"


def in_python(path: Path) -> Iterator[Text]:
    """The literals given to `say`, `gettext` and `ngettext`."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Call | ast.Assign):
            yield from _of_a_problem(path, node)
        if not isinstance(node, ast.Call):
            continue
        function = node.func
        name = function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")
        given = [*node.args[: _MARKS.get(name, 0)], *(word.value for word in node.keywords if word.arg == "text")]
        if name in _MARKS and any(isinstance(part, ast.JoinedStr) for part in given):
            raise AssertionError(f"{path}:{node.lineno}: an f-string cannot be translated; put figures beside the text")
        place = str(path.relative_to(ROOT)), node.lineno
        forms = [part.value for part in given if isinstance(part, ast.Constant) and isinstance(part.value, str)]
        if name in _MARKS and forms:
            yield Text(*place, tuple(forms))
        for part in given:
            if name in _MARKS and isinstance(part, ast.IfExp):
                either = [form for form in (part.body, part.orelse) if isinstance(form, ast.Constant)]
                yield from (Text(*place, (str(form.value),)) for form in either)


def _of_a_problem(path: Path, node: ast.Call | ast.Assign) -> Iterator[Text]:
    """Title and detail of a problem that a person may meet on a page; what is made of parts stays English."""
    place = str(path.relative_to(ROOT))
    if not place.startswith(("api/access/", "api/pages/", "api/problems", "api/service")):
        return
    given: list[ast.expr] = []
    if isinstance(node, ast.Assign):
        given = [node.value for target in node.targets if getattr(target, "id", "") == "detail"]
    elif (name := getattr(node.func, "id", "")) == "ProblemError":
        given = node.args[2:4]
    elif name == "Problem":
        given = [word.value for word in node.keywords if word.arg in ("title", "detail")]
    for part in given:
        if isinstance(part, ast.Constant) and isinstance(part.value, str):
            yield Text(place, node.lineno, (part.value,))


def in_template(path: Path) -> Iterator[Text]:
    """What stands in `_("…")` and `ngettext("…", "…", n)`."""
    with path.open("rb") as template:
        for line, _, forms, _ in babel_extract(template, ("_", "ngettext"), (), {}):
            found = (forms,) if isinstance(forms, str) else tuple(form for form in forms or () if isinstance(form, str))
            if found:
                yield Text(str(path.relative_to(ROOT)), line, found)


def in_alarm_types() -> Iterator[Text]:
    """What an alarm type says about itself."""
    from api.alarms.types import ALARM_TYPES

    for kind in ALARM_TYPES.values():
        for words in (
            kind.title,
            kind.cause,
            kind.consequence,
            kind.action,
            kind.action_with_backup,
            kind.consequence_lifepo4,
            kind.action_lifepo4,
            kind.action_backup_open,
            kind.action_backup_shut,
        ):
            if words:
                yield Text("api/alarms/kinds.py", 0, (words,))


def bare_words(path: Path) -> list[str]:
    """Letters that a template shows without having them translated."""
    source = re.sub(r"<style>.*?</style>|<script.*?</script>", "", path.read_text(), flags=re.DOTALL)
    outside = re.sub(r"\{#.*?#\}|\{\{.*?\}\}|\{%.*?%\}", " ", source, flags=re.DOTALL)
    return re.findall(r"[^\W\d_]{2,}[^<>\n]*", re.sub(r"<[^>]*>", "\n", outside))


def sources() -> list[Path]:
    """Every file of the tree with texts for people."""
    python = [path for room in ("api", "forecast", "ingest") for path in sorted((ROOT / room).rglob("*.py"))]
    return [*python, *templates()]


def templates() -> list[Path]:
    return sorted((ROOT / "api").rglob("*.html"))


def texts(path: Path) -> list[Text]:
    return list(in_template(path) if path.suffix == ".html" else in_python(path))
