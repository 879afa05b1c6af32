"""A lifter with a past and a planned block, made row by row, so that the phone can be tested by itself."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from app.planning import access as accounts
from app.storage import access
from app.storage.engine import Store
from app.storage.models import Baseline, Block, Coach, Exercise, Lifter, Message, PlannedSession, Prescription
from tests.factories import NOW, TODAY, log_sets, make_coach, make_exercise, make_lifter


def set_of(load_kg: float | None, reps: int | None, rpe: float | None = None, **more: Any) -> dict[str, Any]:
    """One planned set, in the shape prescriptions are stored in."""
    usual = {
        "load_grams": None if load_kg is None else round(load_kg * 1000),
        "reps": reps,
        "reps_high": None,
        "rpe": rpe,
        "amrap": False,
        "seconds": None,
        "metres": None,
        "rest_s": None,
    }
    return usual | more


def make_block(store: Store, lifter: Lifter, **changes: Any) -> Block:
    usual = {
        "name": "Heavy triples",
        "kind": "strength",
        "purpose": "",
        "start_day": TODAY - 7,
        "end_day": TODAY + 27,
        "status": "assigned",
        "plan": {},
        "assigned_at": NOW,
        "created_at": NOW,
        "updated_at": NOW,
    }
    with store.transaction() as db:
        block = Block(lifter_id=lifter.id, **(usual | changes))
        db.add(block)
        db.flush()
        return block


def plan_session(
    store: Store,
    lifter: Lifter,
    block: Block,
    asked: list[tuple[Exercise, str, list[dict[str, Any]]]],
    *,
    day: int = TODAY,
    **changes: Any,
) -> PlannedSession:
    """A planned session of (exercise, text, sets)."""
    usual = {"week": 2, "position": 1, "name": "Heavy triples", "status": "planned"}
    with store.transaction() as db:
        session = PlannedSession(block_id=block.id, lifter_id=lifter.id, day=day, **(usual | changes))
        db.add(session)
        db.flush()
        for position, (exercise, text, sets) in enumerate(asked):
            db.add(
                Prescription(
                    planned_session_id=session.id,
                    lifter_id=lifter.id,
                    exercise_id=exercise.id,
                    position=position,
                    text=text,
                    sets=sets,
                )
            )
        return session


def prescription_ids(store: Store, session: PlannedSession) -> list[int]:
    from app.storage import phone

    with store.reading() as db:
        return [one.id for one, _ in phone.prescriptions(db, session.id)]


def freeze(store: Store, block: Block, exercise: Exercise, rep_range: str, load_kg: float, reps: int) -> None:
    with store.transaction() as db:
        db.add(
            Baseline(
                block_id=block.id,
                exercise_id=exercise.id,
                rep_range=rep_range,
                load_grams=round(load_kg * 1000),
                reps=reps,
                rpe_tenths=None,
                day=block.start_day - 3,
                e1rm_grams=round(load_kg * 1000 * (1 + reps / 30)),
            )
        )


def from_coach(store: Store, lifter: Lifter, body: str, **changes: Any) -> None:
    usual = {"author": "coach", "about": {}, "created_at": NOW, "sent_at": NOW, "read_at": None}
    with store.transaction() as db:
        db.add(Message(lifter_id=lifter.id, body=body, **(usual | changes)))


def phone_token(store: Store, lifter: Lifter, now: Any = NOW) -> str:
    """The cookie of a phone on which this lifter's link was opened."""
    with store.transaction() as db:
        link = access.issue_link(db, lifter, at=now, valid=timedelta(days=365))
    return accounts.open_link(store, link, device="phone", address="test", now=now)


@dataclass(frozen=True)
class World:
    """A lifter in the second week of heavy triples after a volume block, with a log behind."""

    coach: Coach
    lifter: Lifter
    deadlift: Exercise
    squat: Exercise
    row: Exercise
    block: Block
    session: PlannedSession
    prescriptions: list[int]


def make_world(store: Store, *, coach: Coach | None = None, today: int = TODAY, **changes: Any) -> World:
    """Twenty sets planned today: deadlift 8 x 3, squat 6 x 5, row 6 x 10-12."""
    owner = coach or make_coach(store)
    lifter = make_lifter(store, coach=owner, **changes)
    deadlift = make_exercise(store, coach=owner, name="Deadlift", cue="Wedge, then push the floor away.")
    squat = make_exercise(store, coach=owner, name="Paused squat", main_lift="Squat")
    row = make_exercise(store, coach=owner, name="Row", main_lift=None, implement="barbell")
    make_exercise(store, coach=owner, name="Plank", main_lift=None, measure="time", implement="none")
    log_sets(store, lifter, deadlift, today - 700, [(200, 3, 9)])
    for week in range(8, 0, -1):
        day = today - 7 * week
        log_sets(store, lifter, deadlift, day, [(155 + (8 - week) * 2.5, 5, 8)] * 3)
        log_sets(store, lifter, squat, day + 2, [(110 + (8 - week) * 2.5, 5, 7.5)] * 3)
        log_sets(store, lifter, row, day + 4, [(70 + (8 - week), 10, None)] * 3)
    make_block(
        store,
        lifter,
        name="Eights",
        kind="volume",
        start_day=today - 42,
        end_day=today - 8,
        status="ended",
    )
    block = make_block(store, lifter, start_day=today - 7, end_day=today + 27)
    freeze(store, block, deadlift, "5-6", 165, 5)
    freeze(store, block, squat, "5-6", 120, 5)
    asked = [
        (deadlift, "8 x 3 @ RPE 8", [set_of(177.5, 3, 8.0, rest_s=180)] * 8),
        (squat, "6 x 5 @ RPE 7", [set_of(125, 5, 7.0)] * 6),
        (row, "6 x 10-12", [set_of(77.5, 10, None, reps_high=12)] * 6),
    ]
    session = plan_session(store, lifter, block, asked, day=today)
    plan_session(
        store,
        lifter,
        block,
        [(squat, "5 x 3 @ RPE 8", [set_of(135, 3, 8.0)] * 5)],
        day=today + 2,
        name="Squat triples",
        position=2,
    )
    return World(owner, lifter, deadlift, squat, row, block, session, prescription_ids(store, session))
