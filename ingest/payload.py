"""From a message, topic and bytes, to readings, by tables made once from the site files.

Topics are `PREFIX/SITE/DEVICE/senml` (RFC 8428 JSON), `…/senml-cbor` (CBOR) and `…/status`
(`online`, `offline`), or whatever a sensor in a site file names; anything else under the prefix is
refused with a reason, but for the state of alarms, which the service itself shows there. A status becomes a reading
of the pseudo-sensor `DEVICE/status`, 1 or 0, dated by its arrival: the broker repeats the last
one at every connection, so a device that has long been offline says so again each time.

A reading without a time of its own is dated by its arrival, and such arrivals never repeat
within a topic: two messages of one millisecond would else be one reading. (Only where the clock
was set back by minutes may one fall on the very millisecond of an older one, and be taken for it:
better than to go on dating by a clock that was wrong.) A message that the
broker delivers twice is then stored twice; a device that sends its time does not have this.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from typing import NamedTuple

from ingest import pointer, senml
from ingest.errors import PayloadError
from ingest.quality import CLOCK_TOLERANCE_MS
from ingest.reading import TIME_OF_ARRIVAL, Reading, Reject
from ingest.senml import Channel, Fault, channel_of
from ingest.site import ALARM_LEVEL, Sensor, Site
from ingest.units import Scale, scale_for
from ingest.watch import BROKER_SITE, DROPPED, DROPPED_TOPIC

STATUS = "status"
_STATUS_VALUES = {b"online": 1.0, b"offline": 0.0}
_FORMATS: dict[str, Callable[[bytes], senml.Pack]] = {"senml": senml.decode_json, "senml-cbor": senml.decode_cbor}
#: How the reason begins where a topic belongs to nobody: whoever waits for a device's first message looks for these.
_NO_SENSOR = "no sensor names this topic"
_NO_SITE = "no site is called"
#: And where the broker let nobody else see the message (`ingest.refusals`).
BY_BROKER = "refused by the broker"
#: More rejects than this from one message are summed up in one.
_MAX_REJECTS = 20


class Decoded(NamedTuple):
    """What a message held: readings in the unit kept inside, and what could not become one."""

    readings: list[Reading]
    rejects: list[Reject]


_Outcome = tuple[list[Reading], list[Fault]]


class _SenmlRoute:
    """Packs of one device."""

    def __init__(self, site: str, device: str, sensors: Iterable[Sensor], read: Callable[[bytes], senml.Pack]) -> None:
        self._site = site
        self._device = device
        self._channels: dict[str, Channel] = {sensor.name: channel_of(sensor) for sensor in sensors}
        self._read = read

    def __call__(self, payload: bytes, arrival_ms: int) -> _Outcome:
        return senml.resolve(self._read(payload), self._channels, self._site, self._device, arrival_ms)


class _PointerRoute:
    """Plain JSON on a topic of its own, from which one or more sensors take a number."""

    def __init__(self, sensors: Iterable[tuple[str, Sensor]]) -> None:
        self._places = [
            (site, sensor.id, pointer.parse(sensor.pointer or ""), _scale(sensor), sensor.quantity.unit == "1")
            for site, sensor in sensors
        ]

    def __call__(self, payload: bytes, arrival_ms: int) -> _Outcome:
        document = pointer.decode_json(payload)
        readings: list[Reading] = []
        faults: list[Fault] = []
        for site, sensor, steps, scale, truth in self._places:
            try:
                value = pointer.number_at(document, steps, truth=truth) * scale.factor + scale.offset
            except PayloadError as error:
                faults.append(Fault(0, f"{sensor}: {error}"))
            else:
                readings.append(Reading(site, arrival_ms, sensor, value, TIME_OF_ARRIVAL))
        return readings, faults


class _StatusRoute:
    """The retained status of one device; `offline` is its will, sent by the broker in its stead."""

    def __init__(self, site: str, device: str) -> None:
        self._site = site
        self._sensor = f"{device}/{STATUS}"

    def __call__(self, payload: bytes, arrival_ms: int) -> _Outcome:
        value = _STATUS_VALUES.get(payload)
        if value is None:
            raise PayloadError("not a status: send online or offline")
        return [Reading(self._site, arrival_ms, self._sensor, value, TIME_OF_ARRIVAL)], []


class _DroppedRoute:
    """Mosquitto's own count of the messages that it has dropped."""

    def __call__(self, payload: bytes, arrival_ms: int) -> _Outcome:
        if not payload.isdigit() or len(payload) > 18:
            raise PayloadError("not a count of dropped messages")
        return [Reading(BROKER_SITE, arrival_ms, DROPPED, float(payload), TIME_OF_ARRIVAL)], []


