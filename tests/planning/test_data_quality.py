"""Deciding about odd sets: kept in the journal, looked at again, and brought back as logged."""

from __future__ import annotations

from datetime import timedelta

import pytest

from app.planning import data_quality, decisions
from app.planning.analysis import LifterView, lifter_view, recompute
from app.planning.data_quality import Fix, Pick, SetsChanged
from app.storage import logs
from app.storage.decisions import DecisionNotFound
from app.storage.engine import Store
from app.storage.models import Decision, Flag, SetMark
from tests.factories import NOW, TODAY, log_sets, make_coach, make_exercise
from tests.planning.world import World, make_world, train

LATER = NOW + timedelta(hours=1)


@pytest.fixture
def odd(any_store: Store) -> World:
    """Three sets of the last session were typed in pounds into a kilogram log."""
    world = make_world(any_store)
    train(world)
    log_sets(any_store, world.lifter, world.squat, TODAY, [(245.0, 5, 8.0)] * 3)
    recompute(any_store, world.lifter.id, now=NOW)
    return world


def fix(world: World, how: Fix, positions: tuple[int, ...] = (0, 1, 2)) -> Decision:
    picks = [Pick(TODAY, one, 1) for one in positions]
    data_quality.fix(world.store, world.coach, world.lifter.id, picks, how, by="Anders", now=NOW)
    with world.store.reading() as db:
        return db.query(Decision).order_by(Decision.id.desc()).first()  # type: ignore[return-value]


def loads(world: World) -> list[tuple[int, int, int]]:
    with world.store.reading() as db:
        return [
            (one.position, one.load_grams, one.marks)
            for one in logs.sets_between(db, world.lifter.id, TODAY, TODAY)
        ]


def test_a_decision_about_odd_sets_stands_in_the_journal_with_what_it_rested_on(odd: World) -> None:
    made = fix(odd, "correct")
    assert (made.action, made.day, made.look_again_day) == ("correct_data", TODAY, TODAY + 3)
    assert made.detail["by"] == "Anders"
    assert made.detail["sentence"] == "3 sets put right as proposed."
    assert made.evidence["flag"]["kind"] == "data_error"
    assert made.evidence["e1rm"][1] < made.evidence["e1rm"][0] < made.evidence["e1rm"][2]
    with odd.store.reading() as db:
        flag = db.get(Flag, made.flag_id)
    assert flag is not None
    assert flag.kind == "data_error"
    recompute(odd.store, odd.lifter.id, now=LATER)
    later = NOW + timedelta(days=3)
    recompute(odd.store, odd.lifter.id, now=later)
    assert decisions.compute_outcomes(odd.store, odd.lifter.id, now=later) == 1
    (line,), (tally,) = decisions.journal(odd.store, odd.coach)
    assert line.decision.outcome is not None
    assert line.decision.outcome["flag"] == "cleared"
    assert {"level_pct", "verdict", "stress_pct"} <= line.decision.outcome.keys()
    assert (tally.label, tally.made) == ("Correct the log", 1)


def test_each_exercise_has_a_decision_of_its_own(odd: World) -> None:
    bench = make_exercise(odd.store, coach=odd.coach, name="Bench press")
    log_sets(odd.store, odd.lifter, bench, TODAY, [(80.0, 5, 8.0)])
    fix(odd, "right", (0, 3))
    with odd.store.reading() as db:
        made = db.query(Decision).order_by(Decision.id).all()
    assert [(one.exercise_id, one.detail["sets"]) for one in made] == [
        (odd.squat.id, [[TODAY, 0]]),
        (bench.id, [[TODAY, 3]]),
    ]


