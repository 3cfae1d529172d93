"""Which years of a record are run, and what stands in for them."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.model.draw import local_hours
from forecast.outlook.record import RainRecord
from forecast.sizing.check import design_check
from forecast.sizing.years import STAND_IN_YEARS, years_of_means, years_of_record
from ingest.errors import RecordFileError
from ingest.instants import HOUR_MS, from_rfc3339
from ingest.site import Site
from tests.forecast.sizing.made import showers, site_of


def test_whole_calendar_years_are_taken_where_that_costs_none() -> None:
    years = years_of_record(site_of(), showers(3))
    assert [year.label for year in years.years] == ["2021", "2022", "2023"]
    assert [len(year.rain_mm) for year in years.years] == [8760, 8760, 8760]
    assert not years.stand_in


def test_a_record_that_begins_in_autumn_gives_years_from_its_first_whole_month() -> None:
    whole = showers(3)
    cut = (from_rfc3339("2021-09-14T07:00:00Z") - whole.start_ms) // HOUR_MS
    record = RainRecord(whole.start_ms + cut * HOUR_MS, whole.rain_mm[cut:], "cut")
    assert [year.label for year in years_of_record(site_of(), record).years] == ["2022", "2023"]
    short = RainRecord(record.start_ms, record.rain_mm[: 13 * 730], "short")
    assert [year.label for year in years_of_record(site_of(), short).years] == ["2021-10 and a year on"]


def test_years_are_the_sites_own() -> None:
    site = site_of().model_copy(update={"timezone": "Pacific/Auckland"})
    begin = years_of_record(site, showers(3)).years[1].start_ms
    assert begin == from_rfc3339("2022-01-01T00:00:00+13:00")


def test_missing_is_not_zero() -> None:
    record = showers(3)
    holed = record.rain_mm.copy()
    holed[100:150] = np.nan
    holed[9000:10000] = np.nan
    years = years_of_record(site_of(), RainRecord(record.start_ms, holed, "holed"))
    assert [year.label for year in years.years] == ["2021", "2023"]
    assert (years.left_out, years.filled_h) == (["2022"], 50)
    np.testing.assert_array_equal(years.years[0].rain_mm[100:150], record.rain_mm[2 * 8760 + 100 : 2 * 8760 + 150])


def test_a_record_without_a_whole_year_is_refused_with_the_remedy() -> None:
    record = showers(1)
    with pytest.raises(RecordFileError, match="a design check needs one whole year"):
        years_of_record(site_of(), RainRecord(record.start_ms, record.rain_mm[:5000], "half"))


def test_monthly_means_come_out_as_they_were_given(tarn_orchard: Site) -> None:
    assert tarn_orchard.design is not None
    wanted = tarn_orchard.design.rain_mm
    years = years_of_means(tarn_orchard, wanted)
    assert years.stand_in
    assert len(years.years) == STAND_IN_YEARS
    totals = [year.rain_mm.sum() for year in years.years]
    assert np.mean(totals) == pytest.approx(sum(wanted), rel=1e-6)
    # A seventh of the mean from year to year, more or less.
    assert 0.08 < np.std(totals) / np.mean(totals) < 0.25


@pytest.mark.parametrize("zone", ["Asia/Kolkata", "Asia/Kathmandu", "Australia/Adelaide", "Pacific/Chatham"])
def test_years_are_whole_where_local_midnight_is_no_full_hour_of_utc(zone: str) -> None:
    site = site_of().model_copy(update={"timezone": zone})
    for years in (years_of_record(site, showers(3)), years_of_means(site, [50.0] * 12)):
        for year in years.years:
            _, month, _ = local_hours(site, year.start_ms, len(year.rain_mm))
            assert (month[0], month[-1], int(np.count_nonzero(np.diff(month)))) == (1, 12, 11)
    assert len(design_check(site, showers(3)).figures.months) == 12
