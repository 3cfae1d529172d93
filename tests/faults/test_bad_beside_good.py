"""Over the real brokers: each bad thing becomes a row that says why, and the good beside it is stored."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import cbor2

from ingest.reading import flag_words
from tests.faults.rig import Collecting

GOOD = "ullage/skerrow-head/post-1/senml"
CBOR = "ullage/skerrow-head/post-1/senml-cbor"


def test_each_bad_thing_says_why(any_broker: Any, connect_device: Any, tmp_path: Path) -> None:
    with Collecting(tmp_path / "data", "--broker", any_broker.collector_url) as process:
        _check(process, connect_device(any_broker))


def _check(process: Collecting, device: Any) -> None:
    process.until_collecting()
    now = int(time.time())
    in_2100 = 4_102_444_800

    def good(second: int) -> dict[str, Any]:
        return {"n": "level", "u": "m", "v": 1.0, "t": now - 1000 + second}

    device.deliver(GOOD, json.dumps([good(1), {"n": "level", "u": "m", "v": 1.1, "t": in_2100}, good(2)]))
    device.deliver(GOOD, b"\xff\x00 not a pack")
    device.deliver("ullage/no-such-site/post-1/senml", json.dumps([good(3)]))
    device.deliver(GOOD, json.dumps([good(4), {**good(5), "v": 3.5}, good(6)]))
    device.deliver(
        CBOR, cbor2.dumps([{0: "level", 1: "m", 2: float("nan")}, {0: "level", 1: "m", 2: 1.0, 6: now - 993}])
    )
    process.until(lambda: process.stored() >= 7 and process.store.counts()["rejects"] == 3, "rows")
    process.until(lambda: len(process.readings()) == 7, "rows")

    readings = process.readings()
    assert [reading.time_ms // 1000 - now + 1000 for reading in readings if reading.usable] == [1, 2, 4, 6, 7]
    suspect = {reading.value: flag_words(reading.flags) for reading in readings if not reading.usable}
    assert suspect == {1.1: ["dated in the future"], 3.5: ["outside the range that is possible here"]}
    reasons = {reject.topic: reject.reason for reject in process.store.rejects()}
    assert "no site is called 'no-such-site'" in reasons["ullage/no-such-site/post-1/senml"]
    assert reasons[GOOD].startswith("not JSON")
    assert "record 1: post-1/level: NaN or infinity is no value" in reasons[CBOR]
    assert process.store.latest("skerrow-head", (now + 60) * 1000)["post-1/level"].value == 1.0
    assert process.finish() == 0
