"""SenML packs, JSON and CBOR: what RFC 8428 says, and what becomes of what it forbids."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import cbor2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.payload import Decoder
from ingest.reading import GOOD, TIME_OF_ARRIVAL, Reading
from ingest.site import Sensor, Site

NOW = 1_772_366_400_000  # 2026-03-01T12:00:00Z
T = NOW // 1000 - 60
TOPIC = "ullage/skerrow-head/post-1/senml"
LABELS = {
    "bver": -1, "bn": -2, "bt": -3, "bu": -4, "bv": -5, "bs": -6,
    "n": 0, "u": 1, "v": 2, "vs": 3, "vb": 4, "s": 5, "t": 6, "ut": 7, "vd": 8,
}  # fmt: skip
Send = Callable[[Any], tuple[list[Reading], list[str]]]


@pytest.fixture
def decoder(skerrow_head: Site, tarn_orchard: Site) -> Decoder:
    # A share, to try true and false on.
    share = Sensor(device="post-1", name="open", measures="backup.open")
    skerrow = skerrow_head.model_copy(update={"sensor": [*skerrow_head.sensor, share]})
    return Decoder({site.id: site for site in (skerrow, tarn_orchard)})


@pytest.fixture(params=["json", "cbor"])
def send(request: pytest.FixtureRequest, decoder: Decoder) -> Send:
    """Decode a pack sent in either format."""

    def as_json(pack: Any) -> tuple[list[Reading], list[str]]:
        decoded = decoder.decode(TOPIC, json.dumps(pack).encode(), NOW)
        return decoded.readings, [reject.reason for reject in decoded.rejects]

    def as_cbor(pack: Any) -> tuple[list[Reading], list[str]]:
        if isinstance(pack, list):
            pack = [
                {LABELS.get(key, key): value for key, value in record.items()} if isinstance(record, dict) else record
                for record in pack
            ]
        decoded = decoder.decode(TOPIC + "-cbor", cbor2.dumps(pack), NOW)
        return decoded.readings, [reject.reason for reject in decoded.rejects]

    return as_json if request.param == "json" else as_cbor


def test_base_fields_hold_until_the_next(send: Send) -> None:
    readings, rejects = send(
        [
            {"bn": "urn:dev:ow:10e2073a0108006:", "bt": T, "bu": "m", "n": "level", "v": 1.25},
            {"n": "level", "t": -300, "v": 1.3},
            {"bn": "post-1/", "n": "battery", "u": "V", "v": 12.6},
            {"n": "level", "t": 10, "v": 1.2},
        ]
    )
    assert rejects == []
    assert readings == [
        Reading("skerrow-head", T * 1000, "post-1/level", 1.25),
        Reading("skerrow-head", (T - 300) * 1000, "post-1/level", 1.3),
        Reading("skerrow-head", T * 1000, "post-1/battery", 12.6),
        Reading("skerrow-head", (T + 10) * 1000, "post-1/level", 1.2),
    ]


def test_a_record_of_base_fields_alone_is_no_reading(send: Send) -> None:
    readings, rejects = send([{"bn": "level", "bt": T, "bu": "mm"}, {"v": 1250}])
    assert (readings, rejects) == ([Reading("skerrow-head", T * 1000, "post-1/level", 1.25)], [])


@pytest.mark.parametrize(
    ("sent", "expected_ms"),
    [({}, NOW), ({"t": 0}, NOW), ({"t": -90}, NOW - 90_000), ({"bt": -10.5, "t": 0.25}, NOW - 10_250)],
)
def test_small_times_are_relative_to_now_and_say_so(send: Send, sent: dict[str, float], expected_ms: int) -> None:
    readings, _ = send([{"n": "level", "u": "m", "v": 1.0, **sent}])
    assert readings == [Reading("skerrow-head", expected_ms, "post-1/level", 1.0, TIME_OF_ARRIVAL)]


def test_the_border_between_relative_and_absolute(send: Send) -> None:
    """RFC 8428 section 4.5.3: below 2**28 s relative, from there on absolute."""
    readings, _ = send([{"n": "level", "u": "m", "v": 1.0, "t": 2**28}, {"n": "level", "u": "m", "v": 1.0}])
    assert [reading.time_ms for reading in readings] == [2**28 * 1000, NOW]
    assert readings[0].flags == GOOD


@pytest.mark.parametrize("t", [T * 1000, 1e300, -1e12, -1e300, -1e308])
def test_milliseconds_and_other_times_that_are_none(send: Send, t: float) -> None:
    readings, rejects = send([{"n": "level", "u": "m", "v": 1.0, "t": t}])
    assert readings == []
    assert "send seconds since 1970 (not milliseconds)" in rejects[0]


def test_base_value_and_units(send: Send) -> None:
    readings, _ = send(
        [
            {"bt": T, "bv": 10.0, "n": "battery", "u": "V", "v": 2.5},
            {"bv": 0, "n": "taps-total", "u": "m3", "v": 1.5},
            {"n": "irrigation-flow", "u": "l/s", "v": 0.25},
            {"n": "rain-total", "u": "mm", "v": 7},
            {"n": "open", "u": "%", "v": 50},
            {"n": "open", "vb": True},
            {"n": "open", "vb": False},
        ]
    )
    assert [reading.value for reading in readings] == [12.5, 1500.0, 900.0, 7.0, 0.5, 1.0, 0.0]


def test_a_sum_is_a_running_total_in_unit_seconds(send: Send) -> None:
    """RFC 8428 section 4.3: the sum is in the unit times seconds: m3/s summed is m3."""
    readings, rejects = send(
        [
            {"bt": T, "bs": 1.0, "n": "taps-total", "u": "m3/s", "s": 0.5},
            {"n": "level", "u": "m", "s": 3.0},
            {"n": "taps-total", "u": "m3", "s": 3.0},
        ]
    )
    assert [reading.value for reading in readings] == [1500.0]
    assert "a sum (s) alone" in rejects[0]
    assert "sum (s) of 'm3': send one of m3/s, l/s" in rejects[1]


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        ({"n": "level", "u": "m"}, "no value"),
        ({"n": "level", "u": "m", "vs": "full"}, "text or data"),
        ({"n": "level", "u": "m", "vd": "AQI"}, "text or data"),
        ({"n": "level", "u": "m", "vb": True}, "true or false"),
        ({"n": "level", "v": 1.0}, "no unit: send u or bu, one of m, cm, mm"),
        ({"n": "level", "u": "ft", "v": 1.0}, "multiply by 0.3048"),
        ({"n": "irrigation-flow", "u": "l/min", "v": 1.0}, "divide by 60"),
        ({"n": "level", "u": "V", "v": 1.0}, "does not fit this quantity"),
        ({"n": "depth", "u": "m", "v": 1.0}, "'depth' is no sensor of device 'post-1': send one of battery"),
        ({"n": "level", "u": "m", "v": "1.0"}, "not a SenML record"),
        ({"n": "level", "u": "m", "v": True}, "not a SenML record"),
        ({"n": 5, "u": "m", "v": 1.0}, "not a SenML record"),
        ("level", "not a SenML record"),
        (None, "not a SenML record"),
    ],
)
def test_a_bad_record_leaves_its_neighbours_alone(send: Send, bad: Any, words: str) -> None:
    good = {"n": "level", "u": "m", "v": 1.0, "t": T}
    readings, rejects = send([good, bad, {**good, "t": T + 1}])
    assert [reading.time_ms for reading in readings] == [T * 1000, (T + 1) * 1000]
    assert len(rejects) == 1
    assert rejects[0].startswith("record 2: ")
    assert words in rejects[0]


def test_base_fields_of_a_bad_record_still_hold(send: Send) -> None:
    readings, rejects = send([{"bn": "post-1/", "bt": T, "bu": "m", "n": "level", "v": "x"}, {"n": "level", "v": 1.0}])
    assert readings == [Reading("skerrow-head", T * 1000, "post-1/level", 1.0)]
    assert len(rejects) == 1


def test_records_after_unreadable_base_fields_are_not_guessed(send: Send) -> None:
    good = {"n": "level", "u": "m", "v": 1.0, "t": T}
    readings, rejects = send([good, {"bn": 7}, good])
    assert len(readings) == 1
    assert "need its base fields" in rejects[0]


def test_a_field_that_must_be_understood_refuses_the_pack(send: Send) -> None:
    """RFC 8428 section 12.3.1: an unknown label that ends with `_` is an error; others are ignored."""
    good = {"n": "level", "u": "m", "v": 1.0, "t": T, "colour": "blue", "ut": 60}
    assert len(send([good])[0]) == 1
    readings, rejects = send([good, {**good, "scale_": 2}])
    assert readings == []
    assert "record 2 has the field 'scale_', which must be understood" in rejects[0]


def test_an_escaped_label_does_not_slip_through(decoder: Decoder) -> None:
    pack = rb'[{"n":"level","u":"m","v":1.0,"scale\u005f":2}]'
    assert decoder.decode(TOPIC, pack, NOW).readings == []


def test_a_later_version_is_refused(send: Send) -> None:
    readings, rejects = send([{"bver": 11, "n": "level", "u": "m", "v": 1.0}, {"n": "level", "u": "m", "v": 1.0}])
    assert readings == []
    assert rejects == ["records 1, 2: SenML version 11: send version 10"]
    assert len(send([{"bver": 10, "n": "level", "u": "m", "v": 1.0}])[0]) == 1


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, Decimal("NaN"), 10**400])
def test_cbor_values_that_are_none(decoder: Decoder, value: Any) -> None:
    pack = [{0: "level", 1: "m", 2: value, 6: T}, {0: "level", 1: "m", 2: Decimal("1.25"), 6: T}]
    decoded = decoder.decode(TOPIC + "-cbor", cbor2.dumps(pack), NOW)
    assert [reading.value for reading in decoded.readings] == [1.25]
    assert decoded.rejects[0].reason.startswith("record 1: ")


@pytest.mark.parametrize("literal", [b"NaN", b"1e999", b"Infinity", b"9" * 400])
def test_json_values_that_are_none(decoder: Decoder, literal: bytes) -> None:
    decoded = decoder.decode(TOPIC, b'[{"n":"level","u":"m","v":' + literal + b"}]", NOW)
    assert decoded.readings == []
    assert len(decoded.rejects) == 1


@pytest.mark.parametrize("payload", [b"", b"hello", b"{}", b'"x"', b"\xff\xfe", b"[" * 100_000, b'[{"n":"\xff"}]'])
@pytest.mark.parametrize("kind", ["", "-cbor"])
def test_what_is_no_pack_is_kept_whole_with_the_reason(decoder: Decoder, payload: bytes, kind: str) -> None:
    decoded = decoder.decode(TOPIC + kind, payload, NOW)
    assert decoded.readings == []
    (reject,) = decoded.rejects
    assert (reject.time_ms, reject.topic, reject.payload) == (NOW, TOPIC + kind, payload)
    assert "send" in reject.reason


def test_what_is_hidden_behind_a_pack_is_not_passed_over(decoder: Decoder) -> None:
    pack = cbor2.dumps([{0: "level", 1: "m", 2: 1.0}])
    decoded = decoder.decode(TOPIC + "-cbor", pack + pack, NOW)
    assert decoded.readings == []
    assert decoded.rejects[0].reason == f"{len(pack)} bytes after the end of the pack: send one pack a message"


def test_text_that_is_none_in_an_unknown_field_is_seen(decoder: Decoder) -> None:
    decoded = decoder.decode(TOPIC, b'[{"bn":"post-1/","b\xff":1}]', NOW)
    assert decoded.rejects[0].reason.startswith("not JSON ('utf-8' codec")


@given(payload=st.binary(max_size=64))
@settings(max_examples=300, deadline=None)
def test_no_bytes_raise(payload: bytes) -> None:
    decoder = Decoder({})
    decoder.decode(TOPIC, payload, NOW)
    decoder.decode(TOPIC + "-cbor", payload, NOW)


_json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from([*LABELS, "x_", "y"]), inner),
    max_leaves=8,
)


@given(pack=st.lists(st.dictionaries(st.sampled_from([*LABELS, "y"]), _json, max_size=6), max_size=4))
@settings(max_examples=300, deadline=None)
def test_no_pack_raises_and_no_reading_is_nan(pack: list[dict[str, Any]], skerrow_head: Site) -> None:
    decoder = Decoder({skerrow_head.id: skerrow_head})
    records: list[dict[Any, Any]] = [{"n": "level", "u": "m", **record} for record in pack]
    as_cbor = [{LABELS.get(label, label): value for label, value in record.items()} for record in records]
    for decoded in (
        decoder.decode(TOPIC, json.dumps(records).encode(), NOW),
        decoder.decode(TOPIC + "-cbor", cbor2.dumps(as_cbor), NOW),
    ):
        assert all(math.isfinite(reading.value) and reading.time_ms >= 0 for reading in decoded.readings)
