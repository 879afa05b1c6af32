"""A season moved and stretched: what follows goes along, what was done stays, nothing lies on anything."""

from __future__ import annotations

from contextlib import suppress
from datetime import timedelta
from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from app.planning import blocks, drafts, season
from app.planning.drafts import BlockChanged
from app.storage import blocks as stored
from app.storage.blocks import BlockNotFound
from app.storage.engine import Store
from app.storage.models import Block, Coach, Lifter, PlannedSession
from app.training import plan as plans
from app.training.plan import PlanDocument, SetCells, plan_from_dict
from app.training.prescription import Mass
from app.training.rules import AddLoad, Rule, StepBack
from tests.factories import NOW, TODAY, make_coach
from tests.planning.test_blocks import a_lifter_with_fives, a_plan

BY = "Ines Marto"


def three_blocks(store: Store) -> tuple[Coach, Lifter, list[Block]]:
    """Two weeks running since a week, three weeks after, and two more after a week's gap."""
    coach, lifter = a_lifter_with_fives(store)
    then = NOW - timedelta(days=7)
    made = []
    for name, start, weeks in (("Now", TODAY - 7, 2), ("Next", TODAY + 7, 3), ("Last", TODAY + 35, 2)):
        plan = a_plan(weeks=weeks, name=name)
        made.append(blocks.assign(store, coach, lifter.id, plan, start_day=start, now=then))
    return coach, lifter, made


def spans(store: Store, lifter: Lifter) -> dict[str, tuple[int, int]]:
    with store.reading() as db:
        found = stored.of_lifter(db, lifter.id)
    return {one.name: (one.start_day - TODAY, one.end_day - TODAY) for one in found}


def days(store: Store, coach: Coach, block: Block) -> list[int]:
    return [one.day - TODAY for one in blocks.view(store, coach, block.id).days]


def test_moving_a_block_moves_what_follows_and_its_sessions(any_store: Store) -> None:
    coach, lifter, (_, following, last) = three_blocks(any_store)
    said = season.move(any_store, coach, following.id, 2, version=1, by=BY, now=NOW)
    assert spans(any_store, lifter) == {"Now": (-7, 6), "Next": (21, 41), "Last": (49, 62)}
    assert days(any_store, coach, following) == [21, 28, 35]
    assert days(any_store, coach, last) == [49, 56]
    assert said.sentence == "“Next” begins on 30 Mar; “Last” moved 2 weeks later with it."
    assert next(one.why for one in drafts.versions(any_store, coach, last.id)) == "moved 2 weeks later"


def test_a_block_is_not_moved_onto_another(any_store: Store) -> None:
    coach, lifter, (_, following, last) = three_blocks(any_store)
    before = spans(any_store, lifter)
    with pytest.raises(season.CannotMove, match="“Now” stands until 15 Mar, so “Next” cannot begin on 9 Mar"):
        season.move(any_store, coach, following.id, -1, version=1, by=BY, now=NOW)
    assert spans(any_store, lifter) == before
    season.move(any_store, coach, last.id, -1, version=1, by=BY, now=NOW)
    assert spans(any_store, lifter)["Last"] == (28, 41)


def test_stretching_repeats_the_last_week_and_moves_what_follows(any_store: Store) -> None:
    coach, lifter, (running, following, last) = three_blocks(any_store)
    said = season.stretch(any_store, coach, running.id, 1, version=1, by=BY, now=NOW)
    assert spans(any_store, lifter) == {"Now": (-7, 13), "Next": (14, 34), "Last": (42, 55)}
    assert days(any_store, coach, running) == [-7, 0, 7]
    assert said.along == ("Next", "Last")
    season.stretch(any_store, coach, following.id, -2, version=2, by=BY, now=NOW)
    assert spans(any_store, lifter) == {"Now": (-7, 13), "Next": (14, 20), "Last": (28, 41)}
    assert days(any_store, coach, last) == [28, 35]


def test_a_running_block_keeps_its_first_day_and_the_weeks_begun(store: Store) -> None:
    coach, _, (running, _, _) = three_blocks(store)
    with pytest.raises(season.CannotMove, match="has begun, so its first day stays"):
        season.move(store, coach, running.id, 1, version=1, by=BY, now=NOW)
    with pytest.raises(season.CannotMove, match="The last week of “Now” has begun"):
        season.stretch(store, coach, running.id, -1, version=1, by=BY, now=NOW)
    with pytest.raises(season.CannotMove, match="has begun; what was done in it stays"):
        season.remove(store, coach, running.id, version=1, by=BY, now=NOW)


