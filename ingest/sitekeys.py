"""Every key of a site file, read off its models: meaning, what is expected, default; and the key that was meant."""

from __future__ import annotations

import re
import types
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from typing import Annotated, Any, Final, Literal, Union, cast, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt
from pydantic import AwareDatetime
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from ingest.part import Part
from ingest.reading import QUANTITIES
from ingest.site import Site
from ingest.units import SENT_UNITS

_ENTRY: Final = re.compile(r"^    (\w+(?:, \w+)*)  +(\S.*)$")
_WORDS: Final[Mapping[object, str]] = {
    str: "text", float: "number", int: "whole number", bool: "true or false", AwareDatetime: "time with its offset",
}  # fmt: skip
#: As alike as this must a misspelt key be to one that exists.
_ALIKE: Final = 0.6


@dataclass(frozen=True)
class Key:
    """One key. table: its header in the file; default: as TOML, empty where there is none."""

    table: str
    key: str
    expected: str
    required: bool
    default: str
    meaning: str


@cache
def site_keys() -> tuple[Key, ...]:
    """All keys, in the order of the models; a tank's shapes one after the other."""
    return tuple(_keys_of(Site, ""))


def near_key(path: tuple[str, ...], wrong: str) -> str | None:
    """The key of a table that a misspelt one was meant to be; None where none is near.

    path  names of the tables on the way, such as ("roof", "first_flush"), or ("tank", "rectangular")
    """
    names = [key.key for key in _keys_in(path)]
    if not path:
        names += [key.table.strip("[]").split(".")[0] for key in site_keys() if key.table]
    wrong = wrong.lower().replace("-", "_")
    begun = [name for name in names if name.startswith(wrong)]
    within = [name for name in names if f"_{wrong}_" in f"_{name}_"]
    near = begun or get_close_matches(wrong, names, n=1, cutoff=_ALIKE) or within
    return near[0] if near else None


def expected_of(path: tuple[str, ...], name: str) -> str:
    """What a key of a table must be, where it is missing altogether."""
    found = next((key.expected for key in _keys_in(path) if key.key == name), None)
    if found is not None:
        return found
    many = any(key.table.startswith("[[" + name) for key in site_keys())
    return f"at least one [[{name}]] table" if many else f"a [{name}] table"


def _keys_in(path: tuple[str, ...]) -> list[Key]:
    """The keys of one table; of a tank, those of its shape too."""
    if path[:1] == ("tank",) and path[1:]:
        return [key for key in site_keys() if key.table == "[[tank]]" or key.table.endswith(f'"{path[1]}"')]
    return [key for key in site_keys() if key.table.strip("[]").split(" ")[0] == ".".join(path)]


def keys_table() -> str:
    """All keys as Markdown, a table for each table of the file; below the sensors', what they may measure."""
    lines: list[str] = []
    table = None
    for key in site_keys():
        if key.table != table:
            lines += ["", *_quantities_table()] if table == "[[sensor]]" else []
            table = key.table
            lines += ["", f"### `{table}`" if table else "### At the top", "", "| key | meaning | expected | default |"]
            lines.append("|---|---|---|---|")
        default = "**required**" if key.required else (f"`{key.default}`" if key.default else "absent")
        lines.append(f"| `{key.key}` | {key.meaning} | {key.expected} | {default} |")
    return "\n".join(lines).strip() + "\n"


def _quantities_table() -> list[str]:
    """What `measures` may say, and in which units."""
    words = (
        "`measures` is one of these, `*` being the id of the part. `low`, `high` and `noise` are in the unit kept "
        "inside. A device sends one of the units beside it, of the SenML registry (RFC 8428, RFC 8798), in SenML or "
        "named by `unit`. Of a running total only the increase counts; it survives gaps, so it is better than a rate."
    )
    lines = [
        words,
        "",
        "| `measures` | meaning | unit kept inside | possible | units to send |",
        "|---|---|---|---|---|",
    ]
    for quantity in QUANTITIES:
        sent = ", ".join(f"`{unit}`" for unit in SENT_UNITS[quantity.unit])
        inside = {"1": "a share, 0 to 1", "Cel": "°C"}.get(quantity.unit, quantity.unit)
        possible = f"{quantity.low:,g} to {quantity.high:,.0f}"
        lines.append(f"| `{quantity.pattern}` | {quantity.meaning} | {inside} | {possible} | {sent} |")
    return lines


