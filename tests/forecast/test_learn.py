"""Learning on made-up events and months whose truth is known."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from sklearn.linear_model import HuberRegressor, TheilSenRegressor

from forecast.learn import events_of, fit_leak, fit_runoff, fit_use, hinge, prior_runoff, robust_fit
from forecast.learned import Leak, Learned, Runoff, Use
from forecast.members import member_drivers, site_beliefs
from forecast.model.balance import INFLOW, blank_state, run
from forecast.model.draw import demand_l, local_hours
from forecast.model.plan import plan_of
from forecast.model.wetness import roof_inflow_l
from ingest.instants import HOUR_MS, from_rfc3339
from ingest.site import Site

Floats = np.ndarray[tuple[int], np.dtype[np.float64]]
START_MS = from_rfc3339("2026-04-01T00:00:00Z")
COEFFICIENT, LOSS_MM = 0.85, 0.6
WIDE = Runoff(0.8, 10.0, 1.0, 10.0, 0)


def events(count: int, seed: int) -> tuple[Floats, Floats]:
    """Rain and runoff of events: two readings of a level, 1 % noise of 2,000 L, under 60 m²; one in 20 goes wrong."""
    rng = np.random.default_rng(seed)
    rain = rng.gamma(0.7, 9.0, count) + 0.2
    runoff = COEFFICIENT * np.maximum(0.0, rain - LOSS_MM)
    runoff = runoff + rng.normal(0, 0.01 * 2_000 * np.sqrt(2) / 60, count)
    wrong = rng.random(count) < 0.05
    return rain, np.maximum(0.0, runoff) * np.where(wrong, rng.uniform(0.3, 0.8, count), 1.0)


def by_line(model: TheilSenRegressor | HuberRegressor) -> Callable[[Floats, Floats], tuple[float, float]]:
    """A straight line through the events that ran off at all; the loss is where it meets zero."""

    def fit(rain: Floats, runoff: Floats) -> tuple[float, float]:
        large = runoff > 0.5
        model.fit(rain[large, None], runoff[large])
        return float(model.coef_[0]), float(-model.intercept_ / model.coef_[0])

    return fit


def by_hinge(rain: Floats, runoff: Floats) -> tuple[float, float]:
    line, _ = robust_fit(hinge(rain), runoff, (0.8, 1.0))
    return float(line[0]), float(line[1])


def learnt(count: int, seed: int, prior: Runoff) -> Runoff:
    rain, runoff = events(count, seed)
    return fit_runoff(hinge(rain), runoff, prior)


def rmse(fit: Callable[[Floats, Floats], tuple[float, float]], count: int, times: int) -> tuple[float, float]:
    found = np.array([fit(*events(count, seed)) for seed in range(times)]) - (COEFFICIENT, LOSS_MM)
    coefficient, loss = np.sqrt((found**2).mean(axis=0))
    return float(coefficient), float(loss)


def test_the_hinge_is_chosen_because_it_errs_least() -> None:
    # A prototype reached .06 and .36 mm after 10 events, .03 and .2 mm after 100.
    few, many = rmse(by_hinge, 10, 60), rmse(by_hinge, 100, 15)
    assert few[0] <= 0.06
    assert few[1] <= 0.36
    assert many[0] <= 0.03
    assert many[1] <= 0.2
    for other in (by_line(TheilSenRegressor(random_state=0)), by_line(HuberRegressor(max_iter=1000))):
        theirs = rmse(other, 100, 15)
        assert many[0] < theirs[0]
        assert many[1] < theirs[1]


def test_the_posterior_says_how_far_off_it_may_be() -> None:
    for count, times in ((10, 80), (60, 30)):
        fits = [learnt(count, seed, WIDE) for seed in range(times)]
        off = [(fit.coefficient - COEFFICIENT) / fit.coefficient_sd for fit in fits]
        assert 0.7 < np.mean(np.abs(off) < 2) <= 1.0
        assert np.std(off) < 2.0


def test_few_events_leave_the_site_files_figure(skerrow_head: Site) -> None:
    prior = prior_runoff(skerrow_head.roof[0])
    assert learnt(3, 1, prior) == prior
    ten, hundred = (learnt(count, 1, prior) for count in (10, 100))
    assert hundred.coefficient_sd < ten.coefficient_sd < prior.coefficient_sd
    assert hundred.coefficient == pytest.approx(COEFFICIENT, abs=0.03)
    assert (ten.events, hundred.events) == (10, 100)


def test_the_roof_that_is_fitted_is_the_roof_of_the_balance(skerrow_head: Site) -> None:
    site = skerrow_head.model_copy(update={"roof": skerrow_head.roof[:1], "draw": [], "battery": None, "pump": None})
    plan = plan_of(site)
    rng = np.random.default_rng(1)
    rain = (rng.random(600) < 0.1) * rng.exponential(2.0, 600)
    drivers = member_drivers(site, plan, rain[:, None], START_MS, rng)._replace(coefficient=np.array([[0.7]]))
    ledger = run(plan, drivers, blank_state(plan, 1), ledger=True).ledger
    found = roof_inflow_l(plan, 0, rain, drivers.drying_mm, 0.7, 0.4)
    np.testing.assert_allclose(found, ledger[INFLOW, :, 0], atol=1e-9)
    assert found.sum() > 1_000


def test_spells_of_rain_are_told_apart_and_unknown_hours_spoil_theirs() -> None:
    rain = np.zeros(60)
    rain[[5, 6, 10]] = 1.0  # one spell: four dry hours do not part it
    rain[30] = 2.0
    rain[45], rain[46] = 1.0, np.nan
    assert events_of(rain) == [(5, 13), (30, 33)]


def metered(site: Site, days: int, factor: float, seed: int = 1) -> Floats:
    """Taps of the observatory: much at seven in the morning, double on Sundays."""
    hours = days * 24
    wanted, day = demand_l(site, START_MS, hours)
    hour, _, _ = local_hours(site, START_MS, hours)
    rng = np.random.default_rng(seed)
    daily = factor * rng.lognormal(-0.045, 0.3, day[-1] + 1)
    sunday = (day + 2) % 7 == 6  # 1 April 2026 is a Wednesday
    return np.asarray(
        70.0 * np.where(hour == 7, 0.5, 0.5 / 23) * daily[day] * np.where(sunday, 2.0, 1.0) + 0 * wanted[:, 0]
    )


def test_use_is_learnt_with_its_hours_and_weekdays(skerrow_head: Site) -> None:
    litres = metered(skerrow_head, 90, 1.2)
    use = fit_use(skerrow_head, 0, litres, START_MS, np.ones(len(litres), dtype=bool))
    assert use is not None
    assert use.days >= 88
    assert use.use == pytest.approx(1.2 * 8 / 7, rel=0.08)
    assert use.sigma < 0.05
    assert use.by_hour.sum() == pytest.approx(1.0)
    assert use.by_hour[7] == pytest.approx(0.5, abs=0.05)
    assert use.by_weekday[6] > 1.5 * use.by_weekday[0]
    learned = Learned(draws={"taps": use})
    wanted, _ = learned.demand_l(skerrow_head, START_MS, 14 * 24)
    usual, _ = demand_l(skerrow_head, START_MS, 14 * 24)
    # How it lies over time changes; how much it is stays with the factor that the members draw.
    assert wanted[:, 0].sum() == pytest.approx(usual[:, 0].sum(), rel=0.05)
    np.testing.assert_array_equal(wanted[:, 1], usual[:, 1])
    assert learned.beliefs(skerrow_head).use[0, 0] == pytest.approx(use.use)
    assert learned.beliefs(skerrow_head).use[1, 0] == site_beliefs(skerrow_head).use[1, 0]


def test_days_without_water_or_meter_teach_no_use(skerrow_head: Site) -> None:
    litres = metered(skerrow_head, 30, 1.0)
    enough = np.ones(len(litres), dtype=bool)
    # Dry taps from the tenth day on: what was not drawn was still wanted.
    litres[240:] = 0.0
    enough[240:] = False
    use = fit_use(skerrow_head, 0, litres, START_MS, enough)
    assert use is not None
    assert use.days <= 10
    assert use.use > 0.8
    litres[:] = np.nan
    assert fit_use(skerrow_head, 0, litres, START_MS, enough) is None


def test_a_leak_is_seen_at_night_and_a_wrong_meter_by_day() -> None:
    rng = np.random.default_rng(5)
    nights = rng.normal(1.5, 1.0, 60)
    used = rng.uniform(50, 150, 60)
    leak = fit_leak(nights, 1.2 * used + 36 + rng.normal(0, 5, 60), used)
    assert leak is not None
    assert leak.l_h == pytest.approx(1.5, abs=0.4)
    assert 0.08 < leak.sd_l_h < 0.3
    assert leak.fall_over_meters == pytest.approx(1.2, abs=0.05)
    # Where use is even, leak and meter look alike, and nothing is claimed.
    even = fit_leak(nights, np.full(60, 156.0), rng.normal(100, 3, 60))
    assert even is not None
    assert even.fall_over_meters is None
    assert fit_leak(nights[:5], used, used) is None


def test_only_a_leak_that_stands_out_of_its_error_leaks(skerrow_head: Site) -> None:
    plan, rng = plan_of(skerrow_head), np.random.default_rng(1)
    sure = Learned(leaks={"main": Leak(2.0, 0.2, 40, None)}).leak_l_h(skerrow_head, plan, 200, rng)
    assert sure.mean() == pytest.approx(2.0, abs=0.1)
    assert not Learned(leaks={"main": Leak(0.3, 0.2, 40, None)}).leak_l_h(skerrow_head, plan, 200, rng).any()


def test_learnt_roofs_narrow_the_members(skerrow_head: Site) -> None:
    beliefs = Learned(roofs={"bunkhouse": Runoff(0.7, 0.02, 0.5, 0.1, 50)}).beliefs(skerrow_head)
    assert beliefs.coefficient[0, 0] == pytest.approx(0.7, abs=0.001)
    assert beliefs.coefficient_sigma[0, 0] == pytest.approx(0.02 / 0.7)
    assert beliefs.coefficient[1, 0] == site_beliefs(skerrow_head).coefficient[1, 0]


def test_months_out_of_use_stay_out_of_use(skerrow_head: Site) -> None:
    even = Use(1.0, 0.1, np.full(24, 1 / 24), np.ones(7), np.ones(12), 50)
    wanted, _ = Learned(draws={"irrigation": even}).demand_l(skerrow_head, START_MS - 40 * 24 * HOUR_MS, 60 * 24)
    assert wanted[: 30 * 24, 1].sum() == 0.0
    assert wanted[-24:, 1].sum() == pytest.approx(140.0)