def test_a_gap_opens_and_closes_after_a_block(store: Store) -> None:
    coach, lifter, (running, following, last) = three_blocks(store)
    season.gap_after(store, coach, running.id, 1, version=1, by=BY, now=NOW)
    assert spans(store, lifter) == {"Now": (-7, 6), "Next": (14, 34), "Last": (42, 55)}
    season.gap_after(store, coach, following.id, -1, version=2, by=BY, now=NOW)
    assert spans(store, lifter)["Last"] == (35, 48)
    with pytest.raises(season.CannotMove, match="“Next” stands until"):
        season.gap_after(store, coach, following.id, -1, version=2, by=BY, now=NOW)
    with pytest.raises(season.CannotMove, match="Nothing follows “Last”"):
        season.gap_after(store, coach, last.id, 1, version=3, by=BY, now=NOW)


def test_the_meet_stays_where_it_is_when_its_block_moves(store: Store) -> None:
    coach, lifter = a_lifter_with_fives(store)
    block = blocks.assign(store, coach, lifter.id, a_plan(goal_day=27), start_day=TODAY + 14, now=NOW)
    season.move(store, coach, block.id, 1, version=1, by=BY, now=NOW)
    assert plan_from_dict(blocks.view(store, coach, block.id).block.plan).goal_day == 20
    with pytest.raises(season.CannotMove, match="leads up to 19 Apr and would begin after it"):
        season.move(store, coach, block.id, 3, version=2, by=BY, now=NOW)


def test_somebody_elses_change_is_not_run_over(store: Store) -> None:
    coach, _, (_, following, _) = three_blocks(store)
    season.move(store, coach, following.id, 1, version=1, by=BY, now=NOW)
    with pytest.raises(BlockChanged):
        season.move(store, coach, following.id, 1, version=1, by=BY, now=NOW)


def test_another_coach_moves_nothing(store: Store) -> None:
    _, _, (_, following, _) = three_blocks(store)
    other = make_coach(store, login="other@example.org")
    for act in (season.move, season.stretch, season.gap_after):
        with pytest.raises(BlockNotFound):
            act(store, other, following.id, 1, version=1, by=BY, now=NOW)
    with pytest.raises(BlockNotFound):
        season.remove(store, other, following.id, version=1, by=BY, now=NOW)


def test_the_season_shows_drafts_gaps_and_what_comes_next(any_store: Store) -> None:
    coach, lifter, _ = three_blocks(any_store)
    drafts.start(any_store, coach, lifter.id, a_plan(name="Idea"), start_day=TODAY + 49, now=NOW)
    found = season.of_lifter(any_store, coach, lifter.id, now=NOW)
    assert [(one.block.name, one.state, one.free_before) for one in found.items] == [
        ("Now", "running", 0),
        ("Next", "planned", 0),
        ("Last", "planned", 7),
        ("Idea", "draft", 0),
    ]
    assert found.planned_until == TODAY + 48
    assert found.suggestion.suggestions


def test_moving_away_and_back_gives_the_same_loads(any_store: Store) -> None:
    # The plan is computed from the baseline frozen at assignment: two moves that cancel change nothing.
    coach, _, (_, following, _) = three_blocks(any_store)
    season.move(any_store, coach, following.id, 1, version=1, by=BY, now=NOW)
    season.move(any_store, coach, following.id, -1, version=2, by=BY, now=NOW)
    once = [one.exercises for one in blocks.view(any_store, coach, following.id).days]
    season.move(any_store, coach, following.id, 1, version=3, by=BY, now=NOW)
    season.move(any_store, coach, following.id, -1, version=4, by=BY, now=NOW)
    assert [one.exercises for one in blocks.view(any_store, coach, following.id).days] == once


