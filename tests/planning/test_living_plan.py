"""A running block answers what was done, by its own rules: listed, told, taken back."""

from __future__ import annotations

from datetime import timedelta

import pytest

from app.planning import blocks, drafts, living_plan
from app.planning.worker import run_pending
from app.storage import blocks as stored
from app.storage.engine import Store
from app.storage.models import Block, Coach, Exercise, Lifter, PlannedSession
from app.storage.plan_changes import ChangeNotFound
from app.training import plan as plans
from app.training.plan import LivingRules, plan_from_dict
from tests.factories import NOW, TODAY, log_sets, make_coach
from tests.planning.test_blocks import a_lifter_with_fives, a_plan


def running(store: Store, text: str = "3 x 5 at 105 kg", **rules: str) -> tuple[Coach, Lifter, Block]:
    """A block of four weeks, begun today, with these rules."""
    coach, lifter = a_lifter_with_fives(store)
    plan = a_plan(text, living=LivingRules(**rules))  # type: ignore[arg-type]
    return coach, lifter, blocks.assign(store, coach, lifter.id, plan, start_day=TODAY, now=NOW)


def texts(store: Store, coach: Coach, block: Block) -> list[str]:
    return [one.exercises[0][1] for one in blocks.view(store, coach, block.id).days]


def loads(store: Store, coach: Coach, block: Block) -> list[int]:
    return [one.exercises[0][2][0]["load_grams"] for one in blocks.view(store, coach, block.id).days]


def statuses(store: Store, coach: Coach, block: Block) -> list[str]:
    return [one.status for one in blocks.view(store, coach, block.id).days]


def do_first_session(store: Store, lifter: Lifter, block: Block, rpe: float, load: float = 105) -> None:
    with store.transaction() as db:
        session = stored.sessions(db, block.id)[0]
        asked = stored.prescriptions(db, [session.id])[0]
        squat = db.get(Exercise, asked.exercise_id)
        db.get_one(PlannedSession, session.id).status = "done"
    assert squat is not None
    log_sets(store, lifter, squat, TODAY, [(load, 5, rpe)] * 3, prescription_id=asked.id)
    with store.transaction() as db:
        db.get_one(Lifter, lifter.id).stale_at = NOW


def test_a_block_that_was_cut_short_gives_nothing_out_past_its_end(store: Store) -> None:
    coach, _, block = running(store, missed="repeat")
    row = plan_from_dict(block.plan).lines[0][1].id
    edits = plans.set_cell(plan_from_dict(block.plan), row, 1, "2 x 3 at 110 kg")
    with store.transaction() as db:
        cut = db.get_one(Block, block.id)
        cut.end_day = TODAY + 13
        stored.remove_planned(db, block.id, from_day=TODAY + 14)
    drafts.change(store, coach, block.id, edits, version=1, why="a heavier week", now=NOW)
    run_pending(store, NOW + timedelta(days=1))
    seen = blocks.view(store, coach, block.id)
    assert [one.day for one in seen.days] == [TODAY, TODAY + 7]
    with store.reading() as db:
        assert db.get_one(Block, block.id).end_day == TODAY + 13


def test_a_missed_session_is_repeated_and_the_lifter_is_told(any_store: Store) -> None:
    coach, lifter, block = running(any_store, missed="repeat")
    row = plan_from_dict(block.plan).lines[0][1].id
    edits = plans.set_cell(plan_from_dict(block.plan), row, 1, "2 x 3 at 110 kg")
    drafts.change(any_store, coach, block.id, edits, version=1, why="a heavier week", now=NOW)
    run_pending(any_store, NOW + timedelta(days=1))
    # A day of grace: the phone may have been without network.
    assert statuses(any_store, coach, block)[0] == "missed"
    assert texts(any_store, coach, block)[1] == "2 x 3 at 110 kg"
    run_pending(any_store, NOW + timedelta(days=2))
    assert texts(any_store, coach, block) == [
        "3 x 5 at 105 kg",
        "3 x 5 at 105 kg",
        "2 x 3 at 110 kg",
        "3 x 5 at 105 kg",
    ]
    newest = drafts.versions(any_store, coach, block.id)[0]
    assert newest.by == "the block's own rule"
    (change,) = living_plan.of_block(any_store, coach, block.id)
    assert change.why == "Squat of week 1 was missed, so it is repeated in week 2: 3 x 5 at 105 kg."
    assert [one.why for one in living_plan.unseen(any_store, lifter)] == ["a heavier week", change.why]
    living_plan.mark_seen(any_store, lifter, change.id, now=NOW)
    assert living_plan.unseen(any_store, lifter) == ()


