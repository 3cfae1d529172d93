"""Messages as devices make them, held against RFC 8428 and against our own reading of them."""

from __future__ import annotations

import json

import pytest

from ingest.instants import from_rfc3339
from ingest.reading import Reading
from ingest.senml import channel_of, decode_json, resolve
from ingest.site import Sensor, Site
from simulator.packs import plain_messages, senml_messages, senml_pack

START_MS = from_rfc3339("2026-06-28T00:05:00Z")


def test_a_pack_word_for_word(skerrow_head: Site) -> None:
    """Labels bn, bt, n, u, v, t and units m, V, m3, m3/s: RFC 8428; mm: RFC 8798 (both memory)."""
    sensors = {sensor.id: sensor for sensor in skerrow_head.sensor}
    readings = [
        Reading("skerrow-head", START_MS, "post-1/level", 1.234),
        Reading("skerrow-head", START_MS, "post-1/taps-total", 1234567.8),
        Reading("skerrow-head", START_MS + 300_000, "post-1/irrigation-flow", 840.0),
        Reading("skerrow-head", START_MS + 300_500, "post-1/battery", 12.65),
        Reading("skerrow-head", START_MS + 600_000, "post-1/rain-total", 44.800000000000004),
    ]
    assert json.loads(senml_pack("post-1", readings, sensors)) == [
        {"bn": "post-1/", "bt": START_MS // 1000, "n": "level", "u": "m", "v": 1.234},
        {"n": "taps-total", "u": "m3", "v": 1234.5678},
        {"n": "irrigation-flow", "u": "m3/s", "v": 0.0002333333333, "t": 300},
        {"n": "battery", "u": "V", "v": 12.65, "t": 300.5},
        {"n": "rain-total", "u": "mm", "v": 44.8, "t": 600},
    ]


@pytest.mark.parametrize(
    ("measures", "unit"),
    [("air.temperature", "Cel"), ("backup.open", "/"), ("rain.rate", "mm/h"), ("battery.current", "A")],
)
def test_units_of_other_quantities(measures: str, unit: str) -> None:
    sensor = Sensor(device="d", name="n", measures=measures)
    [record] = json.loads(senml_pack("d", [Reading("s", START_MS, "d/n", 0.5)], {"d/n": sensor}))
    assert (record["u"], record["v"]) == (unit, 0.5)


def test_the_collector_reads_what_was_measured(skerrow_head: Site) -> None:
    said = [
        Reading("skerrow-head", START_MS + i * 1000 + i, sensor.id, 0.1 * (i + 1))
        for i, sensor in enumerate(skerrow_head.sensor)
    ]
    [message] = senml_messages(skerrow_head, "ullage", said, 50)
    channels = {sensor.name: channel_of(sensor) for sensor in skerrow_head.sensor}
    readings, faults = resolve(decode_json(message.payload), channels, "skerrow-head", "post-1", START_MS)
    assert faults == []
    assert [(r.time_ms, r.sensor) for r in readings] == [(r.time_ms, r.sensor) for r in said]
    assert [r.value for r in readings] == pytest.approx([r.value for r in said], rel=1e-9)


def test_packs_are_cut_to_size_and_parted_by_device(tarn_orchard: Site) -> None:
    said = [
        Reading("tarn-orchard", START_MS + i, sensor, 0.5)
        for i in range(25)
        for sensor in ("upper-post/level", "lower-post/level", "lower-post/trees-flow")
    ]
    messages = list(senml_messages(tarn_orchard, "up/one", said, 10))
    assert [(m.topic, m.readings) for m in messages] == [
        (f"up/one/tarn-orchard/{device}/senml", count)
        for device in ("upper-post", "lower-post")
        for count in (10, 10, 5)
    ]
    assert {record["n"] for m in messages for record in json.loads(m.payload)} == {"level"}


def test_a_device_of_another_make_tells_its_newest_value_in_its_own_words(tarn_orchard: Site) -> None:
    said = [
        Reading("tarn-orchard", START_MS + i, "lower-post/trees-flow", flow) for i, flow in enumerate((36.0, 360.0))
    ]
    [message] = plain_messages(tarn_orchard, said)
    assert message.device == "lower-post"
    assert message.topic == "orchard/lower-post/state"
    assert json.loads(message.payload) == {"flow": {"litres_per_second": 0.1}}
    assert plain_messages(tarn_orchard, said[:0]) == []


def test_pointers_of_one_topic_share_a_document_and_an_empty_one_is_the_number(tarn_orchard: Site) -> None:
    """Escapes ~0 and ~1, and the empty pointer for the whole document: RFC 6901 sections 3 to 5 (memory)."""
    sensors = [
        Sensor(device="d", name=name, measures=what, topic=topic, pointer=pointer, unit=unit)
        for name, what, topic, pointer, unit in (
            ("a", "tank.upper.level", "t", "/water/level~1cm", "cm"),
            ("b", "draw.tree-taps.flow", "t", "/water/fl~0ow", "l/s"),
            ("c", "rain.total", "rain", "", "mm"),
        )
    ]
    site = tarn_orchard.model_copy(update={"sensor": sensors})
    said = [Reading("s", START_MS, f"d/{name}", value) for name, value in (("a", 0.5), ("b", 36.0), ("c", 4.2))]
    documents = {m.topic: (json.loads(m.payload), m.readings) for m in plain_messages(site, said)}
    assert documents == {"t": ({"water": {"level/cm": 50.0, "fl~ow": 0.01}}, 2), "rain": (4.2, 1)}