class Decoder:
    """Reads the messages of some sites. Not for use by several threads at once.

    filters  the topic filters to subscribe to
    """

    def __init__(self, sites: Mapping[str, Site], prefix: str = "ullage") -> None:
        self._prefix = prefix.strip("/")
        self._devices: dict[str, set[str]] = {}
        self._routes: dict[str, Callable[[bytes, int], _Outcome]] = {}
        self._last_arrival: dict[str, int] = {}
        own: dict[str, list[tuple[str, Sensor]]] = defaultdict(list)
        for site in sites.values():
            self._add_devices(site)
            for sensor in site.sensor:
                if sensor.topic is not None:
                    own[sensor.topic].append((site.id, sensor))
        self._routes[DROPPED_TOPIC] = _DroppedRoute()
        for topic, sensors in own.items():
            self._routes[topic] = _PointerRoute(sensors)
        # All of it: who sends to a topic with a slip in it shall see a reject, and not nothing.
        self.filters: list[str] = [f"{self._prefix}/#"]
        # A topic that a filter covers already would be delivered twice.
        self.filters += [topic for topic in sorted(own) if not f"{topic}/".startswith(f"{self._prefix}/")]

    def decode(self, topic: str, payload: bytes, now_ms: int) -> Decoded:
        """Readings and rejects of one message that arrived now. [UTC ms] Never raises on its content."""
        last = self._last_arrival.get(topic, 0)
        set_back = last - now_ms > CLOCK_TOLERANCE_MS
        self._last_arrival[topic] = arrival_ms = now_ms if now_ms > last or set_back else last + 1
        try:
            route = self._routes.get(topic)
            if route is None:
                del self._last_arrival[topic]  # topics that nobody knows are without number
                if self._is_alarm_state(topic):
                    return Decoded([], [])
                raise PayloadError(self._why_unknown(topic))
            readings, faults = route(payload, arrival_ms)
        except PayloadError as error:
            readings, faults = [], [Fault(0, str(error))]
        return Decoded(readings, [Reject(now_ms, topic, reason, payload) for reason in _reasons(faults)])

    def _add_devices(self, site: Site) -> None:
        devices: dict[str, list[Sensor]] = defaultdict(list)
        for sensor in site.sensor:
            devices[sensor.device] += [sensor] if sensor.topic is None else []
        self._devices[site.id] = set(devices)
        for device, sensors in devices.items():
            base = f"{self._prefix}/{site.id}/{device}"
            self._routes[f"{base}/{STATUS}"] = _StatusRoute(site.id, device)
            for kind, read in _FORMATS.items():
                self._routes[f"{base}/{kind}"] = _SenmlRoute(site.id, device, sensors, read)

    def _kind(self, topic: str) -> str | None:
        """`senml`, `senml-cbor` or `status` if the topic has the shape of ours."""
        base, _, kind = topic.rpartition("/")
        ours = base.startswith(f"{self._prefix}/") and base.removeprefix(f"{self._prefix}/").count("/") == 1
        return kind if ours and kind in (*_FORMATS, STATUS) else None

    def _is_alarm_state(self, topic: str) -> bool:
        """`PREFIX/SITE/alarm/ALARM`, which the service itself publishes and devices may not."""
        levels = topic.removeprefix(f"{self._prefix}/").split("/")
        return topic.startswith(f"{self._prefix}/") and len(levels) == 3 and levels[1] == ALARM_LEVEL

    def _why_unknown(self, topic: str) -> str:
        if self._kind(topic) is None:
            named = topic.removeprefix(f"{self._prefix}/").split("/")[0]
            which = f"no sensor of {named} names this topic" if named in self._devices else _NO_SENSOR
            kinds = ", ".join((*_FORMATS, STATUS))
            return (
                f"{which}: send to {self._prefix}/SITE/DEVICE/senml, or name it in the site file "
                f"(after SITE/DEVICE stands one of {kinds})"
            )
        site, device = topic.removeprefix(f"{self._prefix}/").split("/")[:2]
        if site not in self._devices:
            return f"{_NO_SITE} {site!r}: the site files describe {', '.join(sorted(self._devices)) or 'none'}"
        known = ", ".join(sorted(self._devices[site])) or "none"
        return f"device {device!r} is unknown at {site}: its site file names {known}"


def is_for(site: Site, topic: str) -> bool:
    """Whether a topic names a site, or is one that a sensor of it names."""
    return f"/{site.id}/" in f"{topic}/" or any(sensor.topic == topic for sensor in site.sensor)


def is_nobodys(reject: Reject) -> bool:
    """Whether the topic that it was sent to names no site that there is, or the broker refused it: whose, who knows?"""
    return reject.reason.startswith((_NO_SENSOR, _NO_SITE, BY_BROKER))


def _scale(sensor: Sensor) -> Scale:
    return scale_for(sensor.quantity.unit, sensor.unit or "")


def _reasons(faults: list[Fault]) -> list[str]:
    """One reason a fault, equal ones together, with the records it concerns."""
    records: dict[str, list[int]] = defaultdict(list)
    for fault in faults:
        records[fault.reason].append(fault.record)
    reasons = [f"{_which(numbers)}{reason}" for reason, numbers in records.items()]
    if len(reasons) > _MAX_REJECTS:
        reasons[_MAX_REJECTS - 1 :] = [f"{len(reasons) - _MAX_REJECTS + 1} more faults of this message"]
    return reasons


def _which(records: list[int]) -> str:
    if records == [0]:
        return ""
    shown = ", ".join(map(str, records[:10])) + (", …" if len(records) > 10 else "")
    return f"record{'s' if len(records) > 1 else ''} {shown}: "
