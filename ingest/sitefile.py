"""Load a site file, and say everything that is wrong with it at once."""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import date, time
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from ingest.errors import NOTHING, Problem, SiteFileError
from ingest.expected import expected
from ingest.reading import quantity_of
from ingest.site import Site
from ingest.sitekeys import expected_of, near_key

#: Stands beside the site files and says who is told of alarms: see api/notify/recipients.py.
RECIPIENTS = "notify.toml"

#: `length_m = 1,6`, also within an inline table; not in a comment.
_DECIMAL_COMMA: Final = re.compile(r"[^#\"']*=\s*([-+]?\d+),(\d+)\b")
_PARTS_WITH_ID = ("roof", "tank", "draw", "upkeep")
#: Which keys of which part name a tank.
_NAMES_A_TANK = (("roof", "tank"), ("draw", "tank"), ("tank", "overflow_to"), ("tank", "joined_with"))


def load_site(path: Path) -> Site:
    """Read one site file (TOML). Raises SiteFileError with every problem found."""
    try:
        text = path.read_text(encoding="utf-8")
        data = tomllib.loads(text)
    except OSError as error:
        raise SiteFileError(str(path), [Problem("file", str(path), f"a readable file ({error.strerror})")]) from error
    except UnicodeDecodeError as error:
        raise SiteFileError(str(path), [Problem("file", path.name, f"TOML in UTF-8 ({error})")]) from error
    except tomllib.TOMLDecodeError as error:
        expected_toml = f"TOML in UTF-8 ({error}){_decimal_comma(text)}"
        raise SiteFileError(str(path), [Problem("file", path.name, expected_toml)]) from error
    return parse_site(data, str(path))


def _decimal_comma(text: str) -> str:
    """What to do about the first number with a decimal comma, of a text that is no TOML."""
    for number, line in enumerate(text.splitlines(), start=1):
        if found := _DECIMAL_COMMA.match(line):
            whole, decimals = found.groups()
            return (
                f"; decimals are written with a point: line {number} has {whole},{decimals}, write {whole}.{decimals}"
            )
    return ""


def parse_site(data: Mapping[str, Any], file: str) -> Site:
    """Check a site description already read from TOML. Raises SiteFileError."""
    problems: list[Problem] = []
    site: Site | None = None
    try:
        site = Site.model_validate(data)
    except ValidationError as error:
        problems += [_explain(detail, data) for detail in error.errors(include_url=False)]
    problems += _cross_checks(data)
    if problems or site is None:
        raise SiteFileError(file, problems)
    return site


def load_sites(path: Path) -> dict[str, Site]:
    """All sites of a folder (`*.toml`), or the one of a file, by id.

    Raises SiteFileError with the problems of every file, or when two files share an id.
    """
    if not path.is_dir():
        site = load_site(path)
        return {site.id: site}
    files = sorted(file for file in path.glob("*.toml") if file.name != RECIPIENTS)
    if not files:
        raise SiteFileError(str(path), [Problem("folder", str(path), "at least one site file, NAME.toml")])
    sites: dict[str, Site] = {}
    problems: list[Problem] = []
    for file in files:
        try:
            site = load_site(file)
        except SiteFileError as error:
            problems += [Problem(f"{file.name}: {p.key}", p.value, p.expected) for p in error.problems]
            continue
        if site.id in sites:
            problems.append(Problem(f"{file.name}: id", repr(site.id), "an id that no other site file has"))
        sites[site.id] = site
    if problems:
        raise SiteFileError(str(path), problems)
    return sites


def _explain(detail: ErrorDetails, data: Mapping[str, Any]) -> Problem:
    """Turn pydantic's finding into key, value and what was expected."""
    location, value, message = detail["loc"], _shown(detail["input"]), expected(detail)
    *tables, last = (step for step in location if isinstance(step, str))
    match detail["type"]:
        case "missing":
            value, message = NOTHING, expected_of(tuple(tables), last)
        case "extra_forbidden":
            near = near_key(tuple(tables), last)
            message = "a key that exists" + (f"; do you mean {near}?" if near else ": ullage check --keys lists them")
        case "union_tag_not_found":
            location, value, message = (*location, "shape"), NOTHING, expected_of(("tank",), "shape")
        case "union_tag_invalid":
            location, value = (*location, "shape"), repr(detail["ctx"]["tag"])
            message = expected_of(("tank",), "shape")
    return Problem(_key_path(location, data), value, message)


def _key_path(location: tuple[int | str, ...], data: Mapping[str, Any]) -> str:
    """`roof "bunkhouse" plan_area_m2` rather than `roof.0.plan_area_m2`."""
    words: list[str] = []
    here: Any = data
    for step in location:
        if isinstance(step, int):
            here = here[step] if isinstance(here, list) and step < len(here) else None
            name = here.get("id") if isinstance(here, dict) else None
            words.append(f'"{name}"' if isinstance(name, str) else f"no. {step + 1}")
        elif isinstance(here, dict) and here.get("shape") == step:
            continue  # pydantic names the branch of the union it took: no key of the file
        else:
            words.append(step)
            here = here.get(step) if isinstance(here, dict) else None
    return " ".join(words) or "file"


