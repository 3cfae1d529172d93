"""What a sensor measures, in the words of the people on site rather than those of the site file. Pure."""

from __future__ import annotations

from typing import Final

from ingest.reading import quantity_of
from ingest.saying import Saying, name, say, template
from ingest.site import Sensor

#: Pattern of a quantity → what it is; `{part}` stands for the id of the tank, roof or draw.
_WORDS: Final = {
    "tank.*.level": template("Water level in tank {part}"),
    "tank.*.temperature": template("Temperature of the water in tank {part}"),
    "roof.*.flow": template("Flow from roof {part}"),
    "roof.*.total": template("Water meter of roof {part}"),
    "draw.*.flow": template("Flow to {part}"),
    "draw.*.total": template("Water meter of {part}"),
    "backup.flow": template("Flow of the backup supply"),
    "backup.total": template("Water meter of the backup supply"),
    "backup.open": template("Whether the backup supply is open"),
    "pump.running": template("How long the pump runs"),
    "battery.voltage": template("Battery voltage"),
    "battery.current": template("Current into the battery"),
    "rain.total": template("Rain gauge"),
    "rain.rate": template("How hard it rains"),
    "air.temperature": template("Air temperature"),
}


def what(sensor: Sensor) -> Saying:
    """`Water level in tank main`."""
    quantity, part = quantity_of(sensor.measures)
    words = _WORDS[quantity.pattern]
    return say(words) if part is None else say(words, part=name(part))
