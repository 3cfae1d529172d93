"""What a monitoring system watches, as OpenMetrics. What is not known is absent, never zero."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import msgspec
from fastapi import APIRouter
from fastapi.responses import Response
from prometheus_client.core import CollectorRegistry, GaugeMetricFamily, Metric, StateSetMetricFamily
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector

from api.access.needs import needs
from api.access.scope import READ
from api.alarms.lifecycle import STATES
from api.alarms.standing import standings
from api.current import Value, tank_state, values_of
from api.service import Service, ServiceDep
from ingest.instants import HOUR_MS, SECOND_MS
from ingest.site import Site
from ingest.watch import BROKER_SITE, STORAGE, WAITING

router = APIRouter(tags=["metrics"])

#: So many are counted, and no more.
_MOST_COUNTED = 1_000
_EXAMPLE = "# UNIT ullage_tank_level_metres metres\nullage_tank_level_metres{…} 1.31\n# EOF\n"


@router.get(
    "/metrics",
    dependencies=[needs(READ)],
    summary="What a monitoring system watches, as OpenMetrics",
    response_class=Response,
    responses={200: {"content": {CONTENT_TYPE_LATEST: {"example": _EXAMPLE, "schema": {"type": "string"}}}}},
)
def metrics(service: ServiceDep) -> Response:
    """Levels, volumes, battery, forecast days, ages, alarms, queues. What is not known is absent, never zero."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Figures(service))
    body: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]
    return Response(body, media_type=CONTENT_TYPE_LATEST)


class _Passage(msgspec.Struct):
    within: float
    p05: float | None = None
    p50: float | None = None


class _Outlook(msgspec.Struct):
    """The few figures of a forecast document that are watched."""

    issued_ms: int
    runs_out: _Passage
    overflows: _Passage


_decoder = msgspec.json.Decoder(_Outlook)


class _Families:
    """The metrics to be filled."""

    def __init__(self) -> None:
        tank, sensor, site = ("site", "tank"), ("site", "sensor"), ("site",)
        chance = (*site, "event")
        self.level = _gauge("ullage_tank_level_metres", "Water level above the tank floor.", tank, "metres")
        self.volume = _gauge("ullage_tank_volume_litres", "All the water in the tank.", tank, "litres")
        self.usable = _gauge("ullage_tank_usable_litres", "Water above dead storage.", tank, "litres")
        self.battery = _gauge("ullage_battery_voltage_volts", "Voltage of the battery.", sensor, "volts")
        self.age = _gauge("ullage_reading_age_seconds", "Age of a sensor's newest usable value.", sensor, "seconds")
        self.stale = _gauge("ullage_reading_stale", "1: too old to be trusted, or never heard; else 0.", sensor)
        self.issue = _gauge("ullage_forecast_age_seconds", "Time since the newest issue.", site, "seconds")
        self.within = _gauge("ullage_forecast_chance", "Chance of the event within the horizon, 0 to 1.", chance)
        self.days = _gauge(
            "ullage_forecast_days", "Days from the issue to the event; absent: not within the horizon.",
            (*chance, "quantile"), "days",
        )  # fmt: skip
        self.alarm = StateSetMetricFamily("ullage_alarm", "State of an alarm.", labels=("site", "alarm"))
        self.waiting = _gauge("ullage_broker_waiting_messages", "Messages that wait in the bundled broker.", ())
        self.storage = _gauge("ullage_broker_storage_share", "Share of the bundled broker's room in use, 0 to 1.", ())
        self.due = _gauge("ullage_notifications_due", "Messages about alarms that are due and not sent.", ())
        self.rejects = _gauge("ullage_rejects_last_hour", f"Refused within the hour, {_MOST_COUNTED} at most.", ())


def _gauge(name: str, help_text: str, labels: Iterable[str], unit: str = "") -> GaugeMetricFamily:
    return GaugeMetricFamily(name, help_text, labels=tuple(labels), unit=unit)


class _Figures(Collector):
    """The figures of this moment."""

    def __init__(self, service: Service) -> None:
        self._service = service

    def collect(self) -> Iterator[Metric]:
        families = _Families()
        now_ms = self._service.clock()
        for site in self._service.sites.values():
            self._site(site, families, now_ms)
        self._installation(families, now_ms)
        yield from vars(families).values()

    def _site(self, site: Site, families: _Families, now_ms: int) -> None:
        service = self._service
        values = values_of(site, service.readings.latest(site.id, now_ms), now_ms, service.settings)
        for value in values.values():
            _sensor(site.id, value, families)
        for tank in site.tank:
            state = tank_state(site, tank, values)
            labels = (site.id, tank.id)
            for family, figure in (
                (families.level, state.level_m),
                (families.volume, state.volume_l),
                (families.usable, state.usable_l),
            ):
                if figure is not None:
                    family.add_metric(labels, figure)
        for standing in standings(service.records, site, now_ms):
            families.alarm.add_metric(
                (site.id, str(standing.alarm)), {state: state == standing.state for state in STATES}
            )
        self._forecast(site.id, families, now_ms)

    def _forecast(self, site: str, families: _Families, now_ms: int) -> None:
        document = self._service.records.latest_forecast(site)
        try:
            outlook = None if document is None else _decoder.decode(document)
        except (msgspec.DecodeError, msgspec.ValidationError):
            return  # another version wrote it; the log of the page says so
        if outlook is None:
            return
        families.issue.add_metric((site,), (now_ms - outlook.issued_ms) / SECOND_MS)
        for event, passage in (("runs_out", outlook.runs_out), ("overflows", outlook.overflows)):
            families.within.add_metric((site, event), passage.within)
            for quantile, days in (("0.05", passage.p05), ("0.5", passage.p50)):
                if days is not None:
                    families.days.add_metric((site, event, quantile), days)

    def _installation(self, families: _Families, now_ms: int) -> None:
        service = self._service
        broker = service.readings.latest(BROKER_SITE, now_ms)
        for name, family in ((WAITING, families.waiting), (STORAGE, families.storage)):
            if name in broker:
                family.add_metric((), broker[name].value)
        families.due.add_metric((), float(_due(service, now_ms)))
        lately = [one for one in service.readings.rejects(_MOST_COUNTED) if one.time_ms > now_ms - HOUR_MS]
        families.rejects.add_metric((), len(lately))


def _due(service: Service, now_ms: int) -> int:
    """Messages whose time has come and that their recipients do not have."""
    waiting = service.records.notifications
    return sum(len(waiting.due(channel, now_ms)) for channel in waiting.waiting_channels())


def _sensor(site: str, value: Value, families: _Families) -> None:
    labels = (site, value.sensor.id)
    families.stale.add_metric(labels, float(value.stale))
    if value.reading is None:
        return
    families.age.add_metric(labels, value.age_ms / SECOND_MS)
    if value.sensor.measures == "battery.voltage":
        families.battery.add_metric(labels, value.reading.value)
