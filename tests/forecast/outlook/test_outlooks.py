"""Rain records, windows of history, monthly means."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from forecast.outlook.ensemble import Outlook
from forecast.outlook.history import history_outlook
from forecast.outlook.monthly import monthly_outlook
from forecast.outlook.record import RainRecord, read_record
from ingest.errors import ForecastUnavailable, RecordFileError
from ingest.instants import DAY_MS, HOUR_MS, from_rfc3339, to_datetime
from tests.spoken import spoken

START_MS = from_rfc3339("2020-01-01T00:00:00Z")
UTC = ZoneInfo("UTC")


def written(tmp_path: Path, text: str) -> Path:
    file = tmp_path / "rain.csv"
    file.write_text(text)
    return file


def test_an_hourly_record_keeps_its_gaps(tmp_path: Path) -> None:
    record = read_record(
        written(
            tmp_path, "time,rain_mm\n2020-01-01T00:00:00Z,1.5\n2020-01-01T01:00:00Z,\n2020-01-01T04:00:00+01:00,2\n"
        ),
        UTC,
    )
    assert record.start_ms == START_MS
    np.testing.assert_array_equal(record.rain_mm, [1.5, np.nan, np.nan, 2.0])
    assert not record.daily


def test_a_daily_record_is_spread_and_its_totals_are_kept(tmp_path: Path) -> None:
    record = read_record(
        written(tmp_path, "time,rain_mm\n2020-01-01T00:00:00Z,12\n2020-01-02T00:00:00Z,\n2020-01-03T00:00:00Z,6\n"),
        UTC,
    )
    assert record.daily
    assert len(record.rain_mm) == 72
    assert record.rain_mm[:24].sum() == pytest.approx(12.0)
    assert np.isnan(record.rain_mm[24:48]).all()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("time,mm\n2020-01-01T00:00:00Z,1\n", "no column rain_mm"),
        ("time,rain_mm\n", "no rows"),
        ("time,rain_mm\n2020-01-01T00:00:00Z,1\nyesterday,2\n", "data row 2"),
        ("time,rain_mm\n2020-01-01T00:00:00Z,wet\n", "data row 1"),
        ("time,rain_mm\n2020-01-01T00:00:00Z,-1\n", "0 mm or more"),
        ("time,rain_mm\n2020-01-01T00:00:00Z,1\n2020-01-01T00:00:00Z,1\n", "each time once"),
        ("time,rain_mm\n2020-01-01T00:00:00Z,1\n2020-01-01T01:00:00Z,900\n", "is the unit mm"),
        ("time,rain_mm\n2020-01-01T00:00:00Z,1\n2020-01-08T00:00:00Z,2\n", "168 h apart"),
    ],
)
def test_a_bad_record_is_refused_with_row_and_remedy(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(RecordFileError, match=said):
        read_record(written(tmp_path, text), UTC)


def test_no_file_is_a_clear_error(tmp_path: Path) -> None:
    with pytest.raises(RecordFileError, match=r"nowhere\.csv"):
        read_record(tmp_path / "nowhere.csv", UTC)


def years(count: int) -> RainRecord:
    """Each hour's rain names its year and day, so that a window can be recognised."""
    hours = np.arange(count * 365 * 24)
    return RainRecord(START_MS, hours // 24 / 1000.0, "counted")


def distance_d(outlook: Outlook, start_ms: int) -> tuple[list[int], set[int]]:
    """Days from this day of the year to the windows' first days, and their years."""
    first_day = np.round(outlook.rain_mm[0] * 1000).astype(int)
    dates = [to_datetime(START_MS + int(day) * DAY_MS).replace(tzinfo=None) for day in first_day]
    today = to_datetime(start_ms).replace(tzinfo=None)
    return [abs((date.replace(year=today.year) - today).days) for date in dates], {date.year for date in dates}


def test_windows_are_whole_and_of_this_season_and_hour() -> None:
    start_ms = from_rfc3339("2027-06-15T09:00:00Z")
    outlook = history_outlook(years(7), start_ms, 240, 50, np.random.default_rng(1))
    assert outlook.rain_mm.shape == (240, 50)
    days, of_years = distance_d(outlook, start_ms)
    assert max(days) <= 30 + 2
    assert of_years == set(range(2020, 2027))
    # 15 hours of the first day are left, then the next day begins.
    np.testing.assert_allclose(outlook.rain_mm[15] - outlook.rain_mm[14], 0.001, atol=1e-9)


@pytest.mark.parametrize(("count", "season_d"), [(1, 45), (2, 45), (3, 45), (4, 30), (30, 30)])
def test_of_few_years_a_wider_season_counts(count: int, season_d: int) -> None:
    # 61 windows a year: three years have 183 of them.
    start_ms = START_MS + (count * 365 + 165) * DAY_MS
    outlook = history_outlook(years(count), start_ms, 240, 500, np.random.default_rng(1))
    assert season_d - 3 <= max(distance_d(outlook, start_ms)[0]) <= season_d + 2
    assert f"{season_d} days either side" in spoken([outlook.source])[0]


def test_the_years_own_windows_can_be_left_out() -> None:
    start_ms = from_rfc3339("2021-06-15T09:00:00Z")
    outlook = history_outlook(years(3), start_ms, 240, 50, np.random.default_rng(1), without_year=2021)
    days = np.round(outlook.rain_mm * 1000).astype(int)
    assert {to_datetime(START_MS + int(day) * DAY_MS).year for day in days.ravel()} == {2020, 2022}


def test_a_window_with_a_long_gap_is_not_used() -> None:
    record = years(2)
    record.rain_mm[365 * 24 :] = np.nan
    outlook = history_outlook(record, from_rfc3339("2022-06-15T00:00:00Z"), 240, 20, np.random.default_rng(1))
    assert outlook.rain_mm.max() < 0.365
    with pytest.raises(ForecastUnavailable, match="no whole window"):
        history_outlook(
            RainRecord(START_MS, np.full(900, np.nan), "empty"), START_MS, 240, 20, np.random.default_rng(1)
        )


def test_monthly_means_are_met_in_the_mean_with_a_real_spread() -> None:
    monthly = [62.0, 48, 51, 44, 52, 60, 66, 74, 70, 82, 75, 68]
    start_ms = from_rfc3339("2026-07-01T05:00:00Z")
    outlook = monthly_outlook(monthly, start_ms, 30 * 24, 4000, np.random.default_rng(1))
    totals = outlook.rain_mm.sum(axis=0)
    assert totals.mean() == pytest.approx(66.0, rel=0.06)
    assert 0.4 < totals.std() / totals.mean() < 0.9
    assert (outlook.rain_mm >= 0).all()
    assert 0.02 < (outlook.rain_mm > 0).mean() < 0.2


def test_a_window_beyond_the_record_is_unknown_not_dry() -> None:
    record = RainRecord(START_MS, np.ones(10), "short")
    assert np.isnan(record.window(START_MS - 2 * HOUR_MS, 4)).tolist() == [True, True, False, False]


def spells(count: int) -> RainRecord:
    """Ten dry days, then ten wet ones, over and over, in step with no year."""
    days = np.arange(count * 365) // 10 % 2
    return RainRecord(START_MS, np.repeat(days * 0.5, 24), "spells")


def test_windows_like_the_last_days_are_drawn_more_often() -> None:
    start_ms, past_h = from_rfc3339("2023-06-01T06:00:00Z"), 14 * 24

    def tomorrow(measured_mm: np.ndarray[tuple[int], np.dtype[np.float64]] | None) -> float:
        rng = np.random.default_rng(1)
        outlook = history_outlook(spells(8), start_ms, 30 * 24, 100, rng, measured_mm=measured_mm)
        return float(outlook.rain_mm[past_h : past_h + 24].sum(axis=0).mean())

    assert tomorrow(None) == pytest.approx(6.0, abs=0.5)
    assert tomorrow(np.zeros(past_h)) < 3.0
    assert tomorrow(np.full(past_h, 0.5)) > 9.0
    # What was not measured is neither wet nor dry.
    assert tomorrow(np.full(past_h, np.nan)) == tomorrow(None)


def test_one_day_like_no_other_does_not_leave_one_window_alone() -> None:
    start_ms, past_h = from_rfc3339("2023-06-01T06:00:00Z"), 14 * 24
    drizzle = np.random.default_rng(2).exponential(0.1, 8 * 365 * 24)
    once = RainRecord(START_MS, drizzle, "one deluge")
    before = (from_rfc3339("2021-06-01T06:00:00Z") - START_MS) // HOUR_MS + past_h
    drizzle[before - 24 : before] = 40.0
    deluge = np.zeros(past_h)
    deluge[-24:] = 40.0
    outlook = history_outlook(once, start_ms, 30 * 24, 100, np.random.default_rng(1), measured_mm=deluge)
    assert 15 < outlook.distinct < 60
