from __future__ import annotations

import pytest

from api.alarms.gather import Gatherer
from api.settings import Settings
from forecast.result import Input
from ingest.saying import Sentence, say
from ingest.site import Site
from ingest.store.records import Records
from tests.api.fakes import NOW_MS, MemoryReadings, forecast_of, put


@pytest.mark.parametrize("name", [say("rain outlook"), "rain outlook"])
def test_a_forecast_is_read_as_the_worker_writes_it(
    name: Sentence, skerrow_head: Site, readings: MemoryReadings, records: Records, settings: Settings
) -> None:
    put(records, forecast_of(inputs=[Input(name, "a record", NOW_MS, stale=True)]))
    facts = Gatherer(readings, records, settings, NOW_MS).gather(skerrow_head, {}, NOW_MS)
    assert [list(outlook.stale) for outlook in facts.outlooks] == [["rain outlook"]]
