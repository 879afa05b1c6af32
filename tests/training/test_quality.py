from __future__ import annotations

import time
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.training import quality
from app.training.records import AnalysisSettings, DataError, Exercise, SetLog
from app.training.reference import usable
from app.training.units import KG_PER_LB
from tests.training.logs import ARRAYS, MONDAY, NAN, make_log, reordered, shifted, straight

TODAY = MONDAY
Sets = list[dict[str, Any]]


def squats(sessions: int = 20, *, every: int = 3, until: int = TODAY, load_kg: float = 100.0) -> Sets:
    """Three fives every few days up to the day before, going up and down by 2.5 kg."""
    return [
        each
        for n in range(sessions)
        for each in straight(until - every * (sessions - n), load_kg + n % 3 * 2.5, 5, 3)
    ]


def found(sets: Sets, **changes: Any) -> tuple[DataError, ...]:
    return quality.screen(make_log(sets, **changes))


def reasons(sets: Sets, **changes: Any) -> list[tuple[int, str]]:
    return [(error.row, error.reason) for error in found(sets, **changes)]


# --- what is found -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("rpe", [NAN, 8.0])
@pytest.mark.parametrize(
    ("load_kg", "reps", "reason", "proposed"),
    [
        (220.5, 5, "pounds_as_kilograms", (100.0, 5)),
        (225.0, 5, "pounds_as_kilograms", (102.0, 5)),
        (1000.0, 5, "slipped_decimal", (100.0, 5)),
        (10.25, 5, "slipped_decimal", (102.5, 5)),
        (5.0, 100, "swapped_columns", (100.0, 5)),
    ],
)
def test_a_mistyped_set_is_found_and_a_correction_proposed(
    load_kg: float, reps: int, reason: str, proposed: tuple[float, int], rpe: float
) -> None:
    (error,) = found([*squats(), {"day": TODAY, "load_kg": load_kg, "reps": reps, "rpe": rpe}])
    assert (error.row, error.day, error.exercise, error.reason) == (60, TODAY, 0, reason)
    assert (error.proposed_load_kg, error.proposed_reps) == proposed


@pytest.mark.published
@pytest.mark.parametrize(
    "row",
    [
        row
        for row in usable("unit_conversion")
        if row["direction"] == "kg_to_lb" and float(row["input"]) >= 60
    ],
    ids=lambda row: row["input"],
)
def test_published_pounds_of_a_load_lead_back_to_its_kilograms(row: dict[str, str]) -> None:
    true_kg = float(row["input"])
    usual = squats(load_kg=true_kg - 2.5)
    (error,) = found([*usual, {"day": TODAY, "load_kg": float(row["expected"])}])
    assert error.reason == "pounds_as_kilograms", row["source"]
    assert error.proposed_load_kg == true_kg


def test_later_sessions_judge_an_earlier_one() -> None:
    first = straight(TODAY - 90, 230.0, 5, 2)
    assert reasons(first + squats()) == [(0, "pounds_as_kilograms"), (1, "pounds_as_kilograms")]


def test_one_set_among_good_ones_is_held_out_alone() -> None:
    sets = squats()
    sets[31]["load_kg"] *= 10
    assert reasons(sets) == [(31, "slipped_decimal")]


def test_two_sessions_in_pounds_running_are_both_found() -> None:
    sets = squats(30)
    for n in range(45, 51):
        sets[n]["load_kg"] = round(sets[n]["load_kg"] / KG_PER_LB, 1)
    assert [row for row, _ in reasons(sets)] == list(range(45, 51))


def test_an_easy_session_in_pounds_is_found_by_all_its_exercises_together() -> None:
    # At 80 % of the usual load, 2.2 times as much is three quarters more than usual. The warm-ups of that
    # session would pass for work in kilograms, but not beside the rest of it.
    exercises = tuple(Exercise(name) for name in ("squat", "bench press", "deadlift"))
    sets: Sets = []
    for n in range(20):
        for exercise, load_kg in enumerate((140.0, 90.0, 180.0)):
            sets += straight(TODAY - 60 + 3 * n, load_kg + n % 3 * 2.5, 5, 3, exercise=exercise)
    easy: Sets = []
    for exercise, load_kg in enumerate((140.0, 90.0, 180.0)):
        for share in (0.4, 0.8, 0.8):
            load_lb = round(load_kg * share / KG_PER_LB / 5) * 5.0
            easy.append({"day": TODAY, "load_kg": load_lb, "exercise": exercise})
    held_out = found(sets + easy, exercises=exercises)
    assert [error.row for error in held_out] == list(range(180, 189))
    assert {error.reason for error in held_out} == {"pounds_as_kilograms"}


