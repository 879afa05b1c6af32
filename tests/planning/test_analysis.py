"""A log comes in, an analysis comes out, and nothing is lost in between."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from app.planning import analysis as service
from app.planning.analysis import lifter_view, recompute
from app.storage import lifters, logs, snapshots
from app.storage.engine import Store
from app.storage.models import LoggedSession, RosterRow, SetMark, Snapshot, logged_sets
from tests.factories import NOW, TODAY, log_sets, make_coach, make_exercise, make_lifter
from tests.planning.world import add_block, make_world, mark_stale, plan_session, report_pain, train


def test_the_analysis_is_kept_and_read_again(any_store: Store) -> None:
    world = make_world(any_store)
    train(world)
    mark_stale(world)
    recompute(any_store, world.lifter.id, now=NOW)
    view = lifter_view(any_store, world.coach, world.lifter.id, now=NOW)
    assert view.as_of == TODAY
    assert not view.is_stale
    (squat,) = view.lifts
    assert squat.name == "Squat"
    assert squat.exercise_id == world.squat.id
    assert squat.is_main
    trend = squat.analysis.trend
    assert trend is not None
    # 111 kg x 5 at RPE 8 was the last work: seven repetitions in all.
    assert 125 < trend.e1rm.mean < 145
    assert trend.e1rm.low < trend.e1rm.mean < trend.e1rm.high
    assert trend.probability_rising > 0.8
    fives = next(one for one in squat.analysis.exposures if one.rep_range == "5-6")
    assert fives.recent_best is not None
    assert fives.recent_best.load_kg == 111.0
    assert view.load is not None
    assert view.load.measure == "relative_volume_load"
    assert view.stress is not None
    assert view.stress.week_start.dtype == np.int64


def test_a_lifter_without_a_log_gets_an_empty_analysis(store: Store) -> None:
    world = make_world(store)
    recompute(store, world.lifter.id, now=NOW)
    view = lifter_view(store, world.coach, world.lifter.id, now=NOW)
    assert view.as_of == TODAY
    assert view.lifts == ()
    assert view.flags == ()


def test_before_the_first_analysis_the_view_says_so(store: Store) -> None:
    world = make_world(store)
    view = lifter_view(store, world.coach, world.lifter.id, now=NOW)
    assert view.as_of is None
    assert view.loads == ()
    assert view.stress is None


def test_today_is_the_lifters_day_and_not_the_servers(store: Store) -> None:
    world = make_world(store, time_zone="Pacific/Auckland")
    late = datetime(2026, 3, 8, 22, tzinfo=UTC)  # 11:00 on the 9th in Auckland.
    recompute(store, world.lifter.id, now=late)
    assert lifter_view(store, world.coach, world.lifter.id, now=late).as_of == TODAY


def test_another_coachs_lifter_is_not_found(store: Store) -> None:
    world = make_world(store)
    other = make_coach(store, login="other@example.org")
    with pytest.raises(lifters.LifterNotFound):
        lifter_view(store, other, world.lifter.id, now=NOW)


def test_a_deleted_lifter_is_left_alone(store: Store) -> None:
    world = make_world(store)
    with store.transaction() as db:
        lifters.of_coach(db, world.coach, world.lifter.id).deleted_at = NOW
    recompute(store, world.lifter.id, now=NOW)
    with store.reading() as db:
        assert db.query(Snapshot).count() == 0
        assert db.query(RosterRow).count() == 0


def test_what_comes_in_during_the_analysis_leaves_the_lifter_stale(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    world = make_world(store)
    train(world)
    mark_stale(world)
    real = service.analyse_lifter

    def interrupted(*args: Any, **kwargs: Any) -> Any:
        # A slow request that began before the analysis ends while it runs: its mark is earlier.
        mark_stale(world, NOW - timedelta(seconds=3))
        return real(*args, **kwargs)

    monkeypatch.setattr(service, "analyse_lifter", interrupted)
    recompute(store, world.lifter.id, now=NOW)
    with store.reading() as db:
        assert [number for number, _ in lifters.stale(db)] == [world.lifter.id]


def test_an_analysis_that_was_overtaken_is_not_stored(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    world = make_world(store)
    train(world)
    real = service.analyse_lifter

    def overtaken(*args: Any, **kwargs: Any) -> Any:
        monkeypatch.setattr(service, "analyse_lifter", real)
        log_sets(store, world.lifter, world.squat, TODAY, [(115.0, 5, 9.0)])
        recompute(store, world.lifter.id, now=NOW + timedelta(seconds=1))
        return real(*args, **kwargs)

    monkeypatch.setattr(service, "analyse_lifter", overtaken)
    recompute(store, world.lifter.id, now=NOW)
    view = lifter_view(store, world.coach, world.lifter.id, now=NOW)
    assert view.computed_at == NOW + timedelta(seconds=1)
    fives = next(one for one in view.lifts[0].analysis.exposures if one.rep_range == "5-6")
    assert fives.days_since == 0


def test_no_transaction_is_open_while_the_core_computes(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    world = make_world(store)
    train(world)
    real = service.analyse_lifter
    wrote = []

    def writes_elsewhere(*args: Any, **kwargs: Any) -> Any:
        def write() -> None:
            with store.transaction() as db:
                lifters.of_coach(db, world.coach, world.lifter.id).note = "meanwhile"
            wrote.append(True)

        other = threading.Thread(target=write)
        other.start()
        other.join(2)
        return real(*args, **kwargs)

    monkeypatch.setattr(service, "analyse_lifter", writes_elsewhere)
    recompute(store, world.lifter.id, now=NOW)
    assert wrote == [True]


def test_all_of_an_analysis_is_stored_or_nothing(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    world = make_world(store)
    train(world)
    recompute(store, world.lifter.id, now=NOW)

    def fails(*_args: Any, **_kwargs: Any) -> None:
        raise RuntimeError("no row")

    monkeypatch.setattr(service, "put_row", fails)
    with pytest.raises(RuntimeError):
        recompute(store, world.lifter.id, now=NOW + timedelta(days=1))
    with store.reading() as db:
        assert {one.as_of_day for one in db.query(Snapshot)} == {TODAY}


def test_pounds_logged_as_kilograms_are_held_out_and_can_be_accepted(any_store: Store) -> None:
    world = make_world(any_store)
    train(world)
    log_sets(any_store, world.lifter, world.squat, TODAY, [(245.0, 5, 8.0)] * 3)
    recompute(any_store, world.lifter.id, now=NOW)
    with any_store.reading() as db:
        held, accepted = snapshots.odd_sets(db, world.lifter.id)
    assert held == {logs.row_of(TODAY, position) for position in range(3)}
    assert accepted == set()
    view = lifter_view(any_store, world.coach, world.lifter.id, now=NOW)
    assert {one.reason for one in view.held_out} == {"pounds_as_kilograms"}
    assert view.held_out[0].proposed_load_kg == pytest.approx(111, abs=1)
    (flag,) = view.open_flags
    assert flag.kind == "data_error"
    assert flag.title == "Squat: 3 sets cannot be right"
    fives = next(one for one in view.lifts[0].analysis.exposures if one.rep_range == "5-6")
    assert fives.recent_best is not None
    assert fives.recent_best.load_kg == 111.0

    with any_store.transaction() as db:
        db.execute(logged_sets.update().where(logged_sets.c.day == TODAY).values(marks=SetMark.ACCEPTED))
    recompute(any_store, world.lifter.id, now=NOW)
    with any_store.reading() as db:
        assert snapshots.odd_sets(db, world.lifter.id)[0] == set()
    view = lifter_view(any_store, world.coach, world.lifter.id, now=NOW)
    assert view.held_out == ()
    assert "data_error" not in {one.kind for one in view.open_flags}


def test_a_corrected_set_is_taken_back_in(store: Store) -> None:
    world = make_world(store)
    train(world)
    log_sets(store, world.lifter, world.squat, TODAY, [(245.0, 5, 8.0)])
    recompute(store, world.lifter.id, now=NOW)
    with store.transaction() as db:
        wrong = logs.one_set(db, world.lifter.id, TODAY, 0)
        assert wrong is not None
        assert wrong.marks & SetMark.HELD_OUT
        logs.amend_set(db, world.lifter.id, wrong, {"load_grams": 111_000}, by="Ines", at=NOW)
    recompute(store, world.lifter.id, now=NOW)
    with store.reading() as db:
        right = logs.one_set(db, world.lifter.id, TODAY, 0)
    assert right is not None
    assert not right.marks & SetMark.HELD_OUT
    assert lifter_view(store, world.coach, world.lifter.id, now=NOW).open_flags == ()


def test_silence_is_flagged_and_explains_the_lift_not_trained(store: Store) -> None:
    world = make_world(store)
    train(world, until=TODAY - 16)
    recompute(store, world.lifter.id, now=NOW)
    view = lifter_view(store, world.coach, world.lifter.id, now=NOW)
    assert [one.kind for one in view.open_flags] == ["silent"]
    assert view.open_flags[0].severity == "act"
    assert view.open_flags[0].title == "No log for 16 days"


def test_a_paused_lifter_is_not_asked_after_but_pain_still_counts(store: Store) -> None:
    world = make_world(store, status="paused")
    train(world, until=TODAY - 16)
    recompute(store, world.lifter.id, now=NOW)
    assert lifter_view(store, world.coach, world.lifter.id, now=NOW).open_flags == ()
    report_pain(world, TODAY, 6)
    recompute(store, world.lifter.id, now=NOW)
    (flag,) = lifter_view(store, world.coach, world.lifter.id, now=NOW).open_flags
    assert flag.kind == "pain"
    assert flag.title == "Knee pain reported, squat"
    assert flag.severity == "act"


def test_another_exercise_for_the_same_lift_is_no_layoff(store: Store) -> None:
    world = make_world(store)
    train(world, until=TODAY - 16)
    front = make_exercise(store, coach=world.coach, name="Front squat", main_lift="Squat")
    for ago in (12, 9, 5, 2):
        log_sets(store, world.lifter, front, TODAY - ago, [(80.0, 5, 8.0)] * 3)
    recompute(store, world.lifter.id, now=NOW)
    kinds = {one.kind for one in lifter_view(store, world.coach, world.lifter.id, now=NOW).open_flags}
    assert "detraining" not in kinds
    assert "silent" not in kinds


def test_a_snapshot_of_another_version_is_not_read(store: Store) -> None:
    world = make_world(store)
    recompute(store, world.lifter.id, now=NOW)
    with store.transaction() as db:
        for one in db.query(Snapshot):
            one.version = "0.0.0"
    assert lifter_view(store, world.coach, world.lifter.id, now=NOW).as_of is None


def test_the_view_knows_block_week_and_next_session(store: Store) -> None:
    world = make_world(store)
    block = add_block(world, TODAY - 10, name="Heavy fives")
    plan_session(world, block, TODAY + 2, name="Thursday heavy")
    view = lifter_view(store, world.coach, world.lifter.id, now=NOW)
    assert view.block is not None
    assert (view.block.name, view.block.week_of(TODAY), view.block.weeks_long) == ("Heavy fives", 2, 4)
    assert view.next_session is not None
    assert view.next_session.name == "Thursday heavy"


def test_timed_work_alone_still_makes_an_analysis(store: Store) -> None:
    world = make_world(store)
    plank = make_exercise(store, coach=world.coach, name="Plank", measure="time")
    with store.transaction() as db:
        session = LoggedSession(lifter_id=world.lifter.id, day=TODAY)
        db.add(session)
        db.flush()
        logs.add_sets(
            db,
            [
                {
                    "lifter_id": world.lifter.id,
                    "day": TODAY,
                    "position": 0,
                    "session_id": session.id,
                    "exercise_id": plank.id,
                    "set_number": 1,
                    "load_grams": 0,
                    "reps": 0,
                    "seconds": 60,
                }
            ],
        )
    recompute(store, world.lifter.id, now=NOW)
    assert lifter_view(store, world.coach, world.lifter.id, now=NOW).as_of == TODAY


def test_lifters_do_not_mix(store: Store) -> None:
    world = make_world(store)
    train(world)
    other = make_lifter(store, coach=world.coach, name="Nils")
    recompute(store, world.lifter.id, now=NOW)
    recompute(store, other.id, now=NOW)
    assert lifter_view(store, world.coach, other.id, now=NOW).lifts == ()
