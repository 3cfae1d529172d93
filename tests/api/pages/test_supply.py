"""Which supply is open: a sensor that is heard goes before what people wrote down."""

from __future__ import annotations

import pytest

from api.current import SiteState, values_of
from api.pages.upkeep import supply
from api.settings import Settings
from ingest.instants import DAY_MS, MINUTE_MS
from ingest.reading import Reading
from ingest.site import Sensor, Site
from ingest.store.records import LogEntry
from tests.api.fakes import NOW_MS

OPENED = LogEntry("skerrow-head", NOW_MS - DAY_MS, "backup-opened", "borehole", "warden")


@pytest.mark.parametrize(
    ("value", "age_ms", "log", "stands_open"),
    [
        (0.0, MINUTE_MS, [OPENED], False),
        (1.0, MINUTE_MS, [OPENED._replace(kind="backup-closed")], True),
        (0.0, DAY_MS, [OPENED], True),  # what was heard yesterday tells nothing
        (0.0, DAY_MS, [], None),
        (None, 0, [OPENED], True),
    ],
)
def test_the_switch_is_believed_while_it_is_heard(
    skerrow_head: Site, value: float | None, age_ms: int, log: list[LogEntry], stands_open: bool | None
) -> None:
    switch = Sensor(device="post-1", name="valve", measures="backup.open", every_s=300)
    site = skerrow_head.model_copy(update={"sensor": [*skerrow_head.sensor, switch]})
    heard = {} if value is None else {switch.id: Reading(site.id, NOW_MS - age_ms, switch.id, value)}
    state = SiteState(site, NOW_MS, values_of(site, heard, NOW_MS, Settings()), [], None)
    found = supply(state, log)
    assert found is not None
    assert found.open is stands_open
