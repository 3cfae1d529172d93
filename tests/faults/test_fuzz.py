"""The short form of the fuzzing, and proof that it sees what it looks for."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import pytest

from ingest.payload import Decoded, Decoder
from tests.faults import fuzz


def test_no_payload_crashes_vanishes_or_takes_long(tmp_path: Path) -> None:
    report = fuzz.run(20_000, 1, tmp_path)
    assert report.faults == []
    assert report.payloads == 20_000
    assert report.readings > 2_000
    assert report.rejects > 10_000
    assert report.base_only > 100
    assert report.stored > 100
    assert report.rss_end_mb - report.rss_start_mb < 30


@pytest.mark.parametrize("way", ["raises", "forgets", "mute"])
def test_it_sees_a_faulty_decoder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: str) -> None:
    decode = Decoder.decode

    def faulty(self: Decoder, topic: str, payload: bytes, now_ms: int) -> Decoded:
        decoded = decode(self, topic, payload, now_ms)
        if way == "raises" and decoded.rejects:
            raise ZeroDivisionError
        if way == "forgets":
            return decoded._replace(rejects=[])
        rejects: list[Any] = [reject._replace(reason="") for reject in decoded.rejects]
        return decoded._replace(rejects=rejects)

    monkeypatch.setattr(Decoder, "decode", faulty)
    assert len(fuzz.run(300, 1, tmp_path).faults) > 50


def test_it_sees_a_payload_that_costs_too_much(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    decode = Decoder.decode

    def dawdling(self: Decoder, topic: str, payload: bytes, now_ms: int) -> Decoded:
        if topic.endswith("/status"):
            for _ in range(20):
                json.dumps(list(range(10_000)))
        return decode(self, topic, payload, now_ms)

    monkeypatch.setattr(Decoder, "decode", dawdling)
    monkeypatch.setattr(fuzz, "MOST_TIMES", 2)
    report = fuzz.run(100, 1, tmp_path)
    assert any("times a plain pack" in fault for fault in report.faults)


def test_a_machine_that_pauses_is_no_payload_that_costs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    decode = Decoder.decode
    paused: list[str] = []

    def pausing(self: Decoder, topic: str, payload: bytes, now_ms: int) -> Decoded:
        if not paused:
            paused.append(topic)
            time.sleep(0.3)
            for _ in range(1_000):
                json.dumps(list(range(1_000)))
        return decode(self, topic, payload, now_ms)

    monkeypatch.setattr(Decoder, "decode", pausing)
    monkeypatch.setattr(fuzz, "MOST_TIMES", 10)
    assert fuzz.run(100, 1, tmp_path).faults == []
    assert paused
