"""One template for many lifters: each from their own baseline, what differs, and nobody twice."""

from __future__ import annotations

from app.planning import analysis, blocks, builder, bulk
from app.storage.engine import Store
from app.storage.models import Coach, Lifter
from tests.factories import NOW, TODAY, log_sets, make_coach, make_exercise, make_lifter
from tests.planning.test_blocks import a_plan


def a_club(store: Store) -> tuple[Coach, list[Lifter]]:
    """Three lifters: one of 120 kg fives, one of 60 kg fives in pounds, one without a log."""
    coach = make_coach(store)
    squat = make_exercise(store, coach=coach)
    people = []
    for name, load, unit in (("Ada", 120.0, "kg"), ("Bo", 60.0, "lb"), ("Cy", 0.0, "kg")):
        lifter = make_lifter(store, coach=coach, name=name, unit=unit)
        for week in range(9 if load else 0):
            log_sets(store, lifter, squat, TODAY - 7 * (9 - week), [(load, 5, 8.0)] * 3)
        analysis.recompute(store, lifter.id, now=NOW)
        people.append(lifter)
    return coach, people


def test_each_lifter_is_computed_from_their_own_baseline(any_store: Store) -> None:
    coach, people = a_club(any_store)
    plan = a_plan()
    ada, bo, cy = (bulk.look(any_store, coach, one, plan, start_day=None, now=NOW) for one in people)
    assert ada.first[0].load.endswith(" kg")
    assert bo.first[0].load.endswith(" lb")
    assert 115 <= float(ada.first[0].load.split()[0]) <= 125
    assert 125 <= float(bo.first[0].load.split()[0]) <= 140  # 60 kg are 132 lb.
    assert (cy.first[0].load, cy.first[0].text) == ("", "3 x 5 @ RPE 8")
    assert "Too little is logged" in cy.attention[0]
    assert ada.attention == ()


def test_it_begins_the_day_after_each_lifters_last_block(any_store: Store) -> None:
    coach, (ada, bo, _) = a_club(any_store)
    blocks.assign(any_store, coach, ada.id, a_plan(weeks=3), start_day=TODAY, now=NOW)
    plan = a_plan()
    after = [bulk.look(any_store, coach, one, plan, start_day=None, now=NOW) for one in (ada, bo)]
    assert [one.start_day - TODAY for one in after] == [21, 0]
    on = bulk.look(any_store, coach, ada, plan, start_day=TODAY + 7, now=NOW)
    assert on.ends_first == "ends “Fives” on 15 Mar"
    clash = bulk.look(any_store, coach, ada, plan, start_day=TODAY - 7, now=NOW)
    assert clash.clash


def test_a_main_lift_is_one_however_it_is_spelt(store: Store) -> None:
    # Imports name the lift in small letters; the exercise is called as the coach writes it.
    coach = make_coach(store)
    lifter = make_lifter(store, coach=coach)
    for name, main_lift in (("Squat", "squat"), ("Paused squat", "squat")):
        lift = make_exercise(store, coach=coach, name=name, main_lift=main_lift)
        for week in range(9):
            log_sets(store, lifter, lift, TODAY - 7 * (9 - week), [(100.0, 5, 8.0)] * 3)
    analysis.recompute(store, lifter.id, now=NOW)
    assert [one.lift for one in bulk.look(store, coach, lifter, a_plan(), start_day=None, now=NOW).first] == [
        "Squat"
    ]
    suggestion = builder.beginning(store, coach, lifter.id, now=NOW).suggestion
    assert {one.exercise for one in suggestion.suggestions} == {"Squat"}


def test_given_twice_the_second_is_refused(any_store: Store) -> None:
    coach, (ada, _, _) = a_club(any_store)
    plan = a_plan()
    first = bulk.give(any_store, coach, ada, plan, start_day=TODAY, by="Ines", now=NOW)
    again = bulk.give(any_store, coach, ada, plan, start_day=TODAY, by="Ines", now=NOW)
    assert first.block is not None
    assert (again.block, again.refused) == (None, "“Fives” stands from 9 Mar on these days.")


def test_the_table_and_the_calendar_agree(any_store: Store) -> None:
    coach, (ada, _, _) = a_club(any_store)
    plan = a_plan("3 x 5 at 80 %")
    line = bulk.look(any_store, coach, ada, plan, start_day=TODAY, now=NOW)
    given = bulk.give(any_store, coach, ada, plan, start_day=TODAY, by="Ines", now=NOW)
    assert given.block is not None
    sets = blocks.view(any_store, coach, given.block.id).days[0].exercises[0][2]
    assert f"{sets[0]['load_grams'] / 1000:g} kg" == line.first[0].load


def test_only_the_coachs_own_lifters_are_chosen(store: Store) -> None:
    coach, (ada, bo, _) = a_club(store)
    other = make_coach(store, login="other@example.org")
    theirs = make_lifter(store, coach=other, name="Di")
    assert [one.name for one in bulk.chosen(store, coach, [bo.id, ada.id, theirs.id, 999])] == ["Ada", "Bo"]
