"""From readings to the messages that devices send: SenML packs, or the plain JSON of other devices."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final, NamedTuple

from ingest.instants import SECOND_MS
from ingest.pointer import parse
from ingest.reading import Reading
from ingest.site import Sensor, Site
from ingest.units import scale_for

#: Unit kept inside → the unit that our devices send; others send the one kept inside.
_SENT: Final = {"L": "m3", "L/h": "m3/s", "1": "/"}


class Message(NamedTuple):
    """One message to publish: by which device, where to, what, and how many readings it holds."""

    device: str
    topic: str
    payload: bytes
    readings: int


def senml_messages(site: Site, prefix: str, readings: Iterable[Reading], records: int) -> Iterator[Message]:
    """SenML JSON packs (RFC 8428) of at most `records` records, by device, each in order of time."""
    sensors = {sensor.id: sensor for sensor in site.sensor if sensor.topic is None}
    by_device: defaultdict[str, list[Reading]] = defaultdict(list)
    for reading in readings:
        if reading.sensor in sensors:
            by_device[sensors[reading.sensor].device].append(reading)
    for device, said in by_device.items():
        for first in range(0, len(said), records):
            part = said[first : first + records]
            topic = f"{prefix}/{site.id}/{device}/senml"
            yield Message(device, topic, senml_pack(device, part, sensors), len(part))


def senml_pack(device: str, readings: Sequence[Reading], sensors: Mapping[str, Sensor]) -> bytes:
    """One pack: base name `DEVICE/`, base time the first reading's, absolute."""
    base_ms = readings[0].time_ms
    records = [_record(reading, sensors[reading.sensor], base_ms) for reading in readings]
    records[0] = {"bn": f"{device}/", "bt": _seconds(base_ms), **records[0]}
    return json.dumps(records, separators=(",", ":")).encode()


def plain_messages(site: Site, readings: Iterable[Reading]) -> list[Message]:
    """The newest value of every sensor that has a topic of its own, one JSON document a topic.

    Such a document carries no time, so a device of this kind can only tell the present.
    """
    newest = {reading.sensor: reading for reading in readings}
    documents: dict[tuple[str, str], dict[str, Any]] = {}
    bare: list[Message] = []
    counts: defaultdict[tuple[str, str], int] = defaultdict(int)
    for sensor in site.sensor:
        if sensor.topic is None or sensor.pointer is None or sensor.id not in newest:
            continue
        value = _sent(newest[sensor.id].value, sensor, str(sensor.unit))
        key = (sensor.device, sensor.topic)
        if not sensor.pointer:  # the whole document is the number
            bare.append(Message(*key, json.dumps(value).encode(), 1))
            continue
        counts[key] += 1
        *outer, last = parse(sensor.pointer)
        here = documents.setdefault(key, {})
        for step in outer:
            here = here.setdefault(step, {})
        here[last] = value
    return bare + [Message(*key, json.dumps(document).encode(), counts[key]) for key, document in documents.items()]


def _record(reading: Reading, sensor: Sensor, base_ms: int) -> dict[str, Any]:
    unit = _SENT.get(sensor.quantity.unit, sensor.quantity.unit)
    record = {"n": sensor.name, "u": unit, "v": _sent(reading.value, sensor, unit)}
    if reading.time_ms != base_ms:
        record["t"] = _seconds(reading.time_ms - base_ms)
    return record


def _sent(value: float, sensor: Sensor, unit: str) -> float:
    """A value in the unit that is sent, to ten digits: more than any device has."""
    scale = scale_for(sensor.quantity.unit, unit)
    return float(f"{(value - scale.offset) / scale.factor:.10g}")


def _seconds(time_ms: int) -> float:
    return time_ms // SECOND_MS if time_ms % SECOND_MS == 0 else time_ms / SECOND_MS
