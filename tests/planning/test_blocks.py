"""A block assigned: the baseline frozen, loads computed from it, sessions on the calendar."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import func, select

from app.planning import analysis, blocks, drafts
from app.storage import blocks as stored
from app.storage.engine import Store
from app.storage.lifters import LifterNotFound
from app.storage.models import Baseline, Block, Coach, Exercise, Lifter, PlannedSession, Prescription
from app.training import plan as plans
from app.training.plan import PlanDocument
from tests.factories import NOW, TODAY, log_sets, make_coach, make_exercise, make_lifter


def a_plan(text: str = "3 x 5 @ RPE 8", *, weeks: int = 4, day: int = 0, **head: object) -> PlanDocument:
    """One session a week with one squat row, the same cell each week."""
    plan = PlanDocument(name="Fives", kind="strength", weeks=weeks)
    plan, _ = plans.apply_all(plan, plans.add_session(plan, "Heavy", day))
    plan, _ = plans.apply_all(plan, plans.add_row(plan, plan.sessions[0].id, "Squat"))
    row = plan.lines[0][1].id
    for week in range(weeks):
        plan, _ = plans.apply_all(plan, plans.set_cell(plan, row, week, text))
    if head:
        plan, _ = plans.apply_all(plan, plans.set_head(plan, **head))
    return plan


def a_lifter_with_fives(store: Store, *, coach: Coach | None = None) -> tuple[Coach, Lifter]:
    """Nine weeks of fives, 120 kg then 2.5 kg more each week, RPE 8."""
    coach = coach or make_coach(store)
    lifter = make_lifter(store, coach=coach)
    squat = make_exercise(store, coach=coach)
    for week in range(9):
        day = TODAY - 7 * (9 - week)
        log_sets(store, lifter, squat, day, [(100 + 2.5 * week, 5, 8.0)] * 3)
        log_sets(store, lifter, squat, day + 3, [(90 + 2.5 * week, 8, 8.0)] * 3)
    analysis.recompute(store, lifter.id, now=NOW)
    return coach, lifter


def test_an_assigned_block_has_its_sessions_and_loads_on_the_calendar(any_store: Store) -> None:
    coach, lifter = a_lifter_with_fives(any_store)
    block = blocks.assign(any_store, coach, lifter.id, a_plan(), start_day=TODAY, now=NOW)
    with any_store.reading() as db:
        sessions = db.scalars(select(PlannedSession).order_by(PlannedSession.day)).all()
        sets = db.scalars(select(Prescription).order_by(Prescription.planned_session_id)).all()
    assert [one.day - TODAY for one in sessions] == [0, 7, 14, 21]
    assert (block.end_day - block.start_day, block.status) == (27, "assigned")
    assert [one.text for one in sets] == ["3 x 5 @ RPE 8"] * 4
    loads = [one["load_grams"] for prescription in sets for one in prescription.sets]
    # Fives at RPE 8 went with 120 kg a week ago; the plates step by 2.5 kg.
    assert all(117_500 <= load <= 135_000 and load % 2_500 == 0 for load in loads)
    assert sets[0].predicted["low"] < sets[0].predicted["rir"] < sets[0].predicted["high"]


def test_the_baseline_is_frozen_at_assignment(any_store: Store) -> None:
    coach, lifter = a_lifter_with_fives(any_store)
    block = blocks.assign(any_store, coach, lifter.id, a_plan(), start_day=TODAY, now=NOW)
    with any_store.reading() as db:
        squat = db.scalars(select(Prescription.exercise_id)).first()
        before = {one.rep_range: one.load_grams for one in db.scalars(select(Baseline))}
    assert before["5-6"] == 120_000
    assert squat is not None
    later = make_exercise(any_store, coach=coach, name="Bench press")
    log_sets(any_store, lifter, later, TODAY, [(60, 5, 8)])
    analysis.recompute(any_store, lifter.id, now=NOW)
    view = blocks.view(any_store, coach, block.id)
    assert {one.rep_range: one.load_grams for one in view.baselines} == before


def test_the_same_plan_and_state_give_the_same_loads(store: Store) -> None:
    coach, lifter = a_lifter_with_fives(store)
    plan = a_plan("3 x 5 at 82.5 %")
    one = blocks.preview(store, coach, lifter.id, plan, start_day=TODAY, now=NOW)
    two = blocks.preview(store, coach, lifter.id, plan, start_day=TODAY, now=NOW)
    assert one == two


def test_a_plan_that_is_not_understood_is_not_assigned(store: Store) -> None:
    coach, lifter = a_lifter_with_fives(store)
    with pytest.raises(blocks.PlanNotReady, match="Squat, week 1: “five heavy ones” is not understood"):
        blocks.assign(store, coach, lifter.id, a_plan("five heavy ones"), start_day=TODAY, now=NOW)
    with store.reading() as db:
        assert db.scalars(select(PlannedSession)).all() == []


def test_a_new_block_ends_the_running_one_the_day_before(any_store: Store) -> None:
    coach, lifter = a_lifter_with_fives(any_store)
    first = blocks.assign(any_store, coach, lifter.id, a_plan(), start_day=TODAY, now=NOW)
    blocks.assign(any_store, coach, lifter.id, a_plan(), start_day=TODAY + 14, now=NOW)
    view = blocks.view(any_store, coach, first.id)
    assert view.block.end_day == TODAY + 13
    assert [one.day - TODAY for one in view.days] == [0, 7]
    with pytest.raises(blocks.BlockOverlaps):
        blocks.assign(any_store, coach, lifter.id, a_plan(), start_day=TODAY - 3, now=NOW)


def with_a_new_exercise(plan: PlanDocument) -> PlanDocument:
    plan, _ = plans.apply_all(plan, plans.add_row(plan, plan.sessions[0].id, "Zercher squat"))
    return plans.apply_all(plan, plans.set_cell(plan, plan.lines[1][1].id, 0, "3 x 8 @ RPE 7"))[0]


def count(store: Store, table: Any) -> int | None:
    with store.reading() as db:
        return db.scalar(select(func.count()).select_from(table))


def test_a_plans_new_exercises_are_made_with_the_block_or_not_at_all(
    any_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    coach, lifter = a_lifter_with_fives(any_store)
    plan = with_a_new_exercise(a_plan())

    def cut_off(*_given: Any, **_named: Any) -> None:
        raise ConnectionError

    with monkeypatch.context() as patched:
        patched.setattr(stored, "save_version", cut_off)
        with pytest.raises(ConnectionError):
            blocks.assign(any_store, coach, lifter.id, plan, start_day=TODAY, now=NOW)
    assert (count(any_store, Exercise), count(any_store, Block)) == (1, 0)
    blocks.assign(any_store, coach, lifter.id, a_plan(), start_day=TODAY + 7, now=NOW)
    with pytest.raises(blocks.BlockOverlaps):
        blocks.assign(any_store, coach, lifter.id, plan, start_day=TODAY, now=NOW)
    assert count(any_store, Exercise) == 1
    before = blocks.preview(any_store, coach, lifter.id, plan, start_day=TODAY + 70, now=NOW)
    made = blocks.assign(any_store, coach, lifter.id, plan, start_day=TODAY + 70, now=NOW)
    assert count(any_store, Exercise) == 2
    first = blocks.view(any_store, coach, made.id).days[0]
    given = {name: [one["load_grams"] for one in sets] for name, _, sets, _ in first.exercises}
    assert given == {one.exercise: [each.load_grams for each in one.sets] for one in before.cells[:1]} | {
        "Zercher squat": [None] * 3
    }


def test_a_changes_new_exercises_are_made_with_it_or_not_at_all(any_store: Store) -> None:
    coach, lifter = a_lifter_with_fives(any_store)
    block = blocks.assign(any_store, coach, lifter.id, a_plan(), start_day=TODAY, now=NOW)
    edits = plans.add_row(a_plan(), a_plan().sessions[0].id, "Zercher squat")
    with pytest.raises(drafts.BlockChanged):
        drafts.change(any_store, coach, block.id, edits, version=7, why="", now=NOW)
    assert count(any_store, Exercise) == 1
    drafts.change(any_store, coach, block.id, edits, version=1, why="", now=NOW)
    assert count(any_store, Exercise) == 2


def test_another_coachs_lifter_cannot_be_given_a_block(store: Store) -> None:
    _, lifter = a_lifter_with_fives(store)
    other = make_coach(store, login="other@example.org")
    with pytest.raises(LifterNotFound):
        blocks.assign(store, other, lifter.id, a_plan(), start_day=TODAY, now=NOW)
