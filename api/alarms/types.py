"""All alarm types, and which alarms a site can raise. Each subject has a file of its own, types beside rules.

The figures are this project's own choices unless a source stands beside them; a site sets only its
thresholds (`low_v`, `low_l`).
"""

from __future__ import annotations

from typing import Final

from api.alarms import forecasts, health, installation, losses, power, pump, sensors, tanks, upkeep
from api.alarms.kinds import PRIORITIES, AlarmId, AlarmType, Priority, Wording, wording
from ingest.site import Site

__all__ = [
    "ALARM_TYPES", "INSTALLATION_ALARMS", "PRIORITIES", "SUBJECTS", "AlarmId", "AlarmType", "Priority", "Wording",
    "alarm_id", "alarms_of", "wording",
]  # fmt: skip

#: In the order in which their alarms are listed.
SUBJECTS: Final = (power, pump, tanks, losses, health, sensors, forecasts, upkeep)

#: The alarms that belong to no site.
INSTALLATION_ALARMS: Final = installation.ALARMS

ALARM_TYPES: Final[dict[str, AlarmType]] = {
    kind.key: kind for subject in (*SUBJECTS, installation) for kind in subject.TYPES
}


def alarms_of(site: Site) -> list[AlarmId]:
    """Every alarm that a site can raise."""
    return [alarm for subject in SUBJECTS for alarm in subject.alarms(site)]


def alarm_id(text: str) -> AlarmId | None:
    """The alarm a record names, `TYPE` or `TYPE:PART`; None: a type that no longer exists."""
    key, _, part = text.partition(":")
    kind = ALARM_TYPES.get(key)
    return None if kind is None else AlarmId(kind, part)
