"""A lifter's last training days beside the plan, what was changed afterwards, and what is planned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.storage.logs import StoredSet
from app.storage.models import (
    Coach,
    Decision,
    Exercise,
    LoggedSession,
    PlannedSession,
    Prescription,
    SetMark,
    SetRevision,
    logged_sets,
)


@dataclass(frozen=True, slots=True)
class PlannedWork:
    """One exercise of a planned session. ``sets`` and ``novelty`` are as stored with the prescription."""

    id: int
    planned_session_id: int
    exercise_id: int
    position: int
    text: str
    sets: list[Any]
    novelty: dict[str, Any]


@dataclass(frozen=True, slots=True)
class PlannedDay:
    """A planned session on the calendar."""

    id: int
    block_id: int
    name: str
    day: int
    status: str


def last_sessions(db: Session, lifter_id: int, *, until: int, limit: int) -> Sequence[LoggedSession]:
    """The newest logged sessions on or before a day, newest first."""
    return db.scalars(
        select(LoggedSession)
        .where(LoggedSession.lifter_id == lifter_id, LoggedSession.day <= until)
        .order_by(LoggedSession.day.desc(), LoggedSession.id.desc())
        .limit(limit)
    ).all()


def planned_days(db: Session, lifter_id: int, first_day: int, last_day: int) -> list[PlannedDay]:
    """Planned sessions of some days, in the order of the calendar."""
    rows = db.execute(
        select(
            PlannedSession.id,
            PlannedSession.block_id,
            PlannedSession.name,
            PlannedSession.day,
            PlannedSession.status,
        )
        .where(PlannedSession.lifter_id == lifter_id, PlannedSession.day.between(first_day, last_day))
        .order_by(PlannedSession.day, PlannedSession.position, PlannedSession.id)
    )
    return [PlannedDay(*row) for row in rows]


def planned_by_id(db: Session, lifter_id: int, ids: Sequence[int]) -> list[PlannedDay]:
    """The planned sessions of these numbers."""
    if not ids:
        return []
    rows = db.execute(
        select(
            PlannedSession.id,
            PlannedSession.block_id,
            PlannedSession.name,
            PlannedSession.day,
            PlannedSession.status,
        ).where(PlannedSession.lifter_id == lifter_id, PlannedSession.id.in_(ids))
    )
    return [PlannedDay(*row) for row in rows]


def planned_work(db: Session, session_ids: Sequence[int]) -> list[PlannedWork]:
    """What these planned sessions hold, in their order."""
    if not session_ids:
        return []
    rows = db.execute(
        select(
            Prescription.id,
            Prescription.planned_session_id,
            Prescription.exercise_id,
            Prescription.position,
            Prescription.text,
            Prescription.sets,
            Prescription.novelty,
        )
        .where(Prescription.planned_session_id.in_(session_ids))
        .order_by(Prescription.planned_session_id, Prescription.position)
    )
    return [PlannedWork(*row) for row in rows]


def revisions_between(db: Session, lifter_id: int, first_day: int, last_day: int) -> Sequence[SetRevision]:
    """Changes to the sets of some days, oldest first."""
    return db.scalars(
        select(SetRevision)
        .where(SetRevision.lifter_id == lifter_id, SetRevision.day.between(first_day, last_day))
        .order_by(SetRevision.id)
    ).all()


@dataclass(frozen=True, slots=True)
class Known:
    """An exercise as the coach has it."""

    name: str
    main_lift: str | None
    implement: str
    body_mass_share: float


def exercises_known(db: Session, ids: Sequence[int]) -> dict[int, Known]:
    """Exercises by number."""
    rows = db.execute(
        select(
            Exercise.id, Exercise.name, Exercise.main_lift, Exercise.implement, Exercise.body_mass_share
        ).where(Exercise.id.in_(ids))
    )
    return {row[0]: Known(*row[1:]) for row in rows}


def decisions_about(db: Session, lifter_id: int, *, limit: int) -> Sequence[tuple[Decision, str | None, str]]:
    """The newest decisions about a lifter, with the exercise's name and who decided."""
    rows = db.execute(
        select(Decision, Exercise.name, Coach.name)
        .outerjoin(Exercise, Exercise.id == Decision.exercise_id)
        .join(Coach, Coach.id == Decision.coach_id)
        .where(Decision.lifter_id == lifter_id)
        .order_by(Decision.day.desc(), Decision.id.desc())
        .limit(limit)
    )
    return [(decision, lift, coach) for decision, lift, coach in rows]


def held_out_sets(db: Session, lifter_id: int) -> list[StoredSet]:
    """Sets that are held out of the estimates and not yet decided about, oldest first."""
    columns = logged_sets.c
    rows = db.execute(
        select(*(columns[name] for name in StoredSet.__slots__))
        .where(
            columns.lifter_id == lifter_id,
            columns.marks.op("&")(SetMark.HELD_OUT | SetMark.ACCEPTED) == SetMark.HELD_OUT,
        )
        .order_by(columns.day, columns.position)
    )
    return [StoredSet(*row) for row in rows]
