"""A process that does heavy work for whoever asks, one thing after the other, and ends when nobody has asked for long.

The libraries behind an account or a design check take 200 MB and seconds to load: too much to carry for good on a
small board, and too slow to load for every answer.
"""

from __future__ import annotations

import contextlib
import pickle
import subprocess
import threading
from typing import Any, Final

from forecast.aside import MOST_S, start
from ingest.errors import AsideError

#: It stays so long after its last answer. [s]
LINGER_S: Final = 300.0
#: No more than these ask and wait at once, so that they do not fill all threads of a server.
MOST_ASKING: Final = 8


class Backroom:
    """Asked by several threads at once, it answers them in turn. The process is started when first asked.

    linger_s  how long it stays after its last answer [s]
    """

    def __init__(self, linger_s: float = LINGER_S) -> None:
        self._linger_s = linger_s
        self._asking = threading.BoundedSemaphore(MOST_ASKING)
        self._turn = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._end: threading.Timer | None = None

    def ask(self, name: str, *arguments: object) -> Any:
        """What `module:function` returns. Raises what it raises of our own errors, or AsideError."""
        if not self._asking.acquire(blocking=False):
            raise AsideError(f"{name} has to wait: {MOST_ASKING} others are being answered")
        try:
            with self._turn:
                self._stay()
                result, failure = self._answer(name, arguments)
                self._end_later()
        finally:
            self._asking.release()
        if failure is not None:
            raise failure
        return result

    def close(self) -> None:
        """End the process; the next question starts another."""
        with self._turn:
            self._stay()
            self._stop()

    def _answer(self, name: str, arguments: tuple[object, ...]) -> Any:
        try:
            if self._process is not None and self._process.poll() is not None:
                self._stop()  # it died between two questions
            if self._process is None:
                self._process = start()
            process = self._process
            watch = threading.Timer(MOST_S, process.kill)
            watch.daemon = True
            watch.start()
            try:
                assert process.stdin is not None  # noqa: S101 - both are pipes
                assert process.stdout is not None  # noqa: S101
                pickle.dump((name, arguments), process.stdin)
                process.stdin.flush()
                return pickle.load(process.stdout)  # noqa: S301 - from our own child
            finally:
                watch.cancel()
        except (OSError, EOFError, pickle.UnpicklingError) as error:
            self._stop()
            raise AsideError(f"{name} failed in its own process: {error!r}; its last words are in the log") from error

    def _stay(self) -> None:
        if self._end is not None:
            self._end.cancel()
            self._end = None

    def _end_later(self) -> None:
        self._end = threading.Timer(self._linger_s, self._time_is_up)
        self._end.daemon = True
        self._end.start()

    def _time_is_up(self) -> None:
        with self._turn:
            if self._end is threading.current_thread():  # nobody has asked while this waited for its turn
                self._end = None
                self._stop()

    def _stop(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):  # what could not be written is not written at closing either
                    pipe.close()
