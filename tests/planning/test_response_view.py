"""Stress and recovery of a lift: drawn where there is enough, silent about the future without skill."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from numpy.typing import NDArray

from app.planning.analysis import recompute
from app.planning.response_view import SHOWN_DAYS, ResponseView, response_view
from app.storage.engine import Store
from app.storage.lifters import LifterNotFound
from app.storage.models import logged_sets
from app.training.influence import LONGEST_DAYS
from app.training.response import Constants, performance
from tests import factories
from tests.factories import NOW, TODAY
from tests.planning.world import World, make_world, train


def seen(world: World, exercise_id: int = 0) -> ResponseView:
    return response_view(world.store, world.coach, world.lifter.id, exercise_id, now=NOW)


def waves(world: World, weeks: int = 60) -> None:
    """Four hard weeks, four easy ones, strength higher after the easy ones."""
    for week in range(weeks):
        easy = week // 4 % 2 == 1
        load = 100.0 + 0.25 * week + (4.0 if easy else 0.0)
        for within in (0, 2, 4):
            day = TODAY - 7 * (weeks - week) + within
            sets = [(load, 5, 8.0)] * (2 if easy else 7)
            factories.log_sets(world.store, world.lifter, world.squat, day, sets)


def test_nothing_is_drawn_before_the_first_analysis(store: Store) -> None:
    found = seen(make_world(store))
    assert found.response is None
    assert found.lift is None
    assert found.missing_because == "nothing of it has been analysed yet"


def test_too_few_weeks_are_said_with_their_number(store: Store) -> None:
    world = make_world(store)
    train(world, weeks=6)
    recompute(store, world.lifter.id, now=NOW)
    found = seen(world)
    assert found.response is None
    assert "12 weeks with sessions of this lift, has 6" in found.missing_because


def test_a_year_is_drawn_day_by_day_in_kilograms(store: Store) -> None:
    world = make_world(store)
    waves(world)
    recompute(store, world.lifter.id, now=NOW)
    found = seen(world)
    assert found.lift is not None
    assert found.lift.name == world.squat.name
    assert found.day.size == found.fitness_kg.size == found.fatigue_kg.size == SHOWN_DAYS
    assert found.day[-1] == TODAY
    assert (np.diff(found.day) == 1).all()
    assert (found.fatigue_kg >= 0).all()
    assert found.lift.analysis.trend is not None
    assert found.fitness_kg.max() < 0.5 * found.lift.analysis.trend.e1rm.mean


def test_a_model_without_skill_says_nothing_of_the_future(store: Store) -> None:
    world = make_world(store)
    train(world, weeks=40)
    recompute(store, world.lifter.id, now=NOW)
    found = seen(world)
    assert not found.speaks
    assert found.ahead is None
    assert found.response is not None
    assert "only draws stress and recovery" in found.response.sentence


def test_the_goal_date_has_a_day_after_which_stress_costs_more(store: Store) -> None:
    world = make_world(store, goal="Meet", goal_day=TODAY + 60)
    waves(world)
    recompute(store, world.lifter.id, now=NOW)
    found = seen(world)
    assert found.goal_day == TODAY + 60
    assert found.influence is not None
    assert found.turning_day == TODAY + 60 - round(found.influence.turns)
    assert found.best_day is not None
    assert found.turning_day is not None
    assert found.best_day < found.turning_day < found.goal_day
    # Before the turn a day brings, after it a day costs.
    assert found.influence_kg[round(found.influence.turns) + 2] > 0
    assert found.influence_kg[1] < 0


@pytest.mark.parametrize("days", [None, -3, 0, LONGEST_DAYS + 1])
def test_a_goal_that_is_past_or_far_off_is_left_out(store: Store, days: int | None) -> None:
    world = make_world(store, goal="Meet", goal_day=None if days is None else TODAY + days)
    train(world, weeks=16)
    recompute(store, world.lifter.id, now=NOW)
    found = seen(world)
    assert found.response is not None
    assert (found.goal_day, found.turning_day, found.best_day) == (None, None, None)


def test_sets_logged_after_the_analysis_wait_for_the_next(store: Store) -> None:
    world = make_world(store)
    train(world, weeks=16)
    recompute(store, world.lifter.id, now=NOW)
    before = seen(world)
    factories.log_sets(store, world.lifter, world.squat, TODAY + 1, [(200.0, 5, 10.0)])
    later = response_view(store, world.coach, world.lifter.id, 0, now=NOW + timedelta(days=1))
    np.testing.assert_array_equal(later.fitness_kg, before.fitness_kg)


def test_a_lift_taken_out_of_the_log_is_no_error(store: Store) -> None:
    world = make_world(store)
    train(world, weeks=16)
    recompute(store, world.lifter.id, now=NOW)
    with store.transaction() as db:
        db.execute(logged_sets.delete())
    assert "taken out" in seen(world).missing_because


def test_another_coach_finds_nothing(store: Store) -> None:
    world = make_world(store)
    other = factories.make_coach(store, name="Other", login="other@example.org", club="Elsewhere")
    with pytest.raises(LifterNotFound):
        response_view(store, other, world.lifter.id, 0, now=NOW)


def sessions(weeks: int) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Days of three sessions a week, and whether each is in a hard block or an easy one."""
    day = (7 * np.arange(weeks)[:, None] + [0, 2, 4]).ravel()
    block = np.repeat(np.arange(weeks), np.random.default_rng(1).integers(2, 6, weeks))
    return day, block[day // 7] % 2 == 0


def known_stress(weeks: int = 104) -> NDArray[np.float64]:
    """Daily stress of the lifter of `follow`. [usual training days]"""
    day, hard = sessions(weeks)
    return np.bincount(day, np.where(hard, 1.6, 0.4), 7 * weeks).astype(np.float64)


def follow(world: World, c: Constants, weeks: int = 104) -> None:
    """A lifter whose strength is the model's: hard and easy blocks of two to five weeks."""
    day, hard = sessions(weeks)
    level = np.exp(performance(known_stress(weeks), c))[day]
    for when, kg, much in zip(day.tolist(), level.tolist(), hard.tolist(), strict=True):
        sets = [(round(0.8 * kg, 2), 5, 7.0)] * (8 if much else 2)
        factories.log_sets(world.store, world.lifter, world.squat, TODAY - 7 * weeks + when, sets)


def test_a_model_that_forecast_well_speaks_with_its_interval(store: Store) -> None:
    world = make_world(store)
    follow(world, Constants(base=4.5, k_fitness=0.006, k_fatigue=0.012, tau_fitness=38.0, tau_fatigue=7.0))
    recompute(store, world.lifter.id, now=NOW)
    found = seen(world)
    assert found.response is not None
    assert found.speaks, found.response.sentence
    assert found.ahead is not None
    assert found.ahead.kg.size == 56
    assert (found.ahead.low_kg < found.ahead.kg).all()
    assert (found.ahead.kg < found.ahead.high_kg).all()
