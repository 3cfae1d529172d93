"""SenML (RFC 8428): a pack of records, in JSON or CBOR, to readings.

A fault of one record is a fault of that record: its neighbours are read. Only a pack that
cannot be taken apart, or that holds a field which must be understood and is not (a label
ending in `_`, section 12.3.1), is refused whole.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from io import BytesIO
from typing import Any, Final, NamedTuple

import msgspec

from ingest.errors import PayloadError
from ingest.instants import SECOND_MS
from ingest.reading import GOOD, TIME_OF_ARRIVAL, Reading
from ingest.site import Sensor
from ingest.units import SECONDS_PER_HOUR, SENT_UNITS, Scale, scale_for

#: Times below this many seconds are relative to now (section 4.5.3).
RELATIVE_BELOW_S: Final = 2**28
#: Start of the year 10000, the first that RFC 3339 cannot write. [s]
END_OF_TIME_S: Final = 253_402_300_800
_VERSION: Final = 10
#: A running total may be sent as a Sum: what was integrated, and the unit kept inside per hour.
_INTEGRATED: Final = {"L": "L/h", "mm": "mm/h"}


class Record(msgspec.Struct, gc=False):
    """One SenML record as sent. Labels of section 4.3."""

    n: str = ""
    u: str | None = None
    v: float | None = None
    t: float | None = None
    bn: str | None = None
    bt: float | None = None
    bu: str | None = None
    bv: float | None = None
    bs: float | None = None
    s: float | None = None
    vb: bool | None = None
    vs: Any = None
    vd: Any = None
    bver: int | None = None


class Fault(NamedTuple):
    """Why a record (counted from 1) became no reading, and what to do. Record 0: the whole message."""

    record: int
    reason: str


class _Base(msgspec.Struct):
    """The base fields of a record that is otherwise unreadable: its successors need them."""

    bn: str | None = None
    bt: float | None = None
    bu: str | None = None
    bv: float | None = None
    bs: float | None = None
    bver: int | None = None


class _InForce(msgspec.Struct):
    """The base fields that hold while a pack is read from front to back; as a pack begins."""

    bn: str = ""
    bt: float = 0.0
    bu: str = ""
    bv: float = 0.0
    bs: float = 0.0
    bver: int = _VERSION


class _Broken(NamedTuple):
    """A record that is no Record; base: its base fields, None if they cannot be read either."""

    reason: str
    base: _Base | None


class Channel(NamedTuple):
    """What the hot path needs to know about one sensor.

    scales  unit sent → how to bring it to the unit kept inside
    """

    sensor: Sensor
    sensor_id: str
    scales: Mapping[str, Scale]


Pack = list[Record] | list[Record | _Broken]

_CBOR_LABELS: Final = {
    -1: "bver", -2: "bn", -3: "bt", -4: "bu", -5: "bv", -6: "bs",
    0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb", 5: "s", 6: "t", 7: "ut", 8: "vd",
}  # fmt: skip

_records = msgspec.json.Decoder(list[Record])
_anything = msgspec.json.Decoder()
_UNREADABLE: Final = (msgspec.DecodeError, UnicodeDecodeError, RecursionError)


def channel_of(sensor: Sensor) -> Channel:
    """The precomputed side of a sensor of the site file."""
    return Channel(sensor, sensor.id, SENT_UNITS[sensor.quantity.unit])


def decode_json(payload: bytes) -> Pack:
    """Records of a SenML JSON pack. Raises PayloadError when it is none."""
    try:
        if not payload.isascii():
            payload.decode()  # the decoder passes over what stands in a field that it does not know
        # An escape may hide a label's last letter; both signs are rare, and the slow way is right.
        if b'_"' not in payload and b"\\" not in payload:
            return _records.decode(payload)
    except UnicodeDecodeError as error:
        raise PayloadError(f"not JSON ({_words(error)}): send a SenML pack, [{{...}}, ...], in UTF-8") from None
    except _UNREADABLE:
        pass
    try:
        pack = _anything.decode(payload)
    except _UNREADABLE as error:
        raise PayloadError(f"not JSON ({_words(error)}): send a SenML pack, [{{...}}, ...], in UTF-8") from None
    return _one_by_one(pack)


def decode_cbor(payload: bytes) -> Pack:
    """Records of a SenML CBOR pack, integer labels of section 6. Raises PayloadError when it is none."""
    import cbor2  # noqa: PLC0415 - the pages ask whose a topic is and read no CBOR

    stream = BytesIO(payload)
    try:
        pack = cbor2.load(stream)
    except (cbor2.CBORError, RecursionError, ValueError, OverflowError, MemoryError) as error:
        raise PayloadError(f"not CBOR ({_words(error)}): send a SenML pack with the labels of RFC 8428") from None
    if stream.tell() < len(payload):
        raise PayloadError(f"{len(payload) - stream.tell()} bytes after the end of the pack: send one pack a message")
    if isinstance(pack, list):
        pack = [_relabelled(entry) for entry in pack]
    return _one_by_one(pack)


def resolve(
    pack: Pack, channels: Mapping[str, Channel], site: str, device: str, arrival_ms: int
) -> tuple[list[Reading], list[Fault]]:
    """Readings of a pack, base fields and relative times resolved (section 4.6), and what was wrong.

    channels    by the part of the SenML name after the last `/` or `:`
    arrival_ms  now, to which relative times refer [UTC ms]
    """
    readings: list[Reading] = []
    faults: list[Fault] = []
    base = _InForce()
    for index, record in enumerate(pack, 1):
        try:
            if type(record) is Record:
                _adopt(base, record)
                if record.v is not None or not _only_base(record):
                    readings.append(_reading(base, record, channels, site, device, arrival_ms))
            elif isinstance(record, _Broken):
                faults.append(Fault(index, record.reason))
                if record.base is None:
                    faults[-1] = Fault(index, f"{record.reason}; the records after it need its base fields")
                    break
                _adopt(base, record.base)
        except PayloadError as error:
            faults.append(Fault(index, str(error)))
    return readings, faults


def _adopt(base: _InForce, record: Record | _Base) -> None:
    """A base field holds until the next of its kind (section 4.6)."""
    if record.bn is not None:
        base.bn = record.bn
    if record.bt is not None:
        base.bt = record.bt
    if record.bu is not None:
        base.bu = record.bu
    if record.bv is not None:
        base.bv = record.bv
    if record.bs is not None:
        base.bs = record.bs
    if record.bver is not None:
        base.bver = record.bver


def _reading(
    base: _InForce, record: Record, channels: Mapping[str, Channel], site: str, device: str, arrival_ms: int
) -> Reading:
    """The reading of a record, by the base fields in force. Raises PayloadError."""
    if base.bver > _VERSION:
        raise PayloadError(f"SenML version {base.bver}: send version {_VERSION}")
    name = base.bn + record.n
    channel = channels.get(name[max(name.rfind("/"), name.rfind(":")) + 1 :])
    if channel is None:
        raise PayloadError(_unknown_name(name, channels, device))
    value = _value(record, channel, base.bu if record.u is None else record.u, base.bv, base.bs)
    seconds = base.bt if record.t is None else base.bt + record.t
    if RELATIVE_BELOW_S <= seconds < END_OF_TIME_S:
        return Reading(site, round(seconds * SECOND_MS), channel.sensor_id, value, GOOD)
    return Reading(site, _relative(seconds, arrival_ms), channel.sensor_id, value, TIME_OF_ARRIVAL)


def _value(record: Record, channel: Channel, unit: str, bv: float, bs: float) -> float:
    """The value in the unit kept inside. Raises PayloadError."""
    sent = record.v
    inside = channel.sensor.quantity.unit
    if sent is not None:
        scale = channel.scales.get(unit)
        if scale is None:
            raise PayloadError(_wrong_unit(channel, inside, unit))
        value = (sent + bv) * scale.factor + scale.offset
    elif record.vb is not None:
        if inside != "1":
            raise PayloadError(f"{channel.sensor_id}: true or false (vb) where a number (v) is due")
        value = float(record.vb)
    elif record.vs is not None or record.vd is not None:
        raise PayloadError(f"{channel.sensor_id}: text or data (vs, vd) where a number (v) is due")
    elif record.s is not None:
        value = _total(record.s + bs, channel, unit)
    else:
        raise PayloadError(f"{channel.sensor_id}: no value: send a number as v, and no record where nothing was read")
    if not math.isfinite(value):
        raise PayloadError(f"{channel.sensor_id}: NaN or infinity is no value: send no record where nothing was read")
    return value


def _total(integrated: float, channel: Channel, unit: str) -> float:
    """A Sum, which is in its unit times seconds (section 4.3), as a running total."""
    quantity = channel.sensor.quantity
    if not quantity.counter:
        raise PayloadError(f"{channel.sensor_id}: a sum (s) alone, where a value (v) is due")
    rate = _INTEGRATED[quantity.unit]
    scale = SENT_UNITS[rate].get(unit)
    if scale is None:
        raise PayloadError(f"{channel.sensor_id}: sum (s) of {unit!r}: send one of {', '.join(SENT_UNITS[rate])}")
    return integrated * scale.factor / SECONDS_PER_HOUR


def _relative(seconds: float, arrival_ms: int) -> int:
    """Instant of a time relative to now. [UTC ms] Raises PayloadError when it is none."""
    if seconds < RELATIVE_BELOW_S:  # false for NaN
        time_ms = arrival_ms + round(seconds * SECOND_MS) if math.isfinite(seconds * SECOND_MS) else -1
        if time_ms >= 0:
            return time_ms
    raise PayloadError(f"time {seconds:g} s is none: send seconds since 1970 (not milliseconds), or leave t out")


def _only_base(record: Record) -> bool:
    return not record.n and all(
        field is None for field in (record.v, record.t, record.s, record.vb, record.vs, record.vd)
    )


def _unknown_name(name: str, channels: Mapping[str, Channel], device: str) -> str:
    known = ", ".join(sorted(channels)) or "none that speaks SenML"
    return f"name {_short(name)} is no sensor of device {device!r}: send one of {known}, or add it to the site file"


def _wrong_unit(channel: Channel, inside: str, unit: str) -> str:
    if not unit:
        return f"{channel.sensor_id}: no unit: send u or bu, one of {', '.join(channel.scales)}"
    try:
        scale_for(inside, unit)
    except ValueError as error:
        return f"{channel.sensor_id}: {str(error)[:300]}"
    return f"{channel.sensor_id}: unit {unit!r} is not accepted here"


def _one_by_one(pack: object) -> list[Record | _Broken]:
    """Records from plain objects, each by itself. Raises PayloadError when it is no pack at all."""
    if not isinstance(pack, list):
        raise PayloadError("not a SenML pack: send an array of records, even for one record")
    for index, entry in enumerate(pack, 1):
        for label in entry if isinstance(entry, dict) else ():
            if isinstance(label, str) and label.endswith("_"):
                raise PayloadError(f"record {index} has the field {_short(label)}, which must be understood and is not")
    return [_record(entry) for entry in pack]


def _record(entry: object) -> Record | _Broken:
    try:
        return msgspec.convert(entry, Record)
    except (msgspec.ValidationError, OverflowError, RecursionError) as error:
        reason = f"not a SenML record ({_words(error)})"
    if not isinstance(entry, dict):
        return _Broken(reason, _Base())
    try:
        return _Broken(reason, msgspec.convert(entry, _Base))
    except (msgspec.ValidationError, OverflowError, RecursionError):
        return _Broken(reason, None)


def _relabelled(entry: object) -> object:
    """A CBOR record with the labels of JSON; what is no map stays, to be refused."""
    if not isinstance(entry, dict):
        return entry
    return dict(_relabel(entry.items()))


def _relabel(items: Iterable[tuple[object, object]]) -> Iterable[tuple[str, object]]:
    for label, value in items:
        if type(label) is int:  # a bool is an int too, and True would pass for label 1
            yield _CBOR_LABELS.get(label, ""), value
        elif isinstance(label, str):
            yield label, value


def _words(error: BaseException) -> str:
    return str(error).partition(" - at ")[0][:200]


def _short(text: str) -> str:
    return repr(text if len(text) <= 80 else text[:77] + "...")
