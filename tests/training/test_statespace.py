"""Filter, smoother, likelihood and fit of level and trend, against published numbers and other libraries."""

from __future__ import annotations

import csv
import math
import warnings
from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import statsmodels.datasets.nile
import statsmodels.tsa.statespace.tests as statsmodels_tests
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize
from statsmodels.tsa.statespace.structural import UnobservedComponents

from app.training import reference
from app.training.records import Floats
from app.training.statespace import (
    NotEnoughValues,
    Variances,
    filtered,
    fit,
    log_likelihood,
    smoothed,
)

YEARS = np.arange(1871, 1971)
PUBLISHED = Variances.of(15099, 1469.1)


def nile() -> Floats:
    flow = statsmodels.datasets.nile.load_pandas().data["volume"]
    return np.array(flow, dtype=float)


def nile_rows() -> Mapping[str, tuple[float, float]]:
    """Verified numbers of the Nile example and their tolerances, from shared/state_space_checks.csv."""
    rows = (row for row in reference.usable("state_space_checks") if row["dataset"] == "nile")
    found = {}
    for row in rows:
        if row["tolerance"]:
            number, _, kind = row["tolerance"].partition(" ")
            expected = float(row["expected"])
            found[row["quantity"]] = (
                expected,
                float(number) * (abs(expected) if kind == "relative" else 1.0),
            )
    return found


def made_up(seed: int = 1, count: int = 3, length: int = 60) -> tuple[Floats, Floats]:
    rng = np.random.default_rng(seed)
    days = np.cumsum(rng.integers(1, 6, length)).astype(float)
    values = (
        100 + np.cumsum(rng.normal(0.05, 0.4, (count, length)), axis=1) + rng.normal(0, 1, (count, length))
    )
    values[:, rng.integers(3, length, 9)] = np.nan
    values[0, 5:14] = np.nan
    return days, values


# The Nile, Durbin & Koopman 2012 ------------------------------------------------------------------


@pytest.mark.published
def test_the_nile_filter_gives_the_published_numbers() -> None:
    # Durbin & Koopman (2012), section 2.10 and the rows executed from it: shared/state_space_checks.csv.
    told = filtered(YEARS, nile(), PUBLISHED)
    rows = nile_rows()
    steady = told.predicted_variance[0, -1]
    found = {
        "n": nile().size,
        "loglik_99_terms": told.log_likelihood[0],
        "loglik_with_first_constant": told.log_likelihood[0] - 0.5 * math.log(2 * math.pi),
        "predicted_state_var_1872": told.predicted_variance[0, 1],
        "predicted_level_1873": told.predicted_level[0, 2],
        "predicted_state_var_1873": told.predicted_variance[0, 2],
        "steady_predicted_var": steady,
        "steady_gain": steady / (steady + 15099),
        "steady_filtered_var": told.level_variance[0, -1],
        "filtered_level_1970": told.level[0, -1],
        "forecast_var_1_step": told.level_variance[0, -1] + 1469.1 + 15099,
        "forecast_var_30_step": told.level_variance[0, -1] + 30 * 1469.1 + 15099,
    }
    for name, value in found.items():
        expected, tolerance = rows[name]
        assert value == pytest.approx(expected, rel=0, abs=max(tolerance, 1e-9)), name


@pytest.mark.published
def test_the_nile_smoother_gives_the_published_numbers() -> None:
    told = smoothed(YEARS, nile(), PUBLISHED)
    rows = nile_rows()
    for year in (1871, 1898, 1899, 1920):
        expected, tolerance = rows[f"smoothed_level_{year}"]
        assert told.level[0, year - 1871] == pytest.approx(expected, rel=0, abs=tolerance), year
    expected, tolerance = rows["smoothed_var_middle"]
    assert told.level_variance[0, 50] == pytest.approx(expected, rel=0, abs=tolerance)


@pytest.mark.published
def test_the_nile_with_gaps_is_smoothed_as_published() -> None:
    # Section 2.7: observations 21-40 and 61-80 removed.
    gappy = nile()
    gappy[20:40] = gappy[60:80] = np.nan
    expected, tolerance = nile_rows()["missing_1891_1910_and_1931_1950_smoothed_1900"]
    assert smoothed(YEARS, gappy, PUBLISHED).level[0, 29] == pytest.approx(expected, rel=0, abs=tolerance)


