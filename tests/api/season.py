"""Some weeks of a simulated site up to the moment at which the tests' clock stands, heard every half hour.

Flows are heard as often as they are: one in six of them would not be their mean.
"""

from __future__ import annotations

from ingest.instants import DAY_MS, MINUTE_MS
from ingest.reading import Reading
from ingest.site import Site
from simulator.plant import Plant
from simulator.sensors import Sensors
from simulator.weather import invented_weather
from tests.api.fakes import NOW_MS

_EVERY_MS = 30 * MINUTE_MS


def season(site: Site, days: int) -> list[Reading]:
    """What its devices said."""
    start_ms = (NOW_MS // DAY_MS - days) * DAY_MS
    truth = Plant(site, 5).run(invented_weather(site, start_ms, days * 24 * 60, 5))
    return [one for one in Sensors(site, 5).read(truth) if one.time_ms % _EVERY_MS == 0 or one.sensor.endswith("-flow")]
