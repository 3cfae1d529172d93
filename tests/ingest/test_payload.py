"""Topics to routes: SenML, status, and devices with a topic of their own."""

from __future__ import annotations

import json

import pytest

from ingest.payload import Decoder, is_nobodys
from ingest.reading import TIME_OF_ARRIVAL, Reading
from ingest.site import Site

NOW = 1_772_366_400_000
OWN = "orchard/lower-post/state"


@pytest.fixture
def decoder(skerrow_head: Site, tarn_orchard: Site) -> Decoder:
    return Decoder({site.id: site for site in (skerrow_head, tarn_orchard)})


def reasons(decoder: Decoder, topic: str, payload: bytes) -> list[str]:
    decoded = decoder.decode(topic, payload, NOW)
    assert decoded.readings == []
    return [reject.reason for reject in decoded.rejects]


def test_the_filters_cover_our_topics_and_the_devices_own(decoder: Decoder) -> None:
    assert decoder.filters == ["ullage/#", OWN]


@pytest.mark.parametrize(
    "topic",
    [
        "ullage",
        "ullage/post-1",
        "ullage/skerrow-head/post-1",
        "ullage/skerrow-head/post-1/semnl",
        "ullage/skerrow-head/post-1/senml/level",
        "ullage/skerrow-head/alarm",
        "ullage/skerrow-head/alarm/x/y",
        "ullages/skerrow-head/alarm/x",
    ],
)
def test_a_topic_with_a_slip_in_it_leaves_a_trace(decoder: Decoder, topic: str) -> None:
    (reject,) = decoder.decode(topic, b"[]", NOW).rejects
    assert "names this topic: send to ullage/SITE/DEVICE/senml, or name it in the site file" in reject.reason
    assert "one of senml, senml-cbor, status" in reject.reason
    assert is_nobodys(reject) == ("skerrow" not in topic or "ullages" in topic)


def test_the_state_of_alarms_is_no_reading_and_no_mistake(decoder: Decoder) -> None:
    assert decoder.decode("ullage/skerrow-head/alarm/tank-low:main", b'{"state": "normal"}', NOW) == ([], [])


@pytest.mark.parametrize("topic", ["water/tarn-orchard/x", "water/x", "water"])
def test_a_topic_of_its_own_under_the_prefix_is_not_subscribed_twice(tarn_orchard: Site, topic: str) -> None:
    sensor = tarn_orchard.sensor[-1].model_copy(update={"topic": topic})
    decoder = Decoder({tarn_orchard.id: tarn_orchard.model_copy(update={"sensor": [sensor]})}, prefix="water")
    assert topic not in decoder.filters
    assert decoder.decode(topic, b'{"flow": {"litres_per_second": 1}}', NOW).readings


def test_a_topic_that_a_filter_covers_is_not_subscribed_twice(tarn_orchard: Site) -> None:
    sensor = tarn_orchard.sensor[-1].model_copy(update={"topic": "water/tarn-orchard/x/senml"})
    site = tarn_orchard.model_copy(update={"sensor": [sensor]})
    decoder = Decoder({site.id: site}, prefix="water/")
    assert decoder.filters == ["water/#"]
    decoded = decoder.decode("water/tarn-orchard/x/senml", b'{"flow": {"litres_per_second": 1}}', NOW)
    assert decoded.readings[0].value == 3600.0


@pytest.mark.parametrize(("payload", "value"), [(b"online", 1.0), (b"offline", 0.0)])
def test_a_status_is_a_reading_of_its_own(decoder: Decoder, payload: bytes, value: float) -> None:
    decoded = decoder.decode("ullage/skerrow-head/post-1/status", payload, NOW)
    assert decoded.readings == [Reading("skerrow-head", NOW, "post-1/status", value, TIME_OF_ARRIVAL)]
    assert reasons(decoder, "ullage/skerrow-head/post-1/status", b"ONLINE") == ["not a status: send online or offline"]


