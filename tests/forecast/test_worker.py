"""From facts to recorded forecasts, round after round."""

from __future__ import annotations

import threading
from collections.abc import Collection
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from forecast.facts import gather
from forecast.judging import Judging
from forecast.lessons import Lessons
from forecast.outlook.ensemble import Outlook
from forecast.outlook.file import write_document
from forecast.outlook.record import RainRecord
from forecast.result import Forecast, decode
from forecast.role import load_rain
from forecast.worker import Worker, forecast_site, with_peaks
from ingest.errors import RecordFileError, StoreUnavailable
from ingest.instants import HOUR_MS, MINUTE_MS, to_rfc3339
from ingest.reading import Reading
from ingest.site import FirstFlush, Sensor, Site
from ingest.store.outlooks import GivenOutlook, GivenOutlooks
from ingest.store.readings import ReadingStore
from ingest.store.records import LogEntry, Records
from ingest.store.sqlite import SqliteStore
from tests.forecast.conftest import NOW_MS, levels
from tests.spoken import spoken


def test_a_chamber_that_somebody_emptied_is_in_the_facts_and_the_forecast(
    store: SqliteStore, records: Records, skerrow_head: Site
) -> None:
    """A full chamber of 60 L that nothing else empties takes the rain of 0.7 mm again."""
    by_hand = skerrow_head.model_copy(
        update={
            "roof": [r.model_copy(update={"first_flush": FirstFlush(volume_l=60.0)}) for r in skerrow_head.roof[:1]]
        }
    )
    hour = NOW_MS - NOW_MS % HOUR_MS
    store.write(levels({3 * 24 * 60: 1.0}))
    fell = {-200: 0.0, -199: 5.0, -24: 5.0, -23: 5.7, -1: 5.7}
    slow = by_hand.model_copy(update={"sensor": [s.model_copy(update={"every_s": 3600.0}) for s in by_hand.sensor]})
    store.write([Reading("skerrow-head", hour + h * HOUR_MS, "post-1/rain-total", mm) for h, mm in fell.items()])
    entry = LogEntry("skerrow-head", hour - 30 * HOUR_MS, "first-flush-emptied", "bunkhouse", "Ina")
    other = LogEntry("skerrow-head", hour - 30 * HOUR_MS, "upkeep", "clean-gutters", "Ina")
    assert gather(slow, store, NOW_MS, [entry, other]).emptied == ((entry.time_ms, "bunkhouse"),)
    left = forecast_site(slow, store, None, NOW_MS).tanks[0].volume_l.p50[0]
    emptied = forecast_site(slow, store, None, NOW_MS, log=[entry]).tanks[0].volume_l.p50[0]
    # 0.7 mm on 84 m² at about 0.85, less a wetting of 0.4 mm, are some 20 L.
    assert left - emptied == pytest.approx(21, abs=6)

    records.append_log(entry)
    now = {"ms": NOW_MS}
    worker = Worker({"skerrow-head": slow}, store, records, {}, lambda: now["ms"])
    worker.round()
    document = records.latest_forecast("skerrow-head")
    assert document is not None
    assert decode(document).tanks[0].volume_l.p50[0] == emptied


def test_a_record_tells_how_hard_it_rains_within_an_hour(skerrow_head: Site) -> None:
    rain = np.zeros(3 * 8766)
    rain[4000::8766] = 20.0
    record = RainRecord(0, rain, "showers")
    assert with_peaks(skerrow_head, record).rain_peak_factor == pytest.approx(6.0)
    assert with_peaks(skerrow_head, None) is skerrow_head
    daily = RainRecord(0, rain, "by days", daily=True)
    assert with_peaks(skerrow_head, daily).rain_peak_factor is None
    given = skerrow_head.model_copy(update={"rain_peak_factor": 2.0})
    assert with_peaks(given, record).rain_peak_factor == 2.0


