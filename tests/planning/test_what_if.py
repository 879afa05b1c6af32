"""The same block in other ways: stress and reserve follow the plan, the trend says what it knows."""

from __future__ import annotations

import pytest

from app.planning import blocks, drafts, what_if
from app.planning.drafts import BlockChanged
from app.storage.blocks import BlockNotFound
from app.storage.engine import Store
from app.storage.models import Block, Coach
from app.training import plan as plans
from app.training.plan import PlanDocument, PlanError, plan_from_dict
from app.training.rules import StepBack, rule_from_dict
from tests.factories import NOW, TODAY, make_coach
from tests.planning.test_blocks import a_lifter_with_fives, a_plan


def climbing(weeks: int = 8) -> PlanDocument:
    """A squat that begins at 100 kg and adds 2.5 kg a week."""
    plan = a_plan("", weeks=weeks)
    row = plan.lines[0][1].id
    rule = rule_from_dict({"rule": "add load", "step": "2.5 kg", "every": 1})
    edits = [*plans.set_cell(plan, row, 0, "3 x 5 at 100 kg"), *plans.set_rules(plan, row, (rule,))]
    return plans.apply_all(plan, edits)[0]


def a_draft(store: Store, plan: PlanDocument | None = None) -> tuple[Coach, Block]:
    coach, lifter = a_lifter_with_fives(store)
    return coach, drafts.start(store, coach, lifter.id, plan or climbing(), start_day=TODAY, now=NOW)


def last_loads(found: what_if.Comparison) -> dict[str, int | None]:
    return {way.name: way.variant.resolved.cells[-1].top_grams for way in found.ways}


def test_steps_change_the_last_load_by_hand_computed_amounts(any_store: Store) -> None:
    coach, draft = a_draft(any_store)
    found = what_if.compare(any_store, coach, draft.id, "steps", now=NOW)
    # Seven steps: of 2.5 kg, of 1.25 kg rounded to plates of 2 x 1.25 kg, of 3.75 kg, of 5 kg.
    loads = last_loads(found)
    assert loads["As written"] == 117_500
    assert loads["Twice the step"] == 135_000
    assert loads["Half the step"] in (107_500, 110_000)
    assert loads["Half as much again"] in (125_000, 127_500)
    reserves = {way.name: way.reserve[-1].mean for way in found.ways if way.reserve[-1] is not None}
    assert reserves["Half the step"] > reserves["As written"] > reserves["Twice the step"]


def test_the_trend_at_the_end_is_the_same_for_every_way_unless_the_response_speaks(store: Store) -> None:
    coach, draft = a_draft(store)
    found = what_if.compare(store, coach, draft.id, "steps", now=NOW)
    assert found.lifts == ("Squat",)
    silent = [way for way in found.ways if "Squat" not in way.by_response]
    assert silent == list(found.ways)  # Nine weeks are too few for a response model.
    assert len({way.ends["Squat"] for way in found.ways}) == 1
    end = found.ways[0].ends["Squat"]
    assert end.low < end.mean < end.high


def test_spacing_and_step_backs_lower_the_stress(store: Store) -> None:
    coach, draft = a_draft(store)
    spaced = what_if.compare(store, coach, draft.id, "spacing", now=NOW)
    stress = {way.name: sum(way.stress) for way in spaced.ways}
    assert stress["Every third week"] < stress["Every second week"] < stress["As written"]
    eased = what_if.compare(store, coach, draft.id, "step-backs", now=NOW)
    names = [way.name for way in eased.ways]
    assert names[0] == "As written"
    assert "No step back" not in names  # It has none as written.
    assert "Step back after 3 weeks" in names
    after = next(way for way in eased.ways if way.name == "Step back after 3 weeks")
    assert after.stress[3] < after.stress[2]


def test_typed_cells_are_lighter_heavier_and_eased_as_texts(store: Store) -> None:
    coach, draft = a_draft(store, a_plan("4 x 5 at 100 kg", weeks=5))
    steps = last_loads(what_if.compare(store, coach, draft.id, "steps", now=NOW))
    assert steps == {
        "As written": 100_000,
        "5 % lighter throughout": 95_000,
        "2.5 % heavier throughout": 102_500,
        "5 % heavier throughout": 105_000,
    }
    eased = what_if.compare(store, coach, draft.id, "step-backs", now=NOW)
    after = next(way for way in eased.ways if way.name == "Step back after 3 weeks")
    easy = after.variant.resolved.cells[3]
    assert (easy.top_grams, len(easy.sets)) == (90_000, 2)  # 0.6 of four sets, cut.
    assert after.variant.resolved.cells[4].top_grams == 100_000
    spacing = what_if.compare(store, coach, draft.id, "spacing", now=NOW)
    assert [way.name for way in spacing.ways] == ["As written"]
    assert "no row of this block climbs by a rule" in spacing.nothing


def test_a_way_is_taken_by_a_draft_and_by_a_running_block(any_store: Store) -> None:
    coach, draft = a_draft(any_store)
    name = "Step back after 3 weeks"
    what_if.take(any_store, coach, draft.id, "step-backs", name, version=1, by="Ines", now=NOW)
    with any_store.reading() as db:
        kept = plan_from_dict(db.get_one(Block, draft.id).plan)
    assert StepBack(every=3) in kept.lines[0][1].rules
    running = drafts.assign(any_store, coach, draft.id, version=2, now=NOW)
    what_if.take(any_store, coach, running.id, "steps", "Half the step", version=1, by="Ines", now=NOW)
    view = blocks.view(any_store, coach, running.id)
    assert view.block.version == 2
    assert drafts.versions(any_store, coach, running.id)[0].why == "Half the step, chosen beside the others"


def test_ways_that_are_gone_stale_or_foreign_are_refused(store: Store) -> None:
    coach, draft = a_draft(store)
    with pytest.raises(PlanError, match="no such way"):
        what_if.take(store, coach, draft.id, "steps", "Sideways", version=1, by="Ines", now=NOW)
    with pytest.raises(BlockChanged):
        what_if.take(store, coach, draft.id, "steps", "Half the step", version=7, by="Ines", now=NOW)
    other = make_coach(store, login="other@example.org")
    with pytest.raises(BlockNotFound):
        what_if.compare(store, other, draft.id, "steps", now=NOW)
    with pytest.raises(BlockNotFound):
        what_if.take(store, other, draft.id, "steps", "Half the step", version=1, by="Other", now=NOW)


def test_comparing_twice_gives_the_same(store: Store) -> None:
    coach, draft = a_draft(store)
    one = what_if.compare(store, coach, draft.id, "step-backs", now=NOW)
    two = what_if.compare(store, coach, draft.id, "step-backs", now=NOW)
    assert [(way.name, way.variant.resolved, way.ends) for way in one.ways] == [
        (way.name, way.variant.resolved, way.ends) for way in two.ways
    ]