def test_a_whole_exercise_with_its_columns_swapped_is_found() -> None:
    sets = squats() + [{"day": TODAY, "load_kg": 5.0, "reps": 100} for _ in range(4)]
    assert reasons(sets) == [(row, "swapped_columns") for row in range(60, 64)]


def test_a_load_nobody_lifts_and_nothing_explains_is_implausible() -> None:
    (error,) = found([*squats(), {"day": TODAY, "load_kg": 460.0}])
    assert error.reason == "implausible"
    assert np.isnan(error.proposed_load_kg)
    assert error.proposed_reps == 5


@pytest.mark.parametrize("load_kg", [NAN, -20.0, float("inf"), 5000.0])
def test_impossible_loads_are_held_out_however_little_is_known(load_kg: float) -> None:
    assert reasons([{"load_kg": load_kg}, {"load_kg": 100.0}]) == [(0, "implausible")]


def test_in_a_new_exercise_the_sets_beside_it_speak() -> None:
    loads = [100.0, 100.0, 1000.0, 100.0]
    assert reasons([{"load_kg": load} for load in loads]) == [(2, "slipped_decimal")]


def test_the_body_mass_moved_is_not_converted() -> None:
    # 20 kg on the belt of an 80 kg lifter, typed as 44 lb: 24 kg more is 24 % of what moves.
    pull_up = Exercise("pull-up", None, 0.95)
    sets = [
        each for n in range(25) for each in straight(TODAY - 75 + 3 * n, 20.0 + n % 2 * 1.25, 5, 3, rpe=9.0)
    ]
    assert reasons(
        [*sets, {"day": TODAY, "load_kg": 200.0, "rpe": 9.0}], exercises=(pull_up,), body_mass_kg=80.0
    ) == [(75, "slipped_decimal")]


# --- what is left alone ------------------------------------------------------------------------------------


def test_an_empty_log_has_no_errors() -> None:
    assert found([]) == ()


def test_an_easy_week_is_training() -> None:
    easy = [each for n in range(3) for each in straight(TODAY + 2 * n, 55.0, 5, 3)]
    assert found(squats() + easy) == ()


def test_a_return_after_months_is_training() -> None:
    back = [each for n in range(6) for each in straight(TODAY + 150 + 3 * n, 60.0 + 5 * n, 5, 3)]
    assert found(squats() + back) == ()


def test_a_novice_may_double_in_a_year() -> None:
    sets = [each for n in range(100) for each in straight(TODAY + 3 * n, 40.0 + 0.5 * n, 5, 3, rpe=8.0)]
    assert found(sets) == ()


def test_heavy_weeks_after_a_long_easy_block_are_training() -> None:
    easy = squats(12, load_kg=62.5)
    hard = [each for n in range(2) for each in straight(TODAY + 3 * n, 102.5, 5, 3)]
    assert found(squats(30, until=TODAY - 40) + easy + hard) == ()


@pytest.mark.parametrize(("load_kg", "reps"), [(60.0, 20), (120.0, 1), (70.0, 15), (112.5, 2), (50.0, 25)])
def test_another_number_of_repetitions_is_training(load_kg: float, reps: int) -> None:
    assert found(squats() + straight(TODAY, load_kg, reps, 3)) == ()


def test_a_ladder_of_warm_ups_that_nobody_marked_is_training() -> None:
    ladder = (20.0, 60.0, 100.0, 140.0, 180.0, 200.0, 200.0)
    sets = [{"day": TODAY + 3 * n, "load_kg": load, "reps": 5} for n in range(25) for load in ladder]
    assert found(sets) == ()


def test_the_first_empty_bar_before_200_kg_is_no_slipped_decimal() -> None:
    sets = squats(load_kg=195.0)
    assert found([*sets, {"day": TODAY, "load_kg": 20.0}, {"day": TODAY, "load_kg": 120.0}]) == ()


