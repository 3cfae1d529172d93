"""Devices that have never been heard: what is awaited of them, and what to do if it does not come. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from api.alarms.sensors import NOTHING_HEARD
from api.commissioning.heard import late_ms
from api.current import SiteState
from api.pages.alarms import AlarmLine
from ingest import saying
from ingest.saying import Saying, say


def awaited(state: SiteState, alarms: Sequence[AlarmLine]) -> list[Saying]:
    """What is awaited of each device of which no usable value was ever heard; once an alarm tells of it, nothing."""
    told = {line.alarm for line in alarms if line.holds}
    found = []
    for device in dict.fromkeys(sensor.device for sensor in state.site.sensor):
        sensors = [sensor for sensor in state.site.sensor if sensor.device == device]
        heard = any(state.values[one.id].reading is not None or one.id in state.disbelieved for one in sensors)
        if heard or f"{NOTHING_HEARD.key}:{device}" in told:
            continue
        soonest = min(sensors, key=lambda sensor: sensor.every_s)
        found.append(
            say(
                "{device} has not been heard yet. Its first reading is expected within {soon} of being switched on; if "
                "none has come after {late}, see Commissioning: it says what must be sent, and where.",
                device=saying.name(device),
                soon=saying.duration(round(1_000 * soonest.every_s)),
                late=saying.duration(late_ms(soonest)),
            )
        )
    return found
