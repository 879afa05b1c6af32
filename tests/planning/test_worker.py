"""The background thread: everything stale is analysed, a fault stops nobody else, and it ends at once."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from app.planning import worker as service
from app.planning.analysis import recompute
from app.planning.worker import Worker, lifters_of_another_day, run_pending, stale_lifters
from app.storage import lifters
from app.storage.engine import Store
from tests.factories import NOW, make_coach, make_lifter
from tests.planning.world import make_world, mark_stale, train


@pytest.fixture
def started(store: Store) -> Iterator[Callable[..., Worker]]:
    made: list[Worker] = []

    def start(clock: Callable[[], datetime] = lambda: NOW) -> Worker:
        one = Worker(store, clock, look_every_s=0.02)
        one.start()
        made.append(one)
        return one

    yield start
    for one in made:
        assert one.stop(5)


def _until(done: Callable[[], bool], seconds: float = 10) -> None:
    deadline = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < deadline, "not in time"
        time.sleep(0.01)


def _is_quiet(store: Store, now: datetime = NOW) -> bool:
    return not stale_lifters(store) and not lifters_of_another_day(store, now)


def test_pending_work_is_done_once(any_store: Store) -> None:
    coach = make_coach(any_store)
    for name in ("Ada", "Bo", "Cy"):
        make_lifter(any_store, coach=coach, name=name)
    assert run_pending(any_store, NOW) == 3
    assert run_pending(any_store, NOW) == 0


def test_the_longest_waiting_goes_first(store: Store) -> None:
    coach = make_coach(store)
    ada, bo = (make_lifter(store, coach=coach, name=name) for name in ("Ada", "Bo"))
    with store.transaction() as db:
        lifters.mark_stale(db, [ada.id], NOW)
        lifters.mark_stale(db, [bo.id], NOW - timedelta(minutes=5))
    assert stale_lifters(store) == [bo.id, ada.id]


def test_ten_changes_are_one_analysis(
    store: Store, started: Callable[..., Worker], monkeypatch: pytest.MonkeyPatch
) -> None:
    world = make_world(store)
    recompute(store, world.lifter.id, now=NOW)
    calls: list[int] = []

    def counted(store: Store, lifter_id: int, *, now: datetime) -> None:
        calls.append(lifter_id)
        recompute(store, lifter_id, now=now)

    monkeypatch.setattr(service, "recompute", counted)
    for second in range(10):
        mark_stale(world, NOW + timedelta(seconds=second))
    started()
    _until(lambda: _is_quiet(store))
    assert calls == [world.lifter.id]


def test_a_change_while_it_runs_is_picked_up(store: Store, started: Callable[..., Worker]) -> None:
    world = make_world(store)
    started()
    _until(lambda: _is_quiet(store))
    train(world, weeks=2)
    mark_stale(world)
    _until(lambda: _is_quiet(store))


def test_a_new_day_is_the_lifters_own(store: Store) -> None:
    coach = make_coach(store)
    east = make_lifter(store, coach=coach, name="Ada", time_zone="Pacific/Auckland")
    west = make_lifter(store, coach=coach, name="Bo", time_zone="America/Los_Angeles")
    run_pending(store, datetime(2026, 3, 9, 8, tzinfo=UTC))
    evening = datetime(2026, 3, 9, 12, tzinfo=UTC)  # 01:00 on the 10th in Auckland, 05:00 on the 9th here.
    assert lifters_of_another_day(store, evening) == [east.id]
    assert west.id not in lifters_of_another_day(store, evening)


def test_archived_lifters_are_left_alone(store: Store) -> None:
    make_world(store, status="archived")
    assert run_pending(store, NOW) == 0


def test_one_fault_stops_nobody_else_and_is_tried_again_later(
    store: Store,
    started: Callable[..., Worker],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    coach = make_coach(store)
    bad, good = (make_lifter(store, coach=coach, name=name) for name in ("Ada", "Bo"))
    clock = [NOW]
    failing = [True]

    def sometimes(store: Store, lifter_id: int, *, now: datetime) -> None:
        if lifter_id == bad.id and failing[0]:
            raise ArithmeticError("no answer")
        recompute(store, lifter_id, now=now)

    monkeypatch.setattr(service, "recompute", sometimes)
    with store.transaction() as db:
        lifters.mark_stale(db, [bad.id], NOW - timedelta(minutes=1))
        lifters.mark_stale(db, [good.id], NOW)
    worker = started(lambda: clock[0])
    _until(lambda: stale_lifters(store) == [bad.id])
    failing[0] = False
    time.sleep(0.2)
    assert stale_lifters(store) == [bad.id]  # It rests: a fault is not hammered on.
    assert worker.is_running
    clock[0] = NOW + timedelta(minutes=2)
    _until(lambda: not stale_lifters(store))
    assert "analysis failed" in capsys.readouterr().err


def test_it_survives_a_database_that_is_away_for_a_moment(
    store: Store,
    started: Callable[..., Worker],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    world = make_world(store)
    real, away = service.stale_lifters, [True]

    def flaky(store: Store) -> list[int]:
        if away[0]:
            raise ConnectionError("away")
        return real(store)

    monkeypatch.setattr(service, "stale_lifters", flaky)
    worker = started()
    mark_stale(world)
    time.sleep(0.1)
    assert worker.is_running
    away[0] = False
    _until(lambda: _is_quiet(store))
    assert "analysis round failed" in capsys.readouterr().err


def test_it_stops_between_two_lifters(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    coach = make_coach(store)
    for number in range(20):
        make_lifter(store, coach=coach, name=f"Lifter {number}")
    entered = threading.Event()

    def slow(*_args: Any, **_kwargs: Any) -> None:
        entered.set()
        time.sleep(0.1)

    monkeypatch.setattr(service, "recompute", slow)
    worker = Worker(store, lambda: NOW, look_every_s=0.02)
    worker.start()
    assert entered.wait(5)
    began = time.monotonic()
    assert worker.stop(5)
    assert time.monotonic() - began < 1


def test_a_worker_that_never_started_stops(store: Store) -> None:
    assert Worker(store, lambda: NOW).stop()