def test_a_single_and_back_off_sets_are_training() -> None:
    sets = [
        each
        for n in range(25)
        for each in (
            {"day": TODAY + 4 * n, "load_kg": 140.0, "reps": 1},
            *straight(TODAY + 4 * n, 100.0, 6, 4),
        )
    ]
    assert found(sets) == ()


def test_a_lifter_who_logs_converted_pounds_is_left_alone() -> None:
    sets = squats()
    for each in sets:
        each["load_kg"] = round(each["load_kg"] / KG_PER_LB / 5) * 5 * KG_PER_LB
    assert found(sets) == ()


def test_a_new_exercise_has_nothing_to_be_judged_by() -> None:
    assert found([*straight(TODAY, 40.0, 10, 2), *straight(TODAY + 7, 90.0, 5, 2)]) == ()


def test_a_change_of_machine_that_lasts_is_no_error() -> None:
    sets = squats(30, load_kg=40.0, until=TODAY) + squats(30, load_kg=90.0, until=TODAY + 90)
    assert found(sets) == ()


def test_marked_warm_ups_may_be_as_light_as_they_like() -> None:
    sets = squats()
    warm_ups = [{"day": TODAY - 3 * n, "load_kg": 20.0, "reps": 12, "warm_up": True} for n in range(1, 10)]
    assert found(sets + warm_ups) == ()


def test_a_belt_with_more_or_less_on_it_is_training() -> None:
    pull_up = Exercise("pull-up", None, 0.95)
    rng = np.random.default_rng(5)
    sets = [
        {"day": TODAY + 3 * n, "load_kg": float(rng.choice([0, 0, 2.5, 5, 10, 20, 25])), "reps": 5}
        for n in range(40)
    ]
    assert found(sets, exercises=(pull_up,), body_mass_kg=80.0) == ()
    assert found(sets, exercises=(Exercise("pull-up"),)) == ()  # Nobody said that it moves body mass.


# --- copies ------------------------------------------------------------------------------------------------


def day_of(day: int, *rows: tuple[float, int, float], session: int | None = None) -> Sets:
    return [
        {
            "day": day,
            "session": day if session is None else session,
            "set_number": n + 1,
            "load_kg": load,
            "reps": reps,
            "rpe": rpe,
        }
        for n, (load, reps, rpe) in enumerate(rows)
    ]


RATED = ((100.0, 5, 7.0), (102.5, 5, 8.0), (102.5, 5, 9.0))
STRAIGHT = ((100.0, 5, NAN),) * 3


@pytest.mark.parametrize("rows", [RATED, STRAIGHT])
def test_set_numbers_that_come_again_with_the_same_numbers_are_copies(rows: Any) -> None:
    sets = day_of(TODAY, *rows) + day_of(TODAY, *rows)
    assert reasons(sets) == [(3, "duplicate"), (4, "duplicate"), (5, "duplicate")]


def test_numbers_tell_the_copies_even_of_sets_that_alternate() -> None:
    rows = ((100.0, 5, 9.5), (100.0, 5, 8.5), (100.0, 5, 9.5), (100.0, 5, 8.5))
    assert [row for row, _ in reasons(squats() + day_of(TODAY, *rows) * 2)] == [64, 65, 66, 67]


def test_a_single_entered_twice_under_its_number_is_a_copy() -> None:
    assert reasons(day_of(TODAY, (140.0, 1, 9.0)) * 2) == [(1, "duplicate")]


def test_a_session_entered_again_for_the_next_day_is_a_copy() -> None:
    sets = squats() + day_of(TODAY, *RATED) + day_of(TODAY + 1, *RATED)
    assert reasons(sets) == [(63, "duplicate"), (64, "duplicate"), (65, "duplicate")]


def test_a_session_sent_twice_on_its_day_is_a_copy() -> None:
    sets = squats() + day_of(TODAY, *RATED, session=1) + day_of(TODAY, *RATED, session=2)
    assert [reason for _, reason in reasons(sets)] == ["duplicate"] * 3