def test_a_number_by_pointer(decoder: Decoder) -> None:
    decoded = decoder.decode(OWN, json.dumps({"flow": {"litres_per_second": 0.1}}).encode(), NOW)
    (reading,) = decoded.readings
    assert reading == Reading("tarn-orchard", NOW, "lower-post/trees-flow", 360.0, TIME_OF_ARRIVAL)


@pytest.mark.parametrize(
    ("document", "words"),
    [
        (b"{}", "lower-post/trees-flow: nothing at '/flow'"),
        (b'{"flow": {"litres_per_second": null}}', "null at '/flow/litres_per_second'"),
        (b'{"flow": {"litres_per_second": "3"}}', "str at"),
        (b"flow=3", "not JSON"),
    ],
)
def test_a_pointer_that_finds_no_number(decoder: Decoder, document: bytes, words: str) -> None:
    (reason,) = reasons(decoder, OWN, document)
    assert words in reason


def test_one_sensor_without_a_number_leaves_the_other(tarn_orchard: Site) -> None:
    other = tarn_orchard.sensor[-1].model_copy(update={"name": "other", "pointer": "/other"})
    site = tarn_orchard.model_copy(update={"sensor": [tarn_orchard.sensor[-1], other]})
    decoded = Decoder({site.id: site}).decode(OWN, b'{"flow": {"litres_per_second": 1}}', NOW)
    assert [reading.sensor for reading in decoded.readings] == ["lower-post/trees-flow"]
    assert [reject.reason.partition(":")[0] for reject in decoded.rejects] == ["lower-post/other"]


@pytest.mark.parametrize(
    ("topic", "words"),
    [
        (
            "ullage/skerow-head/post-1/senml",
            "no site is called 'skerow-head': the site files describe skerrow-head, tarn",
        ),
        ("ullage/skerrow-head/post-9/senml", "device 'post-9' is unknown at skerrow-head: its site file names post-1"),
        ("ullage/skerrow-head/post-9/status", "device 'post-9' is unknown"),
        ("ullage/skerrow-head/senml", "send to ullage/SITE/DEVICE/senml"),
        ("else/where", "send to ullage/SITE/DEVICE/senml"),
    ],
)
def test_an_unknown_topic_says_what_is_known(decoder: Decoder, topic: str, words: str) -> None:
    (reason,) = reasons(decoder, topic, b"[]")
    assert words in reason


def test_two_arrivals_of_one_millisecond_are_two_readings(decoder: Decoder) -> None:
    pack = b'[{"n":"level","u":"m","v":1.0}]'
    topic = "ullage/skerrow-head/post-1/senml"
    times = [decoder.decode(topic, pack, NOW).readings[0].time_ms for _ in range(3)]
    assert times == [NOW, NOW + 1, NOW + 2]


def test_arrivals_follow_a_clock_that_was_set_back_by_more_than_clocks_differ(decoder: Decoder) -> None:
    topic, payload = "ullage/skerrow-head/post-1/senml", b'[{"n":"level","u":"m","v":1.0}]'
    moments = (NOW, NOW + 3_600_000, NOW + 3_540_000, NOW + 1000, NOW + 1000)
    arrivals = [decoder.decode(topic, payload, moment).readings[0].time_ms for moment in moments]
    assert arrivals == [NOW, NOW + 3_600_000, NOW + 3_600_001, NOW + 1000, NOW + 1001]


def test_a_thousand_faults_become_few_rejects(decoder: Decoder) -> None:
    topic = "ullage/skerrow-head/post-1/senml"
    same = json.dumps([{"n": "depth", "u": "m", "v": 1}] * 1000).encode()
    (reason,) = reasons(decoder, topic, same)
    assert reason.startswith("records 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, …: name 'depth'")
    different = json.dumps([{"n": f"depth-{i}", "u": "m", "v": 1} for i in range(1000)]).encode()
    found = reasons(decoder, topic, different)
    assert len(found) == 20
    assert found[-1] == "981 more faults of this message"
