from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from app.training import response
from app.training.reference import usable
from app.training.response import Constants

CHECKS: Mapping[str, Mapping[str, str]] = {row["check"]: row for row in usable("response_checks")}
MORTON = Constants(base=500.0, k_fitness=1.0, k_fatigue=2.0, tau_fitness=45.0, tau_fatigue=15.0)
EXAMPLE = np.array([100.0, 0, 0, 50, 0, 0, 0])


def published(check: str) -> float:
    return float(CHECKS[check]["expected"])


@pytest.mark.published
def test_influence_curve_has_its_published_days() -> None:
    # Fitz-Clarke, Morton & Banister (1991): response_checks.csv.
    t_n, t_g = response.critical_days(MORTON)
    assert t_n == pytest.approx(published("t_n_days"), abs=1e-9)
    assert t_g == pytest.approx(published("t_g_days"), abs=1e-9)
    at = response.influence(np.array([t_n, t_g, 0.0]), MORTON)
    expected = [published(check) for check in ("kernel_at_t_n", "kernel_at_t_g", "kernel_at_0")]
    assert at == pytest.approx(expected, abs=1e-9)


@pytest.mark.published
def test_steady_training_reaches_its_published_level() -> None:
    # Morton, Fitz-Clarke & Banister (1990), recurrence: response_checks.csv.
    ones = np.ones(2000)
    assert response.decayed(ones, 45.0)[-1] == pytest.approx(
        published("steady_fitness_per_unit_daily_load"), abs=1e-9
    )
    assert response.decayed(ones, 15.0)[-1] == pytest.approx(
        published("steady_fatigue_per_unit_daily_load"), abs=1e-9
    )
    assert response.decayed(ones[:28], 45.0)[-1] == pytest.approx(
        published("fitness_after_28_unit_days"), abs=1e-9
    )


@pytest.mark.published
def test_worked_examples_fix_the_convention() -> None:
    # Constructed in response_checks.csv: stress of days strictly before a day acts on it.
    assert response.decayed(EXAMPLE, 45.0)[7] == pytest.approx(published("example_fitness_day7"), abs=1e-9)
    assert response.decayed(EXAMPLE, 15.0)[7] == pytest.approx(published("example_fatigue_day7"), abs=1e-9)
    course = response.performance(EXAMPLE, MORTON)
    assert course[7] == pytest.approx(published("example_performance_day7"), abs=1e-9)
    assert course[3] == pytest.approx(published("example_performance_day3_before_session"), abs=1e-9)


@pytest.mark.published
def test_variable_dose_reproduces_its_worked_example() -> None:
    # Busso (2003), form from memory; arithmetic constructed in response_checks.csv.
    c = Constants(base=500.0, k_fitness=1.0, k_fatigue=0.02, tau_fitness=45.0, tau_fatigue=15.0, tau_gain=5.0)
    gain = c.k_fatigue * response.decayed(EXAMPLE, 5.0, today=True)
    assert gain[0] == pytest.approx(published("variable_dose_k2_day0"), abs=1e-9)
    assert gain[3] == pytest.approx(published("variable_dose_k2_day3"), abs=1e-9)
    assert response.performance(EXAMPLE, c)[7] == pytest.approx(
        published("variable_dose_example_day7"), abs=1e-9
    )


def test_returns_diminish() -> None:
    dose = response.saturating(np.array([0.0, 1.0, 2.0, 4.0, 1e9]), 2.0)
    assert dose[2] == pytest.approx(1.0)  # Half of the limit at the half-way dose.
    assert dose[-1] == pytest.approx(2.0)
    assert (np.diff(dose[:4]) / [1, 1, 2] < [1.0, 0.5, 0.5]).all()


