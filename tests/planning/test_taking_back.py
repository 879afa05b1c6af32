"""A decision taken back: the plan as it was given out, the flag as it was, and clear refusals."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from app.planning import answers, blocks, decisions, drafts, exports, lifters, living_plan, taking_back
from app.planning.analysis import recompute
from app.planning.decisions import Choice
from app.planning.taking_back import CannotTakeBack, ShownOtherwise
from app.storage import flags
from app.storage.decisions import DecisionNotFound, thread
from app.storage.engine import Store
from app.storage.models import Block, Coach, Decision, Exercise, Flag, Lifter, PlannedSession
from app.training.plan import SetCells, plan_from_dict
from tests.factories import NOW, TODAY, log_sets, make_coach
from tests.planning.test_blocks import a_lifter_with_fives, a_plan

LATER = NOW + timedelta(hours=2)
Desk = tuple[Store, Coach, Lifter, Block, int]


@pytest.fixture
def desk(any_store: Store) -> Desk:
    """A lifter in the second week of a block of fives, with a stall flagged on the squat."""
    coach, lifter = a_lifter_with_fives(any_store)
    block = blocks.assign(any_store, coach, lifter.id, a_plan(), start_day=TODAY - 7, now=NOW)
    with any_store.transaction() as db:
        squat = db.query(Exercise).filter_by(key="squat").one()
        flag = flags.add(
            db, lifter.id, exercise_id=squat.id, kind="stall", cause=f"stall:{squat.id}", severity="watch",
            probability=0.7, since_day=TODAY - 20, evidence={}, advice="", clears_when="", opened_at=NOW,
            updated_at=NOW, last_true_day=TODAY, cleared_at=None, snoozed_until=None,
        )  # fmt: skip
        return any_store, coach, lifter, block, flag.id


def on_the_phone(desk: Desk) -> list[Any]:
    """Every planned session of the lifter with what it asks for, as a phone reads it."""
    store, coach, lifter, _, _ = desk
    with store.reading() as db:
        rows = db.query(PlannedSession).filter_by(lifter_id=lifter.id).order_by(PlannedSession.day).all()
        found = {
            block: blocks.calendar(db, coach, db.get(Block, block), from_day=0)  # type: ignore[arg-type]
            for block in {one.block_id for one in rows}
        }
    return sorted((one for each in found.values() for one in each.values()), key=lambda one: one["day"])


def decide(desk: Desk, choice: Choice, at: Any = NOW) -> Decision:
    store, coach, lifter, _, flag = desk
    return decisions.decide(store, coach, lifter.id, flag, choice, by="Anders", now=at)


def the_flag(desk: Desk) -> tuple[str, int | None, str]:
    with desk[0].reading() as db:
        one = db.get(Flag, desk[4])
    assert one is not None
    return one.state, one.snoozed_until, one.reason


@pytest.mark.parametrize(
    "choice",
    [
        Choice("step_back", percent=10),
        Choice("spread_out"),
        Choice("change_range", reps=8),
        Choice("change_exercise", exercise="Front squat"),
        Choice("end_block"),
        Choice("extend_block", weeks=2),
        Choice("re_baseline"),
    ],
)
def test_the_plan_returns_as_it_was_given_out(desk: Desk, choice: Choice) -> None:
    store, coach, lifter, block, _ = desk
    before, plan = on_the_phone(desk), blocks.view(store, coach, block.id)
    made = decide(desk, choice)
    assert on_the_phone(desk) != before
    # What is known of the lifter moves on: the loads that return are those given out, not computed anew.
    with store.reading() as db:
        squat = db.query(Exercise).filter_by(key="squat").one()
    log_sets(store, lifter, squat, TODAY, [(160.0, 5, 7.0)] * 3)
    recompute(store, lifter.id, now=LATER)
    shown = taking_back.propose(store, coach, made.id, now=LATER)
    assert shown.refusal == ""
    assert shown.changes or choice.action == "re_baseline"  # Here anew is as before.
    assert shown.flag_words == "The flag is open again."
    taking_back.take_back(store, coach, made.id, seen=shown.seen, by="Bea", now=LATER)
    assert on_the_phone(desk) == before
    after = blocks.view(store, coach, block.id)
    assert after.plan == plan.plan
    assert (after.block.end_day, after.block.name) == (plan.block.end_day, plan.block.name)
    with store.reading() as db:
        assert db.query(Block).count() == 1
    assert the_flag(desk) == ("open", None, "")
    newest = drafts.versions(store, coach, block.id)[0]
    assert (newest.by, newest.why) == ("Bea", f"Taken back: {decisions.LABELS[choice.action].lower()}")
    (line,), tallies = decisions.journal(store, coach)
    assert line.decision.undone_at == LATER
    assert line.decision.detail["taken_back_by"] == "Bea"
    assert tallies == []
    assert decisions.compute_outcomes(store, lifter.id, now=NOW + timedelta(days=60)) == 0
    with pytest.raises(CannotTakeBack, match="taken back already by Bea"):
        taking_back.take_back(store, coach, made.id, by="Bea", now=LATER)


@pytest.mark.parametrize("choice", [Choice("step_back"), Choice("re_baseline")])
def test_a_decision_that_moved_to_another_account_can_be_taken_back_there(desk: Desk, choice: Choice) -> None:
    store, coach, *_ = desk
    before = on_the_phone(desk)
    decide(desk, choice)
    found = exports.everything(store, coach, by="test", now=NOW)
    tables = {
        name: [dict(zip((one.name for one in found.described[name][1]), row, strict=True)) for row in rows]
        for name, rows in found.tables.items()
    }
    there = make_coach(store, login="there@example.org")
    exports.load(store, there, tables, by="test", now=NOW)
    (line,), _ = decisions.journal(store, there)
    lifter = lifters.find(store, there, line.decision.lifter_id)
    taking_back.take_back(store, there, line.decision.id, by="Bea", now=LATER)
    assert on_the_phone((store, there, lifter, desk[3], 0)) == before


def test_the_change_is_shown_as_the_lifter_would_see_it(desk: Desk) -> None:
    store, coach, *_ = desk
    made = decide(desk, Choice("step_back", percent=10))
    (only,) = taking_back.propose(store, coach, made.id, now=LATER).changes
    was, becomes = made.detail["changes"][0][3:]
    assert (only.week + 1, only.before, only.after) == (made.detail["changes"][0][0], becomes, was)


def test_a_change_that_the_lifter_has_read_is_told_to_be_off(desk: Desk) -> None:
    store, coach, lifter, _, _ = desk
    made = decide(desk, Choice("step_back"))
    (news,) = living_plan.unseen(store, lifter)
    living_plan.mark_seen(store, lifter, news.id, now=LATER)
    taking_back.take_back(store, coach, made.id, by="Bea", now=LATER)
    (news,) = living_plan.unseen(store, lifter)
    assert news.taken_back
    # One that was not read is not told of at all.
    made = decide(desk, Choice("spread_out"), NOW + timedelta(hours=3))
    taking_back.take_back(store, coach, made.id, by="Bea", now=NOW + timedelta(hours=4))
    assert [one.id for one in living_plan.unseen(store, lifter)] == [news.id]


@pytest.mark.parametrize("choice", [Choice("step_back"), Choice("re_baseline")])
def test_what_was_trained_under_the_change_keeps_it(desk: Desk, choice: Choice) -> None:
    store, coach, _, block, _ = desk
    made = decide(desk, choice)
    with store.transaction() as db:
        query = db.query(PlannedSession).filter(PlannedSession.day >= TODAY)
        if choice.action == "re_baseline":
            query = query.filter(PlannedSession.block_id != block.id)
        query.order_by(PlannedSession.day).first().status = "done"  # type: ignore[union-attr]
    before = on_the_phone(desk)
    assert "has trained" in taking_back.propose(store, coach, made.id, now=LATER).refusal
    with pytest.raises(CannotTakeBack, match=r"Vilde has trained .+ in the grid of"):
        taking_back.take_back(store, coach, made.id, by="Bea", now=LATER)
    assert on_the_phone(desk) == before
    assert the_flag(desk)[0] == "snoozed"


def test_training_what_the_change_left_alone_is_no_hindrance(desk: Desk) -> None:
    store, coach, _, _, _ = desk
    made = decide(desk, Choice("end_block"))  # Takes out the weeks after this one.
    with store.transaction() as db:
        first = db.query(PlannedSession).filter(PlannedSession.day >= TODAY).first()
        assert first is not None
        first.status = "done"
    taking_back.take_back(store, coach, made.id, by="Bea", now=LATER)
    with store.reading() as db:
        assert [one.status for one in db.query(PlannedSession).order_by(PlannedSession.day)] == [
            "planned", "done", "planned", "planned",
        ]  # fmt: skip


def test_a_block_changed_since_is_not_overwritten(desk: Desk) -> None:
    store, coach, _, block, _ = desk
    made = decide(desk, Choice("step_back"))
    with store.reading() as db:
        held = db.get(Block, block.id)
    assert held is not None
    row = plan_from_dict(held.plan).lines[0][1].id
    edits = [SetCells(((row, 3, "5 x 5"),))]
    drafts.change(store, coach, block.id, edits, version=held.version, why="more", by="Cleo", now=LATER)
    before = on_the_phone(desk)
    with pytest.raises(CannotTakeBack, match="was changed since, by Cleo"):
        taking_back.take_back(store, coach, made.id, by="Bea", now=LATER)
    assert on_the_phone(desk) == before


def test_days_given_to_another_block_since_are_not_taken_again(desk: Desk) -> None:
    store, coach, lifter, _, _ = desk
    made = decide(desk, Choice("end_block"))
    blocks.assign(store, coach, lifter.id, a_plan(), start_day=TODAY + 7, now=LATER)
    with pytest.raises(CannotTakeBack, match="stands on days that would be taken up again"):
        taking_back.take_back(store, coach, made.id, by="Bea", now=LATER)


def test_a_message_stays_sent_and_the_flag_comes_back(desk: Desk) -> None:
    store, coach, lifter, _, flag = desk
    answers.snooze(store, coach, lifter.id, flag, until=TODAY + 10, reason="busy week", now=NOW)
    made = decide(desk, Choice("write", message="Hi Vilde"))
    assert the_flag(desk) == ("snoozed", TODAY + 5, "Write to the lifter")
    shown = taking_back.propose(store, coach, made.id, now=LATER)
    assert shown.was_sent
    assert "as it was before" in shown.flag_words
    taking_back.take_back(store, coach, made.id, by="Bea", now=LATER)
    assert the_flag(desk) == ("snoozed", TODAY + 10, "busy week")
    with store.reading() as db:
        assert [one.body for one in thread(db, lifter.id)] == ["Hi Vilde"]
    assert "my message of" in taking_back.draft_message(shown)


def test_decisions_about_one_flag_can_be_taken_back_in_any_order(desk: Desk) -> None:
    store, coach, *_ = desk
    first = decide(desk, Choice("write", message="Hi Vilde"))
    second = decide(desk, Choice("step_back"), NOW + timedelta(hours=1))
    taking_back.take_back(store, coach, first.id, by="Bea", now=LATER)
    assert the_flag(desk) == ("snoozed", TODAY + 21, "Step back")  # The second one stands.
    taking_back.take_back(store, coach, second.id, by="Bea", now=LATER)
    assert the_flag(desk) == ("open", None, "")


def test_a_flag_answered_anew_since_keeps_its_answer(desk: Desk) -> None:
    store, coach, lifter, _, flag = desk
    made = decide(desk, Choice("hold_course"))
    answers.dismiss(store, coach, lifter.id, flag, reason="not real", now=LATER)
    taking_back.take_back(store, coach, made.id, by="Bea", now=LATER)
    assert the_flag(desk) == ("dismissed", None, "not real")


def test_what_is_shown_is_what_is_done(desk: Desk) -> None:
    store, coach, lifter, _, flag = desk
    made = decide(desk, Choice("hold_course"))
    seen = taking_back.propose(store, coach, made.id, now=LATER).seen
    answers.dismiss(store, coach, lifter.id, flag, reason="not real", now=LATER)
    with pytest.raises(ShownOtherwise):
        taking_back.take_back(store, coach, made.id, seen=seen, by="Bea", now=LATER)


def test_what_has_led_to_something_stays_in_the_journal(desk: Desk) -> None:
    store, coach, _, _, _ = desk
    made = decide(desk, Choice("hold_course"))
    with store.transaction() as db:
        db.get(Decision, made.id).outcome = {"verdict": "better"}  # type: ignore[union-attr]
    with pytest.raises(CannotTakeBack, match="known already"):
        taking_back.take_back(store, coach, made.id, by="Bea", now=LATER)


def test_another_coachs_decision_is_not_found(desk: Desk) -> None:
    store, *_ = desk
    made = decide(desk, Choice("hold_course"))
    other = make_coach(store, login="other@example.org")
    with pytest.raises(DecisionNotFound):
        taking_back.propose(store, other, made.id, now=LATER)
    with pytest.raises(DecisionNotFound):
        taking_back.take_back(store, other, made.id, by="x", now=LATER)
