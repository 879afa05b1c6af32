"""Drafts are saved as one works; a running block changes from today on; nobody overwrites unseen."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from app.planning import blocks, drafts
from app.storage import audit
from app.storage import blocks as stored
from app.storage.blocks import BlockNotFound
from app.storage.engine import Store
from app.storage.models import Coach
from app.training import plan as plans
from app.training.plan import SetCells, plan_from_dict
from tests.factories import NOW, TODAY, make_coach
from tests.planning.test_blocks import a_lifter_with_fives, a_plan


def test_a_draft_is_saved_edited_and_assigned(any_store: Store) -> None:
    coach, lifter = a_lifter_with_fives(any_store)
    draft = drafts.start(any_store, coach, lifter.id, a_plan(), start_day=TODAY, now=NOW)
    row = plan_from_dict(draft.plan).lines[0][1].id
    saved = drafts.save(
        any_store, coach, draft.id, [SetCells(((row, 0, "4 x 6 @ RPE 7"),))], version=1, now=NOW
    )
    assert saved.version == 2
    made = drafts.assign(any_store, coach, draft.id, version=2, now=NOW)
    view = blocks.view(any_store, coach, made.id)
    assert [one.exercises[0][1] for one in view.days] == ["4 x 6 @ RPE 7"] + ["3 x 5 @ RPE 8"] * 3
    with pytest.raises(BlockNotFound):
        blocks.view(any_store, coach, draft.id)


def told_about(store: Store, coach: Coach) -> list[tuple[str, str]]:
    with store.reading() as db:
        return [(one.kind, one.actor) for one in reversed(audit.of_coach(db, coach.id))]


def test_who_wrote_a_draft_is_kept_one_line_an_hour_of_typing(any_store: Store) -> None:
    coach, lifter = a_lifter_with_fives(any_store)
    start = {"start_day": TODAY, "by": "Bea", "now": NOW}
    draft = drafts.start(any_store, coach, lifter.id, a_plan(), **start)
    row, version = plan_from_dict(draft.plan).lines[0][1].id, 1

    def typed(minutes: int, by: str, *, typing: bool = True) -> None:
        nonlocal version
        edit, now = SetCells(((row, 0, f"3 x {version} @ RPE 7"),)), NOW + timedelta(minutes=minutes)
        drafts.save(any_store, coach, draft.id, [edit], version=version, by=by, typing=typing, now=now)
        version += 1

    for minutes, by in ((1, "Bea"), (2, "Bea"), (3, "Ines"), (4, "Bea"), (60, "Bea"), (61, "Bea")):
        typed(minutes, by)
    typed(62, "Bea", typing=False)
    drafts.drop(any_store, coach, draft.id, now=NOW)
    changed = [("draft changed", by) for by in ("Bea", "Ines", "Bea", "Bea")]
    assert told_about(any_store, coach) == [
        ("draft begun", "Bea"),
        *changed,
        ("draft thrown away", coach.name),
    ]


def test_a_change_that_is_refused_is_not_said_to_be_made(store: Store) -> None:
    coach, lifter = a_lifter_with_fives(store)
    draft = drafts.start(store, coach, lifter.id, a_plan(), start_day=TODAY, now=NOW)
    with pytest.raises(drafts.BlockChanged):
        drafts.save(store, coach, draft.id, [], version=9, now=NOW)
    assert told_about(store, coach) == [("draft begun", coach.name)]


def test_a_draft_saved_while_it_is_given_out_is_not_lost(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    coach, lifter = a_lifter_with_fives(store)
    draft = drafts.start(store, coach, lifter.id, a_plan(), start_day=TODAY, now=NOW)
    row = plan_from_dict(draft.plan).lines[0][1].id
    look = blocks.fresh_state

    def slowly(*given: Any, **named: Any) -> Any:
        drafts.save(store, coach, draft.id, [SetCells(((row, 0, "2 x 2 @ RPE 9"),))], version=1, now=NOW)
        return look(*given, **named)

    monkeypatch.setattr(blocks, "fresh_state", slowly)
    with pytest.raises(drafts.BlockChanged):
        drafts.assign(store, coach, draft.id, version=1, now=NOW)
    kept = blocks.view(store, coach, draft.id)
    assert kept.plan.lines[0][1].cells[0].text == "2 x 2 @ RPE 9"
    with store.reading() as db:
        assert [one.status for one in stored.of_lifter(db, lifter.id)] == ["draft"]


def test_the_second_to_save_sees_the_others_version(any_store: Store) -> None:
    coach, lifter = a_lifter_with_fives(any_store)
    draft = drafts.start(any_store, coach, lifter.id, a_plan(), start_day=TODAY, now=NOW)
    row = plan_from_dict(draft.plan).lines[0][1].id
    drafts.save(any_store, coach, draft.id, [SetCells(((row, 0, "2 x 2 @ RPE 9"),))], version=1, now=NOW)
    with pytest.raises(drafts.BlockChanged) as conflict:
        drafts.save(any_store, coach, draft.id, [SetCells(((row, 1, "off"),))], version=1, now=NOW)
    assert conflict.value.version == 2
    assert conflict.value.theirs.lines[0][1].cells[0].text == "2 x 2 @ RPE 9"


def test_a_running_block_changes_from_today_on_and_keeps_its_versions(any_store: Store) -> None:
    coach, lifter = a_lifter_with_fives(any_store)
    block = blocks.assign(any_store, coach, lifter.id, a_plan(), start_day=TODAY, now=NOW)
    later = NOW + timedelta(days=8)
    row = plan_from_dict(block.plan).lines[0][1].id
    edits = [SetCells(((row, 0, "1 x 1 @ RPE 9"), (row, 2, "2 x 5 leaving 4")))]
    _, _, told = drafts.propose(any_store, coach, block.id, edits, now=later)
    assert [(one.week, one.after.split(":")[0]) for one in told] == [(2, "2 x 5 leaving 4")]
    changed = drafts.change(any_store, coach, block.id, edits, version=1, why="two easier weeks", now=later)
    view = blocks.view(any_store, coach, block.id)
    texts = [one.exercises[0][1] for one in view.days]
    assert texts == ["3 x 5 @ RPE 8", "3 x 5 @ RPE 8", "2 x 5 leaving 4", "3 x 5 @ RPE 8"]
    assert [one.why for one in drafts.versions(any_store, coach, changed.id)] == [
        "two easier weeks",
        "assigned",
    ]


def test_a_running_block_can_be_shortened_and_lengthened(any_store: Store) -> None:
    coach, lifter = a_lifter_with_fives(any_store)
    block = blocks.assign(any_store, coach, lifter.id, a_plan(), start_day=TODAY, now=NOW)
    shorter = drafts.change(
        any_store, coach, block.id, [plans.DeleteWeek(3)], version=1, why="end early", now=NOW
    )
    assert shorter.end_day == TODAY + 20
    assert len(blocks.view(any_store, coach, block.id).days) == 3
    plan = plan_from_dict(shorter.plan)
    longer = drafts.change(
        any_store, coach, block.id, plans.duplicate_week(plan, 2), version=2, why="go on", now=NOW
    )
    assert longer.end_day == TODAY + 27


def test_a_running_block_is_not_made_longer_into_the_next(any_store: Store) -> None:
    coach, lifter = a_lifter_with_fives(any_store)
    block = blocks.assign(any_store, coach, lifter.id, a_plan(), start_day=TODAY, now=NOW)
    blocks.assign(any_store, coach, lifter.id, a_plan(name="After"), start_day=TODAY + 28, now=NOW)
    plan = plan_from_dict(block.plan)
    with pytest.raises(blocks.BlockOverlaps, match="After"):
        drafts.change(any_store, coach, block.id, plans.duplicate_week(plan, 3), version=1, why="", now=NOW)
    view = blocks.view(any_store, coach, block.id)
    assert (view.block.end_day, view.block.version, len(view.days)) == (TODAY + 27, 1, 4)


def test_a_block_that_is_over_is_not_changed(store: Store) -> None:
    coach, lifter = a_lifter_with_fives(store)
    block = blocks.assign(store, coach, lifter.id, a_plan(weeks=1), start_day=TODAY, now=NOW)
    with pytest.raises(drafts.NotRunning):
        drafts.change(store, coach, block.id, [], version=1, why="", now=NOW + timedelta(days=30))


def test_another_coach_cannot_see_or_change_a_block(store: Store) -> None:
    coach, lifter = a_lifter_with_fives(store)
    other = make_coach(store, login="other@example.org")
    block = blocks.assign(store, coach, lifter.id, a_plan(), start_day=TODAY, now=NOW)
    for act in (
        lambda: blocks.view(store, other, block.id),
        lambda: drafts.change(store, other, block.id, [], version=1, why="", now=NOW),
        lambda: drafts.propose(store, other, block.id, [], now=NOW),
        lambda: drafts.versions(store, other, block.id),
    ):
        with pytest.raises(BlockNotFound):
            act()


def test_a_template_is_kept_under_its_name(store: Store) -> None:
    coach, _ = a_lifter_with_fives(store)
    first = drafts.keep_template(store, coach, a_plan(), now=NOW)
    drafts.keep_template(store, coach, a_plan("4 x 4 @ RPE 8"), now=NOW)
    assert [one.version for one in drafts.templates(store, coach)] == [2]
    assert drafts.template_plan(store, coach, first.id).lines[0][1].cells[0].text == "4 x 4 @ RPE 8"
