from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.training import effort
from app.training.reference import usable

NAN = float("nan")
SCALE = [row for row in usable("effort_scale") if row["scale"] == "set_reserve" and row["reserve_min"]]
ACCURACY = {row["quantity"]: row for row in usable("effort_accuracy")}
ratings = st.sampled_from(effort.RPE_GRID.tolist())


@pytest.mark.published
@pytest.mark.parametrize("row", SCALE, ids=lambda row: row["rating"])
def test_the_reserve_is_the_published_one(row: dict[str, str]) -> None:
    reserve = float(effort.rir_from_rpe(float(row["rating"])))
    assert float(row["reserve_min"]) <= reserve <= float(row["reserve_max"]), row["source"]


@pytest.mark.published
@pytest.mark.parametrize("row", SCALE, ids=lambda row: row["rating"])
def test_the_rating_is_the_published_one(row: dict[str, str]) -> None:
    assert float(effort.rpe_from_rir(float(row["reserve_min"]))) == float(row["rating"]), row["source"]


@pytest.mark.published
def test_lifters_have_about_one_more_left_than_they_say() -> None:
    # Halperin et al. 2022, Sports Med 52:377-390, abstract: pooled under-prediction and its 95 % interval.
    row = ACCURACY["pooled_underprediction_reps"]
    bias = effort.rir_prior(8.0).bias
    assert float(row["ci_low"]) <= bias <= float(row["ci_high"])
    assert bias == pytest.approx(float(row["value"]), abs=0.005)
    assert (
        pytest.approx(float(ACCURACY["pooled_underprediction_se"]["value"]), abs=5e-4) == effort.BIAS_SE_REPS
    )


@pytest.mark.published
@pytest.mark.parametrize(("rating", "name"), [(9, "rpe9"), (7, "rpe7"), (5, "rpe5")])
def test_the_spread_stays_under_that_of_long_sets(rating: float, name: str) -> None:
    # Zourdos et al. 2021, abstract: sets of 16 +- 4 at 70 %, an upper bound for shorter ones.
    published = float(ACCURACY[f"reps_off_at_called_{name}"]["sd"])
    assert 0.6 * published < effort.rir_prior(rating).sd <= published


@pytest.mark.published
@pytest.mark.parametrize(("rating", "name"), [(9, "rpe9"), (7, "rpe7"), (5, "rpe5")])
def test_the_bias_of_long_sets_is_within_two_standard_deviations(rating: float, name: str) -> None:
    # Zourdos et al. 2021, abstract.
    prior = effort.rir_prior(rating)
    assert abs(float(ACCURACY[f"reps_off_at_called_{name}"]["value"]) - prior.bias) < 2 * prior.sd


@pytest.mark.published
def test_errors_near_failure_are_about_one_repetition_and_more_than_two_far_from_it() -> None:
    # Hackett et al. 2017, abstract: mean size of the error about 1 at 0-5 left, more than 2 at 7-10 left.
    near, far = ACCURACY["error_reps_when_actual_0_to_5"], ACCURACY["error_reps_when_actual_7_to_10"]
    # The mean size of a normal error is 0.798 SD (from memory, sqrt(2 / pi)).
    assert 0.798 * float(effort.rir_prior(9.5).sd) == pytest.approx(float(near["value"]), abs=0.2)
    assert 0.798 * float(effort.rir_prior(5.0).sd) > float(far["value"])


@given(ratings)
def test_a_rating_of_five_or_more_comes_back_from_its_reserve(rating: float) -> None:
    back = effort.rpe_from_rir(effort.rir_from_rpe(rating))
    assert back == max(rating, 5.0)


@given(st.lists(ratings, min_size=1))
def test_arrays_are_read_one_by_one(many: list[float]) -> None:
    np.testing.assert_array_equal(effort.rir_from_rpe(many), [float(effort.rir_from_rpe(r)) for r in many])


def test_below_five_the_scale_says_at_least_five_left() -> None:
    np.testing.assert_array_equal(effort.rir_from_rpe([1, 2.5, 4.5, 5]), [5, 5, 5, 5])
    np.testing.assert_array_equal(effort.reserve_is_at_least([1, 4.5, 5, 10, NAN]), [1, 1, 0, 0, 0])


def test_more_than_five_left_is_rated_five_or_less() -> None:
    np.testing.assert_array_equal(effort.rpe_from_rir([5, 9, 40]), [5, 5, 5])


def test_failing_early_rates_ten() -> None:
    assert effort.rpe_from_rir(-2.0) == 10


def test_an_unreported_rating_stays_unreported() -> None:
    prior = effort.rir_prior([NAN, 8.0])
    assert np.isnan(effort.rir_from_rpe(NAN))
    assert np.isnan([prior.stated[0], prior.bias[0], prior.sd[0]]).all()
    assert not prior.at_least.any()


def test_a_failed_set_has_no_reserve_whatever_it_was_rated() -> None:
    prior = effort.rir_prior([NAN, 4.0, 9.0], failed=[True, True, False])
    np.testing.assert_array_equal(prior.stated, [0, 0, 1])
    np.testing.assert_array_equal(prior.sd[:2], [0, 0])
    assert not prior.at_least.any()


@pytest.mark.parametrize("rating", [0.5, 0.0, 10.5, -3.0])
def test_ratings_off_the_scale_are_refused(rating: float) -> None:
    with pytest.raises(ValueError, match="1 to 10"):
        effort.rir_from_rpe([8.0, rating])


def test_the_grid_runs_from_one_to_ten_in_halves() -> None:
    assert effort.RPE_GRID[[0, 1, -1]].tolist() == [1.0, 1.5, 10.0]
    assert effort.is_valid_rpe(effort.RPE_GRID).all()
    assert not effort.is_valid_rpe([0.5, 7.25, 10.5, NAN]).any()


def test_the_nearest_rating_goes_up_when_in_doubt() -> None:
    np.testing.assert_array_equal(effort.nearest_rpe([7.24, 7.25, 7.74, 9.9, 11]), [7, 7.5, 7.5, 10, 10])


@pytest.mark.parametrize(
    ("rating", "words"),
    [
        (10, "no repetitions left"),
        (9.5, "no repetitions left, perhaps a little more load"),
        (9, "1 repetition left"),
        (8.5, "1 or 2 repetitions left"),
        (7, "3 repetitions left"),
        (5, "5 repetitions left"),
        (4.5, "at least 5 repetitions left"),
    ],
)
def test_ratings_in_words(rating: float, words: str) -> None:
    assert effort.describe_rpe(rating) == words


def test_words_exist_only_for_ratings_of_the_grid() -> None:
    assert all(effort.describe_rpe(rating) for rating in effort.RPE_GRID)
    with pytest.raises(ValueError, match=r"7\.3"):
        effort.describe_rpe(7.3)