def test_an_exercise_twice_over_without_numbers_is_a_copy_if_it_is_more_than_is_ever_done() -> None:
    twice = [{**each, "set_number": 0} for each in day_of(TODAY, *RATED) * 2]
    assert reasons(squats() + twice) == [(63, "duplicate"), (64, "duplicate"), (65, "duplicate")]
    often = [{**each, "set_number": 0, "day": TODAY - n} for n in range(3, 30, 3) for each in twice]
    assert found(often + twice) == ()  # Waves, for somebody who trains in waves.


def test_straight_sets_are_training() -> None:
    assert found(day_of(TODAY, *((100.0, 5, 8.0),) * 10)) == ()


def test_the_same_prescription_a_week_later_is_training() -> None:
    assert found(day_of(TODAY, *RATED) + day_of(TODAY + 7, *RATED) + day_of(TODAY + 2, *RATED)) == ()


def test_the_same_unrated_work_every_day_is_a_habit() -> None:
    rows = ((60.0, 10, NAN), (70.0, 8, NAN), (80.0, 6, NAN))
    assert found([each for n in range(12) for each in day_of(TODAY + n, *rows)]) == ()


def test_two_different_sessions_on_one_day_are_training() -> None:
    morning = day_of(TODAY, *RATED, session=1)
    evening = day_of(TODAY, (90.0, 8, 7.0), (90.0, 8, 8.0), (90.0, 7, 9.0), session=2)
    assert found(morning + evening) == ()


# --- properties --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Simulated:
    log: SetLog
    wrong: frozenset[int]


def simulated(seed: int, *, mistakes: bool = True) -> Simulated:
    """A lifter with blocks, easy weeks, a layoff, and mistakes of every kind.

    Load falls by a fixed share of itself with every repetition, a curve the screening does not use.
    """
    rng = np.random.default_rng([20260302, seed])
    names = ("squat", "bench press", "deadlift", "overhead press", "curl")
    start_kg = np.array([140.0, 95.0, 170.0, 60.0, 30.0]) * np.exp(rng.normal(0, 0.25, 5))
    fall = 0.027 * np.exp(rng.normal(0, 0.25, 5))
    gain = rng.choice([0.0002, 0.0008, 0.002])  # [1/d]
    rated = rng.choice([0.0, 0.5, 1.0])
    sets: Sets = []
    wrong: set[int] = set()
    away = int(rng.integers(80, 200))
    day, reps = 0, 5
    for session in range(110):
        day += int(rng.choice([1, 2, 3, 4])) + (45 if session == away else 0)
        if session % 12 == 0:
            reps = int(rng.choice([1, 2, 3, 5, 8, 10, 12, 15]))
        easy = 0.6 if session % 12 == 11 else 1.0
        in_pounds = mistakes and rng.random() < 0.01
        form = float(rng.normal(0, 0.02))
        for exercise in range(5):
            if rng.random() < 0.4:
                continue
            best = start_kg[exercise] * np.exp(form + min(gain * day, 0.4))
            left = float(rng.integers(0, 4))
            load = best * np.exp(-fall[exercise] * (reps + left - 1)) * easy
            for number in range(int(rng.integers(2, 6))):
                kg = round(load * 0.98**number / 2.5) * 2.5
                rpe = float(np.clip(np.round(2 * (10 - left + rng.normal(0, 0.8))) / 2, 5, 10))
                done = {"day": TODAY + day, "exercise": exercise, "reps": reps, "load_kg": kg}
                done["rpe"] = rpe if easy == 1 and rng.random() < rated else NAN
                slip = rng.random() if mistakes else 1.0
                if in_pounds:
                    done["load_kg"] = float(round(kg / KG_PER_LB))
                elif slip < 0.002:
                    done["load_kg"] = kg * 10
                elif slip < 0.004:
                    done["load_kg"] = kg / 10
                elif slip < 0.006 and kg > 3 * reps:
                    done["load_kg"], done["reps"] = float(reps), int(kg)
                elif slip < 0.008:
                    done["load_kg"] = float(round(kg / KG_PER_LB))
                if done["load_kg"] != kg:
                    wrong.add(len(sets))
                sets.append(done)
    return Simulated(make_log(sets, exercises=tuple(Exercise(name) for name in names)), frozenset(wrong))


