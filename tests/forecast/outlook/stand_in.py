"""A weather service that is not one: a loopback server that answers as it is told and notes what it was asked."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread


@dataclass(frozen=True)
class Reply:
    body: bytes = b""
    status: int = 200
    headers: Mapping[str, str] = field(default_factory=dict)


@dataclass
class Asked:
    path: str
    headers: dict[str, str]


class StandIn:
    """Answers by path, whatever the query; a path that nobody told it of is not found."""

    def __init__(self) -> None:
        self.replies: dict[str, Reply] = {}
        self.asked: list[Asked] = []
        stand_in = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                stand_in.asked.append(Asked(self.path, {key.lower(): value for key, value in self.headers.items()}))
                reply = stand_in.replies.get(self.path.partition("?")[0], Reply(status=404))
                self.send_response(reply.status)
                for name, value in reply.headers.items():
                    self.send_header(name, value)
                if reply.status != 304:
                    self.send_header("Content-Length", str(len(reply.body)))
                self.end_headers()
                if reply.status != 304:
                    self.wfile.write(reply.body)

            def log_message(self, *_: object) -> None:
                """Say nothing."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._thread = Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        self._thread.start()

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self._server.server_port}"

    def close(self) -> None:
        self._server.shutdown()
        self._thread.join(5)
        self._server.server_close()


@contextmanager
def weather_stand_in() -> Iterator[StandIn]:
    stand_in = StandIn()
    try:
        yield stand_in
    finally:
        stand_in.close()