def _keys_of(model: type[Part], table: str, without: frozenset[str] = frozenset()) -> Iterator[Key]:
    meanings = _meanings(model)
    inner: list[tuple[str, FieldInfo]] = []
    for name, field in model.model_fields.items():
        if name in without:
            continue
        if _parts(field.annotation):
            inner.append((name, field))
            if not table:
                continue
        meaning = meanings.get(name, "")
        expected = _expected(field)
        default = field.get_default(call_default_factory=True)
        shown = "" if field.is_required() or default in (None, [], PydanticUndefined) else _toml(default)
        yield Key(table, name, expected, field.is_required(), shown, meaning)
    for name, field in inner:
        yield from _inner(name, field, table)


def _inner(name: str, field: FieldInfo, table: str) -> Iterator[Key]:
    """Keys of a table inside; of a tank, those of every shape and then what each shape adds."""
    parts = _parts(field.annotation)
    many = get_origin(_bare(field.annotation)) is list
    header = f"[{table.strip('[]')}.{name}]" if table else (f"[[{name}]]" if many else f"[{name}]")
    if len(parts) == 1:
        yield from _keys_of(parts[0], header)
        return
    common = cast(type[Part], parts[0].__mro__[1])
    shapes = ", ".join(f'"{_shape(part)}"' for part in parts)
    yield Key(header, "shape", f"one of {shapes}", required=True, default="", meaning=_meanings(common)["shape"])
    yield from _keys_of(common, header)
    for part in parts:
        own = f'{header} shape = "{_shape(part)}"'
        yield from _keys_of(part, own, frozenset({"shape", *common.model_fields}))


def _shape(part: type[Part]) -> str:
    return str(get_args(part.model_fields["shape"].annotation)[0])


def _meanings(model: type[Part]) -> dict[str, str]:
    """What the docstrings of a model and of those above it say of each key."""
    found: dict[str, str] = {}
    for kind in reversed(model.__mro__):
        names: list[str] = []
        doc = kind.__dict__.get("__doc__") or ""
        for line in doc.splitlines()[1:]:
            entry = _ENTRY.match(line)
            if entry:
                names = entry[1].split(", ")
                found |= dict.fromkeys(names, entry[2])
            elif names and line.startswith(" " * 6) and line.strip():
                found |= {name: f"{found[name]} {line.strip()}" for name in names}
            else:
                names = []
    return found


def _bare(annotation: Any) -> Any:
    """An annotation without Annotated and without None."""
    while True:
        if get_origin(annotation) is Annotated:
            annotation = get_args(annotation)[0]
        elif get_origin(annotation) in (Union, types.UnionType) and type(None) in get_args(annotation):
            rest = [kind for kind in get_args(annotation) if kind is not type(None)]
            if len(rest) > 1:
                return annotation
            annotation = rest[0]
        else:
            return annotation


def _parts(annotation: Any) -> list[type[Part]]:
    """The tables that an annotation stands for."""
    bare = _bare(annotation)
    if get_origin(bare) is list:
        return _parts(get_args(bare)[0])
    if get_origin(bare) in (Union, types.UnionType):
        return [part for kind in get_args(bare) for part in _parts(kind)]
    return [bare] if isinstance(bare, type) and issubclass(bare, Part) else []


def _expected(field: FieldInfo) -> str:
    metadata = [*field.metadata, *_metadata(field.annotation)]
    bare = _bare(field.annotation)
    if get_origin(bare) is Literal:
        return "one of " + ", ".join(f'"{value}"' for value in get_args(bare))
    if _parts(field.annotation):
        return "table"
    if get_origin(bare) is list:
        return f"list of {_WORDS.get(_bare(get_args(bare)[0]), 'values')}s"
    return f"{_WORDS.get(bare, 'time with its offset')} {_bounds(metadata)}".strip()


def _metadata(annotation: Any) -> list[Any]:
    if get_origin(annotation) is Annotated:
        return [*get_args(annotation)[1:], *_metadata(get_args(annotation)[0])]
    if get_origin(annotation) in (Union, types.UnionType):
        return [entry for kind in get_args(annotation) for entry in _metadata(kind)]
    return []


def _bounds(metadata: list[Any]) -> str:
    """`above 0`, `0 to 50`: what the constraints say."""
    flat = [entry for item in metadata for entry in (item.metadata if isinstance(item, FieldInfo) else [item])]
    low = next((f"{bound.ge:g}" for bound in flat if isinstance(bound, Ge)), None)
    above = next((f"above {bound.gt:g}" for bound in flat if isinstance(bound, Gt)), None)
    high = next((f"{bound.le:g}" for bound in flat if isinstance(bound, Le)), None)
    below = next((f"below {bound.lt:g}" for bound in flat if isinstance(bound, Lt)), None)
    if low and high:
        return f"{low} to {high}"
    return ", ".join(filter(None, [above, f"from {low}" if low else None, f"to {high}" if high else None, below]))


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else f"{value}"
