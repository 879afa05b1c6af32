"""The usual coach, lifter, exercise and log, except for what a test names."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

from app.storage import access, exercises, lifters, logs
from app.storage.engine import Store
from app.storage.models import Coach, Exercise, Lifter

NOW = datetime(2026, 3, 9, 12, tzinfo=UTC)
TODAY = date(2026, 3, 9).toordinal()


def make_coach(store: Store, **changes: Any) -> Coach:
    usual = {"name": "Ines Marto", "login": "ines@example.org", "password_hash": "none", "club": "Harbour"}
    with store.transaction() as db:
        return access.add_coach(db, at=NOW, **(usual | changes))


def make_lifter(store: Store, *, coach: Coach, **changes: Any) -> Lifter:
    usual = {"name": "Vilde Aas", "time_zone": "Europe/Lisbon"}
    with store.transaction() as db:
        return lifters.add(db, coach, at=NOW, **(usual | changes))


def make_exercise(store: Store, *, coach: Coach, name: str = "Squat", **changes: Any) -> Exercise:
    with store.transaction() as db:
        return exercises.add(db, coach, name, **({"main_lift": name} | changes))


def log_sets(
    store: Store,
    lifter: Lifter,
    exercise: Exercise,
    day: int,
    sets: list[tuple[float, int, float | None]],
    **changes: Any,
) -> int:
    """One logged session of (load in kg, reps, RPE) sets; its number."""
    with store.transaction() as db:
        session = logs.add_session(db, lifter.id, day)
        first = logs.next_position(db, lifter.id, day)
        logs.add_sets(
            db,
            [
                {
                    "lifter_id": lifter.id,
                    "day": day,
                    "position": first + number,
                    "session_id": session.id,
                    "exercise_id": exercise.id,
                    "set_number": number + 1,
                    "load_grams": round(load * 1000),
                    "reps": reps,
                    "rpe_tenths": None if rpe is None else round(rpe * 10),
                }
                | changes
                for number, (load, reps, rpe) in enumerate(sets)
            ],
        )
        return session.id
