"""The account of a simulated site: it adds up, comes near the truth, and says what is not known."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import msgspec
import numpy as np
import pytest

from api.languages.language import language
from api.speech import Speaker
from forecast.account.account import account
from forecast.account.designed import design_rain_mm, drying_of, months_of
from forecast.account.measured import Measured
from forecast.account.named import netted
from forecast.account.result import CAUSES, Account, Part, Period
from forecast.account.whatif import altered, what_if
from forecast.account.words import _left, lead
from ingest.errors import SettingsError, SiteFileError
from ingest.instants import HOUR_MS, from_rfc3339
from ingest.site import Site
from tests.reference.account_sites import Happened, played

DAYS = 100
Played = tuple[Site, Measured, Happened]


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Played:
    """A hundred days of a site with meters at inlet and draw."""
    return played(3, "clean", tmp_path_factory.mktemp("season"), DAYS)


def assert_adds_up(period: Period) -> None:
    """Within 0.1 %, which the aims ask for; really to the rounding of sums."""
    assert [part.cause for part in period.parts] == list(CAUSES)
    parts_l = sum(part.litres for part in period.parts)
    assert parts_l == pytest.approx(period.shortfall_l, abs=1e-6 * max(1.0, period.designed_yield_l))
    assert period.shortfall_l == pytest.approx(period.designed_yield_l - period.actual_yield_l)
    for flows, closure_l in ((period.designed, 0.0), (period.actual, period.actual.closure_l)):
        left_l = flows.inflow_l - flows.yield_l - flows.spilled_l - flows.lost_l - flows.evaporated_l - flows.stored_l
        assert left_l == pytest.approx(closure_l, abs=1e-5)


def test_parts_add_up_in_every_period_and_months_to_the_whole(season: Played) -> None:
    site, measured, _ = season
    found = account(site, measured)
    assert [month.name for month in found.months] == ["2025-01", "2025-02", "2025-03", "2025-04"]
    assert [one.name for one in found.seasons] == ["2024-12", "2025-03"]
    for period in (found.whole, *found.months, *found.seasons):
        assert_adds_up(period)
    for cause in CAUSES:
        assert sum(month.part(cause) for month in found.months) == pytest.approx(found.whole.part(cause), abs=1e-4)
    assert sum(month.hours for month in found.months) == found.whole.hours == DAYS * 24


def test_a_clean_season_comes_near_the_truth(season: Played) -> None:
    site, measured, truth = season
    found = account(site, measured)
    assert found.whole.actual_yield_l == pytest.approx(truth.drawn_l, rel=0.02)
    assert found.whole.actual.spilled_l == pytest.approx(truth.spilled_l, rel=0.05)
    assert found.whole.actual.inflow_l == pytest.approx(truth.inflow_l, rel=0.02)
    assert found.roofs[0].coefficient == pytest.approx(site.roof[0].runoff_coefficient, abs=0.05)
    assert {one.cause for one in found.whole.named} <= {"rain", "not-drawn", "full"}
    # What is left over makes the parts add up whatever they are: so it has to be small.
    assert abs(found.whole.part("unexplained")) < 0.05 * found.whole.designed_yield_l


def test_hours_that_were_not_measured_are_missing_and_not_zero(season: Played) -> None:
    site, measured, truth = season
    rain, drawn = measured.rain_mm.copy(), measured.drawn_l["d"].copy()
    rain[500:700] = np.nan
    drawn[1_000:1_100] = np.nan
    gaps = replace(measured, rain_mm=rain, drawn_l={"d": drawn})
    found = account(site, gaps)
    assert_adds_up(found.whole)
    whole, complete = found.whole, account(site, measured).whole
    assert (whole.drawn_h, whole.rain_h, whole.told_h) == (DAYS * 24 - 100, DAYS * 24 - 200, DAYS * 24 - 300)
    # Of the hours without a draw's meter nothing is known, and nothing is held against what the design promised.
    assert whole.actual_yield_l < 0.97 * truth.drawn_l
    assert whole.untold_yield_l > 0.01 * complete.designed_yield_l
    assert whole.designed_yield_l + whole.untold_yield_l == pytest.approx(complete.designed_yield_l, rel=0.03)
    # Rain is held against the design's of the same hours.
    assert whole.design_rain_mm == pytest.approx(complete.design_rain_mm * 2_200 / 2_400, rel=0.05)
    assert whole.part("missing") != 0.0


def test_the_account_begins_with_the_first_reading(season: Played) -> None:
    site, measured, _ = season
    since = 60 * 24
    late = replace(
        measured,
        level_m={"t": np.where(np.arange(measured.hours + 1) < since, np.nan, measured.level_m["t"])},
        mean_m={"t": np.where(np.arange(measured.hours) < since, np.nan, measured.mean_m["t"])},
        drawn_l={"d": np.where(np.arange(measured.hours) < since, np.nan, measured.drawn_l["d"])},
        caught_l={"r": np.where(np.arange(measured.hours) < since, np.nan, measured.caught_l["r"])},
    )
    found = account(site, late)
    assert found.asked_ms == measured.start_ms
    assert found.start_ms == measured.start_ms + since * HOUR_MS
    assert [month.name for month in found.months] == ["2025-03", "2025-04"]
    assert_adds_up(found.whole)
    # Forty days were measured, and forty days of the design's rain and yield stand beside them.
    assert site.design is not None
    assert found.whole.design_rain_mm == pytest.approx(
        site.design.rain_mm[2] * 30 / 31 + site.design.rain_mm[3] / 3, rel=0.01
    )
    assert found.whole.designed_yield_l < 0.5 * account(site, measured).whole.designed_yield_l
    assert any(text.startswith("Nothing was measured from {asked} until {start}") for text in lead_texts(found))
    assert not any(text.startswith("Nothing was measured") for text in lead_texts(account(site, measured)))
    assert what_if(site, late, ["tank.t.overflow_height_m=1.6"]).months == ["2025-03", "2025-04"]


def test_each_month_has_its_own_reasons(season: Played) -> None:
    site, measured, _ = season
    drawn = measured.drawn_l["d"].copy()
    # In March nobody draws more than half of what the design wants.
    drawn[59 * 24 : 90 * 24] *= 0.5
    found = account(site, replace(measured, drawn_l={"d": drawn}))
    for month in found.months:
        parts = {part.cause: part.litres for part in netted(month.parts)}
        assert all(one.litres == parts[one.cause] for one in month.named)
    causes = {month.name: [one.cause for one in month.named] for month in found.months}
    assert "not-drawn" in causes["2025-03"]
    assert "not-drawn" not in causes["2025-02"]


def lead_texts(found: Account) -> list[str]:
    return [sentence.text for sentence in lead(found, found.whole)]


def test_more_than_promised_is_called_so_and_is_no_shortfall(season: Played) -> None:
    site, measured, _ = season
    found = account(site, measured)
    whole = msgspec.structs.replace(
        found.whole, shortfall_l=-160.0, designed_yield_l=found.whole.actual_yield_l - 160.0
    )
    said = [Speaker(site.zone).say(sentence) for sentence in lead(found, whole)]
    assert "That is 160 L more than promised." in said
    assert not any("shortfall" in sentence for sentence in said)
    assert not any("more than promised" in text for text in lead_texts(found))
    assert "Son 160 L más de lo prometido." in [
        Speaker(site.zone, language("es")).say(one) for one in lead(found, whole)
    ]


@pytest.mark.parametrize(
    ("litres", "shortfall_l", "said"),
    [
        (11.0, 900.0, None),
        (-11.0, -160.0, None),
        (300.0, 900.0, "300 L of the shortfall, give or take 200 L, has no known cause."),
        (-300.0, 900.0, "The known causes come to 300 L more than the shortfall, give or take 200 L."),
        (300.0, -160.0, "By the known causes 300 L more should have been drawn, give or take 200 L."),
        (-300.0, -160.0, "By the known causes 300 L less should have been drawn, give or take 200 L."),
    ],
)
def test_what_the_causes_leave_over_is_told_when_it_stands_out_of_its_band(
    litres: float, shortfall_l: float, said: str | None
) -> None:
    speaker = Speaker(ZoneInfo("UTC"))
    found = [speaker.say(one) for one in _left(Part("unexplained", litres, 100.0), shortfall_l)]
    assert found == ([said] if said else [])


def test_without_any_rain_the_account_says_so_and_blames_nobody(season: Played) -> None:
    site, measured, truth = season
    found = account(site, replace(measured, rain_mm=np.full(measured.hours, np.nan)))
    assert found.whole.told_h == 0
    assert found.whole.actual_yield_l == pytest.approx(truth.drawn_l, rel=0.02)
    assert found.whole.part("missing") == pytest.approx(found.whole.shortfall_l)
    assert any("No rain was measured" in note.text for note in found.notes)


def test_a_site_without_a_design_is_refused_with_what_to_do(season: Played) -> None:
    site, measured, _ = season
    with pytest.raises(SettingsError, match=r"give the site file a \[design\]"):
        account(site.model_copy(update={"design": None}), measured)


def test_the_designs_rain_is_the_designs_in_every_month(season: Played) -> None:
    site, measured, _ = season
    assert site.design is not None
    rain_mm, months = design_rain_mm(site, measured), months_of(site, measured)
    for month in range(3):
        of = rain_mm[months == 2025 * 12 + month]
        assert of.sum() == pytest.approx(site.design.rain_mm[month])
    # Of April ten days were seen, and so a third of its rain is due; it falls where rain fell, or in spells.
    assert rain_mm[months == 2025 * 12 + 3].sum() == pytest.approx(site.design.rain_mm[3] * 10 / 30)
    dry = replace(measured, rain_mm=np.zeros(measured.hours))
    assert design_rain_mm(site, dry).sum() == pytest.approx(rain_mm.sum())


def test_months_follow_the_sites_clock_over_the_new_year(skerrow_head: Site) -> None:
    start_ms = from_rfc3339("2025-12-31T22:00:00Z")
    months = months_of(skerrow_head, Measured(start_ms, np.zeros(4)))
    assert months.tolist() == [2025 * 12 + 11] * 2 + [2026 * 12] * 2


def test_what_if_runs_the_same_months_with_one_thing_changed(season: Played) -> None:
    site, measured, truth = season
    larger = what_if(site, measured, ["tank.t.overflow_height_m=1.6"])
    assert larger.as_it_is.yield_l == pytest.approx(truth.drawn_l, rel=0.05)
    assert larger.measured_yield_l == pytest.approx(truth.drawn_l, rel=0.001)
    assert larger.changed.spilled_l < larger.as_it_is.spilled_l - 200
    assert larger.changed.short_days <= larger.as_it_is.short_days
    assert sum(larger.changed.yield_by_month_l) == pytest.approx(larger.changed.yield_l)
    thirsty = what_if(site, measured, ["draw.d.litres_per_day=500.0"])
    assert thirsty.changed.yield_l > thirsty.as_it_is.yield_l
    assert thirsty.changed.unmet_l > thirsty.as_it_is.unmet_l
    no_flush = what_if(site, measured, ["roof.r.first_flush.volume_l=0.0"])
    assert (
        no_flush.changed.yield_l + no_flush.changed.spilled_l > no_flush.as_it_is.yield_l + no_flush.as_it_is.spilled_l
    )


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ("tank.t.overflow_height_m", "expected key=value"),
        ("tank.x.overflow_height_m=2", "there is no x; there is t"),
        ("roof.r.colour=red", "colour"),
        ("tank.t.overflow_height_m=0.05", "outlet_height_m below"),
    ],
)
def test_a_change_that_no_site_could_have_is_refused(season: Played, change: str, complaint: str) -> None:
    with pytest.raises((SettingsError, SiteFileError), match=complaint):
        altered(season[0], [change])


def test_a_roof_dries_in_rain_by_a_quarter_to_half_of_what_it_does_else(season: Played) -> None:
    site, measured, _ = season
    dry_mm, wet_mm = (drying_of(site, measured.start_ms, np.full(48, rain_mm)) for rain_mm in (0.0, 1.0))
    assert dry_mm.max() > 0
    # FAO-56, equation 35, from memory: an overcast sky lets through half of what one with sun in half its hours does.
    assert (0.25 * dry_mm <= wet_mm).all()
    assert (wet_mm <= 0.5 * dry_mm).all()
