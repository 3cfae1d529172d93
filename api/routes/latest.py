"""The present state of a site. Asked for more than anything else, so it is written without a detour."""

from __future__ import annotations

from typing import Any

import msgspec
from fastapi import APIRouter, Request
from fastapi.responses import Response

from api.access.needs import needs
from api.access.scope import READ
from api.conditional import tag_of, unchanged
from api.current import TankState, Value, disbelieved_of, tank_state, values_of
from api.schemas import Latest
from api.service import ServiceDep, SiteDep
from ingest.instants import SECOND_MS, to_rfc3339
from ingest.reading import Reading, flag_words

router = APIRouter(tags=["sites"])


@router.get(
    "/sites/{site}/latest",
    dependencies=[needs(READ)],
    summary="Newest value of each sensor, water in each tank",
    response_model=Latest,
)
def latest(request: Request, site: SiteDep, service: ServiceDep) -> Response:
    """The tag changes with the values and with what is stale, not with the ages, which follow from `now`."""
    now_ms = service.clock()
    values = values_of(site, service.readings.latest(site.id, now_ms), now_ms, service.settings)
    disbelieved = disbelieved_of(site.id, service.readings, values, now_ms)
    tag = tag_of("latest", site.id, [(value.reading, value.stale) for value in values.values()], disbelieved)
    answer = unchanged(request, tag)
    if answer is not None:
        return answer
    body = {
        "site": site.id,
        "now": to_rfc3339(now_ms),
        "tanks": [_tank(tank_state(site, tank, values)) for tank in site.tank],
        "values": [_value(value, disbelieved.get(sensor)) for sensor, value in values.items()],
    }
    return Response(msgspec.json.encode(body), media_type="application/json", headers={"ETag": tag})


def _value(value: Value, disbelieved: Reading | None) -> dict[str, Any]:
    """A `LatestValue`."""
    reading = value.reading
    return {
        "sensor": value.sensor.id,
        "measures": value.sensor.measures,
        "unit": value.sensor.quantity.unit,
        "value": None if reading is None else reading.value,
        "time": None if reading is None else to_rfc3339(reading.time_ms),
        "age_s": None if reading is None else value.age_ms / SECOND_MS,
        "stale": value.stale,
        "flags": [] if reading is None else flag_words(reading.flags),
        "disbelieved": None
        if disbelieved is None
        else {
            "time": to_rfc3339(disbelieved.time_ms),
            "value": disbelieved.value,
            "why": flag_words(disbelieved.flags),
        },
    }


def _tank(state: TankState) -> dict[str, Any]:
    """A `LatestTank`."""
    level = state.level
    reading = None if level is None else level.reading
    return {
        "tank": state.tank.id,
        "level_m": state.level_m,
        "volume_l": state.volume_l,
        "usable_l": state.usable_l,
        "share": state.share,
        "time": None if reading is None else to_rfc3339(reading.time_ms),
        "age_s": None if level is None or reading is None else level.age_ms / SECOND_MS,
        "stale": level is None or level.stale,
    }
