"""A program that takes webhooks: a real HTTP server on loopback, over TLS if wanted."""

from __future__ import annotations

import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from email.message import Message as Headers
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import NamedTuple

#: Key and certificate for alarm.example and localhost, made for these tests and of no other worth.
PEM = Path(__file__).parent / "test_only.pem"


class Came(NamedTuple):
    """A request as it came."""

    path: str
    headers: Headers
    body: bytes


class Request(BaseHTTPRequestHandler):
    """A request that is being answered."""

    body = b""


class Hook:
    """answer gets each request and the handler that may speak; usually it says 204."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.came: list[Came] = []
        self.answer: Callable[[Request], None] = says(204)


def says(status: int, **headers: str) -> Callable[[Request], None]:
    def answer(handler: Request) -> None:
        handler.send_response(status)
        for name, value in headers.items():
            handler.send_header(name.replace("_", "-"), value)
        handler.send_header("Content-Length", "0")
        handler.end_headers()

    return answer


@contextmanager
def listening(*, tls: bool = False) -> Iterator[Hook]:
    """The server, while it is needed."""

    class Handler(Request):
        def do_POST(self) -> None:
            self.body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
            hook.came.append(Came(self.path, self.headers, self.body))
            hook.answer(self)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    hook = Hook(server.server_address[1])
    if tls:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(PEM)
        server.socket = context.wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
    thread.start()
    try:
        yield hook
    finally:
        server.shutdown()
        server.server_close()
        thread.join(5)