@pytest.mark.published
def test_the_nile_variances_are_found() -> None:
    rows = nile_rows()
    found = fit(YEARS, nile(), slope=False)
    for name in ("ml_sigma2_observation", "published_sigma2_observation"):
        expected, tolerance = rows[name]
        assert found.variances.observation[0] == pytest.approx(expected, rel=0, abs=tolerance), name
    for name in ("ml_sigma2_level", "published_sigma2_level"):
        expected, tolerance = rows[name]
        assert found.variances.level[0] == pytest.approx(expected, rel=0, abs=tolerance), name
    expected, _ = rows["loglik_99_terms"]
    assert expected - 1e-6 <= found.log_likelihood[0] <= expected + 1e-3


# Exact diffuse start, results of R that statsmodels carries ----------------------------------------


def results_of_r(name: str) -> list[dict[str, float]]:
    folder = Path(next(iter(statsmodels_tests.__path__)), "results")
    with (folder / f"results_exact_initial_{name}_R.csv").open(encoding="utf-8") as file:
        return [
            {key: float(cell) if cell not in ("", "NA") else math.nan for key, cell in row.items()}
            for row in csv.DictReader(file)
        ]


@pytest.mark.published
@pytest.mark.parametrize(
    ("name", "second"), [("local_linear_trend", 4.2039), ("local_linear_trend_missing", math.nan)]
)
def test_the_exact_diffuse_trend_is_that_of_r(name: str, second: float) -> None:
    # KFAS results in statsmodels' own test suite, for 10.2394, 4.2039 (or missing), 6.123123 and seven ones,
    # variances 1.993, 8.253 and 2.334; sumV sums the smoothed state's covariance matrix.
    rows = results_of_r(name)[:10]
    values = np.r_[10.2394, second, 6.123123, np.ones(7)]
    variances = Variances.of(1.993, 8.253, 2.334)
    told = smoothed(np.arange(10), values, variances)
    np.testing.assert_allclose(told.level[0], [row["alphahat_1"] for row in rows], rtol=1e-8)
    np.testing.assert_allclose(told.slope[0], [row["alphahat_2"] for row in rows], rtol=1e-8)
    together = told.level_variance + 2 * told.covariance + told.slope_variance
    np.testing.assert_allclose(together[0], [row["sumV"] for row in rows], rtol=1e-8)
    one_by_one = filtered(np.arange(10), values, variances)
    np.testing.assert_allclose(one_by_one.level[0, 2:], [row["att_1"] for row in rows[2:]], rtol=1e-8)
    np.testing.assert_allclose(one_by_one.slope[0, 2:], [row["att_2"] for row in rows[2:]], rtol=1e-8)


@pytest.mark.published
def test_the_exact_diffuse_level_is_that_of_r() -> None:
    rows = results_of_r("local_level")[:10]
    told = smoothed(np.arange(10), np.r_[10.2394, np.ones(9)], Variances.of(1.993, 8.253))
    np.testing.assert_allclose(told.level[0], [row["alphahat_1"] for row in rows], rtol=1e-8)
    np.testing.assert_allclose(told.level_variance[0], [row["sumV"] for row in rows], rtol=1e-8)


# Irregular days, against statsmodels on the daily grid ---------------------------------------------


@pytest.mark.parametrize("kind", ["local linear trend", "local level"])
def test_irregular_days_are_smoothed_as_a_daily_series_with_gaps(kind: str) -> None:
    days, values = made_up()
    numbers = (1.1, 0.1, 2e-4) if kind == "local linear trend" else (1.1, 0.1)
    told = smoothed(days, values, Variances.of(*numbers))
    forward = filtered(days, values, Variances.of(*numbers))
    place = (days - days[0]).astype(int)
    for series, level, variance, score in zip(
        values, told.level, told.level_variance, forward.log_likelihood, strict=True
    ):
        daily = np.full(place[-1] + 1, np.nan)
        daily[place] = series
        model = UnobservedComponents(daily, kind, use_exact_diffuse=True)
        model.ssm.tolerance = 0  # its variances are otherwise held once they nearly stand still
        theirs = model.smooth(numbers)
        np.testing.assert_allclose(level, theirs.smoothed_state[0, place], rtol=0, atol=1e-6)
        np.testing.assert_allclose(variance, theirs.smoothed_state_cov[0, 0, place], rtol=1e-6)
        start = 2 if kind == "local linear trend" else 1  # it counts a constant for these too
        assert score == pytest.approx(theirs.llf + start * 0.5 * math.log(2 * math.pi), abs=1e-6)


