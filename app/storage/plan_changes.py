"""Changes of running blocks as they are told: those a block made by itself, and those its coach made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func, select, update
from sqlalchemy.orm import Session

from app.storage.models import (
    Block,
    Coach,
    Exercise,
    Lifter,
    LoggedSession,
    PlanChange,
    PlannedSession,
    Prescription,
    SetMark,
    logged_sets,
)

BY_COACH = "edit"  # the rule of a change that a coach made


class ChangeNotFound(LookupError):
    """There is no such change in a block of one of this coach's lifters."""


@dataclass(frozen=True, slots=True)
class Trained:
    """What became of one prescription of a session that is over. ``rpe`` is of the hardest working set."""

    session_id: int
    week: int  # 1-based
    position: int
    day: int
    done: bool
    exercise: str
    place: int  # among the exercises of the session
    text: str
    sets: Sequence[Any]
    predicted: dict[str, Any]
    rpe: float | None


def add(
    db: Session,
    block: Block,
    *,
    at: datetime,
    rule: str,
    why: str,
    before: Sequence[Any],
    after: Sequence[Any],
    told: bool,
) -> PlanChange:
    """Keep a change. ``told`` puts it on the lifter's phone until they have seen it."""
    change = PlanChange(
        block_id=block.id,
        lifter_id=block.lifter_id,
        at=at,
        rule=rule,
        why=why,
        before=list(before),
        after=list(after),
        undone_at=None,
        seen_by_lifter_at=None if told else at,
    )
    db.add(change)
    db.flush()
    return change


def of_block(db: Session, block_id: int) -> Sequence[PlanChange]:
    """Changes that a block made by itself, newest first."""
    return db.scalars(
        select(PlanChange)
        .where(PlanChange.block_id == block_id, PlanChange.rule != BY_COACH)
        .order_by(PlanChange.at.desc(), PlanChange.id.desc())
    ).all()


def of_coach(db: Session, coach: Coach, change_id: int) -> tuple[PlanChange, Block, Lifter]:
    """A change in a block of one of this coach's lifters.

    Raises
    ------
    ChangeNotFound
        If there is none.
    """
    row = db.execute(
        select(PlanChange, Block, Lifter)
        .join(Block, Block.id == PlanChange.block_id)
        .join(Lifter, Lifter.id == Block.lifter_id)
        .where(PlanChange.id == change_id, Lifter.coach_id == coach.id, Lifter.deleted_at.is_(None))
    ).first()
    if row is None:
        raise ChangeNotFound(change_id)
    return row[0], row[1], row[2]


def by_coach_at(db: Session, lifter_id: int, at: datetime) -> PlanChange | None:
    """The change of a running block that a coach made at this very instant."""
    return db.scalars(
        select(PlanChange)
        .where(PlanChange.lifter_id == lifter_id, PlanChange.rule == BY_COACH, PlanChange.at == at)
        .order_by(PlanChange.id)
    ).first()


def trained_places(db: Session, block_id: int) -> dict[tuple[int, int], PlannedSession]:
    """Sessions of a block that were done or begun, by week (from 1) and place in the week."""
    logged = select(LoggedSession.planned_session_id).where(LoggedSession.planned_session_id.is_not(None))
    rows = db.scalars(
        select(PlannedSession)
        .where(
            PlannedSession.block_id == block_id,
            (PlannedSession.status == "done") | PlannedSession.id.in_(logged),
        )
        .order_by(PlannedSession.day)
    )
    return {(one.week, one.position): one for one in rows}


def unseen(db: Session, lifter_id: int) -> Sequence[PlanChange]:
    """What the lifter has not been told yet, oldest first."""
    return db.scalars(
        select(PlanChange)
        .where(PlanChange.lifter_id == lifter_id, PlanChange.seen_by_lifter_at.is_(None))
        .order_by(PlanChange.at, PlanChange.id)
    ).all()


def mark_seen(db: Session, lifter_id: int, up_to: int, *, at: datetime) -> None:
    """The lifter has read everything up to this change."""
    db.execute(
        update(PlanChange)
        .where(
            PlanChange.lifter_id == lifter_id,
            PlanChange.id <= up_to,
            PlanChange.seen_by_lifter_at.is_(None),
        )
        .values(seen_by_lifter_at=at)
    )


def has_overdue(db: Session, lifter_id: int, before_day: int) -> bool:
    """Whether a session is still called planned although its day is over."""
    return (
        db.scalar(
            select(PlannedSession.id)
            .where(
                PlannedSession.lifter_id == lifter_id,
                PlannedSession.status == "planned",
                PlannedSession.day < before_day,
            )
            .limit(1)
        )
        is not None
    )


def trained(
    db: Session, block: Block, *, today: int, missed_before: int, skip: Sequence[int]
) -> list[Trained]:
    """Prescriptions of a block's sessions that are over, in the order of the calendar.

    A session is over when the lifter finished it or its day has passed; a missed one when its day lies
    before ``missed_before``. Sessions in ``skip`` are left out.
    """
    finished = select(LoggedSession.planned_session_id).where(
        LoggedSession.lifter_id == block.lifter_id,
        LoggedSession.finished_at.is_not(None),
        LoggedSession.planned_session_id.is_not(None),
    )
    hidden = PlannedSession.status.in_(("planned", "missed"))
    rows = db.execute(
        select(PlannedSession, Prescription, Exercise.name)
        .join(Prescription, Prescription.planned_session_id == PlannedSession.id)
        .join(Exercise, Exercise.id == Prescription.exercise_id)
        .where(
            PlannedSession.block_id == block.id,
            PlannedSession.id.not_in(skip),
            (
                (PlannedSession.status == "done")
                & ((PlannedSession.day < today) | PlannedSession.id.in_(finished))
            )
            | (hidden & (PlannedSession.day < missed_before)),
        )
        .order_by(PlannedSession.day, PlannedSession.id, Prescription.position)
    ).all()
    columns = logged_sets.c
    reported = db.execute(
        select(columns.prescription_id, func.max(columns.rpe_tenths))
        .where(
            columns.lifter_id == block.lifter_id,
            columns.day >= block.start_day - 7,
            columns.prescription_id.in_([one.id for _, one, _ in rows]),
            columns.rpe_tenths.is_not(None),
            columns.marks.op("&")(SetMark.WARM_UP | SetMark.HELD_OUT) == 0,
        )
        .group_by(columns.prescription_id)
    )
    hardest: dict[int, int] = {row[0]: row[1] for row in reported}
    return [
        Trained(
            session.id,
            session.week,
            session.position,
            session.day,
            session.status == "done",
            name,
            asked.position,
            asked.text,
            asked.sets,
            asked.predicted,
            hardest[asked.id] / 10 if asked.id in hardest else None,
        )
        for session, asked, name in rows
    ]
