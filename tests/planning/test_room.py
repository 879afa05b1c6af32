"""The room a block leaves is said from the planned loads, the lift's level and slope, and the plates."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from app.planning.history import PlannedSet
from app.planning.room import room_left, top_sets
from app.storage.seasons import SeasonBlock
from app.training.loading import USUAL_KITS
from app.training.progression import ExerciseState
from app.training.records import Estimate
from tests.factories import TODAY

STATE = ExerciseState(
    exercise="Squat",
    kit=USUAL_KITS["barbell", "kg"],
    e1rm=Estimate(150.0, 146.0, 154.0),
    slope=Estimate(0.2, 0.0, 0.4),
    usual_reps=5.0,
)
BLOCK = SeasonBlock(1, "Fives", "strength", "", TODAY - 7, TODAY + 34, "assigned", ())


def planned(
    day: int, load_kg: float | None, reps: int = 5, *, sets: int = 1, block: int = 1
) -> list[PlannedSet]:
    return [PlannedSet(day, "Heavy", block, 1, load_kg, reps, None)] * sets


def said(*plan: list[PlannedSet], state: ExerciseState | None = STATE, floor: float = 0.0) -> str:
    flat = [one for day in plan for one in day]
    return " ".join(str(one) for one in room_left(state, flat, BLOCK, today=TODAY, floor_rir=floor))


def test_light_work_is_predicted_to_last() -> None:
    words = said(planned(TODAY + 1, 100.0), planned(TODAY + 8, 102.5), planned(TODAY + 15, 105.0))
    assert "The planned sets of 5, 100 kg to 105 kg, are predicted to last: the final one leaves" in words


def test_heavy_work_runs_out_in_a_named_week() -> None:
    words = said(*(planned(TODAY + 1 + 7 * i, 120.0 + 7.5 * i) for i in range(4)))
    # Fives fail from 150 / (1 + 4 / 29) = 131.8 kg on: the third exposure, 135 kg, on the 15th day from now.
    assert "leave no rep in reserve in week 4" in words
    assert "The block runs to week 6." in words


def test_a_floor_comes_sooner_than_failure() -> None:
    plan = [planned(TODAY + 1 + 7 * i, 120.0 + 7.5 * i) for i in range(4)]
    words = said(*plan, floor=2.0)
    assert "less than 2 in reserve in week 3" in words


def test_an_end_that_may_never_come_is_said_so() -> None:
    words = said(planned(TODAY + 1, 133.0))  # Just over what the mean allows; well inside the interval.
    assert "or not at all" in words


def test_spacing_is_the_increment_over_the_gain() -> None:
    # 2.5 kg at 0.2 % of 100 kg a week is 12.5 weeks; the fast end of the slope, 0.4 %, half of it.
    assert "is being earned every 88 weeks" not in said(planned(TODAY + 1, 100.0))
    assert "2.5 kg, is being earned every 12 weeks (44 days to never)." in said(planned(TODAY + 1, 100.0))


def test_no_gain_earns_no_step() -> None:
    flat = replace(STATE, slope=Estimate(-0.1, -0.3, 0.1))
    assert "no spacing earns another 2.5 kg yet" in said(planned(TODAY + 1, 100.0), state=flat)


def test_pain_and_too_little_data_stop_advice() -> None:
    assert "Pain is reported here." in said(planned(TODAY, 100.0), state=replace(STATE, painful=True))
    assert "too little is logged" in said(planned(TODAY, 100.0), state=replace(STATE, e1rm=None))
    assert "too little is logged" in said(state=None)


def test_another_block_and_loads_found_on_the_day_do_not_count() -> None:
    assert "No load is planned for this lift" in said(
        planned(TODAY + 1, 100.0, block=2), planned(TODAY + 2, None)
    )


@pytest.mark.parametrize(("heavy", "reps"), [(130.0, 2), (120.0, 6)])
def test_the_top_set_of_a_day_is_what_stands_for_the_most(heavy: float, reps: int) -> None:
    tops = top_sets([*planned(TODAY, 100.0, sets=3), *planned(TODAY, heavy, reps, sets=2)])
    assert [(one.load_kg, one.reps, one.sets) for one in tops] == [(heavy, reps, 2)]
    assert not math.isnan(tops[0].load_kg)
