"""Devices that have never been heard: what is awaited of them, and what to do if it does not come. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from api.alarms.sensors import NOTHING_HEARD
from api.current import SiteState
from api.pages.alarms import AlarmLine
from ingest import saying
from ingest.instants import MINUTE_MS
from ingest.saying import Saying, say

#: A device has time for so many of its intervals, and for no less than this.
_INTERVALS: Final = 3
_AT_LEAST_MS: Final = 10 * MINUTE_MS


def awaited(state: SiteState, alarms: Sequence[AlarmLine]) -> list[Saying]:
    """What is awaited of each device of which no usable value was ever heard; once an alarm tells of it, nothing."""
    told = {line.alarm for line in alarms if line.holds}
    found = []
    for device in dict.fromkeys(sensor.device for sensor in state.site.sensor):
        sensors = [sensor for sensor in state.site.sensor if sensor.device == device]
        heard = any(state.values[one.id].reading is not None or one.id in state.disbelieved for one in sensors)
        if heard or f"{NOTHING_HEARD.key}:{device}" in told:
            continue
        every_ms = round(1_000 * min(sensor.every_s for sensor in sensors))
        found.append(
            say(
                "{device} has not been heard yet. Its first reading is expected within {soon} of being switched on; if "
                "none has come after {late}, see Commissioning: it says what must be sent, and where.",
                device=saying.name(device),
                soon=saying.duration(every_ms),
                late=saying.duration(max(_AT_LEAST_MS, _INTERVALS * every_ms)),
            )
        )
    return found
