"""Which alarm is the consequence of which: one call for one cause, not one for each thing that follows. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from api.alarms.forecasts import FORECAST_STALE, OUTLOOK_STALE
from api.alarms.installation import NOTHING_ARRIVES
from api.alarms.kinds import AlarmId, AlarmType
from api.alarms.lifecycle import is_active
from api.alarms.power import BATTERY_LOW, CUTOFF_PREDICTED
from api.alarms.pump import PUMP_NEAR_OUTLET, PUMP_WITHOUT_FLOW
from api.alarms.sensors import NOTHING_HEARD, SENSOR_IMPLAUSIBLE
from api.alarms.tanks import EMPTY_PREDICTED, OVERFLOW_NOW, OVERFLOW_PREDICTED, TANK_LOW
from ingest.site import Site
from ingest.store.records import Transition

_Causes = Callable[[str, Site], list[AlarmId]]


def _of_same_part(cause: AlarmType) -> _Causes:
    return lambda part, _: [AlarmId(cause, part)]


def _of_pumped_tanks(_part: str, site: Site) -> list[AlarmId]:
    return [AlarmId(PUMP_NEAR_OUTLET, draw.tank) for draw in site.draw if draw.feed == "pumped"]


def _of_levels(_part: str, site: Site) -> list[AlarmId]:
    """A forecast begins with a level."""
    devices = [sensor.device for sensor in site.sensor if sensor.quantity.pattern == "tank.*.level"]
    lost = [AlarmId(kind, device) for device in devices for kind in (NOTHING_HEARD, SENSOR_IMPLAUSIBLE)]
    return [*lost, AlarmId(NOTHING_ARRIVES)]


#: Consequence → its causes at a site, the nearest first, by its own part.
_CAUSES: Final[Mapping[str, _Causes]] = {
    EMPTY_PREDICTED.key: _of_same_part(TANK_LOW),
    OVERFLOW_PREDICTED.key: _of_same_part(OVERFLOW_NOW),
    CUTOFF_PREDICTED.key: _of_same_part(BATTERY_LOW),
    PUMP_WITHOUT_FLOW.key: _of_pumped_tanks,
    NOTHING_HEARD.key: lambda _part, _site: [AlarmId(NOTHING_ARRIVES)],
    FORECAST_STALE.key: _of_levels,
    OUTLOOK_STALE.key: _of_same_part(FORECAST_STALE),
}


def causes_of(alarm: AlarmId, site: Site) -> list[AlarmId]:
    """The alarms of which this one is a mere consequence, the nearest first."""
    causes = _CAUSES.get(alarm.kind.key)
    return [] if causes is None else causes(alarm.part, site)


def cause_of(alarm: AlarmId, site: Site, last: Mapping[str, Transition]) -> str:
    """The active alarm of which this one is a consequence; empty: none is.

    last  the last transition of each alarm of the site and of the installation
    """
    return next((str(cause) for cause in causes_of(alarm, site) if is_active(last.get(str(cause)))), "")


def causes_first(alarms: list[AlarmId], site: Site) -> list[AlarmId]:
    """The same alarms, each after its causes, so that what is raised together is folded together."""

    def depth(alarm: AlarmId) -> int:
        return 1 + max((depth(cause) for cause in causes_of(alarm, site)), default=0)

    return sorted(alarms, key=depth)
