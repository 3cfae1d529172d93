"""A browser before the service, and a service that somebody has set up."""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from api.access.access import Access
from tests.api.conftest import Client

PASSWORD = "a kettle on the north wind"
NAME = "warden"


class Browser(Client):
    """Keeps cookies and says where its forms come from. base: scheme and name that it calls; address: its own."""

    def __init__(self, client: Client, base: str = "http://localhost", address: str = "127.0.0.1") -> None:
        super().__init__(client.app, scope=None)
        self.base = base
        self.cookies = httpx.Cookies()
        self.address = address

    def request(self, method: str, path: str, **options: Any) -> httpx.Response:
        headers = {"Host": self.base.split("//")[1], **options.pop("headers", {})}
        if method == "POST":
            headers.setdefault("Origin", self.base)
        if self.cookies:
            headers.setdefault("Cookie", "; ".join(f"{name}={value}" for name, value in self.cookies.items()))
        answer = self.send(method, path, self.base, self.address, headers=headers, **options)
        self.cookies.update(answer.cookies)
        for name in [name for name in self.cookies if f'{name}=""' in answer.headers.get("set-cookie", "")]:
            del self.cookies[name]
        return answer

    def sign_in(self, password: str = PASSWORD) -> httpx.Response:
        return self.post("/login", data={"name": NAME, "password": password})


@pytest.fixture
def access(client: Client) -> Access:
    """Its rules, before anybody has set it up."""
    found: Access = client.app.state.service.access
    return found


@pytest.fixture
def browser(client: Client, access: Access) -> Browser:
    """Of the warden, who has set the service up and is not signed in."""
    access.add_person(NAME, PASSWORD, "configure")
    return Browser(client)
