"""The application on a port of this machine, and what it sends, byte for byte."""

from __future__ import annotations

import socket
import threading
import time
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import uvicorn
from starlette.types import ASGIApp


@dataclass(frozen=True)
class Sent:
    """An answer as it came over the wire."""

    head: bytes
    body: bytes

    @property
    def size(self) -> int:
        return len(self.head) + len(self.body)

    def first(self, count: int) -> str:
        """What can be read of the page when only so many bytes have come."""
        return _unpacked(self.body[: max(0, count - len(self.head))])

    @property
    def text(self) -> str:
        return _unpacked(self.body)

    def header(self, name: str) -> str:
        lines = self.head.decode().split("\r\n")[1:]
        return next((line.partition(": ")[2] for line in lines if line.lower().startswith(f"{name}:")), "")


@contextmanager
def served(app: ASGIApp) -> Iterator[tuple[str, int]]:
    """Serve as `api.role` does, on a free port."""
    listener = socket.create_server(("127.0.0.1", 0))
    server = uvicorn.Server(uvicorn.Config(app, log_config=None, access_log=False, server_header=False, lifespan="off"))
    thread = threading.Thread(target=lambda: server.run(sockets=[listener]), daemon=True)
    thread.start()
    try:
        end = time.monotonic() + 20
        while not server.started:
            assert time.monotonic() < end, "the web server does not start"
            time.sleep(0.01)
        yield listener.getsockname()
    finally:
        server.should_exit = True
        thread.join(20)
        listener.close()


def ask(address: tuple[str, int], path: str, **headers: str) -> Sent:
    """GET a path, as a browser would that takes gzip."""
    given = {"Host": "localhost", "Accept-Encoding": "gzip", **headers}
    lines = "".join(f"{name.replace('_', '-')}: {value}\r\n" for name, value in given.items())
    with socket.create_connection(address, timeout=20) as connection:
        connection.sendall(f"GET {path} HTTP/1.1\r\n{lines}\r\n".encode())
        answer = connection.makefile("rb")
        head = b"".join(iter(answer.readline, b"\r\n")) + b"\r\n"
        length = Sent(head, b"").header("content-length")
        return Sent(head, answer.read(int(length)) if length else b"")


def _unpacked(body: bytes) -> str:
    return zlib.decompressobj(zlib.MAX_WBITS | 16).decompress(body).decode(errors="ignore")