@pytest.mark.parametrize("numbers", [(1.1, 0.1, 2e-4), (1.1, 0.1), (1.1, 0.0, 2e-4), (1.1, 0.1, 0.0)])
def test_filter_and_differences_agree_on_the_likelihood(numbers: tuple[float, ...]) -> None:
    days, values = made_up(seed=3)
    variances = Variances.of(*numbers)
    np.testing.assert_allclose(
        log_likelihood(days, values, variances),
        filtered(days, values, variances).log_likelihood,
        rtol=0,
        atol=1e-7,
    )


def test_filter_and_smoother_agree_on_the_last_day() -> None:
    days, values = made_up(seed=4)
    for numbers in ((1.1, 0.1, 2e-4), (1.1, 0.1), (1.1, 0.0, 2e-4), (1.1, 0.1, 0.0)):
        one_by_one, at_once = (f(days, values, Variances.of(*numbers)) for f in (filtered, smoothed))
        for name in ("level", "slope", "level_variance", "covariance", "slope_variance"):
            a, b = (getattr(told, name)[:, -1] for told in (one_by_one, at_once))
            np.testing.assert_allclose(a, b, rtol=1e-5, atol=1e-6, err_msg=f"{name} {numbers}")


def test_days_to_come_carry_level_and_slope_on() -> None:
    days, values = made_up(count=1)
    ahead = np.r_[days, days[-1] + 28]
    told = smoothed(ahead, np.c_[values, [[np.nan]]], Variances.of(1.1, 0.1, 2e-4))
    assert told.level[0, -1] == pytest.approx(told.level[0, -2] + 28 * told.slope[0, -2])
    assert told.level_variance[0, -1] > told.level_variance[0, -2]


# The fit -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("even", [True, False])
def test_no_other_variances_are_likelier(even: bool) -> None:
    days, values = made_up(seed=5, count=4, length=80)
    if even:
        rng = np.random.default_rng(6)
        days, values = 7 * np.arange(80.0), values * 0 + rng.normal(0, 1, values.shape).cumsum(axis=1) / 5
        values = values + rng.normal(0, 1, values.shape)
    found = fit(days, values)
    for n, series in enumerate(values):

        def cost(x: Floats, series: Floats = series) -> float:
            return -float(log_likelihood(days, series, Variances.of(*np.exp(x)))[0])

        starts = [np.log([1.0, 0.05, 1e-4]), np.log([0.5, 1e-4, 1e-3]), np.log([1.0, 0.3, 1e-8])]
        best = min(minimize(cost, x, method="Nelder-Mead", options={"maxiter": 600}).fun for x in starts)
        # A hundredth in log-likelihood decides nothing.
        assert found.log_likelihood[n] >= -best - 1e-2
        own = Variances.of(*(v[n] for v in (found.variances.observation, found.variances.level)))
        own = Variances(own.observation, own.level, found.variances.slope[n : n + 1])
        assert found.log_likelihood[n] == pytest.approx(log_likelihood(days, series, own)[0], abs=1e-6)


def test_statsmodels_finds_nothing_likelier() -> None:
    rng = np.random.default_rng(8)
    values = np.cumsum(rng.normal(0.15, 0.3, (3, 156)), axis=1) + rng.normal(0, 2, (3, 156))
    ours = fit(np.arange(156), values)
    for series, score in zip(values, ours.log_likelihood, strict=True):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # it tells of slow convergence
            theirs = UnobservedComponents(series, "local linear trend").fit(disp=0).params
        assert score >= log_likelihood(np.arange(156), series, Variances.of(*theirs))[0] - 1e-3


def test_known_variances_are_recovered() -> None:
    rng = np.random.default_rng(10)
    steps = rng.normal(0, 0.1, (40, 400)).cumsum(axis=1) + rng.normal(0, 1.0, (40, 400))
    found = fit(np.arange(400), steps.cumsum(axis=1) * 0 + steps, slope=False).variances
    # Four hundred values say the ratio of each series within about a third; forty of them closer.
    assert np.median(found.observation) == pytest.approx(1.0, rel=0.05)
    assert np.median(found.level) == pytest.approx(0.01, rel=0.25)


def test_a_series_with_a_gap_is_fitted_like_one_without() -> None:
    rng = np.random.default_rng(11)
    values = rng.normal(0, 1, (1, 60)).cumsum(axis=1) + rng.normal(0, 2, (1, 60))
    whole = fit(np.arange(60), values)
    # One missing value takes the other way through the code; its estimates are of 59 of the 60.
    gappy = values.copy()
    gappy[0, 30] = np.nan
    other = fit(np.arange(60), gappy)
    assert other.variances.observation[0] == pytest.approx(whole.variances.observation[0], rel=0.3)


