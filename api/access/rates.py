"""How much somebody may ask for: a bucket that fills at a steady rate and holds a burst."""

from __future__ import annotations

import threading
from collections import OrderedDict
from typing import Final, NamedTuple

from ingest.instants import SECOND_MS

_REMEMBERED: Final = 10_000
#: A burst is so many seconds' worth: a page, its reload, a script that starts.
_BURST_S: Final = 10


class _Bucket(NamedTuple):
    left: float
    at_ms: int


class Rates:
    """Buckets by key, in the memory of this process. Safe to share between threads.

    per_s  how many requests a second go on for ever [1/s]
    """

    def __init__(self, per_s: float) -> None:
        self._per_s = per_s
        self._most = per_s * _BURST_S
        self._buckets: OrderedDict[str, _Bucket] = OrderedDict()
        self._lock = threading.Lock()

    def wait_s(self, key: str, now_ms: int) -> int:
        """Take one request out; 0: it is granted. Else how long to wait, and nothing is taken. [s]"""
        with self._lock:
            bucket = self._buckets.pop(key, _Bucket(self._most, now_ms))
            passed_s = max(0, now_ms - bucket.at_ms) / SECOND_MS
            left = min(self._most, bucket.left + passed_s * self._per_s)
            granted = left >= 1
            self._buckets[key] = _Bucket(left - 1 if granted else left, now_ms)
            if len(self._buckets) > _REMEMBERED:
                self._buckets.popitem(last=False)
        return 0 if granted else max(1, round((1 - left) / self._per_s + 0.5))