def test_simulated_mistakes_are_found_and_nothing_else() -> None:
    planted = hits = false = 0
    for seed in range(12):
        lifter = simulated(seed)
        rows = {error.row for error in quality.screen(lifter.log)}
        planted += len(lifter.wrong)
        hits += len(rows & lifter.wrong)
        false += len(rows - lifter.wrong)
    assert planted > 200
    assert false == 0
    assert hits >= 0.96 * planted


def test_nothing_is_found_where_nothing_is_wrong() -> None:
    for seed in range(100, 110):
        assert quality.screen(simulated(seed, mistakes=False).log) == ()


def test_a_correction_brings_the_true_load_back() -> None:
    # Mistakes that lose no digits; a correction of whole pounds cannot be closer than half of one.
    lifter, truth = simulated(3), simulated(3, mistakes=False)
    assert lifter.log.day.size > 500
    for error in quality.screen(lifter.log):
        if error.reason in ("slipped_decimal", "swapped_columns"):
            good = quality.without(lifter.log, (error,))
            same = (good.exercise == error.exercise) & (np.abs(good.day - error.day) <= 14)
            assert good.load_kg[same].min() * 0.5 < error.proposed_load_kg < good.load_kg[same].max() * 1.2
    assert truth.wrong == frozenset()


@given(st.integers(0, 30), st.randoms(use_true_random=False))
@settings(max_examples=15)
def test_the_order_of_the_sets_does_not_matter(seed: int, random: Any) -> None:
    log = simulated(seed).log
    order = np.arange(log.day.size)
    random.shuffle(order)
    assert repr(quality.screen(reordered(log, order))) == repr(quality.screen(log))


@given(st.integers(0, 30), st.integers(-8000, 8000))
@settings(max_examples=10)
def test_shifting_all_dates_shifts_the_errors(seed: int, days: int) -> None:
    log = simulated(seed).log
    moved = tuple(replace(error, day=error.day + days) for error in quality.screen(log))
    assert repr(moved) == repr(quality.screen(shifted(log, days)))


@given(st.integers(0, 30))
@settings(max_examples=10)
def test_held_out_once_nothing_more_is_found(seed: int) -> None:
    log = simulated(seed).log
    rest = quality.without(log, quality.screen(log))
    assert len(quality.screen(rest)) <= 1


def test_adding_a_marked_warm_up_changes_no_verdict() -> None:
    log = simulated(2).log
    warm_up = make_log(
        [{"day": int(log.day[200]), "load_kg": 40.0, "warm_up": True, "row": 99_999, "set_number": 0}]
    )
    longer = replace(log, **{name: np.append(getattr(log, name), getattr(warm_up, name)) for name in ARRAYS})
    assert repr(quality.screen(longer)) == repr(quality.screen(log))


def test_without_keeps_everything_else() -> None:
    log = replace(make_log(squats()), prescribed_rpe=np.arange(60.0))
    sets = log.load_kg.copy()
    sets[10] *= 10
    log = replace(log, load_kg=sets)
    rest = quality.without(log, quality.screen(log))
    assert rest.row.tolist() == [*range(10), *range(11, 60)]
    assert rest.prescribed_rpe is not None
    assert rest.prescribed_rpe.size == 59
    assert quality.without(log, ()) is log


def test_a_greater_sensitivity_holds_out_at_least_as_much() -> None:
    log = simulated(4).log
    usual = {error.row for error in quality.screen(log, settings=AnalysisSettings())}
    keen = {error.row for error in quality.screen(log, settings=AnalysisSettings(sensitivity=2.0))}
    assert usual <= keen


def test_twelve_thousand_sets_are_screened_in_the_time_of_a_page() -> None:
    one = simulated(1, mistakes=False).log
    times = -(-12_500 // one.day.size)
    span = int(np.ptp(one.day)) + 3
    parts = {name: np.concatenate([getattr(one, name)] * times) for name in ARRAYS}
    parts["day"] = np.concatenate([one.day + span * n for n in range(times)])
    parts["session"] = parts["day"]
    parts["row"] = np.arange(parts["row"].size)
    log = replace(one, **parts)
    began = time.process_time()
    assert quality.screen(log) == ()
    assert time.process_time() - began < 0.25  # About 7 ms on a quiet machine.