# Properties ----------------------------------------------------------------------------------------


@given(st.floats(0.01, 100), st.integers(-5000, 5000), st.floats(-1e3, 1e3))
def test_units_dates_and_zero_do_not_matter(scale: float, shift: int, offset: float) -> None:
    days, values = made_up(length=30)
    usual = smoothed(days, values, Variances.of(1.1, 0.1, 2e-4))
    variances = Variances.of(*(scale**2 * v for v in (1.1, 0.1, 2e-4)))
    other = smoothed(days + shift, scale * values + offset, variances)
    np.testing.assert_allclose(other.level, scale * usual.level + offset, rtol=1e-7, atol=1e-7 * scale)
    np.testing.assert_allclose(other.slope, scale * usual.slope, rtol=1e-5, atol=1e-7 * scale)
    np.testing.assert_allclose(other.level_variance, scale**2 * usual.level_variance, rtol=1e-6)


@given(st.floats(0.01, 100), st.integers(-5000, 5000))
def test_the_fit_does_not_care_about_unit_and_date(scale: float, shift: int) -> None:
    values = made_up(length=40)[1][1:, :]
    values = np.where(np.isnan(values), 100.0, values)
    usual = fit(np.arange(40), values).variances
    other = fit(np.arange(40) + shift, scale * values).variances
    np.testing.assert_allclose(other.observation, scale**2 * usual.observation, rtol=1e-6)
    np.testing.assert_allclose(other.level, scale**2 * usual.level, rtol=1e-5, atol=1e-9 * scale**2)


def test_series_do_not_know_of_each_other() -> None:
    days, values = made_up()
    variances = Variances.of([1.1, 2.0, 0.5], [0.1, 0.2, 0.0], [2e-4, 0.0, 1e-3])
    together = smoothed(days, values, variances)
    for n in range(3):
        own = Variances(variances.observation[n : n + 1], variances.level[n : n + 1], None)
        own = Variances(own.observation, own.level, variances.slope[n : n + 1])  # type: ignore[index]
        alone = smoothed(days, values[n], own)
        np.testing.assert_allclose(together.level[n], alone.level[0], rtol=1e-9)
        np.testing.assert_allclose(together.level_variance[n], alone.level_variance[0], rtol=1e-7)


# Refusals ------------------------------------------------------------------------------------------


def test_too_few_values_are_a_result_of_their_own() -> None:
    with pytest.raises(NotEnoughValues, match="needs 2 values, has 1"):
        smoothed([0, 1], [1.0, np.nan], Variances.of(1, 1, 1))
    with pytest.raises(NotEnoughValues, match="needs 6 values, has 5"):
        fit(np.arange(5), np.arange(5.0))
    with pytest.raises(NotEnoughValues, match="needs others"):
        fit(np.arange(8), np.ones(8))


@pytest.mark.parametrize("days", [[0, 0, 1], [0, 1.5, 3], [0, 2, 1]])
def test_days_must_be_days_in_order(days: list[float]) -> None:
    with pytest.raises(ValueError, match="whole numbers"):
        smoothed(days, [1.0, 2.0, 3.0], Variances.of(1, 1))


def test_nonsense_is_refused() -> None:
    with pytest.raises(ValueError, match="zero or more"):
        Variances.of(1, -1)
    with pytest.raises(ValueError, match="above zero"):
        Variances.of(0, 0)
    with pytest.raises(ValueError, match="one value a day"):
        smoothed([0, 1], [1.0, 2.0, 3.0], Variances.of(1, 1))
    with pytest.raises(ValueError, match="NaN where there is none"):
        smoothed([0, 1], [1.0, np.inf], Variances.of(1, 1))
    with pytest.raises(ValueError, match="of one or of 1 series"):
        smoothed([0, 1], [1.0, 2.0], Variances.of([1, 1], [1, 1]))


def test_gaps_of_any_length_are_so_many_days() -> None:
    # Two days between values are one day twice: the same answers with the day between asked for by NaN.
    days, values = made_up(count=1, length=20)
    every = np.arange(days[0], days[-1] + 1)
    daily = np.full((1, every.size), np.nan)
    daily[0, (days - days[0]).astype(int)] = values[0]
    variances = Variances.of(1.1, 0.1, 2e-3)
    short, long = smoothed(days, values, variances), smoothed(every, daily, variances)
    at = (days - days[0]).astype(int)
    np.testing.assert_allclose(short.level, long.level[:, at], rtol=1e-9)
    assert all(b > a for a, b in pairwise(every))
