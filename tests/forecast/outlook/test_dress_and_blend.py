"""One course made many, and many continued by the season."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forecast.outlook.blend import blend, with_age
from forecast.outlook.dress import COURSE, ENSEMBLE, dress
from forecast.outlook.ensemble import Floats, Outlook
from ingest.errors import OutlookUnavailable
from ingest.instants import DAY_MS, HOUR_MS, from_rfc3339
from tests.spoken import spoken

NOW_MS = from_rfc3339("2026-11-30T12:20:00Z")
HOUR_OF_NOW_MS = from_rfc3339("2026-11-30T12:00:00Z")
ISSUED_MS = from_rfc3339("2026-11-30T06:00:00Z")
PAST_H = 14 * 24
HOURS = PAST_H + 16 * 24 + 1
TIMELINE_MS = HOUR_OF_NOW_MS - PAST_H * HOUR_MS


def rng() -> np.random.Generator:
    return np.random.default_rng(11)


def season(courses: int = 40) -> Outlook:
    """Half of the courses rain 1 mm every hour, half are dry; each value names its course beyond the point."""
    wet = (np.arange(courses) % 2) * (1 + np.arange(courses) / 1000)
    return Outlook(np.tile(wet, (HOURS, 1)), TIMELINE_MS, "the season", distinct=courses)


def given(members: int, hours: int, *, start_ms: int = HOUR_OF_NOW_MS, rain: Floats | None = None) -> Outlook:
    values = np.tile(np.arange(members) + 10.0, (hours, 1)) if rain is None else rain
    return Outlook(values, start_ms, "a service", ISSUED_MS, members)


def test_the_service_has_its_days_and_the_season_the_rest() -> None:
    outlook = blend(given(10, 5 * 24), season(), NOW_MS, 100, rng(), corrected=True)
    assert outlook.rain_mm.shape == (HOURS, 100)
    assert outlook.start_ms == TIMELINE_MS
    own = outlook.rain_mm[PAST_H : PAST_H + 120]
    assert np.unique(own, return_counts=True)[1].tolist() == [10 * 120] * 10
    rest = np.delete(outlook.rain_mm, np.s_[PAST_H : PAST_H + 120], axis=0)
    assert rest.max() < 2
    # One course of the season for a member, before and after.
    assert (rest == rest[0]).all()
    assert not np.isnan(outlook.rain_mm).any()
    assert outlook.issued_ms == ISSUED_MS
    assert spoken([outlook.source])[0] == "a service; then the season"
    assert any("ends at Sat 5 Dec, 12:00" in note for note in spoken(outlook.notes))
    assert not outlook.stale
    assert 20 <= outlook.distinct <= 100


def test_each_member_goes_over_into_a_window_as_wet_or_dry_as_itself() -> None:
    rain = np.zeros((120, 10))
    rain[100:, ::2] = 2.0
    outlook = blend(given(10, 120, rain=rain), season(), NOW_MS, 60, rng(), corrected=True)
    wet = outlook.rain_mm[PAST_H + 119] > 0
    assert wet.sum() == 30
    np.testing.assert_array_equal(outlook.rain_mm[PAST_H + 120] > 0, wet)


def test_where_no_window_is_alike_any_serves() -> None:
    dry = replace(season(), rain_mm=np.zeros((HOURS, 5)))
    outlook = blend(given(4, 48), dry, NOW_MS, 20, rng(), corrected=True)
    assert (outlook.rain_mm[PAST_H + 48 :] == 0).all()


def test_a_day_before_the_joint_that_is_hardly_known_is_not_taken_for_dry() -> None:
    outlook = blend(given(10, 11, rain=np.zeros((11, 10))), season(), NOW_MS, 60, rng(), corrected=True)
    assert 20 < (outlook.rain_mm[PAST_H + 11] > 0).sum() < 40
    matched = blend(given(10, 12, rain=np.zeros((12, 10))), season(), NOW_MS, 60, rng(), corrected=True)
    assert (matched.rain_mm[PAST_H + 12] > 0).sum() == 0


def test_the_services_own_past_hours_are_kept() -> None:
    outlook = blend(given(3, 96, start_ms=HOUR_OF_NOW_MS - 24 * HOUR_MS), season(), NOW_MS, 30, rng(), corrected=True)
    assert (outlook.rain_mm[PAST_H - 24 : PAST_H + 72] >= 10).all()
    assert (outlook.rain_mm[: PAST_H - 24] < 2).all()


def test_gaps_are_filled_by_the_season_and_said() -> None:
    rain = np.full((48, 3), 10.0)
    rain[6:12] = np.nan
    rain[20, 1] = np.nan
    outlook = blend(given(3, 48, rain=rain), season(), NOW_MS, 30, rng(), corrected=True)
    assert (outlook.rain_mm[PAST_H + 6 : PAST_H + 12] < 2).all()
    assert ((outlook.rain_mm[PAST_H + 20] < 2).sum()) == 10
    assert "The weather outlook says nothing of 6 of its hours; the season stands in." in spoken(outlook.notes)


def test_temperature_and_radiation_go_with_their_members() -> None:
    source = replace(
        given(4, 48),
        temperature_c=np.tile(np.arange(4.0), (48, 1)),
        radiation_w_m2=np.tile(np.arange(4.0) * 100, (48, 1)),
    )
    outlook = blend(source, season(), NOW_MS, 20, rng(), corrected=True)
    assert outlook.temperature_c is not None
    assert outlook.radiation_w_m2 is not None
    now = slice(PAST_H, PAST_H + 48)
    np.testing.assert_array_equal(outlook.temperature_c[now] + 10, outlook.rain_mm[now])
    np.testing.assert_array_equal(outlook.radiation_w_m2[now] / 100 + 10, outlook.rain_mm[now])
    assert np.isnan(np.delete(outlook.temperature_c, now, axis=0)).all()
    assert blend(given(4, 48), season(), NOW_MS, 20, rng(), corrected=True).temperature_c is None


@pytest.mark.parametrize(
    ("issued_ms", "valid_until_ms", "said"),
    [
        (NOW_MS - 12 * HOUR_MS, None, None),
        (NOW_MS - 12 * HOUR_MS - 1, None, "is from Mon 30 Nov, 00:19, more than 12 hours ago"),
        (NOW_MS - HOUR_MS, NOW_MS - 1, "was good until Mon 30 Nov, 12:19 only"),
        (NOW_MS - HOUR_MS, NOW_MS, None),
    ],
)
def test_an_old_outlook_is_stale_and_says_so(issued_ms: int, valid_until_ms: int | None, said: str | None) -> None:
    source = replace(given(3, 48), issued_ms=issued_ms, valid_until_ms=valid_until_ms)
    outlook = blend(source, season(), NOW_MS, 10, rng(), corrected=True)
    assert outlook.stale == (said is not None)
    assert said is None or any(said in note for note in spoken(outlook.notes))


@pytest.mark.parametrize(
    ("outlook", "said"),
    [
        (replace(given(3, 999), issued_ms=NOW_MS - 49 * HOUR_MS), "more than 48 hours ago"),
        (replace(given(3, 9), issued_ms=NOW_MS + 2 * HOUR_MS), "still to come"),
        (given(3, 24, start_ms=HOUR_OF_NOW_MS - DAY_MS), "says nothing of the hours to come"),
        (given(3, 24, rain=np.full((24, 3), np.nan)), "says nothing of the hours to come"),
    ],
)
def test_an_outlook_beyond_use_is_refused(outlook: Outlook, said: str) -> None:
    with pytest.raises(OutlookUnavailable, match=said):
        with_age(outlook, NOW_MS)


def test_members_of_an_uncorrected_ensemble_leave_it_for_the_season() -> None:
    outlook = blend(given(50, 16 * 24, start_ms=ISSUED_MS), season(), NOW_MS, 1000, rng())
    own = outlook.rain_mm >= 10
    issue = (ISSUED_MS - TIMELINE_MS) // HOUR_MS
    for days, share in ((1, 0.97), (3, 0.76), (6.5, 0.27), (10, 0.05)):
        assert ENSEMBLE.share(days) == pytest.approx(share, abs=0.01)
        assert own[issue + round(days * 24)].mean() == pytest.approx(share, abs=0.01)
    assert not np.isnan(outlook.rain_mm).any()
    # Those who leave are of all kinds: the shares of the members stay even.
    counts = np.unique(outlook.rain_mm[issue + 5 * 24], return_counts=True)[1][-50:]
    assert counts.min() >= 3


def test_members_leave_a_single_course_as_the_lead_grows() -> None:
    course = given(1, 20 * 24, start_ms=ISSUED_MS)
    dressed = dress(course, 1000, rng())
    follows = ~np.isnan(dressed.rain_mm)
    for days in (1, 5, 10):
        assert follows[days * 24].mean() == pytest.approx(COURSE.share(days), abs=0.01)
    # Whoever has left does not come back.
    assert (follows[1:] <= follows[:-1]).all()
    assert "one course" in spoken(dressed.notes)[0]


def test_the_amounts_widen_with_the_lead_about_the_same_mean() -> None:
    course = given(1, 10 * 24, start_ms=ISSUED_MS)
    dressed = dress(course, 20_000, rng())
    logs = np.log(dressed.rain_mm / 10.0)
    assert np.nanstd(logs[3]) == pytest.approx(0.3, abs=0.02)
    assert np.nanstd(logs[5 * 24 + 3]) == pytest.approx(0.9, abs=0.03)
    for day in range(5):
        assert np.nanmean(dressed.rain_mm[24 * day]) == pytest.approx(10.0, rel=0.04)


def test_past_hours_of_a_course_are_not_dressed() -> None:
    dressed = dress(given(1, 72, start_ms=ISSUED_MS - DAY_MS), 50, rng())
    assert (dressed.rain_mm[:24] == 10.0).all()
    assert np.nanstd(dressed.rain_mm[25]) > 0


def test_a_dressed_course_ends_as_the_season() -> None:
    """Far ahead nothing is left of the course: the members are the season's, in its shares."""
    outlook = blend(given(1, 16 * 24, rain=np.zeros((16 * 24, 1))), season(), NOW_MS, 1000, rng())
    assert not np.isnan(outlook.rain_mm).any()
    first, last = outlook.rain_mm[PAST_H + 1] > 0, outlook.rain_mm[-1] > 0
    assert first.mean() < 0.1
    # Leavers join dry windows, as they were dry; the invented season stays dry or wet for ever.
    assert last.mean() < 0.1
    wet = blend(given(1, 16 * 24, rain=np.full((16 * 24, 1), 5.0)), season(), NOW_MS, 1000, rng())
    assert (wet.rain_mm[-1] > 0).mean() > 0.9


def test_an_ensemble_is_not_dressed() -> None:
    with pytest.raises(ValueError, match="one course"):
        dress(given(2, 24), 10, rng())