ACTS = st.lists(
    st.tuples(
        st.sampled_from(("move", "stretch", "gap")), st.integers(0, 2), st.sampled_from((-2, -1, 1, 2))
    ),
    max_size=6,
)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(acts=ACTS)
def test_blocks_never_overlap_and_every_session_lies_in_its_block(
    store: Store, acts: list[tuple[str, int, int]]
) -> None:
    with store.transaction() as db:
        for old in db.query(Block).all():
            stored.remove(db, old)
    with store.reading() as db:
        known = db.query(Coach).first()
    coach, lifter = (known, _only_lifter(store)) if known else a_lifter_with_fives(store)
    then = NOW - timedelta(days=7)
    made = [
        blocks.assign(store, coach, lifter.id, a_plan(weeks=weeks, name=name), start_day=start, now=then)
        for name, start, weeks in (("Now", TODAY - 7, 2), ("Next", TODAY + 7, 3), ("Last", TODAY + 35, 2))
    ]
    doing = {"move": season.move, "stretch": season.stretch, "gap": season.gap_after}
    for what, which, weeks in acts:
        block = made[which]
        version = blocks.view(store, coach, block.id).block.version
        with suppress(season.CannotMove):
            doing[what](store, coach, block.id, weeks, version=version, by=BY, now=NOW)
        found = sorted(spans(store, lifter).values())
        assert all(one[1] < two[0] for one, two in pairwise(found))
        for one in made:
            seen = blocks.view(store, coach, one.id)
            assert len(seen.days) == plan_from_dict(seen.block.plan).weeks
            assert all(seen.block.start_day <= day.day <= seen.block.end_day for day in seen.days)


def _only_lifter(store: Store) -> Lifter:
    with store.reading() as db:
        return db.query(Lifter).one()


EASY = "2 x 5 @ RPE 5"
SLOWLY = (AddLoad(Mass(Decimal("2.5"), "kg")), StepBack(every=3))


def ending(*texts: str, rules: tuple[Rule, ...] = ()) -> PlanDocument:
    """Weeks as typed, the squat as in `a_plan`."""
    plan = a_plan(weeks=len(texts))
    row = plan.lines[0][1].id
    plan, _ = plans.apply_all(plan, plans.set_rules(plan, row, rules))
    return plans.apply(plan, SetCells(tuple((row, week, text) for week, text in enumerate(texts))))[0]


def typed(store: Store, coach: Coach, block: Block) -> list[str]:
    return [cell.text for cell in blocks.view(store, coach, block.id).plan.lines[0][1].cells]


WORK, HEAVY = "4 x 5 @ RPE 8", "4 x 4 @ RPE 8"


@pytest.mark.parametrize(
    ("texts", "weeks", "becomes", "said"),
    [
        ([WORK, HEAVY, EASY], 1, [WORK, HEAVY, HEAVY, EASY], "week 2 repeated before its last, which asks"),
        ([WORK, HEAVY, EASY], 2, [WORK, *[HEAVY] * 3, EASY], "week 2 repeated 2 times before its last"),
        ([WORK, EASY, EASY], 1, [WORK, WORK, EASY, EASY], "week 1 repeated before its last 2, which ask"),
        ([WORK, WORK, HEAVY], 1, [WORK, WORK, HEAVY, HEAVY], "“Fives” ends on 19 Apr."),
        ([EASY], 1, [EASY, EASY], "“Fives” ends on 5 Apr."),
        ([WORK, "off"], 1, [WORK, WORK, "off"], "week 1 repeated before its last, which asks"),
    ],
)
@pytest.mark.parametrize("status", ["draft", "assigned"])
def test_a_longer_block_repeats_its_work_and_an_easier_end_stays_its_end(
    store: Store, texts: list[str], weeks: int, becomes: list[str], said: str, status: str
) -> None:
    coach, lifter = a_lifter_with_fives(store)
    start = drafts.start if status == "draft" else blocks.assign
    block = start(store, coach, lifter.id, ending(*texts), start_day=TODAY + 14, now=NOW)
    moved = season.stretch(store, coach, block.id, weeks, version=1, by=BY, now=NOW)
    assert typed(store, coach, block) == becomes
    assert said in moved.sentence
    if status == "assigned":
        given = [one.exercises[0][1] for one in blocks.view(store, coach, block.id).days]
        assert given == [text for text in becomes if text != "off"]


