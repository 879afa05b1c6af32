"""Decisions, what they rested on and led to; messages between coach and lifter."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import func, select, update
from sqlalchemy.orm import Session

from app.storage.models import Coach, Decision, Exercise, Flag, Lifter, Message


class DecisionNotFound(LookupError):
    """There is no such decision of this coach."""


def add(db: Session, **values: Any) -> Decision:
    decision = Decision(**values)
    db.add(decision)
    db.flush()
    return decision


def of_coach(db: Session, coach: Coach, decision_id: int) -> tuple[Decision, Lifter]:
    row = db.execute(
        select(Decision, Lifter)
        .join(Lifter, Lifter.id == Decision.lifter_id)
        .where(Decision.id == decision_id, Lifter.coach_id == coach.id, Lifter.deleted_at.is_(None))
    ).first()
    if row is None:
        raise DecisionNotFound(decision_id)
    return row[0], row[1]


def journal(
    db: Session, coach: Coach, *, lifter_id: int | None = None, taken_back: bool = False, limit: int = 500
) -> Sequence[tuple[Decision, str, str | None, str | None]]:
    """Decisions newest first with the names of lifter and exercise and the kind of flag."""
    query = (
        select(Decision, Lifter.name, Exercise.name, Flag.kind)
        .join(Lifter, Lifter.id == Decision.lifter_id)
        .outerjoin(Exercise, Exercise.id == Decision.exercise_id)
        .outerjoin(Flag, Flag.id == Decision.flag_id)
        .where(Lifter.coach_id == coach.id, Lifter.deleted_at.is_(None))
        .order_by(Decision.made_at.desc(), Decision.id.desc())
        .limit(limit)
    )
    if not taken_back:
        query = query.where(Decision.undone_at.is_(None))
    if lifter_id is not None:
        query = query.where(Decision.lifter_id == lifter_id)
    return [(row[0], row[1], row[2], row[3]) for row in db.execute(query)]


def of_action(db: Session, lifter_id: int, action: str, *, limit: int = 200) -> Sequence[Decision]:
    """A lifter's decisions of one kind, newest first, also those that were taken back."""
    return db.scalars(
        select(Decision)
        .where(Decision.lifter_id == lifter_id, Decision.action == action)
        .order_by(Decision.made_at.desc(), Decision.id.desc())
        .limit(limit)
    ).all()


def of_flag(db: Session, flag_id: int, *, before: int) -> Sequence[Decision]:
    """Decisions about a flag that were made before one of them, newest first."""
    return db.scalars(
        select(Decision).where(Decision.flag_id == flag_id, Decision.id < before).order_by(Decision.id.desc())
    ).all()


def due(db: Session, lifter_id: int, day: int) -> Sequence[Decision]:
    """Decisions of a lifter whose day to look again has come and whose outcome is not known."""
    return db.scalars(
        select(Decision).where(
            Decision.lifter_id == lifter_id,
            Decision.look_again_day <= day,
            Decision.outcome.is_(None),
            Decision.undone_at.is_(None),
        )
    ).all()


def flag_after(db: Session, flag_id: int, since: datetime) -> tuple[Flag | None, int]:
    """A decision's flag as it is now, and how often its cause was flagged again after it was cleared."""
    flag = db.get(Flag, flag_id)
    if flag is None:
        return None, 0
    again = db.scalar(
        select(func.count())
        .select_from(Flag)
        .where(
            Flag.lifter_id == flag.lifter_id,
            Flag.cause == flag.cause,
            Flag.id != flag.id,
            Flag.opened_at > since,
        )
    )
    return flag, again or 0


# Messages -----------------------------------------------------------------------------------------


def add_message(
    db: Session, lifter_id: int, *, author: str, body: str, about: dict[str, Any], at: datetime, sent: bool
) -> Message:
    message = Message(
        lifter_id=lifter_id,
        author=author,
        body=body,
        about=about,
        created_at=at,
        sent_at=at if sent else None,
        read_at=None,
        client_id=None,
    )
    db.add(message)
    db.flush()
    return message


def thread(db: Session, lifter_id: int, *, limit: int = 200) -> Sequence[Message]:
    """What coach and lifter wrote, newest first; a coach's unsent drafts too."""
    return db.scalars(
        select(Message).where(Message.lifter_id == lifter_id).order_by(Message.id.desc()).limit(limit)
    ).all()


def read_by_coach(db: Session, lifter_id: int, at: datetime) -> None:
    db.execute(
        update(Message)
        .where(
            Message.lifter_id == lifter_id,
            Message.author == "lifter",
            Message.read_at.is_(None),
        )
        .values(read_at=at)
    )