def simulated(model: Constants | None, weeks: int = 104, seed: int = 3) -> response.Response:
    """Three sessions a week, hard and easy blocks of two to five weeks, strength by the model or a walk."""
    rng = np.random.default_rng(seed)
    day = np.concatenate([7 * np.arange(weeks)[:, None] + [0, 2, 4]]).ravel()
    block = np.repeat(np.arange(weeks), np.random.default_rng(1).integers(2, 6, weeks))
    stress = np.where(block[day // 7] % 2 == 0, 1.6, 0.4)
    daily = np.bincount(day, stress, 7 * weeks)
    if model is None:
        level = np.log(100.0) + np.cumsum(rng.normal(0, 0.008, day.size))
    else:
        level = response.performance(daily, model)[day] + rng.normal(0, 0.004, day.size)
    found = response.fit_response(day, np.exp(level), day, stress, as_of=7 * weeks - 1)
    assert found is not None
    return found


STRONG = Constants(base=4.5, k_fitness=0.006, k_fatigue=0.012, tau_fitness=38.0, tau_fatigue=7.0)


def test_a_lifter_who_is_the_model_makes_it_speak() -> None:
    found = simulated(STRONG)
    assert found.speaks
    for skill in found.skills:
        assert skill.against_last > 0.3
        assert skill.against_drift > 0.3
    assert "better than both others" in found.sentence
    ahead = found.forecast(np.zeros(14))
    assert ahead.kg.shape == ahead.low_kg.shape == ahead.high_kg.shape == (15,)
    # Within the days in which stress costs (6 of them for this lifter), rest leaves more than hard work.
    worked = found.forecast(np.full(14, 1.6))
    assert ahead.kg[0] == worked.kg[0]  # A day's stress acts from the next day on.
    assert (ahead.kg[1:5] > worked.kg[1:5]).all()


def test_a_forecast_carries_the_error_it_had_before() -> None:
    found = simulated(STRONG, seed=5)
    ahead = found.forecast(np.zeros(55))
    assert (ahead.low_kg < ahead.kg).all()
    assert (ahead.high_kg > ahead.kg).all()
    share = np.log(ahead.high_kg / ahead.kg)
    # 90 % of a normal distribution with the measured error, and more because few errors were seen.
    assert share[27] > 1.645 * found.skills[0].error
    assert share[27] < 2.2 * found.skills[0].error
    assert share[-1] >= share[27]
    with pytest.raises(ValueError, match="56 days ahead, not 57"):
        found.forecast(np.zeros(56))


def test_a_forecast_is_what_then_came() -> None:
    # The simulated lifter with and without its last four weeks: the forecast holds what was seen in them.
    weeks = 104
    whole = simulated(STRONG, weeks=weeks + 4)
    found = simulated(STRONG, weeks=weeks)
    assert found.speaks
    usual = found.stress[found.stress > 0].mean()
    ahead = found.forecast(
        whole.stress[7 * weeks : 7 * weeks + 28] / whole.stress[whole.stress > 0].mean() * usual
    )
    seen = whole.seen_kg[-4:]
    days = whole.week[-4:] - 7 * weeks
    assert (ahead.low_kg[days] <= seen).all()
    assert (seen <= ahead.high_kg[days]).all()


def test_both_horizons_are_judged() -> None:
    skills = simulated(STRONG).skills
    assert [skill.days for skill in skills] == [28, 56]
    assert all(skill.origins >= response.ORIGINS_NEEDED for skill in skills)


def test_a_lifter_who_wanders_leaves_it_silent() -> None:
    found = simulated(None)
    assert not found.speaks
    assert "only draws" in found.sentence
    with pytest.raises(ValueError, match="only draws"):
        found.forecast(np.zeros(7))


def test_the_drawing_covers_every_day_and_both_parts() -> None:
    found = simulated(STRONG)
    assert found.day[0] == 0
    assert found.day.size == found.fitness.size == found.fatigue.size == found.performance_kg.size == 728
    assert (found.fitness >= 0).all()
    assert (found.fatigue >= 0).all()
    assert found.seen_kg.shape == found.week.shape


def test_too_few_past_days_leave_it_silent() -> None:
    found = simulated(STRONG, weeks=30)
    assert not found.speaks
    assert "Too little past" in found.sentence
    assert all(skill.origins < response.ORIGINS_NEEDED for skill in found.skills)


@pytest.mark.parametrize(("kg", "unit", "days"), [(2.2, 1.0, 0), (1.0, 40.0, 0), (1.0, 1.0, 3000)])
def test_units_and_dates_do_not_matter(kg: float, unit: float, days: int) -> None:
    rng = np.random.default_rng(9)
    day = np.concatenate([7 * np.arange(60)[:, None] + [0, 2, 4]]).ravel()
    stress = rng.gamma(4.0, 1.0, day.size)
    level = 100 * np.exp(np.cumsum(rng.normal(0.0005, 0.004, day.size)) + rng.normal(0, 0.01, day.size))
    usual = response.fit_response(day, level, day, stress, as_of=425)
    other = response.fit_response(day + days, kg * level, day + days, unit * stress, as_of=425 + days)
    assert usual is not None
    assert other is not None
    np.testing.assert_allclose(other.fitness, usual.fitness, rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(other.fatigue, usual.fatigue, rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(other.seen_kg, kg * usual.seen_kg, rtol=1e-4)
    for a, b in zip(usual.skills, other.skills, strict=True):
        assert (a.against_last, a.error) == pytest.approx((b.against_last, b.error), rel=1e-2)


def test_recursion_is_convolution() -> None:
    stress = np.random.default_rng(2).gamma(1.0, 1.0, 200)
    lag = np.arange(1, 201)
    for tau in (3.0, 45.0):
        slow = [stress[:t] @ np.exp(-lag[:t][::-1] / tau) for t in range(201)]
        np.testing.assert_allclose(response.decayed(stress, tau), slow, rtol=1e-10, atol=1e-10)


def test_too_little_is_not_fitted() -> None:
    day = 7 * np.arange(8)
    assert response.fit_response(day, np.full(8, 100.0), day, np.ones(8), as_of=60) is None
    with pytest.raises(ValueError, match="positive"):
        response.fit_response(day, np.zeros(8), day, np.ones(8), as_of=60)


def test_a_day_has_no_influence_of_its_own_where_fatigue_depends_on_the_days_before() -> None:
    variable = Constants(
        base=0.0, k_fitness=1.0, k_fatigue=0.1, tau_fitness=45.0, tau_fatigue=15.0, tau_gain=5.0
    )
    with pytest.raises(ValueError, match="constant"):
        response.influence(np.array([1.0]), variable)
