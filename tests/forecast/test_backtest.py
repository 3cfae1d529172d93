"""The backtest on made-up records: what is left out, what is known, what is written."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from api.cli import app
from forecast.backtest import MEAN_RAIN, NAIVE, OURS, PLAIN, Issue, Way, backtest, conditioned, windows
from forecast.cases import LEADS_D, Cases, Floats
from forecast.members import Beliefs, metered_use, site_beliefs
from forecast.model.passage import quantiles
from forecast.outlook.record import RainRecord
from forecast.score import crps, interval_score
from forecast.skill import EMPTY, LEVEL, crps_of, skill
from ingest.errors import RecordFileError
from ingest.instants import DAY_MS, HOUR_MS, from_rfc3339, to_datetime
from ingest.site import Site

START_MS = from_rfc3339("2001-01-01T00:00:00Z")


def record(years: int, seed: int = 1) -> RainRecord:
    """Showers: an hour in thirty, 2 mm in the mean."""
    rng = np.random.default_rng(seed)
    hours = years * 365 * 24
    return RainRecord(START_MS, (rng.random(hours) < 1 / 30) * rng.exponential(2.0, hours), "showers")


def sure(site: Site) -> Beliefs:
    """Nothing but the rain is uncertain."""
    usual = site_beliefs(site)
    return usual._replace(
        coefficient=np.array([[roof.runoff_coefficient] for roof in site.roof]),
        coefficient_sigma=np.zeros_like(usual.coefficient_sigma),
        use=np.ones_like(usual.use),
        use_sigma=np.zeros_like(usual.use_sigma),
        day_sigma=0.0,
    )


def test_who_knows_the_rain_knows_the_level(tarn_orchard: Site) -> None:
    def told(_record: RainRecord, issue: Issue, members: int, _rng: np.random.Generator) -> Floats:
        return np.repeat(issue.rain_mm[:, None], members, axis=1)

    cases = backtest(
        tarn_orchard, record(2), every_d=60, members=10, beliefs=sure(tarn_orchard), ways={OURS: Way(told)}
    )
    # What is left is the error of the level: 5 mm on 1.2 and up to 2.4 m².
    for scores in [crps_of(cases)[LEVEL[lead], OURS] for lead in LEADS_D]:
        assert scores.mean() < 0.6
    assert crps_of(cases)[LEVEL[14], NAIVE].mean() > 10


def test_what_fell_before_the_issue_is_known_whoever_makes_the_rain(tarn_orchard: Site) -> None:
    def flooded(_record: RainRecord, issue: Issue, members: int, _rng: np.random.Generator) -> Floats:
        rain = np.repeat(issue.rain_mm[:, None], members, axis=1)
        rain[: 14 * 24] = 30.0
        return rain

    def told(_record: RainRecord, issue: Issue, members: int, _rng: np.random.Generator) -> Floats:
        return np.repeat(issue.rain_mm[:, None], members, axis=1)

    first, second = (
        backtest(tarn_orchard, record(2), every_d=90, members=5, ways={OURS: Way(maker)}) for maker in (told, flooded)
    )
    np.testing.assert_array_equal(first.said[OURS].volume_l, second.said[OURS].volume_l)


def test_members_differ_by_the_error_of_the_level(tarn_orchard: Site) -> None:
    def told(_record: RainRecord, issue: Issue, members: int, _rng: np.random.Generator) -> Floats:
        return np.repeat(issue.rain_mm[:, None], members, axis=1)

    dry = RainRecord(START_MS, np.zeros(3 * 365 * 24), "dry")
    cases = backtest(tarn_orchard, dry, every_d=90, members=200, beliefs=sure(tarn_orchard), ways={OURS: Way(told)})
    # After a year without rain the upper tank has nothing: the lower's 5 mm on at most 2.4 m² are 12 L.
    spread = cases.said[OURS].volume_l[:, 0].std(axis=1)
    assert spread.max() < 13.0
    assert (spread > 0.5).any()


def test_a_tank_that_has_been_empty_for_weeks_is_said_to_be(tarn_orchard: Site) -> None:
    dry = RainRecord(START_MS, np.zeros(3 * 365 * 24), "dry")
    cases = backtest(tarn_orchard, dry, every_d=30, members=50)
    days = cases.said[OURS].runs_out_d
    assert days is not None
    assert (days[cases.issued_ms > START_MS + 365 * DAY_MS] == 0.0).all()
    surest = skill([cases]).already[-1]
    assert (surest.low, surest.came) == (0.9, 1.0)
    assert surest.cases > len(days) / 2


def test_a_year_is_never_told_its_own_rain() -> None:
    # Rain that names its day: each window can be recognised.
    hours = np.arange(4 * 365 * 24)
    counted = RainRecord(START_MS, hours // 24 / 1000.0, "counted")
    rng = np.random.default_rng(1)
    for text in ("2002-06-10T06:00:00Z", "2002-12-28T06:00:00Z", "2003-01-20T06:00:00Z"):
        now_ms = from_rfc3339(text)
        year = to_datetime(now_ms).year
        start_ms = now_ms - 14 * DAY_MS
        issue = Issue(now_ms, year, counted.window(start_ms, 30 * 24))
        for maker in (windows, conditioned):
            day = np.round(maker(counted, issue, 60, rng)[[0, -1]] * 1000)
            first, last = START_MS + day * DAY_MS
            years = {to_datetime(int(time_ms)).year for time_ms in np.ravel([first, last])}
            assert year not in years
            # Nor the same weeks across the turn of the year.
            assert (np.abs(first - start_ms) >= 29 * DAY_MS).all()


def test_a_record_of_one_year_leaves_nothing_to_learn_from(tarn_orchard: Site) -> None:
    with pytest.raises(RecordFileError, match="two years or more"):
        backtest(tarn_orchard, record(1), every_d=60, members=10)


def test_weeks_with_unknown_rain_are_no_cases(tarn_orchard: Site) -> None:
    whole = record(3)
    gap = RainRecord(START_MS, whole.rain_mm.copy(), "gap")
    now_ms = from_rfc3339("2002-06-30T06:00:00Z")
    gap.rain_mm[(now_ms - START_MS) // HOUR_MS] = np.nan
    issued = [set(backtest(tarn_orchard, r, every_d=10, members=5).issued_ms.tolist()) for r in (whole, gap)]
    assert issued[1] < issued[0]
    assert {to_datetime(ms).month for ms in issued[0] - issued[1]} <= {6, 7}


def test_progress_is_told_and_the_same_seed_gives_the_same_cases(tarn_orchard: Site) -> None:
    told: list[tuple[int, int]] = []
    first, second = (
        backtest(tarn_orchard, record(2), every_d=40, members=8, progress=lambda done, of: told.append((done, of)))
        for _ in range(2)
    )
    assert told[0] == (0, 10)
    assert told[-1] == (10, 10)
    np.testing.assert_array_equal(first.said[OURS].volume_l, second.said[OURS].volume_l)


def cases_of(site: Site) -> Cases:
    return backtest(site, record(6), every_d=10, members=40)


def test_a_forecast_that_shares_the_truths_law_means_what_it_says(skerrow_head: Site) -> None:
    cases = cases_of(skerrow_head)
    tables = skill([cases])
    p05, _, _, _, p95 = quantiles(cases.said[OURS].volume_l[:, 0])
    score = interval_score(p05, p95, cases.came.volume_l[:, 0, 0], 0.1).mean() / cases.capacity_l
    percent = 100 * crps(cases.said[OURS].volume_l[:, 0], cases.came.volume_l[:, 0, 0]).mean() / cases.capacity_l
    assert crps_of(cases)[LEVEL[1], OURS].mean() == pytest.approx(percent)
    assert tables.held[0].score_90 == pytest.approx(100 * score, abs=0.01)
    for held in tables.held:
        assert held.held_90 == pytest.approx(0.9, abs=0.06), held
        assert held.held_50 == pytest.approx(0.5, abs=0.09), held
    assert tables.ratio(LEVEL[7], NAIVE) < 0.8
    assert tables.ratio(LEVEL[7], MEAN_RAIN) < 0.8
    # Showers that come by chance say nothing of tomorrow: wetness must not harm either.
    assert tables.ratio(LEVEL[3], PLAIN) == pytest.approx(1.0, abs=0.04)


def test_scores_over_two_records_weigh_them_alike(tarn_orchard: Site) -> None:
    long, short = (backtest(tarn_orchard, record(years), every_d=40, members=8) for years in (6, 2))
    pooled = skill([long, short])
    alone = [crps_of(cases)[EMPTY, NAIVE].mean() for cases in (long, short)]
    found = next(score for score in pooled.scores if (score.what, score.way) == (EMPTY, NAIVE))
    assert found.crps == pytest.approx(np.mean(alone), abs=1e-4)
    assert pooled.issues == len(long.year) + len(short.year)


def test_meters_sharpen_what_is_believed_of_the_use(tarn_orchard: Site) -> None:
    prior = site_beliefs(tarn_orchard)
    ratio = np.full((14, 2, 1), 1.3)
    counted = np.zeros((14, 2, 1), dtype=bool)
    unmetered = metered_use(prior, ratio, counted)
    np.testing.assert_allclose(unmetered.use, prior.use)
    np.testing.assert_allclose(unmetered.use_sigma, prior.use_sigma)
    counted[:, 0] = True
    metered = metered_use(prior, ratio, counted)
    # Prior sigma 0.15; fourteen days of sigma 0.30 have 0.082: precisions 44 and 149.
    assert metered.use_sigma[0, 0] == pytest.approx(1 / np.sqrt(44.4 + 148.7), rel=0.01)
    assert prior.use[0, 0] < metered.use[0, 0] < 1.3
    assert metered.use[1, 0] == pytest.approx(prior.use[1, 0])


def test_the_command_writes_its_tables(tmp_path: Path) -> None:
    site = Path(__file__).parent.parent.parent / "deploy" / "sites" / "tarn-orchard.toml"
    showers = record(2)
    times = pd.to_datetime(showers.start_ms + HOUR_MS * np.arange(len(showers.rain_mm)), unit="ms", utc=True)
    file = tmp_path / "showers.csv"
    pd.DataFrame({"time": times.strftime("%Y-%m-%dT%H:%M:%SZ"), "rain_mm": showers.rain_mm}).to_csv(file, index=False)
    arguments = ["backtest", str(site), "--rain", str(file), "--every-d", "30", "--out", str(tmp_path / "out")]
    printed = CliRunner().invoke(app, arguments)
    assert printed.exit_code == 0, printed.output
    assert "days until empty" in printed.output
    as_json = CliRunner().invoke(app, [*arguments, "--json"])
    document = json.loads(as_json.stdout)
    assert document == json.loads((tmp_path / "out" / "backtest.json").read_text())
    rows = pd.read_csv(tmp_path / "out" / "backtest.csv")
    assert len(rows) == document["issues"] * len(LEADS_D)
    assert (rows["p05_l"] <= rows["p95_l"]).all()
    assert {"issued", "lead_d", "volume_l", "crps_ours_percent", "crps_naive_percent"} <= set(rows.columns)