def test_an_answer_is_given_once(store: Store) -> None:
    coach, _, block = running(store, missed="repeat")
    for days in (2, 2, 3, 4):
        run_pending(store, NOW + timedelta(days=days))
    assert len(living_plan.of_block(store, coach, block.id)) <= 1
    assert len(drafts.versions(store, coach, block.id)) <= 2


def test_an_effort_above_target_lowers_the_next_load(any_store: Store) -> None:
    coach, lifter, block = running(any_store, "3 x 5 at 105 kg @ RPE 6", effort="adjust")
    before = loads(any_store, coach, block)
    do_first_session(any_store, lifter, block, rpe=10)
    run_pending(any_store, NOW + timedelta(days=1))
    after = loads(any_store, coach, block)
    assert after[0] == before[0]
    assert before[1] * 0.95 <= after[1] < before[1]
    assert after[2:] == before[2:]
    (change,) = living_plan.of_block(any_store, coach, block.id)
    assert change.rule == "effort"
    assert change.why.startswith("Squat, week 1: RPE 10 where 6.0 was expected, so week 2 is ")
    assert change.standing


def test_a_change_is_taken_back(any_store: Store) -> None:
    coach, lifter, block = running(any_store, "3 x 5 at 105 kg @ RPE 6", effort="adjust")
    before = loads(any_store, coach, block)
    do_first_session(any_store, lifter, block, rpe=10)
    later = NOW + timedelta(days=1)
    run_pending(any_store, later)
    (change,) = living_plan.of_block(any_store, coach, block.id)
    living_plan.mark_seen(any_store, lifter, change.id, now=later)
    living_plan.take_back(any_store, coach, change.id, by="Ines Marto", now=later)
    assert loads(any_store, coach, block) == before
    assert drafts.versions(any_store, coach, block.id)[0].why.startswith("Taken back: Squat, week 1")
    assert [(one.why, one.taken_back) for one in living_plan.unseen(any_store, lifter)] == [
        (change.why, True)
    ]
    run_pending(any_store, later)
    assert loads(any_store, coach, block) == before
    with pytest.raises(living_plan.CannotTakeBack, match="taken back already"):
        living_plan.take_back(any_store, coach, change.id, by="Ines Marto", now=later)


def test_what_was_edited_since_is_not_taken_back(store: Store) -> None:
    coach, lifter, block = running(store, "3 x 5 at 105 kg @ RPE 6", effort="adjust")
    do_first_session(store, lifter, block, rpe=10)
    later = NOW + timedelta(days=1)
    run_pending(store, later)
    (change,) = living_plan.of_block(store, coach, block.id)
    now_plan = plan_from_dict(blocks.view(store, coach, block.id).block.plan)
    edits = plans.set_cell(now_plan, now_plan.lines[0][1].id, 1, "off")
    drafts.change(store, coach, block.id, edits, version=2, why="away", now=later)
    assert not living_plan.of_block(store, coach, block.id)[0].standing
    with pytest.raises(living_plan.CannotTakeBack, match="edited there since"):
        living_plan.take_back(store, coach, change.id, by="Ines Marto", now=later)


def test_a_block_without_rules_only_closes_what_was_missed(any_store: Store) -> None:
    coach, lifter, block = running(any_store)
    run_pending(any_store, NOW + timedelta(days=9))
    assert statuses(any_store, coach, block) == ["missed", "missed", "planned", "planned"]
    assert living_plan.of_block(any_store, coach, block.id) == ()
    assert living_plan.unseen(any_store, lifter) == ()


def test_expected_effort_changes_nothing(store: Store) -> None:
    coach, lifter, block = running(store, "3 x 5 at 105 kg @ RPE 8", effort="adjust")
    do_first_session(store, lifter, block, rpe=8.5)
    run_pending(store, NOW + timedelta(days=1))
    assert living_plan.of_block(store, coach, block.id) == ()


def test_another_coach_takes_nothing_back(store: Store) -> None:
    coach, _, block = running(store, missed="repeat")
    plan = plan_from_dict(block.plan)
    edits = plans.set_cell(plan, plan.lines[0][1].id, 1, "2 x 3 at 110 kg")
    drafts.change(store, coach, block.id, edits, version=1, why="heavier", now=NOW)
    run_pending(store, NOW + timedelta(days=2))
    (change,) = living_plan.of_block(store, coach, block.id)
    other = make_coach(store, login="other@example.org")
    with pytest.raises(ChangeNotFound):
        living_plan.take_back(store, other, change.id, by="Other", now=NOW)
