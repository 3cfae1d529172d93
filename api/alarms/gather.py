"""From the stores to facts: all that touches a store for the alarms of a site stands here.

Judging happens every minute, so it reads little: a window of readings as long as the delays that
run now, hourly sums once an hour, and of forecasts, which are large, each one once.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from typing import Final

import msgspec

from api.alarms import health, power, pump, tanks
from api.alarms.backup import stands_by_log
from api.alarms.facts import Facts, Outlook, Spill
from api.alarms.forecasts import FORECAST_STALE, OUTLOOK_STALE
from api.alarms.history import EVERY_MS, History, read_history
from api.alarms.kinds import AlarmType
from api.alarms.lifecycle import is_active
from api.alarms.sensors import NOTHING_HEARD
from api.settings import Settings
from ingest.instants import DAY_MS, HOUR_MS
from ingest.quality import AHEAD_MS
from ingest.reading import Reading
from ingest.saying import Sentence
from ingest.site import Sensor, Site
from ingest.store.readings import ReadingStore
from ingest.store.records import LogEntry, Records, Transition

log = logging.getLogger("ullage.alarms")

#: What is measured → the alarms that look back at it.
_LOOK_BACK: Final[dict[str, tuple[AlarmType, ...]]] = {}
for _subject in (power, pump, tanks, health):
    for _quantity, _kinds in _subject.LOOK_BACK.items():
        _LOOK_BACK[_quantity] = _LOOK_BACK.get(_quantity, ()) + _kinds
#: The alarms that look back at forecasts.
_PREDICTED: Final = (
    power.CUTOFF_PREDICTED,
    tanks.EMPTY_PREDICTED,
    tanks.OVERFLOW_PREDICTED,
    FORECAST_STALE,
    OUTLOOK_STALE,
)
#: Of overflow-now: an inflow counts for an hour.
_LATELY_MS: Final = HOUR_MS


class Gatherer:
    """Reads the facts of sites; what it remembers is only what it need not read again."""

    def __init__(self, readings: ReadingStore, records: Records, settings: Settings, watching_since_ms: int) -> None:
        self._readings = readings
        self._records = records
        self._settings = settings
        self._watching_since_ms = watching_since_ms
        self._histories: dict[str, tuple[int, History]] = {}
        self._far_ahead: dict[tuple[str, str], tuple[int, int]] = {}
        self._outlooks: dict[str, dict[int, Outlook | None]] = {}

    def gather(self, site: Site, previous: Mapping[str, Transition], now_ms: int) -> Facts:
        """Everything that the rules may ask about a site. Raises StoreUnavailable.

        previous  the last transition of each of its alarms
        """
        active = {name.partition(":")[0] for name, entry in previous.items() if is_active(entry)}
        latest = self._readings.latest(site.id, now_ms)
        newest_log = self._records.last_log(site.id)
        series: dict[str, list[Reading]] = {}
        suspect: dict[str, Reading] = {}
        beside_backup = _backup_open(site, latest, newest_log)
        for sensor in site.sensor:
            newest, limit_ms = latest.get(sensor.id), self._settings.stale_after_ms(sensor.every_s)
            if newest is not None and now_ms - newest.time_ms <= limit_ms:
                window_ms = _window_ms(sensor, limit_ms, active, beside_backup)
                series[sensor.id] = self._readings.range(site.id, sensor.id, now_ms - window_ms, now_ms + 1)
                if (site.id, sensor.id) not in self._far_ahead:  # what is there already does not arrive
                    self._arriving(site, sensor, now_ms, limit_ms)
            elif sent := self._suspect(site, sensor, now_ms, limit_ms, new=newest is None):
                suspect[sensor.id] = sent
        outlooks, forecast_ms = self._foretold(site, active, now_ms)
        return Facts(
            site,
            self._settings,
            self._watching_since_ms,
            series,
            latest,
            suspect,
            outlooks,
            forecast_ms,
            self._history(site, latest, now_ms),
            newest_log,
        )

    def _suspect(self, site: Site, sensor: Sensor, now_ms: int, limit_ms: int, *, new: bool) -> Reading | None:
        """The newest of its readings, none of which can be used; also those of a clock that is ahead.

        new  it was never heard before: then one reading may be a device that has yet to ask the time
        """
        fewest = 2 if new else 1
        sent = self._readings.range(site.id, sensor.id, now_ms - limit_ms, now_ms + DAY_MS, usable=False)
        spoilt = [reading for reading in sent if not reading.usable]
        if len(spoilt) >= fewest:
            return spoilt[-1]
        return self._arriving(site, sensor, now_ms, limit_ms)

    def _arriving(self, site: Site, sensor: Sensor, now_ms: int, limit_ms: int) -> Reading | None:
        """The last of what is dated days ahead, while more of it comes: what has come stays there for days or years."""
        far = self._readings.range(site.id, sensor.id, now_ms + DAY_MS, now_ms + AHEAD_MS, usable=False)
        key = site.id, sensor.id
        seen, grew_ms = self._far_ahead.get(key, (len(far), now_ms - limit_ms - 1))
        if len(far) > seen:
            grew_ms = now_ms
        self._far_ahead[key] = len(far), grew_ms
        return far[-1] if far and now_ms - grew_ms <= limit_ms else None

    def _history(self, site: Site, latest: Mapping[str, Reading], now_ms: int) -> History:
        slot = now_ms // EVERY_MS
        known = self._histories.get(site.id)
        if known is None or known[0] != slot:
            known = slot, read_history(site, self._readings, latest, now_ms)
            self._histories[site.id] = known
        return known[1]

    def _foretold(self, site: Site, active: set[str], now_ms: int) -> tuple[list[Outlook], int | None]:
        """What the recent forecasts say, and when the newest was issued: a document is read once."""
        start_ms = now_ms - _outlook_window_ms(active)
        issued = self._records.forecast_times(site.id, start_ms, now_ms + 1)
        known = self._outlooks.get(site.id, {})
        now_known: dict[int, Outlook | None] = {}
        for issued_ms in issued:
            if issued_ms in known:
                now_known[issued_ms] = known[issued_ms]
            else:
                for document in self._records.forecasts(site.id, issued_ms, issued_ms + 1):
                    now_known[issued_ms] = _outlook(site.id, document)
        self._outlooks[site.id] = now_known
        newest = issued[-1] if issued else self._records.latest_forecast_ms(site.id)
        return [outlook for outlook in now_known.values() if outlook is not None], newest


def _outlook_window_ms(active: set[str]) -> int:
    """How far back forecasts matter. [ms] A day of them only while there is something to clear."""
    return max((kind.off_delay_ms if kind.key in active else kind.on_delay_ms) + kind.bridge_ms for kind in _PREDICTED)


def _window_ms(sensor: Sensor, limit_ms: int, active: set[str], beside_backup: bool) -> int:
    """How far back the readings of a sensor matter. [ms] As long as what runs now takes: to be raised, or to clear."""
    kinds = (NOTHING_HEARD, *_LOOK_BACK.get(sensor.quantity.pattern, ()))
    longest = max((kind.off_delay_ms if kind.key in active else kind.on_delay_ms) + kind.bridge_ms for kind in kinds)
    if beside_backup and sensor.quantity.pattern in ("draw.*.total", "backup.open"):
        longest = max(longest, health.SHUT_MS + health.CHANGE_OVER_MS)
    return longest + limit_ms + _LATELY_MS


def _backup_open(site: Site, latest: Mapping[str, Reading], newest_log: Mapping[tuple[str, str], LogEntry]) -> bool:
    """Whether the backup may stand open."""
    if site.backup is None:
        return False
    if any(sensor.id in latest and latest[sensor.id].value >= 0.5 for sensor in site.sensors_of("backup.open")):
        return True
    stands = stands_by_log(site, newest_log)
    return stands is not None and stands.open


class _Chances(msgspec.Struct):
    by_day: list[float]


class _Spill(msgspec.Struct):
    p50: list[float]
    p95: list[float]


class _Tank(msgspec.Struct):
    tank: str
    runs_out: _Chances
    overflows: _Chances
    spill_l: _Spill
    spill_peak_l_min: float


class _Battery(msgspec.Struct):
    cutoff: _Chances


class _Input(msgspec.Struct):
    """The template of its name is the same in every language; older documents have the plain name."""

    name: Sentence
    stale: bool = False

    @property
    def key(self) -> str:
        return self.name if isinstance(self.name, str) else self.name.text


class _Document(msgspec.Struct):
    """The few figures of a forecast document that the alarms need."""

    issued_ms: int
    start_ms: int
    inputs: list[_Input]
    tanks: list[_Tank]
    battery: _Battery | None = None

    def spill(self, tank: _Tank) -> Spill:
        """What runs over in the days in which an overflow is looked for."""
        hour = min((self.issued_ms - self.start_ms) // HOUR_MS + tanks.OVERFLOW.days * 24, len(tank.spill_l.p50)) - 1
        return Spill(tank.spill_l.p50[hour], tank.spill_l.p95[hour], tank.spill_peak_l_min)


_decoder: Final = msgspec.json.Decoder(_Document)


def _outlook(site: str, document: bytes) -> Outlook | None:
    try:
        forecast = _decoder.decode(document)
    except (msgspec.DecodeError, msgspec.ValidationError):
        log.exception("%s: a forecast cannot be read; another version wrote it", site)
        return None
    return Outlook(
        forecast.issued_ms,
        [entry.key for entry in forecast.inputs if entry.stale],
        {tank.tank: tank.runs_out.by_day for tank in forecast.tanks},
        {tank.tank: tank.overflows.by_day for tank in forecast.tanks},
        {tank.tank: forecast.spill(tank) for tank in forecast.tanks if tank.spill_l.p50},
        forecast.battery.cutoff.by_day if forecast.battery else (),
    )
