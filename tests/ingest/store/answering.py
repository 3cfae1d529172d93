"""A local HTTP server that answers as a database might on a bad day."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import NamedTuple

#: What a query gets that finds nothing.
NOTHING = b'{"results":[{"statement_id":0}]}\n'


class Asked(NamedTuple):
    """A request as it came."""

    method: str
    path: str
    body: bytes
    authorization: str


class Answer(NamedTuple):
    """What to say. announced: bytes that the header promises; None: as many as come"""

    status: int = 204
    body: bytes = b""
    announced: int | None = None
    chunked: bool = False


class Answering:
    """Asks `answer` what to say to each request, and remembers the requests."""

    def __init__(self, answer: Callable[[Asked], Answer]) -> None:
        self.answer = answer
        self.asked: list[Asked] = []
        outer = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"
            wbufsize = -1  # head and body in one packet, or the other side waits 40 ms for the second

            def _do(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
                asked = Asked(self.command, self.path, body, self.headers.get("Authorization") or "")
                outer.asked.append(asked)
                answer = outer.answer(asked)
                self.send_response(answer.status)
                self.send_header("Content-Type", "application/json")
                if answer.chunked:
                    self.send_header("Transfer-Encoding", "chunked")
                    self.end_headers()
                    # One whole chunk, and the connection ends before the next.
                    self.wfile.write(b"%x\r\n%b\r\n" % (len(answer.body), answer.body))
                    self.close_connection = True
                    return
                announced = len(answer.body) if answer.announced is None else answer.announced
                self.send_header("Content-Length", str(announced))
                self.end_headers()
                self.wfile.write(answer.body)
                if announced != len(answer.body):
                    self.close_connection = True

            do_GET = do_POST = _do  # noqa: N815

            def log_message(self, *_: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}"

    @property
    def writes(self) -> list[Asked]:
        return [asked for asked in self.asked if asked.path.startswith(("/write", "/api/v2/write"))]

    @contextmanager
    def running(self) -> Iterator[Answering]:
        thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        try:
            yield self
        finally:
            self._server.shutdown()
            self._server.server_close()
            thread.join()


def kindly(asked: Asked) -> Answer:
    """As a database does that is well and empty."""
    return Answer(200, NOTHING) if asked.path.startswith("/query") else Answer()
