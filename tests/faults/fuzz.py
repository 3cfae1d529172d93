"""Mutated payloads through decoder, checks and store: no crash, nothing vanishes, nothing takes long.

    .venv/bin/python -m tests.faults.fuzz [--payloads 1000000] [--seed N] [--json]

Seeds of every format are flipped, cut, spliced, repeated, and given huge numbers, deep nests and odd
text. Each payload must end as readings, as rejects with a reason, or be a pack of base fields alone,
which says nothing by right; that is looked up with other decoders than the one under test. Of ten
messages one goes into a store. Exit status 1 if anything was wrong.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final

import cbor2
import psutil

from ingest.payload import Decoded, Decoder
from ingest.quality import Checks
from ingest.reading import Reading, Reject
from ingest.sitefile import load_sites
from ingest.store.sqlite import SqliteStore

SITES = Path(__file__).parents[2] / "deploy" / "sites"
NOW_MS: Final = 1_795_600_000_000
#: One payload, whatever its size, may cost so many times what the standard library takes to read a plain pack of
#: some 250 kB. By the thread's own clock, and the least of some tries: a machine that pauses is no payload that costs.
MOST_TIMES: Final = 50
_TRIES: Final = 5
_STORED_SHARE: Final = 0.1
_BATCH: Final = 200
_MOST_SHOWN: Final = 5

_POST = "ullage/skerrow-head/post-1"
_PACK: Final[list[dict[str, Any]]] = [
    {"bn": "post-1/", "bt": 1795600000, "bu": "m", "n": "level", "v": 1.31},
    {"n": "level", "t": -60, "v": 1.3},
    {"n": "battery", "u": "V", "v": 12.67},
    {"n": "rain-total", "u": "mm", "v": 114.2, "t": 1.5},
    {"bv": 0.5, "bs": 1.0, "n": "taps-total", "u": "m3", "s": 3.0},
    {"n": "pump", "vb": True},
    {"n": "level", "vs": "text", "bver": 10, "x": None},
]
_LABELS: Final = {
    "bn": -2, "bt": -3, "bu": -4, "bv": -5, "bs": -6, "bver": -1, "n": 0, "u": 1, "v": 2, "vs": 3,
    "vb": 4, "s": 5, "t": 6,
}  # fmt: skip
SEEDS: Final[list[tuple[str, bytes]]] = [
    (f"{_POST}/senml", json.dumps(_PACK).encode()),
    (f"{_POST}/senml", json.dumps(_PACK[:1]).encode()),
    (f"{_POST}/senml", b'[{"bn":"post-1/","bt":1795600000}]'),
    (f"{_POST}/senml", b"[]"),
    (f"{_POST}/senml-cbor", cbor2.dumps([{_LABELS.get(k, k): v for k, v in record.items()} for record in _PACK])),
    (f"{_POST}/senml-cbor", cbor2.dumps([{-2: "post-1/", 0: "level", 1: "m", 2: 1.3}])),
    ("orchard/lower-post/state", b'{"flow": {"litres_per_second": 0.1}, "list": [1, 2, {"a": null}]}'),
    (f"{_POST}/status", b"online"),
    (f"{_POST}/status", b"offline"),
    ("$SYS/broker/publish/messages/dropped", b"17"),
]
_TOPICS: Final = [
    *dict.fromkeys(topic for topic, _ in SEEDS), "ullage/nowhere/post-1/senml", "ullage//x", "\u00e9/\x00", "",
]  # fmt: skip
_ODD: Final = [
    b"1e999", b"-1e308", b"1" * 400, b"1e-400", b"NaN", b"-Infinity", b"18446744073709551616", b"-0.0", b"null",
    b"true", b"\xff", b"\x00", b"\xed\xa0\x80", b"\xf0\x9f\x92\xa7", "\u202e\u0000".encode(), b'"\\ud800"', b'"n_"',
    b"\\u0000", b'{"n":"level","u":"m","v":1},', b'"t":1e20', b'"t":268435455', b'"bver":11', b"\x9f", b"\xbf",
    b"\xfb\x7f\xf0" + bytes(6), b"\xc2\x5f", b"\xd8\x1c\x00", b"\x5b" + b"\xff" * 8, b"\x9b" + bytes(4) + b"\xff" * 4,
    b"\xc2\x59\x10\x00" + b"\xff" * 64,
]  # fmt: skip


@dataclass
class Report:
    """What came of it.

    slowest_ms, slowest_times  of one payload: of the thread's own time [ms], and of that for a plain pack
    rss_start_mb, rss_end_mb   resident after a warm-up and at the end
    """

    payloads: int = 0
    readings: int = 0
    rejects: int = 0
    base_only: int = 0
    stored: int = 0
    seconds: float = 0.0
    slowest_ms: float = 0.0
    slowest_times: float = 0.0
    rss_start_mb: float = 0.0
    rss_end_mb: float = 0.0
    faults: list[str] = field(default_factory=list)


class Mutator:
    """Seeds made odd, the same ones for the same seed number."""

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed)
        self._ways: list[Callable[[bytearray], bytearray]] = [
            self._flip, self._flip, self._cut, self._insert, self._insert,
            self._repeat, self._delete, self._splice, self._swap,
        ]  # fmt: skip

    def next(self) -> tuple[str, bytes]:
        """A topic and a payload."""
        draw = self._random
        topic, seed = draw.choice(SEEDS)
        chance = draw.random()
        if chance < 0.0005:
            return topic, self._large(topic)
        if chance < 0.02:
            topic = draw.choice(_TOPICS)
        payload = bytearray(seed)
        for _ in range(draw.choice((1, 1, 1, 2, 2, 3, 5))):
            payload = draw.choice(self._ways)(payload)
        return topic, bytes(payload)

    def _at(self, payload: bytearray) -> int:
        return self._random.randrange(len(payload) + 1)

    def _flip(self, payload: bytearray) -> bytearray:
        if payload:
            at = self._random.randrange(len(payload))
            payload[at] ^= (
                1 << self._random.randrange(8) if self._random.random() < 0.5 else self._random.randrange(256)
            )
        return payload

    def _cut(self, payload: bytearray) -> bytearray:
        return payload[: self._at(payload)] if self._random.random() < 0.8 else payload[self._at(payload) :]

    def _insert(self, payload: bytearray) -> bytearray:
        at = self._at(payload)
        payload[at : at + self._random.choice((0, 0, 1, 4))] = self._random.choice(_ODD)
        return payload

    def _repeat(self, payload: bytearray) -> bytearray:
        begin, end = sorted((self._at(payload), self._at(payload)))
        return payload[:end] + payload[begin:end] * self._random.choice((1, 1, 2, 10)) + payload[end:]

    def _delete(self, payload: bytearray) -> bytearray:
        at = self._at(payload)
        del payload[at : at + self._random.choice((1, 1, 2, 8))]
        return payload

    def _splice(self, payload: bytearray) -> bytearray:
        other = self._random.choice(SEEDS)[1]
        return payload[: self._at(payload)] + other[self._random.randrange(len(other) + 1) :]

    def _swap(self, payload: bytearray) -> bytearray:
        """Another token in the place of a digit: numbers where names were, and the other way round."""
        digits = [at for at, byte in enumerate(payload) if 0x30 <= byte <= 0x39]
        if digits:
            at = self._random.choice(digits)
            payload[at : at + 1] = self._random.choice(_ODD)
        return payload

    def _large(self, topic: str) -> bytes:
        """Up to some hundred kilobytes that cost most where something is done too often."""
        many = self._random.choice((1_000, 10_000, 50_000))
        if topic.endswith("cbor"):
            nests = (
                b"\x81" * many,
                b"\xa1\x00" * many,
                b"\x9f" * many,
                b"\xd8\x1c" * many,
                b"\xc4\x82\x1a" + b"\xff" * 4 + b"\x01",
            )
            return self._random.choice((*nests, cbor2.dumps([{0: f"x{i}"} for i in range(many // 10)])))
        records = (
            b'{"n":"level","u":"m","v":1,"t":%d}',
            b'{"bn":"p/"%.0d}',
            b'{"n":"x%d"}',
            b"%d",
            b'{"v":"%d"}',
            b'{"n_":%d}',
        )
        record = self._random.choice(records)
        pack = b"[" + b",".join([record % i for i in range(many // 10)]) + b"]"
        return self._random.choice(
            (b"[" * many, b'{"a":' * many, b'[{"n":' * many, b"1" * many, b'["' + b"\\u00" * many, pack)
        )


def run(payloads: int, seed: int, folder: Path) -> Report:
    """Feed so many, and look at each."""
    sites = load_sites(SITES)
    decoder, checks, mutator = Decoder(sites), Checks(sites), Mutator(seed)
    store = SqliteStore(folder / "readings.db")
    choose = random.Random(seed + 1)
    report, begin, plain_s = Report(), time.perf_counter(), _plain_pack_s()
    readings: list[Reading] = []
    rejects: list[Reject] = []
    for number in range(payloads):
        if number == min(payloads // 10, 50_000):
            report.rss_start_mb = _rss_mb()
        topic, payload = mutator.next()
        now_ms = NOW_MS + number
        since = time.thread_time()
        try:
            decoded = decoder.decode(topic, payload, now_ms)
            flagged = checks.flag(decoded.readings, now_ms)
        except Exception as error:
            _fault(report, f"{type(error).__name__}: {error}", topic, payload)
            continue
        took = time.thread_time() - since
        if took > MOST_TIMES * plain_s:
            took = min(took, _least_s(lambda: Decoder(sites).decode(topic, payload, now_ms)))  # noqa: B023  called at once
        report.slowest_ms = max(report.slowest_ms, took * 1000)
        report.slowest_times = max(report.slowest_times, took / plain_s)
        report.payloads += 1
        report.readings += len(flagged)
        report.rejects += len(decoded.rejects)
        if took > MOST_TIMES * plain_s:
            _fault(report, f"took {took / plain_s:.0f} times a plain pack", topic, payload)
        _account(report, decoded, topic, payload)
        if choose.random() < _STORED_SHARE:
            readings += flagged
            rejects += decoded.rejects
        if len(readings) + len(rejects) >= _BATCH:
            _store(report, store, readings, rejects)
            readings, rejects = [], []
    report.seconds, report.rss_end_mb = round(time.perf_counter() - begin, 1), _rss_mb()
    report.slowest_ms, report.slowest_times = round(report.slowest_ms, 1), round(report.slowest_times, 1)
    store.close()
    return report


def _plain_pack_s() -> float:
    """What the standard library takes to read a pack as large as the largest here."""
    plain = json.dumps([{"n": "level", "u": "m", "v": 1.31, "t": -number} for number in range(5_500)])
    return _least_s(lambda: json.loads(plain))


def _least_s(work: Callable[[], object]) -> float:
    """The least of some tries, by the thread's own clock."""
    took = []
    for _ in range(_TRIES):
        since = time.thread_time()
        work()
        took.append(time.thread_time() - since)
    return min(took)


