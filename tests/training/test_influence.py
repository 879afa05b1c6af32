"""When a day's stress helps a date: the published curve, and its extension against the model itself."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.training import response
from app.training.influence import LONGEST_DAYS, day_effect, influence_of
from app.training.reference import usable
from app.training.response import Constants

CHECKS: Mapping[str, Mapping[str, str]] = {row["check"]: row for row in usable("response_checks")}
MORTON = Constants(base=0.0, k_fitness=1.0, k_fatigue=2.0, tau_fitness=45.0, tau_fatigue=15.0)
BUSSO = Constants(
    base=0.0, k_fitness=1.0, k_fatigue=0.4, tau_fitness=45.0, tau_fatigue=15.0, tau_gain=5.0, saturation=3.0
)


def published(check: str) -> float:
    return float(CHECKS[check]["expected"])


@pytest.mark.published
def test_the_curve_turns_and_peaks_on_the_published_days() -> None:
    # Fitz-Clarke, Morton & Banister (1991), influence curve: shared/response_checks.csv.
    found = influence_of(MORTON)
    assert found.turns == pytest.approx(published("t_n_days"), abs=1e-8)
    assert found.best == pytest.approx(published("t_g_days"), abs=1e-4)
    at = day_effect(np.array([found.turns, found.best, 0.0]), MORTON)
    expected = [published(check) for check in ("kernel_at_t_n", "kernel_at_t_g", "kernel_at_0")]
    assert at == pytest.approx(expected, abs=1e-8)


def test_the_closed_forms_agree() -> None:
    found = influence_of(MORTON)
    assert (found.turns, found.best) == pytest.approx(response.critical_days(MORTON), abs=1e-4)


@pytest.mark.parametrize("c", [MORTON, BUSSO])
@pytest.mark.parametrize("days_before", [1, 3, 10, 40])
def test_the_effect_is_the_difference_a_day_makes(c: Constants, days_before: int) -> None:
    # Long steady training, once with and once without the day.
    usual = 0.5
    dose = float(response.saturating(np.array([usual]), c.saturation)[0])
    without = np.full(600, usual)
    without[600 - days_before] = 0.0
    with_it = without.copy()
    with_it[600 - days_before] = 2.0
    expected = response.performance(with_it, c)[-1] - response.performance(without, c)[-1]
    found = day_effect(np.array([float(days_before)]), c, stress=2.0, usual=dose)[0]
    assert found == pytest.approx(expected, abs=1e-9)


def test_without_fatigue_no_day_costs() -> None:
    found = influence_of(Constants(0.0, 1.0, 0.0, 45.0, 15.0))
    assert found.turns == 0
    assert found.best == pytest.approx(0, abs=1e-6)


def test_without_fitness_every_day_costs() -> None:
    assert influence_of(Constants(0.0, 0.0, 1.0, 45.0, 15.0)).turns == LONGEST_DAYS


def test_fatigue_that_outlasts_fitness_is_refused() -> None:
    with pytest.raises(ValueError, match="outlast"):
        influence_of(Constants(0.0, 1.0, 1.0, 10.0, 15.0))
    with pytest.raises(ValueError, match="before the date"):
        day_effect(np.array([-1.0]), MORTON)


@given(st.floats(0.01, 100))
def test_the_unit_of_strength_does_not_move_the_days(scale: float) -> None:
    usual = influence_of(BUSSO, usual=0.4)
    scaled = Constants(0.0, scale * 1.0, scale * 0.4, 45.0, 15.0, 5.0, 3.0)
    other = influence_of(scaled, usual=0.4)
    assert other.turns == pytest.approx(usual.turns, abs=1e-6)
    np.testing.assert_allclose(other.effect, scale * usual.effect, rtol=1e-9)
