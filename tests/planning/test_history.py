"""What was done beside what was planned, on both databases; odd sets decided all or none."""

from __future__ import annotations

from typing import Any

import pytest

from app.planning import data_quality, history
from app.planning.analysis import recompute
from app.planning.data_quality import Pick, SetsChanged
from app.planning.history import against_plan, history_of, set_text
from app.storage import logs
from app.storage.engine import Store
from app.storage.lifters import LifterNotFound
from app.storage.logs import StoredSet
from app.storage.models import SetMark
from tests.factories import NOW, TODAY, log_sets, make_coach
from tests.planning.world import add_block, make_world, plan_session, train


def stored(position: int = 0, **changes: Any) -> StoredSet:
    usual: dict[str, Any] = dict.fromkeys(StoredSet.__slots__)
    usual |= {
        "day": TODAY, "position": position, "session_id": 1, "exercise_id": 1, "set_number": position + 1,
        "load_grams": 100_000, "reps": 5, "rpe_tenths": 80, "marks": 0, "version": 1,
    }  # fmt: skip
    return StoredSet(**(usual | changes))


PLAN = [{"load_grams": 100_000, "reps": 5, "rpe": 8.0}] * 3


@pytest.mark.parametrize(
    ("sets", "said"),
    [
        ([{}, {}, {}], "as planned"),
        ([{}, {}], "1 set fewer"),
        ([{}, {}, {}, {}], "1 set more"),
        ([{}, {}, {"load_grams": 102_500}], "+2.5 kg"),
        ([{}, {"load_grams": 97_500}, {}], "−2.5 kg"),
        ([{}, {}, {"reps": 3}], "2 reps fewer"),
        ([{}, {}, {"reps": 6}], "1 rep more"),
        ([{"rpe_tenths": 95}] * 3, "RPE +1.5"),
        ([{"rpe_tenths": 85}] * 3, "as planned"),  # Half a point is within what a report is worth.
        ([{"rpe_tenths": None}] * 3, "as planned"),
        ([], "not done"),
    ],
)
def test_what_differs_from_the_plan_is_said_and_nothing_else(sets: list[dict[str, Any]], said: str) -> None:
    assert against_plan(PLAN, [stored(i, **one) for i, one in enumerate(sets)], "kg") == said


def test_sets_are_compared_with_the_planned_set_they_answer() -> None:
    plan = [{"load_grams": 120_000, "reps": 2, "rpe": None}, {"load_grams": 100_000, "reps": 5, "rpe": None}]
    assert against_plan(plan, [stored(planned_set=1)], "kg") == "1 set fewer"


def test_an_open_ended_set_cannot_be_too_long() -> None:
    plan = [{"load_grams": 100_000, "reps": 5, "amrap": True, "rpe": None}]
    assert against_plan(plan, [stored(reps=11)], "kg") == "as planned"


@pytest.mark.parametrize(
    ("changes", "unit", "said"),
    [
        ({}, "kg", "100 kg × 5 @ 8"),
        ({"typed": "225 lb", "load_grams": 102_058}, "lb", "225 lb × 5 @ 8"),
        ({"typed": "82,5 kg", "load_grams": 82_500}, "kg", "82,5 kg × 5 @ 8"),
        ({"rpe_tenths": 95, "marks": SetMark.FAILED}, "kg", "100 kg × 5 @ 9.5, then missed"),
        ({"load_grams": 0, "rpe_tenths": None}, "kg", "body mass × 5"),
        ({"load_grams": 0, "seconds": 40, "rpe_tenths": None}, "kg", "40 s"),
        ({"load_grams": 24_000, "metres": 20, "rpe_tenths": None}, "kg", "24 kg, 20 m"),
    ],
)
def test_a_set_is_printed_as_it_was_typed(changes: dict[str, Any], unit: Any, said: str) -> None:
    assert set_text(stored(**changes).plain(), unit) == said