def _account(report: Report, decoded: Decoded, topic: str, payload: bytes) -> None:
    if not decoded.readings and not decoded.rejects:
        report.base_only += 1
        if not _says_nothing(topic, payload):
            _fault(report, "it vanished", topic, payload)
    for reject in decoded.rejects:
        if not reject.reason or len(reject.reason) > 1_500:
            _fault(report, f"a reason of {len(reject.reason)} characters", topic, payload)


def _says_nothing(topic: str, payload: bytes) -> bool:
    """Whether it is a pack without a record that has a name, a time or a value, by other decoders than ours."""
    try:
        pack = cbor2.loads(payload) if topic.endswith("cbor") else json.loads(payload)
    except (ValueError, cbor2.CBORError):
        return False
    said = {"n", "v", "vs", "vb", "s", "t", "vd"} | ({0, 2, 3, 4, 5, 6, 8} if topic.endswith("cbor") else set())
    return isinstance(pack, list) and all(isinstance(record, dict) and not _says(record, said) for record in pack)


def _says(record: dict[Any, Any], said: set[Any]) -> bool:
    """Whether a field is there that says something; false and 3.0 are no labels, though they equal 0 and 3."""
    return any(type(key) in (int, str) and key in said and value not in (None, "") for key, value in record.items())


def _store(report: Report, store: SqliteStore, readings: list[Reading], rejects: list[Reject]) -> None:
    result = store.write(readings, rejects)
    report.stored += result.accepted
    if result.accepted != len(readings):
        report.faults.append(f"the store took {result.accepted} of {len(readings)}: {result.rejected[:2]}")


def _fault(report: Report, what: str, topic: str, payload: bytes) -> None:
    shown = payload[:200].hex() + ("…" if len(payload) > 200 else "")
    report.faults.append(f"{what}: {topic!r} {len(payload)} bytes {shown}")


def _rss_mb() -> float:
    return round(psutil.Process().memory_info().rss / 1e6, 1)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--payloads", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        report = run(options.payloads, options.seed, Path(folder))
    told = asdict(report)
    if options.json:
        print(json.dumps(told, indent=2))
    else:
        faults = told.pop("faults")
        print("  ".join(f"{name} {value}" for name, value in told.items()), f" faults {len(faults)}")
        print("\n".join(faults[:_MOST_SHOWN]))
    return 1 if report.faults else 0


if __name__ == "__main__":
    sys.exit(main())
