"""The OpenAPI document is whole: each field described, each figure with its unit, each operation with an example."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from tests.api.conftest import Client

Schema = dict[str, Any]
#: `[L/d]`, `[1]` for a bare number, or where the unit stands instead: "[the `unit` beside it]", "in `unit`".
UNIT = re.compile(r"\[[^\[\]]{1,80}\]|in `unit`")


@pytest.fixture
def document(client: Client) -> Schema:
    found: Schema = client.get("/api/v1/openapi.json").json()
    return found


def fields(document: Schema) -> Iterator[tuple[str, Schema]]:
    for name, schema in document["components"]["schemas"].items():
        for field, about in schema.get("properties", {}).items():
            yield f"{name}.{field}", about


def operations(document: Schema) -> Iterator[tuple[str, Schema]]:
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            yield f"{method.upper()} {path}", operation


def is_number(about: Schema) -> bool:
    """Whether a bare number may stand here, or in its list."""
    parts = [about, *about.get("anyOf", []), about.get("items", {})]
    return any(part.get("type") in ("number", "integer") for part in parts if isinstance(part, dict))


def test_every_field_is_described(document: Schema) -> None:
    assert [name for name, about in fields(document) if not about.get("description")] == []


def test_every_figure_names_its_unit(document: Schema) -> None:
    bare = [name for name, about in fields(document) if is_number(about) and not UNIT.search(about["description"])]
    assert bare == []


def test_every_parameter_is_described_and_every_figure_has_its_unit(document: Schema) -> None:
    bare = []
    for where, operation in operations(document):
        for parameter in operation.get("parameters", []):
            text = parameter.get("description", "")
            if not text or (is_number(parameter["schema"]) and not UNIT.search(text)):
                bare.append(f"{where} {parameter['name']}")
    assert bare == []


def has_example(about: Schema, document: Schema, depth: int = 0) -> bool:
    """Whether a schema, or something in it, shows what it looks like."""
    if about.get("example") is not None or about.get("examples") or "const" in about or "enum" in about:
        return True
    if "$ref" in about and depth < 8:
        return has_example(document["components"]["schemas"][about["$ref"].rpartition("/")[2]], document, depth + 1)
    inner = [*about.get("properties", {}).values(), *about.get("anyOf", []), *about.get("oneOf", [])]
    inner += [about["items"]] if isinstance(about.get("items"), dict) else []
    return any(has_example(part, document, depth + 1) for part in inner)


def test_every_operation_has_an_example_and_a_summary(document: Schema) -> None:
    bare = []
    for where, operation in operations(document):
        answers = [answer for status, answer in operation["responses"].items() if status < "300"]
        contents = [content for answer in answers for content in answer.get("content", {}).values()]
        contents += operation.get("requestBody", {}).get("content", {}).values()
        shown = all("example" in part or has_example(part.get("schema", {}), document) for part in contents)
        if not shown or not operation.get("summary"):
            bare.append(where)
    assert bare == []


def test_the_document_says_how_to_come_in(document: Schema) -> None:
    assert document["components"]["securitySchemes"]["token"]["scheme"] == "bearer"
    for where, operation in operations(document):
        is_open = where in ("GET /api/v1/health/live", "POST /api/v1/setup")
        assert operation.get("security") == ([] if is_open else [{"token": []}]), where