def test_equal_neighbours_are_merged_and_warm_ups_counted(any_store: Store) -> None:
    world = make_world(any_store)
    log_sets(any_store, world.lifter, world.squat, TODAY, [(60, 5, None)], marks=SetMark.WARM_UP)
    sets: list[tuple[float, int, float | None]] = [
        (100, 5, 8.0),
        (100, 5, 8.5),
        (100, 5, 9.0),
        (90, 8, 7.0),
        (90, 8, 7.0),
    ]
    log_sets(any_store, world.lifter, world.squat, TODAY, sets)
    found = history_of(any_store, world.coach, world.lifter.id, now=NOW)
    done = {line for day in found.days for work in day.work for line in work.done}
    assert done == {"1 warm-up", "100 kg × 5, 3 sets @ 8, 8.5, 9", "2 sets of 90 kg × 8 @ 7"}


def test_days_come_newest_first_with_the_missed_ones_among_them(any_store: Store) -> None:
    world = make_world(any_store)
    train(world, weeks=2)
    block = add_block(world, TODAY - 14)
    plan_session(world, block, TODAY - 3)
    plan_session(world, block, TODAY - 2, status="skipped")
    plan_session(world, block, TODAY + 2)
    found = history_of(any_store, world.coach, world.lifter.id, now=NOW)
    states = {one.day - TODAY: one.state for one in found.days}
    assert list(states) == [-1, -2, -3, -4, -8, -11]
    assert (states[-2], states[-3]) == ("skipped", "missed")
    assert {states[day] for day in (-1, -4, -8, -11)} == {"unplanned"}


def test_a_lifter_of_another_coach_is_not_found(store: Store) -> None:
    world = make_world(store)
    other = make_coach(store, login="other@example.org")
    with pytest.raises(LifterNotFound):
        history_of(store, other, world.lifter.id, now=NOW)
    with pytest.raises(LifterNotFound):
        history.write_note(store, other, world.lifter.id, "x", now=NOW)
    with pytest.raises(LifterNotFound):
        data_quality.odd_sets(store, other, world.lifter.id)


# Odd sets ------------------------------------------------------------------------------------------


def test_odd_sets_come_with_what_they_should_have_been(any_store: Store) -> None:
    world = make_world(any_store)
    train(world)
    log_sets(any_store, world.lifter, world.squat, TODAY, [(245.0, 5, 8.0)] * 3)
    recompute(any_store, world.lifter.id, now=NOW)
    found = data_quality.odd_sets(any_store, world.coach, world.lifter.id)
    assert [one.reason for one in found] == ["pounds_as_kilograms"] * 3
    first = found[0].proposed
    assert first is not None
    # 245 lb x 0.45359237 kg/lb = 111.130 kg (international pound of 1959).
    assert (first.load_grams, first.typed) == (111_130, "245 lb")


def test_all_or_none_is_decided(any_store: Store) -> None:
    world = make_world(any_store)
    train(world)
    log_sets(any_store, world.lifter, world.squat, TODAY, [(245.0, 5, 8.0)] * 2)
    recompute(any_store, world.lifter.id, now=NOW)
    picks = [Pick(TODAY, 0, 1), Pick(TODAY, 1, 9)]
    with pytest.raises(SetsChanged):
        data_quality.fix(any_store, world.coach, world.lifter.id, picks, "correct", by="Ines", now=NOW)
    with any_store.reading() as db:
        assert [one.load_grams for one in logs.sets_between(db, world.lifter.id, TODAY, TODAY)] == [
            245_000
        ] * 2
    picks[1] = Pick(TODAY, 1, 1)
    assert data_quality.fix(any_store, world.coach, world.lifter.id, picks, "right", by="Ines", now=NOW) == 2
    recompute(any_store, world.lifter.id, now=NOW)
    assert data_quality.odd_sets(any_store, world.coach, world.lifter.id) == ()