def test_a_site_without_gauge_or_battery_gets_what_its_data_allow(store: SqliteStore, tarn_orchard: Site) -> None:
    store.write(
        [Reading("tarn-orchard", NOW_MS - 10 * MINUTE_MS, f"{tank}-post/level", 0.6) for tank in ("upper", "lower")]
    )
    forecast = forecast_site(tarn_orchard, store, None, NOW_MS)
    assert [tank.tank for tank in forecast.tanks] == ["upper", "lower"]
    assert forecast.battery is None
    assert any("No rain is measured here" in sentence for sentence in spoken(forecast.unknown))
    gauged = tarn_orchard.model_copy(
        update={
            "sensor": [*tarn_orchard.sensor, Sensor(device="gauge", name="rain", measures="rain.total", every_s=300)]
        }
    )
    silent = spoken(forecast_site(gauged, store, None, NOW_MS).unknown)
    assert any("Nothing has been heard from the rain gauge" in sentence for sentence in silent)
    assert not any("No rain is measured here" in sentence for sentence in silent)
    assert "monthly means" in spoken([forecast.inputs[-1].source])[0]
    assert forecast_site(tarn_orchard, store, None, NOW_MS) == forecast


def test_a_chance_does_not_jump_from_one_forecast_to_the_next_of_the_same_readings(
    store: SqliteStore, skerrow_head: Site
) -> None:
    store.write(levels({10: 1.0}))
    told = [forecast_site(skerrow_head, store, None, NOW_MS + step * 10 * MINUTE_MS) for step in range(12)]
    chances = np.array([forecast.tanks[0].overflows.by_day for forecast in told])
    assert 0.1 < chances.max() < 0.9
    # Drawn anew each time, a hundred members differ by a tenth and more.
    assert np.abs(np.diff(chances, axis=0)).max() <= 0.03


def test_a_round_records_each_site_and_one_failure_stops_no_other(
    store: SqliteStore, records: Records, skerrow_head: Site, tarn_orchard: Site, caplog: pytest.LogCaptureFixture
) -> None:
    store.write(levels({10: 1.0}))
    sites = {"tarn-orchard": tarn_orchard, "skerrow-head": skerrow_head}
    worker = Worker(sites, store, records, {}, lambda: NOW_MS)
    assert worker.round() == ["tarn-orchard"]
    document = records.latest_forecast("skerrow-head")
    assert document is not None
    assert to_rfc3339(decode(document).issued_ms) == "2026-11-10T10:25:00Z"
    assert records.latest_forecast("tarn-orchard") is None
    assert "no forecast for tarn-orchard: no usable level" in caplog.text


def test_a_mistake_of_ours_at_one_site_ends_no_others_forecasts(
    store: SqliteStore, records: Records, skerrow_head: Site, tarn_orchard: Site,
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture,
) -> None:  # fmt: skip
    store.write(levels({10: 1.0}))

    def mistaken(site: Site, *arguments: Any, **options: Any) -> Forecast:
        if site.id == "tarn-orchard":
            raise ValueError("zero-size array")
        return forecast_site(site, *arguments, **options)

    monkeypatch.setattr("forecast.worker.forecast_site", mistaken)
    worker = Worker({"tarn-orchard": tarn_orchard, "skerrow-head": skerrow_head}, store, records, {}, lambda: NOW_MS)
    assert worker.round() == ["tarn-orchard"]
    assert records.latest_forecast("skerrow-head") is not None
    assert "zero-size array" in caplog.text


class _AwayStore:
    """A store that cannot be reached."""

    def __getattr__(self, _name: str) -> object:
        raise StoreUnavailable("away")


def test_the_worker_outlives_an_absent_store_and_stops_when_told(records: Records, skerrow_head: Site) -> None:
    away: ReadingStore = _AwayStore()  # type: ignore[assignment]
    rounds = []
    stop = threading.Event()

    def clock() -> int:
        rounds.append(1)
        if len(rounds) == 2:
            stop.set()
        return NOW_MS

    Worker({"skerrow-head": skerrow_head}, away, records, {}, clock, every_s=0.01).run(stop)
    assert len(rounds) == 2


