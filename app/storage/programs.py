"""What programs read: pages of a coach's rows, each page one seek from where the last one ended."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import select, tuple_
from sqlalchemy.orm import Session

from app.storage.logs import StoredSet
from app.storage.models import (
    Block,
    CheckIn,
    Coach,
    Decision,
    Exercise,
    Flag,
    Lifter,
    LoggedSession,
    Message,
    PainReport,
    SetKey,
    SetRevision,
    logged_sets,
)


def lifters(db: Session, coach: Coach, *, after: int, limit: int) -> Sequence[Lifter]:
    return db.scalars(
        select(Lifter)
        .where(Lifter.coach_id == coach.id, Lifter.deleted_at.is_(None), Lifter.id > after)
        .order_by(Lifter.id)
        .limit(limit)
    ).all()


def exercises(db: Session, coach: Coach, *, after: int, limit: int) -> Sequence[Exercise]:
    return db.scalars(
        select(Exercise)
        .where(Exercise.coach_id == coach.id, Exercise.id > after)
        .order_by(Exercise.id)
        .limit(limit)
    ).all()


_SET_COLUMNS = tuple(logged_sets.c[name] for name in StoredSet.__slots__)


def sets(
    db: Session, lifter_id: int, *, first_day: int, last_day: int, after: tuple[int, int], limit: int
) -> list[tuple[StoredSet, str]]:
    """Sets in the order they were done, each with the name of its exercise."""
    columns = logged_sets.c
    rows = db.execute(
        select(*_SET_COLUMNS, Exercise.name)
        .outerjoin(Exercise, Exercise.id == columns.exercise_id)
        .where(
            columns.lifter_id == lifter_id,
            columns.day.between(first_day, last_day),
            tuple_(columns.day, columns.position) > after,
        )
        .order_by(columns.day, columns.position)
        .limit(limit)
    )
    return [(StoredSet(*row[:-1]), row[-1] or "") for row in rows]


def one_set(db: Session, lifter_id: int, day: int, position: int) -> tuple[StoredSet, str] | None:
    """One set with the name of its exercise."""
    found = sets(db, lifter_id, first_day=day, last_day=day, after=(day, position - 1), limit=1)
    return found[0] if found and found[0][0].position == position else None


def revisions(db: Session, lifter_id: int, *, after: int, limit: int) -> Sequence[SetRevision]:
    """What was amended, taken out and put back, in that order."""
    return db.scalars(
        select(SetRevision)
        .where(SetRevision.lifter_id == lifter_id, SetRevision.id > after)
        .order_by(SetRevision.id)
        .limit(limit)
    ).all()


def exercise_names(db: Session, coach: Coach) -> dict[int, str]:
    rows = db.execute(select(Exercise.id, Exercise.name).where(Exercise.coach_id == coach.id))
    return {one[0]: one[1] for one in rows}


def last_versions(db: Session, lifter_id: int, day: int) -> dict[int, int]:
    """By position of a day, the last version of a set that was there and is gone."""
    found: dict[int, int] = {}
    for one in db.scalars(
        select(SetRevision).where(SetRevision.lifter_id == lifter_id, SetRevision.day == day)
    ):
        found[one.position] = max(found.get(one.position, 0), int(one.before.get("version", 0)))
    return found


def sessions(
    db: Session, lifter_id: int, *, first_day: int, last_day: int, after: int, limit: int
) -> Sequence[LoggedSession]:
    return db.scalars(
        select(LoggedSession)
        .where(
            LoggedSession.lifter_id == lifter_id,
            LoggedSession.day.between(first_day, last_day),
            LoggedSession.id > after,
        )
        .order_by(LoggedSession.id)
        .limit(limit)
    ).all()


def written_with(db: Session, coach: Coach, client_id: str) -> SetKey | None:
    """The write of this key about any of a coach's lifters."""
    return db.scalars(
        select(SetKey)
        .join(Lifter, Lifter.id == SetKey.lifter_id)
        .where(Lifter.coach_id == coach.id, Lifter.deleted_at.is_(None), SetKey.client_id == client_id)
    ).first()


def blocks(db: Session, lifter_id: int, *, after: int, limit: int) -> Sequence[Block]:
    return db.scalars(
        select(Block).where(Block.lifter_id == lifter_id, Block.id > after).order_by(Block.id).limit(limit)
    ).all()


def flags(
    db: Session, coach: Coach, *, lifter_id: int | None, cleared: bool, after: int, limit: int
) -> Sequence[tuple[Flag, str | None]]:
    """Flags about a coach's lifters, or one of them, each with the name of its exercise."""
    query = (
        select(Flag, Exercise.name)
        .join(Lifter, Lifter.id == Flag.lifter_id)
        .outerjoin(Exercise, Exercise.id == Flag.exercise_id)
        .where(Flag.id > after)
        .order_by(Flag.id)
        .limit(limit)
    )
    if not cleared:
        query = query.where(Flag.cleared_at.is_(None))
    return [(row[0], row[1]) for row in db.execute(_of(query, coach, lifter_id))]


def decisions(
    db: Session, coach: Coach, *, lifter_id: int | None, after: int, limit: int
) -> Sequence[tuple[Decision, str | None]]:
    query = (
        select(Decision, Exercise.name)
        .join(Lifter, Lifter.id == Decision.lifter_id)
        .outerjoin(Exercise, Exercise.id == Decision.exercise_id)
        .where(Decision.id > after)
        .order_by(Decision.id)
        .limit(limit)
    )
    return [(row[0], row[1]) for row in db.execute(_of(query, coach, lifter_id))]


def messages(
    db: Session, coach: Coach, *, lifter_id: int | None, after: int, limit: int
) -> Sequence[Message]:
    """What was sent between a coach and the lifters, or one of them."""
    query = (
        select(Message)
        .join(Lifter, Lifter.id == Message.lifter_id)
        .where(Message.id > after, Message.sent_at.is_not(None))
        .order_by(Message.id)
        .limit(limit)
    )
    found: Sequence[Message] = db.scalars(_of(query, coach, lifter_id)).all()
    return found


def message(db: Session, lifter_id: int, message_id: int) -> Message | None:
    return db.scalar(select(Message).where(Message.id == message_id, Message.lifter_id == lifter_id))


def check_ins(
    db: Session, lifter_id: int, *, first_day: int, last_day: int, after: int, limit: int
) -> Sequence[CheckIn]:
    return db.scalars(
        select(CheckIn)
        .where(CheckIn.lifter_id == lifter_id, CheckIn.day.between(first_day, last_day), CheckIn.id > after)
        .order_by(CheckIn.id)
        .limit(limit)
    ).all()


def pains(db: Session, lifter_id: int, *, resolved: bool, after: int, limit: int) -> Sequence[PainReport]:
    query = (
        select(PainReport)
        .where(PainReport.lifter_id == lifter_id, PainReport.id > after)
        .order_by(PainReport.id)
        .limit(limit)
    )
    return db.scalars(query if resolved else query.where(PainReport.resolved_at.is_(None))).all()


def _of(query: Any, coach: Coach, lifter_id: int | None) -> Any:
    query = query.where(Lifter.coach_id == coach.id, Lifter.deleted_at.is_(None))
    return query if lifter_id is None else query.where(Lifter.id == lifter_id)