def test_an_easier_last_week_that_has_begun_is_followed_by_the_work_of_the_one_before(store: Store) -> None:
    coach, lifter = a_lifter_with_fives(store)
    block = blocks.assign(store, coach, lifter.id, ending(WORK, EASY), start_day=TODAY - 8, now=NOW)
    moved = season.stretch(store, coach, block.id, 1, version=1, by=BY, now=NOW)
    assert typed(store, coach, block) == [WORK, EASY, WORK]
    assert "with week 1 repeated at its end" in moved.sentence


def test_an_easier_last_week_that_was_trained_ahead_stays_where_it_was_trained(store: Store) -> None:
    coach, lifter = a_lifter_with_fives(store)
    block = blocks.assign(store, coach, lifter.id, ending(WORK, EASY), start_day=TODAY - 1, now=NOW)
    with store.transaction() as db:
        db.query(PlannedSession).filter_by(week=2).update({"status": "done"})
    season.stretch(store, coach, block.id, 1, version=1, by=BY, now=NOW)
    assert typed(store, coach, block) == [WORK, EASY, WORK]
    given = [one.exercises[0][1] for one in blocks.view(store, coach, block.id).days]
    assert given[1:] == [EASY, WORK]


def test_rules_say_where_the_easier_week_of_a_longer_block_lies(store: Store) -> None:
    coach, lifter = a_lifter_with_fives(store)
    plan = ending("4 x 5 @ RPE 7", "", "", "", rules=SLOWLY)
    # A second row is typed, with the last week easier as the rules make it in the first.
    plan, _ = plans.apply_all(plan, plans.add_row(plan, plan.sessions[0].id, "Row"))
    row = plan.lines[1][1].id
    plan, _ = plans.apply(
        plan, SetCells(tuple((row, at, "2 x 10" if at == 3 else "4 x 10") for at in range(4)))
    )
    block = blocks.assign(store, coach, lifter.id, plan, start_day=TODAY, now=NOW)
    moved = season.stretch(store, coach, block.id, 1, version=1, by=BY, now=NOW)
    first, second = (row for _, row in blocks.view(store, coach, block.id).plan.lines)
    assert [cell.text for cell in first.cells] == ["4 x 5 @ RPE 7", "", "", "", ""]
    assert [cell.text for cell in second.cells] == ["4 x 10", "4 x 10", "4 x 10", "2 x 10", "4 x 10"]
    sets = [len(one.exercises[0][2]) for one in blocks.view(store, coach, block.id).days]
    assert sets == [4, 4, 4, 2, 4]
    assert "with week 3 repeated at its end" in moved.sentence


def test_a_block_that_asks_for_nothing_is_only_longer(store: Store) -> None:
    coach, lifter = a_lifter_with_fives(store)
    draft = drafts.start(store, coach, lifter.id, ending("", "", ""), start_day=TODAY + 14, now=NOW)
    moved = season.stretch(store, coach, draft.id, 1, version=1, by=BY, now=NOW)
    assert moved.sentence == "“Fives” ends on 19 Apr."


def test_rules_alone_go_on_in_a_longer_block(store: Store) -> None:
    coach, lifter = a_lifter_with_fives(store)
    plan = ending("4 x 5 @ RPE 7", "", "", "", rules=SLOWLY)
    block = blocks.assign(store, coach, lifter.id, plan, start_day=TODAY, now=NOW)
    moved = season.stretch(store, coach, block.id, 2, version=1, by=BY, now=NOW)
    assert typed(store, coach, block) == ["4 x 5 @ RPE 7", *[""] * 5]
    assert [len(one.exercises[0][2]) for one in blocks.view(store, coach, block.id).days] == [
        4,
        4,
        4,
        2,
        4,
        4,
    ]
    assert "its rules going on after the week that asks for less" in moved.sentence


def test_a_block_cut_short_is_stretched_from_where_it_ends(store: Store) -> None:
    coach, lifter = a_lifter_with_fives(store)
    first = blocks.assign(store, coach, lifter.id, a_plan(weeks=4, name="Cut"), start_day=TODAY, now=NOW)
    blocks.assign(store, coach, lifter.id, a_plan(weeks=2, name="After"), start_day=TODAY + 14, now=NOW)
    season.stretch(store, coach, first.id, 1, version=1, by=BY, now=NOW)
    assert spans(store, lifter) == {"Cut": (0, 20), "After": (21, 34)}
    assert plan_from_dict(blocks.view(store, coach, first.id).block.plan).weeks == 3
