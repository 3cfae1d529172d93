"""Daily rain: one answer however its days are stamped, totals kept, days of 23 and 25 hours, calendars with holes."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast.outlook.days import SPELL_BEGINS_H, SPELL_H, named_day, spread_days
from forecast.outlook.record import RainRecord, read_record
from forecast.sizing.check import design_check
from ingest.errors import RecordFileError
from ingest.instants import HOUR_MS, to_datetime
from tests.forecast.sizing.made import site_of

#: West and east of Greenwich, with and without summer time (one at midnight), half hours, near the date line.
ZONES = (
    "America/Tegucigalpa", "Europe/London", "America/Santiago", "Asia/Kolkata", "Pacific/Auckland", "Pacific/Chatham",
    "Pacific/Pago_Pago",
)  # fmt: skip
FIRST = date(2023, 1, 1)
DAYS = 365


def _local(day: date, zone: ZoneInfo, hour: int) -> datetime:
    return datetime.combine(day, time(hour), zone)


WAYS: dict[str, Callable[[date, ZoneInfo], str]] = {
    "date": lambda day, zone: day.isoformat(),
    "midnight UTC": lambda day, zone: f"{day}T00:00:00Z",
    "midnight, no offset": lambda day, zone: f"{day}T00:00:00",
    "midnight here": lambda day, zone: _local(day, zone, 0).isoformat(),
    "midnight elsewhere": lambda day, zone: f"{day}T00:00:00+09:30",
    "midnight here, in UTC": lambda day, zone: _local(day, zone, 0).astimezone(UTC).isoformat(),
    "9 h here": lambda day, zone: _local(day, zone, 9).isoformat(),
    "15 h here, in UTC": lambda day, zone: f"{_local(day, zone, 15).astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
    "the end of the evening": lambda day, zone: _local(day, zone, 23).isoformat(),
    "9 h, no offset": lambda day, zone: f"{day}T09:00:00",
}


def _record(file: Path, zone: ZoneInfo, way: Callable[[date, ZoneInfo], str], days: int = DAYS) -> RainRecord:
    """A year of showers by chance, one day not known and one without a row."""
    rng = np.random.default_rng(4)
    rain = [f"{depth:.1f}" for depth in rng.exponential(8.0, days) * (rng.random(days) < 0.4)]
    rain[100] = ""
    stamps = [way(FIRST + timedelta(days=place), zone) for place in range(days)]
    rows = [f"{stamp},{depth}" for stamp, depth in zip(stamps, rain, strict=True)]
    del rows[200]
    file.write_text("time,rain_mm\n" + "\n".join(rows) + "\n")
    return read_record(file, zone)


@pytest.mark.parametrize("name", ZONES)
def test_days_are_the_same_however_they_are_stamped(tmp_path: Path, name: str) -> None:
    zone = ZoneInfo(name)
    plain = _record(tmp_path / "rain.csv", zone, WAYS["date"])
    for said, way in WAYS.items():
        record = _record(tmp_path / "rain.csv", zone, way)
        assert record.daily
        assert record.start_ms == plain.start_ms, said
        np.testing.assert_array_equal(record.rain_mm, plain.rain_mm, said)
    wet = np.flatnonzero(plain.rain_mm > 0)
    at = [to_datetime(plain.start_ms + int(hour) * HOUR_MS).astimezone(zone).hour for hour in wet]
    assert set(at) == set(range(SPELL_BEGINS_H, SPELL_BEGINS_H + SPELL_H))


def test_a_design_gives_one_answer_however_days_are_stamped(tmp_path: Path) -> None:
    site = site_of(
        timezone="America/Tegucigalpa", latitude=14.1, longitude=-87.2,
        roof=[{"id": "r", "plan_area_m2": 100, "runoff_coefficient": 0.9, "wetting_loss_mm": 0.5, "tank": "box"}],
    )  # fmt: skip
    found = set()
    for said in ("date", "midnight UTC", "midnight here", "midnight here, in UTC", "9 h here", "15 h here, in UTC"):
        total = design_check(site, _record(tmp_path / "rain.csv", site.zone, WAYS[said])).figures.total
        found.add((total.captured_l, total.wetting_loss_l, total.spilled_l))
    assert len(found) == 1


@given(
    first=st.dates(date(1935, 1, 1), date(2035, 1, 1)),
    rain_mm=st.lists(st.one_of(st.none(), st.floats(0, 500)), min_size=2, max_size=60),
    name=st.sampled_from(ZONES),
)
def test_each_day_keeps_its_rain_and_its_hours(first: date, rain_mm: list[float | None], name: str) -> None:
    zone, wanted = ZoneInfo(name), np.array([np.nan if depth is None else depth for depth in rain_mm])
    start_ms, hours = spread_days(first, wanted, zone)
    at = [to_datetime(start_ms + hour * HOUR_MS).astimezone(zone).date() for hour in range(len(hours))]
    place = np.array([(day - first).days for day in at])
    assert place[0] == 0
    assert place[-1] == len(wanted) - 1
    whole = np.bincount(place, hours, len(wanted))
    np.testing.assert_allclose(whole, wanted, atol=1e-9)
    assert np.bincount(place).min() >= 22


def test_days_of_23_and_25_hours() -> None:
    zone = ZoneInfo("Europe/London")
    assert [len(spread_days(day, np.ones(1), zone)[1]) for day in (date(2023, 3, 26), date(2023, 10, 29))] == [23, 25]


@pytest.mark.parametrize("last", [1, 2])
def test_a_date_that_a_calendar_left_out_loses_no_rain(last: int) -> None:
    # Apia crossed the date line: 30 December 2011 was never there (IANA time zone database).
    rain = np.array([1.0, 2.0, 4.0])[: last + 1]
    _, hours = spread_days(date(2011, 12, 29), rain, ZoneInfo("Pacific/Apia"))
    assert len(hours) == 24 * last
    assert hours.sum() == pytest.approx(rain.sum())


@pytest.mark.parametrize(
    ("stamp", "day"),
    [
        ("2023-01-01T00:00:00+00:00", 1), ("2023-01-01T00:00:00-06:00", 1), ("2023-01-01T06:00:00+00:00", 1),
        ("2023-01-01T07:00:00", 1), ("2023-01-02T05:59:00+00:00", 1), ("2023-01-02T03:00:00+00:00", 1),
        ("2023-01-02T12:00:00+00:00", 2),
    ],
)  # fmt: skip
def test_the_day_that_a_stamp_names_at_utc_minus_6(stamp: str, day: int) -> None:
    assert named_day(datetime.fromisoformat(stamp), ZoneInfo("America/Tegucigalpa")) == date(2023, 1, day)


def test_a_zone_of_the_stamps_changes_nothing_at_midnight() -> None:
    stamps = {datetime(2023, 5, 1, tzinfo=timezone(timedelta(hours=hours))) for hours in range(-12, 15)}
    assert {named_day(stamp, ZoneInfo("Pacific/Auckland")) for stamp in stamps} == {date(2023, 5, 1)}


@pytest.mark.parametrize("odd", ["2023-01-03T12:00:00Z", "2023-01-02T01:00:00Z"])
def test_a_row_between_days_and_a_day_twice_are_refused_with_a_remedy(tmp_path: Path, odd: str) -> None:
    file = tmp_path / "rain.csv"
    rows = ["2023-01-01T00:00:00Z", "2023-01-02T00:00:00Z", odd, "2023-01-04T00:00:00Z", "2023-01-05T00:00:00Z"]
    file.write_text("time,rain_mm\n" + "\n".join(f"{row},1" for row in rows) + "\n")
    with pytest.raises(RecordFileError, match="does not start a day like the rows before it; write the date alone"):
        read_record(file, ZoneInfo("UTC"))
