"""Load the file of recipients, and say everything that is wrong with it at once."""

from __future__ import annotations

import os
import stat
import tomllib
from collections import Counter
from collections.abc import Collection, Iterator, Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from api.notify.recipients import LACKING, Recipient, Recipients, Smtp
from ingest.errors import NOTHING, Problem, RecipientsFileError
from ingest.expected import expected

#: Keys whose values are never shown, and keep the file from other eyes. A service's url often is its key.
_SECRET: Final = ("password", "secret", "url")
_HIDDEN: Final = "(not shown)"
_KEYS: Final = (*Recipients.model_fields, *Smtp.model_fields, *Recipient.model_fields)


def load_recipients(
    path: Path, sites: Collection[str] | None = None, environment: Mapping[str, str] = os.environ
) -> Recipients:
    """Read the file; without one, nobody is told but the log. Raises RecipientsFileError with every problem.

    sites  ids that a recipient may name; None: they are not known here
    A secret may be written as `"$NAME"`: then it is taken from that environment variable.
    """
    if not path.exists():
        return Recipients()
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        mode = path.stat().st_mode
    except OSError as error:
        raise RecipientsFileError(
            str(path), [Problem("file", str(path), f"a readable file ({error.strerror})")]
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise RecipientsFileError(str(path), [Problem("file", path.name, f"TOML in UTF-8 ({error})")]) from error
    problems = list(_open_secrets(data, mode))
    filled, missing = _filled(data, environment)
    problems += missing
    recipients = None
    try:
        recipients = Recipients.model_validate(filled)
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            if not str(detail["input"]).startswith("$"):  # told already: the variable is not set
                problems += _explain(detail, data)
    problems += _cross_checks(data, sites)
    if problems or recipients is None:
        raise RecipientsFileError(str(path), problems)
    return recipients


def _tables(data: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Every table that may hold a secret."""
    recipients = data.get("recipient")
    tables = [data.get("smtp"), *(recipients if isinstance(recipients, list) else [])]
    return [table for table in tables if isinstance(table, dict)]


def _open_secrets(data: Mapping[str, Any], mode: int) -> Iterator[Problem]:
    written = any(
        isinstance(value := table.get(key), str) and not value.startswith("$")
        for table in _tables(data)
        for key in (_SECRET if table.get("channel") == "apprise" else ("password", "secret"))
    )
    if written and os.name == "posix" and mode & 0o077:
        expected = 'a file that only its owner can read (chmod 600), or secrets as "$NAME" from the environment'
        yield Problem("file mode", oct(stat.S_IMODE(mode)), expected)


def _filled(data: Mapping[str, Any], environment: Mapping[str, str]) -> tuple[dict[str, Any], list[Problem]]:
    """The same with `"$NAME"` replaced, and the names that are not set."""
    missing: list[Problem] = []

    def fill(table: object) -> object:
        if not isinstance(table, dict):
            return table
        filled = dict(table)
        for key in _SECRET:
            value = filled.get(key)
            if isinstance(value, str) and value.startswith("$"):
                filled[key] = environment.get(value[1:], value)
                if value[1:] not in environment:
                    where = f'recipient "{table["name"]}"' if "name" in table else "smtp"
                    missing.append(Problem(f"{where} {key}", value, "a variable that is set in the environment"))
        return filled

    recipients = data.get("recipient")
    filled = dict(data)
    if "smtp" in data:
        filled["smtp"] = fill(data["smtp"])
    if isinstance(recipients, list):
        filled["recipient"] = [fill(table) for table in recipients]
    return filled, missing


def _explain(detail: ErrorDetails, data: Mapping[str, Any]) -> list[Problem]:
    """Pydantic's finding as key, value and what was expected; the value of a secret stays untold."""
    words: list[str] = []
    here: object = data
    for step in detail["loc"]:
        here = _inside(here, step)
        name = here.get("name") if isinstance(step, int) and isinstance(here, dict) else None
        words.append(f'"{name}"' if isinstance(name, str) else f"no. {step + 1}" if isinstance(step, int) else step)
    where, value, wanted = " ".join(words) or "file", detail["input"], expected(detail)
    if detail["type"] == LACKING:
        return [Problem(f"{where} {key}", NOTHING, needed) for key, needed in detail["ctx"]["keys"].items()]
    shown = "this table" if isinstance(value, dict) else _HIDDEN if words and words[-1] in _SECRET else repr(value)[:60]
    match detail["type"]:
        case "missing":
            shown, wanted = NOTHING, "a value"
        case "extra_forbidden":
            shown, near = _HIDDEN, get_close_matches(words[-1], _KEYS, 1)
            wanted = "a key that exists" + (f"; do you mean {near[0]}?" if near else "")
    return [Problem(where, shown, wanted)]


def _inside(table: object, step: int | str) -> object:
    if isinstance(step, int):
        return table[step] if isinstance(table, list) and step < len(table) else None
    return table.get(step) if isinstance(table, dict) else None


def _cross_checks(data: Mapping[str, Any], sites: Collection[str] | None) -> Iterator[Problem]:
    """What no single recipient can know."""
    tables = data.get("recipient")
    tables = [table for table in tables if isinstance(table, dict)] if isinstance(tables, list) else []
    names = Counter(table.get("name") for table in tables)
    for name, count in names.items():
        if count > 1:
            yield Problem(f'recipient "{name}" name', repr(name), "a name that only one recipient has")
    for table in tables:
        key, named = f'recipient "{table.get("name")}"', table.get("escalate_to")
        if isinstance(named, str) and named not in names:
            yield Problem(f"{key} escalate_to", repr(named), f"the name of a recipient: {', '.join(map(str, names))}")
        if table.get("channel") == "email" and "smtp" not in data:
            yield Problem(f"{key} channel", "'email'", "an [smtp] table with host and sender in this file")
        for site in table.get("sites") or [] if sites is not None else []:
            if sites is not None and site not in sites:
                yield Problem(f"{key} sites", repr(site), f"the id of a site: {', '.join(sites) or 'there is none'}")