@pytest.mark.parametrize("how", ["correct", "right", "out"])
def test_what_was_decided_is_brought_back_to_what_was_logged(odd: World, how: Fix) -> None:
    before = loads(odd)
    assert {one[2] & SetMark.HELD_OUT for one in before} == {SetMark.HELD_OUT}
    made = fix(odd, how)
    recompute(odd.store, odd.lifter.id, now=NOW)
    assert loads(odd) != before
    assert not any(one.kind == "data_error" for one in lifter_view_of(odd).open_flags)
    _, (past,) = data_quality.past_fixes(odd.store, odd.coach, odd.lifter.id)
    assert len(past.standing) == 3
    assert data_quality.bring_back(odd.store, odd.coach, made.id, by="Anders", now=LATER) == 3
    assert loads(odd) == before
    # The flag that it had answered is up again, at once and after the next analysis.
    assert any(one.kind == "data_error" for one in lifter_view_of(odd).open_flags)
    recompute(odd.store, odd.lifter.id, now=LATER)
    assert any(one.kind == "data_error" for one in lifter_view_of(odd).open_flags)
    assert len(data_quality.odd_sets(odd.store, odd.coach, odd.lifter.id)) == 3
    _, (past,) = data_quality.past_fixes(odd.store, odd.coach, odd.lifter.id)
    assert (past.standing, past.decision.undone_at) == ((), LATER)
    assert past.decision.detail["taken_back_by"] == "Anders"
    assert decisions.compute_outcomes(odd.store, odd.lifter.id, now=NOW + timedelta(days=4)) == 0
    with pytest.raises(SetsChanged):
        data_quality.bring_back(odd.store, odd.coach, made.id, by="Anders", now=LATER)
    with odd.store.reading() as db:
        said = [one.why for one in logs.revisions(db, odd.lifter.id, TODAY) if one.at == LATER]
    assert said == [data_quality.BROUGHT_BACK] * 3


def lifter_view_of(world: World) -> LifterView:
    return lifter_view(world.store, world.coach, world.lifter.id, now=NOW)


def test_one_set_of_a_decision_may_be_brought_back_alone(odd: World) -> None:
    made = fix(odd, "out")
    assert data_quality.bring_back(odd.store, odd.coach, made.id, [Pick(TODAY, 1, 0)], by="A", now=LATER) == 1
    assert [one[:2] for one in loads(odd)] == [(1, 245_000)]
    _, (past,) = data_quality.past_fixes(odd.store, odd.coach, odd.lifter.id)
    assert [one.state for one in past.sets] == ["standing", "back", "standing"]
    assert past.decision.undone_at is None  # The rest of it stands.


def test_a_set_left_out_whose_place_was_taken_comes_back_beside_it(odd: World) -> None:
    made = fix(odd, "out", (2,))
    log_sets(odd.store, odd.lifter, odd.squat, TODAY, [(100.0, 5, 8.0)])
    data_quality.bring_back(odd.store, odd.coach, made.id, by="A", now=LATER)
    assert [one[:2] for one in loads(odd)] == [(0, 245_000), (1, 245_000), (2, 100_000), (3, 245_000)]


def test_a_set_changed_since_is_not_overwritten_and_none_is_brought_back(odd: World) -> None:
    made = fix(odd, "correct")
    with odd.store.transaction() as db:
        one = logs.one_set(db, odd.lifter.id, TODAY, 1)
        assert one is not None
        logs.amend_set(db, odd.lifter.id, one, {"load_grams": 112_500}, by="Vilde", at=LATER)
    before = loads(odd)
    picks = [Pick(TODAY, position, 2) for position in range(3)]
    with pytest.raises(SetsChanged):
        data_quality.bring_back(odd.store, odd.coach, made.id, picks, by="A", now=LATER)
    assert loads(odd) == before
    _, (past,) = data_quality.past_fixes(odd.store, odd.coach, odd.lifter.id)
    assert [one.state for one in past.sets] == ["standing", "changed", "standing"]
    # What still stands may go back; the decision is then over.
    assert data_quality.bring_back(odd.store, odd.coach, made.id, by="A", now=LATER) == 2
    assert [one[1] for one in loads(odd)] == [245_000, 112_500, 245_000]


def test_another_coachs_decision_is_not_found(odd: World) -> None:
    made = fix(odd, "right")
    other = make_coach(odd.store, login="other@example.org")
    with pytest.raises(DecisionNotFound):
        data_quality.bring_back(odd.store, other, made.id, by="B", now=LATER)
