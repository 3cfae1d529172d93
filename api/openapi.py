"""What FastAPI does not say in the OpenAPI document by itself: how to come in, and that errors are problems."""

from __future__ import annotations

from typing import Any, Final

from fastapi import FastAPI
from fastapi.routing import iter_route_contexts

from api.access.needs import declared
from api.problems import MEDIA_TYPE

#: Endings of names and their units, the longer before those that they end in.
UNITS: Final = {
    "_l_min": "L/min", "_mm_h": "mm/h", "_l_h": "L/h", "_l_day": "L/d", "_m_s": "m/s", "_m2": "m²", "_mm": "mm",
    "_wh": "Wh", "_ah": "Ah", "_days": "d", "_ms": "ms",
    "_m": "m", "_l": "L", "_h": "h", "_s": "s", "_v": "V", "_w": "W",
}  # fmt: skip
#: Figures of a design check whose names end in no unit, or in one that they do not have.
_OWN_UNITS: Final = {
    "reliable_volume": "1", "reliable_days": "1", "pessimistic_volume": "1", "swallowed": "1", "efficiency": "1",
    "night_share": "1", "usable_share": "1", "peak_low": "1", "peak_high": "1", "size": "its `unit`",
    "step": "its `unit`", "knee": "its `unit`", "amount": "its `unit`",
}  # fmt: skip
_TOKEN: Final = {
    "type": "http",
    "scheme": "bearer",
    "description": "A token: `ullage token create NAME --scope read|acknowledge|configure`, or POST /api/v1/tokens. "
    "Each scope includes the one before.",
}


def document(app: FastAPI) -> None:
    """Complete the document of an application whose routes are all there."""
    generate = app.openapi
    needed = {
        (route.path, method.lower()): next(iter(declared(route)), None)
        for route in iter_route_contexts(app.routes)
        for method in route.methods or ()
    }

    def openapi() -> dict[str, Any]:
        if app.openapi_schema is not None:
            return app.openapi_schema
        schema = generate()
        schema["components"]["securitySchemes"] = {"token": _TOKEN}
        for about in schema["components"]["schemas"].values():
            for name, field in about.get("properties", {}).items():
                _describe(name, field)
        for path, operations in schema["paths"].items():
            for method, operation in operations.items():
                _complete(operation, needed.get((path, method)))
                if method == "get":
                    for status in ("409", "413"):
                        operation["responses"].pop(status, None)
        return schema

    app.openapi = openapi  # type: ignore[method-assign]


def _describe(name: str, field: dict[str, Any]) -> None:
    """A field whose name says it all is described by its name; the unit in a name stands in the description too."""
    text = field.setdefault("description", f"{name.replace('_', ' ').capitalize()}.")
    types = {part.get("type") for part in (field, *field.get("anyOf", []), field.get("items", {}))}
    if "[" in text or not types & {"number", "integer"}:
        return
    unit = _OWN_UNITS.get(name) or next((unit for ending, unit in UNITS.items() if name.endswith(ending)), None)
    if unit is None and "integer" in types:
        unit = "1"
    if unit is not None:
        field["description"] = f"{text} [{unit}]"


def _complete(operation: dict[str, Any], scope: str | None) -> None:
    responses = operation["responses"]
    operation["security"] = [] if scope is None else [{"token": []}]
    if scope is None:
        responses.pop("401", None)
    else:
        operation["description"] = f"{operation.get('description', '')}\n\nScope: `{scope}`.".strip()
    for status, response in responses.items():
        if status >= "400" and "application/json" in response.get("content", {}):
            response["content"][MEDIA_TYPE] = response["content"].pop("application/json")
