"""The web application on a port of this machine, from threads of this process."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import uvicorn
from starlette.types import ASGIApp

_START_S = 20.0


@contextmanager
def serving(app: ASGIApp, port: int = 0) -> Iterator[str]:
    """Serve on loopback; the address, without a slash at its end."""
    listener = socket.socket()
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listener.bind(("127.0.0.1", port))
    config = uvicorn.Config(app, log_config=None, access_log=False, proxy_headers=False, lifespan="off", ws="none")
    server = uvicorn.Server(config)
    with running("web", lambda: server.run(sockets=[listener])):
        end = time.monotonic() + _START_S
        while not server.started:
            assert time.monotonic() < end, "the web server does not start"
            time.sleep(0.01)
        yield f"http://127.0.0.1:{listener.getsockname()[1]}"
        server.should_exit = True
    listener.close()


@contextmanager
def running(name: str, work: Callable[[], object], stop: threading.Event | None = None) -> Iterator[None]:
    """A part of the service in a thread; `stop` is set at the end, and a failure is raised there."""
    failed: list[BaseException] = []

    def guarded() -> None:
        try:
            work()
        except BaseException as error:
            failed.append(error)

    thread = threading.Thread(target=guarded, name=name, daemon=True)
    thread.start()
    try:
        yield
    finally:
        if stop is not None:
            stop.set()
        thread.join(20)
    if failed:
        raise failed[0]
    assert not thread.is_alive(), f"{name} does not stop"
