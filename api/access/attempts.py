"""How often somebody may try a secret: after a few failures each try has to wait longer than the last."""

from __future__ import annotations

import threading
from collections import OrderedDict
from typing import Final, NamedTuple

from ingest.instants import MINUTE_MS, SECOND_MS

FREE: Final = 5
#: For an address. A name is held back less, or a stranger could lock its owner out.
LONGEST_MS: Final = 15 * MINUTE_MS
LONGEST_FOR_A_NAME_MS: Final = MINUTE_MS
_REMEMBERED: Final = 10_000
_FORGOTTEN_AFTER_MS: Final = 60 * MINUTE_MS


class _Failures(NamedTuple):
    times: int
    last_ms: int


class Attempts:
    """Counts failures by key, in the memory of this process. Safe to share between threads.

    longest_ms  the longest wait between two tries
    """

    def __init__(self, longest_ms: int = LONGEST_MS) -> None:
        self._longest_ms = longest_ms
        self._failures: OrderedDict[str, _Failures] = OrderedDict()
        self._lock = threading.Lock()

    def wait_ms(self, key: str, now_ms: int) -> int:
        """How long this key has to wait before its next try; 0: not at all."""
        with self._lock:
            failed = self._failures.get(key)
        if failed is None or failed.times < FREE:
            return 0
        pause_ms = min(self._longest_ms, SECOND_MS << min(failed.times - FREE, 20))
        return max(0, min(pause_ms, failed.last_ms + pause_ms - now_ms))

    def failed(self, key: str, now_ms: int) -> None:
        """One more failure. Counted before a check, and taken back by `forget`, so that a crowd gains nothing."""
        with self._lock:
            before = self._failures.pop(key, _Failures(0, now_ms))
            times = 0 if now_ms - before.last_ms > _FORGOTTEN_AFTER_MS else before.times
            self._failures[key] = _Failures(times + 1, now_ms)
            if len(self._failures) > _REMEMBERED:
                self._failures.popitem(last=False)

    def forget(self, key: str) -> None:
        """It succeeded."""
        with self._lock:
            self._failures.pop(key, None)