def test_a_mistake_of_ours_in_learning_does_not_end_the_forecaster(
    store: SqliteStore, records: Records, skerrow_head: Site
) -> None:
    stop = threading.Event()

    class Mistaken(Lessons):
        def go_on(self, now_ms: int) -> None:
            raise ZeroDivisionError

    class Judged(Judging):
        def go_on(self, now_ms: int) -> int:
            stop.set()
            return 0

    sites = {"skerrow-head": skerrow_head}
    lessons, judging = Mistaken(sites, store), Judged(sites, store, records)
    Worker(sites, store, records, {}, lambda: NOW_MS, every_s=0.01, lessons=lessons, judging=judging).run(stop)
    assert stop.is_set()


def test_rain_records_are_found_by_site(tmp_path: Path, skerrow_head: Site, tarn_orchard: Site) -> None:
    sites = {"skerrow-head": skerrow_head, "tarn-orchard": tarn_orchard}
    file = tmp_path / "skerrow-head.csv"
    file.write_text("time,rain_mm\n2026-01-01T00:00:00Z,1\n2026-01-01T01:00:00Z,2\n")
    assert set(load_rain(sites, tmp_path)) == {"skerrow-head"}
    assert load_rain(sites, None) == {}
    file.write_text("time,rain\n")
    with pytest.raises(RecordFileError, match="no column rain_mm"):
        load_rain(sites, tmp_path)


def test_between_two_rounds_only_the_sites_that_lack_a_forecast_are_tried(
    store: SqliteStore, records: Records, skerrow_head: Site, tarn_orchard: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("forecast.worker.RETRY_S", 0.01)
    store.write(levels({10: 1.0}))
    stop = threading.Event()
    asked: list[list[str]] = []

    class Watched(Worker):
        def round(self, names: Collection[str] | None = None) -> list[str]:
            lacking = super().round(names)
            asked.append(lacking if names is None else list(names))
            if len(asked) == 3:
                stop.set()
            return lacking

    sites = {"tarn-orchard": tarn_orchard, "skerrow-head": skerrow_head}
    Watched(sites, store, records, {}, lambda: NOW_MS).run(stop)
    assert asked == [["tarn-orchard"]] * 3
    assert len(records.forecasts("skerrow-head", 0, NOW_MS + 1)) == 1


def test_an_outlook_that_somebody_sent_is_used_while_it_is_fresh(
    store: SqliteStore, records: Records, skerrow_head: Site
) -> None:
    hour_ms = NOW_MS - NOW_MS % HOUR_MS
    outlook = Outlook(np.full((96, 2), 1.0), hour_ms, "the warden", hour_ms)
    given = GivenOutlooks(records)
    given.put(GivenOutlook("skerrow-head", hour_ms, NOW_MS, write_document(outlook)))
    now = [NOW_MS]
    worker = Worker({"skerrow-head": skerrow_head}, store, records, {}, lambda: now[0])

    def newest(level_age: int = 10) -> Forecast:
        store.write([Reading("skerrow-head", now[0] - level_age * MINUTE_MS, "post-1/level", 1.0)])
        worker.round()
        found = records.latest_forecast("skerrow-head")
        assert found is not None
        return decode(found)

    fresh = newest()
    (weather,) = [entry for entry in fresh.inputs if spoken([entry.name]) == ["rain outlook"]]
    assert spoken([weather.source])[0].startswith("the warden; then ")
    assert (weather.time_ms, weather.stale) == (hour_ms, False)
    assert fresh.rain_mm.p50[1] == pytest.approx(24.0, abs=1.0)
    now[0] += 13 * HOUR_MS
    assert next(entry for entry in newest().inputs if spoken([entry.name]) == ["rain outlook"]).stale
    now[0] += 36 * HOUR_MS
    assert next(entry for entry in newest().inputs if spoken([entry.name]) == ["rain outlook"]).time_ms is None
