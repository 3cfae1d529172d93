"""No route is open because somebody forgot: each says what it needs, and the few open ones are known."""

from __future__ import annotations

import re

from fastapi.routing import iter_route_contexts

from api.access.needs import declared
from tests.api.conftest import Client

#: What strangers may reach: whether the process runs, and the ways in.
OPEN_TO_ALL = {"/api/v1/health/live", "/api/v1/setup", "/setup", "/login"}
#: Also reached by reading alone, though it changes something: a reader may leave.
CHANGED_BY_READERS = {"/password", "/logout"}


def test_every_route_says_once_what_it_needs(client: Client) -> None:
    silent = [route.path for route in iter_route_contexts(client.app.routes) if len(declared(route)) != 1]
    assert silent == []


def test_the_open_routes_are_these(client: Client) -> None:
    routes = iter_route_contexts(client.app.routes)
    assert {route.path for route in routes if declared(route) == [None]} == OPEN_TO_ALL


def test_what_changes_something_takes_more_than_reading(client: Client) -> None:
    changing = [
        route.path
        for route in iter_route_contexts(client.app.routes)
        if declared(route) == ["read"] and not (route.methods or set()) <= {"GET", "HEAD"}
    ]
    assert set(changing) == CHANGED_BY_READERS


def test_strangers_meet_the_gate_at_every_other_route(client: Client) -> None:
    stranger = Client(client.app, scope=None)
    client.app.state.service.access.add_person("warden", "a kettle on the wind", "configure")
    for route in iter_route_contexts(client.app.routes):
        path = re.sub(r"\{\w+\}", "skerrow-head", route.path or "")
        for method in (route.methods or set()) - {"HEAD"}:
            answer = stranger.request(method, path)
            if path in OPEN_TO_ALL:
                assert answer.status_code != 401, path
                assert answer.headers.get("location") in (None, "/"), path
            elif path.startswith(("/api/", "/metrics")):
                assert (answer.status_code, answer.headers["www-authenticate"]) == (401, "Bearer"), path
            else:
                assert answer.status_code == (303 if method == "GET" else 401), path


def test_a_forgotten_route_is_closed(client: Client) -> None:
    client.app.get("/forgotten")(lambda: "open")
    client.app.state.service.access.add_person("warden", "a kettle on the wind", "configure")
    assert Client(client.app, scope=None).get("/forgotten").status_code == 303
