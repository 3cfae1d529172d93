"""Stored readings of one sensor, one by one or by interval."""

from __future__ import annotations

from typing import Annotated, Final

from fastapi import APIRouter, Query

from api.access.needs import needs
from api.access.scope import READ
from api.problems import ProblemError, refused
from api.routes.paging import CursorQuery, Truth, Whole, cursor_of, marks_in
from api.routes.span import span
from api.schemas import BucketList, BucketOut, Instant, ReadingList, ReadingOut
from api.service import Service, ServiceDep, SiteDep
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS, to_rfc3339
from ingest.reading import flag_words
from ingest.site import Sensor, Site
from ingest.store.readings import Aggregate

router = APIRouter(tags=["readings"])

MOST: Final = 10_000
_UNITS_MS: Final = {"s": SECOND_MS, "m": MINUTE_MS, "h": HOUR_MS, "d": DAY_MS}


@router.get("/sites/{site}/readings", dependencies=[needs(READ)], summary="Readings of one sensor, oldest first")
def readings(
    site: SiteDep,
    service: ServiceDep,
    sensor: Annotated[str, Query(description="Id of the sensor, device/name.", examples=["post-1/level"])],
    start: Annotated[Instant | None, Query(description="From this instant on; absent: a day before `end`.")] = None,
    end: Annotated[Instant | None, Query(description="Up to, not including, this instant; absent: now.")] = None,
    cursor: CursorQuery = None,
    limit: Annotated[Whole, Query(ge=1, le=MOST, description="At most so many readings. [1]", examples=[1000])] = 1_000,
    every: Annotated[
        str | None,
        Query(
            pattern=r"^[1-9][0-9]{0,5}[smhd]$",
            description="Aggregate by intervals of this length: a number and s, m, h or d. Aligned to the epoch.",
            examples=["1h"],
        ),
    ] = None,
    fn: Annotated[Aggregate | None, Query(description="With `every`: which figure; absent: mean.")] = None,
    suspect: Annotated[Truth, Query(description="Include readings that are kept but never used.")] = False,
) -> ReadingList | BucketList:
    found = _sensor(site, sensor)
    start_ms, end_ms = span(start, end, service.clock(), DAY_MS)
    question = f"readings {site.id} {found.id} {suspect}"
    if cursor is not None:
        start_ms, end_ms = marks_in(cursor, question, 2)
    if every is not None:
        if cursor is not None:
            raise refused(("query.cursor", "absent with `every`: all intervals come at once"))
        if suspect:
            raise refused(("query.suspect", "absent with `every`: suspect readings never enter an aggregate"))
        return _aggregate(site, found, service, start_ms, end_ms, every, fn or "mean")
    if fn is not None:
        raise refused(("query.fn", "absent without `every`, such as every=1h"))
    stored = service.readings.range(site.id, found.id, start_ms, end_ms, limit=limit + 1, usable=not suspect)
    return ReadingList(
        site=site.id,
        sensor=found.id,
        unit=found.quantity.unit,
        start=to_rfc3339(start_ms),
        end=to_rfc3339(end_ms),
        readings=[
            ReadingOut(time=to_rfc3339(reading.time_ms), value=reading.value, flags=flag_words(reading.flags))
            for reading in stored[:limit]
        ],
        next=cursor_of(question, stored[limit].time_ms, end_ms) if len(stored) > limit else None,
    )


def _aggregate(
    site: Site, sensor: Sensor, service: Service, start_ms: int, end_ms: int, every: str, fn: Aggregate
) -> BucketList:
    every_ms = int(every[:-1]) * _UNITS_MS[every[-1]]
    if end_ms - start_ms > MOST * every_ms:
        raise refused(("query.every", f"at most {MOST:,} intervals: a longer one, or a shorter time"))
    buckets = service.readings.aggregate(site.id, sensor.id, start_ms, end_ms, every_ms, fn)
    return BucketList(
        site=site.id,
        sensor=sensor.id,
        unit="1" if fn == "count" else sensor.quantity.unit,
        start=to_rfc3339(start_ms),
        end=to_rfc3339(end_ms),
        every_s=every_ms / SECOND_MS,
        fn=fn,
        intervals=[
            BucketOut(start=to_rfc3339(bucket.start_ms), value=bucket.value, readings=bucket.readings)
            for bucket in buckets
        ],
    )


def _sensor(site: Site, sensor_id: str) -> Sensor:
    for sensor in site.sensor:
        if sensor.id == sensor_id:
            return sensor
    known = ", ".join(sensor.id for sensor in site.sensor) or "none"
    raise ProblemError(404, "unknown-sensor", "No such sensor", f"This site has no such sensor. It has: {known}.")
