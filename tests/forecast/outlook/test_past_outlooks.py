"""What was said of the days, kept until what fell is known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from forecast.outlook.ensemble import Floats, Outlook
from forecast.outlook.past import LEAD_DAYS, MOST_ISSUES, REFIT_CASES, PastOutlooks, Said
from ingest.instants import DAY_MS, HOUR_MS, from_rfc3339

DAY = from_rfc3339("2026-11-30T00:00:00Z")
NOW_MS = DAY + 10 * HOUR_MS


def saying(now_ms: int, mm_day: float) -> Outlook:
    """Five members that say so much a day for four days from the hour on."""
    rain = np.full((4 * 24, 5), mm_day / 24) * np.arange(1.0, 6.0)
    return Outlook(rain, now_ms - now_ms % HOUR_MS, "x", now_ms)


def measured(days: float, mm_day: float = 2.4) -> Floats:
    return np.full(round(days * 24), mm_day / 24)


def test_a_case_is_complete_when_its_day_is_measured(tmp_path: Path) -> None:
    past = PastOutlooks(tmp_path / "skerrow-head.past.json")
    past.note(saying(NOW_MS, 1.0), DAY, measured(0.4), NOW_MS)
    past.note(saying(NOW_MS + 3 * DAY_MS, 2.0), DAY, measured(2.4), NOW_MS + 3 * DAY_MS)
    again = PastOutlooks(tmp_path / "skerrow-head.past.json")
    first, second = again._past.issues
    assert first.first_ms == DAY + DAY_MS
    assert first.said[0] == Said(5, 1.6765, round(float(np.log(np.sqrt(np.arange(1.0, 6.0)).std(ddof=1))), 4))
    assert first.said[3:] == [None] * (LEAD_DAYS - 3)
    assert first.fell[:2] == [pytest.approx(2.4), None]
    assert second.fell == [None] * LEAD_DAYS


def test_a_day_counts_once_and_unmeasured_hours_are_not_dry(tmp_path: Path) -> None:
    past = PastOutlooks(tmp_path / "x.json")
    past.note(saying(NOW_MS, 1.0), DAY, measured(0.4), NOW_MS)
    past.note(saying(NOW_MS + HOUR_MS, 9.0), DAY, measured(0.4), NOW_MS + HOUR_MS)
    (issue,) = past._past.issues
    assert issue.said[0] is not None
    assert issue.said[0].mean_root == pytest.approx(1.6765, abs=1e-4)
    rain = measured(3)
    rain[30] = np.nan
    past.note(saying(NOW_MS + 3 * DAY_MS, 1.0), DAY, rain, NOW_MS + 3 * DAY_MS)
    assert issue.fell[:3] == [None, pytest.approx(2.4), None]


def test_it_takes_300_cases_of_as_many_members(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    past = PastOutlooks(tmp_path / "x.json")
    for day in range(302):
        now_ms = NOW_MS + day * DAY_MS
        said = saying(now_ms, float(rng.gamma(0.8, 4.0)))
        rain = np.repeat(rng.gamma(0.8, 4.0, 3), 24) / 24
        past.note(said, DAY + (day - 2) * DAY_MS, rain, now_ms)
        if day == 299:
            assert past.fits(5) == {}
    fits = past.fits(5)
    assert 0 in fits
    assert fits[0].cases >= 300
    assert 9 not in fits
    assert past.fits(6) == {}
    # Kept with the file, and fitted again only when enough has been learnt.
    again = PastOutlooks(tmp_path / "x.json")
    assert again.fits(5) == fits
    again._past.fits[0].cases -= REFIT_CASES - 1
    assert again.fits(5)[0].cases == fits[0].cases - REFIT_CASES + 1
    again._past.fits[0].cases -= 1
    assert again.fits(5) == fits


def test_only_three_years_are_kept(tmp_path: Path) -> None:
    past = PastOutlooks(tmp_path / "x.json")
    past._write = lambda: None  # type: ignore[method-assign]
    for day in range(MOST_ISSUES + 5):
        past.note(saying(NOW_MS + day * DAY_MS, 1.0), DAY, measured(0), NOW_MS + day * DAY_MS)
    assert len(past._past.issues) == MOST_ISSUES


def test_a_damaged_file_is_begun_anew_and_logged(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    file = tmp_path / "x.json"
    file.write_text("[{")
    past = PastOutlooks(file)
    assert "begun anew" in caplog.text
    past.note(saying(NOW_MS, 1.0), DAY, measured(0.4), NOW_MS)
    assert len(PastOutlooks(file)._past.issues) == 1
    blocked = PastOutlooks(file / "below" / "x.json")
    blocked.note(saying(NOW_MS, 1.0), DAY, measured(0.4), NOW_MS)
    assert "cannot be kept" in caplog.text