def _shown(value: object) -> str:
    if isinstance(value, dict):
        return "this table"
    if isinstance(value, (date, time)):  # a datetime is a date too
        return value.isoformat()  # as TOML writes it
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _cross_checks(data: Mapping[str, Any]) -> list[Problem]:
    """What no single part can know: names that point to each other."""
    return [
        *_repeated_ids(data), *_unknown_tanks(data), *_series(data), *_joined(data), *_sensors(data), *_pumped(data),
        *_backup(data),
    ]  # fmt: skip


def _tables(data: Mapping[str, Any], part: str) -> list[dict[str, Any]]:
    tables = data.get(part)
    return [table for table in tables if isinstance(table, dict)] if isinstance(tables, list) else []


def _ids(data: Mapping[str, Any], part: str) -> list[str]:
    return [table["id"] for table in _tables(data, part) if isinstance(table.get("id"), str)]


def _repeated_ids(data: Mapping[str, Any]) -> Iterator[Problem]:
    for part in _PARTS_WITH_ID:
        for name, count in Counter(_ids(data, part)).items():
            if count > 1:
                yield Problem(f'{part} "{name}" id', repr(name), f"an id that only one {part} has")
    sensors = Counter((table.get("device"), table.get("name")) for table in _tables(data, "sensor"))
    for (device, sensor), count in sensors.items():
        if count > 1:
            yield Problem("sensor", f"{device}/{sensor}", "a device and name that only one sensor has")


def _unknown_tanks(data: Mapping[str, Any]) -> Iterator[Problem]:
    tanks = _ids(data, "tank")
    for part, key in _NAMES_A_TANK:
        for table in _tables(data, part):
            named = table.get(key)
            if isinstance(named, str) and named not in tanks:
                yield Problem(f'{part} "{table.get("id")}" {key}', repr(named), f"the id of a tank: {', '.join(tanks)}")


def _series(data: Mapping[str, Any]) -> Iterator[Problem]:
    """Tanks in series stand in the order in which the water passes them."""
    seen: set[str] = set()
    for table in _tables(data, "tank"):
        name, following = table.get("id"), table.get("overflow_to")
        if isinstance(name, str):
            seen.add(name)
        if isinstance(following, str) and following in seen:
            yield Problem(f'tank "{name}" overflow_to', repr(following), "a tank that stands further down in the file")


def _joined(data: Mapping[str, Any]) -> Iterator[Problem]:
    """Each tank of a group names the first of them; water that leaves a group does not come back to it."""
    first: dict[str, str] = {}
    for table in _tables(data, "tank"):
        name, joined = table.get("id"), table.get("joined_with")
        if not isinstance(name, str):
            continue
        if isinstance(joined, str) and first.get(joined) != joined:
            expected = "a tank further up in the file that is itself joined with none"
            yield Problem(f'tank "{name}" joined_with', repr(joined), expected)
        first[name] = joined if isinstance(joined, str) else name
    order = list(dict.fromkeys(first.values()))
    for table in _tables(data, "tank"):
        name, following = first.get(str(table.get("id"))), first.get(str(table.get("overflow_to")))
        if name in order and following in order and order.index(following) <= order.index(name):
            expected = "a tank that is not joined with this one, nor with one further up"
            yield Problem(f'tank "{table["id"]}" overflow_to', repr(table["overflow_to"]), expected)


def _sensors(data: Mapping[str, Any]) -> Iterator[Problem]:
    for table in _tables(data, "sensor"):
        measures = table.get("measures")
        if not isinstance(measures, str):
            continue
        try:
            quantity, owner = quantity_of(measures)
        except ValueError:
            continue  # reported already, with the list of what may be measured
        part = quantity.pattern.partition(".")[0]
        key = f"sensor {table.get('device')}/{table.get('name')} measures"
        if owner is not None and owner not in _ids(data, part):
            yield Problem(key, repr(measures), f"the id of a {part}: {', '.join(_ids(data, part)) or 'there is none'}")
        elif owner is None and part in ("battery", "pump", "backup") and part not in data:
            yield Problem(key, repr(measures), f"a [{part}] table in this file")


def _pumped(data: Mapping[str, Any]) -> Iterator[Problem]:
    for table in _tables(data, "draw"):
        if table.get("feed") == "pumped" and "pump" not in data:
            yield Problem(f'draw "{table.get("id")}" feed', "'pumped'", "a [pump] table with power_w and flow_l_min")


def _backup(data: Mapping[str, Any]) -> Iterator[Problem]:
    backup = data.get("backup")
    named, tanks = backup.get("tank") if isinstance(backup, dict) else None, _ids(data, "tank")
    if isinstance(named, str) and named not in tanks:
        yield Problem("backup tank", repr(named), f"the id of a tank: {', '.join(tanks)}")
