"""Messages between a coach and a lifter beyond the thread: drafts, and how many are unread."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import ScalarSelect, delete, func, select
from sqlalchemy.orm import Session

from app.storage.models import Lifter, Message


def unread_of(lifter_id: Any) -> ScalarSelect[int]:
    """How many messages of a lifter no coach has read, as part of another query."""
    return (
        select(func.count())
        .select_from(Message)
        .where(Message.lifter_id == lifter_id, Message.author == "lifter", Message.read_at.is_(None))
        .scalar_subquery()
    )


def unread(db: Session, lifter: Lifter) -> int:
    return db.scalar(select(unread_of(lifter.id))) or 0


def drafts(db: Session, lifter_id: int) -> Sequence[Message]:
    """What the coach began to write and has not sent, newest first."""
    return db.scalars(
        select(Message)
        .where(Message.lifter_id == lifter_id, Message.author == "coach", Message.sent_at.is_(None))
        .order_by(Message.id.desc())
    ).all()


def about_block(db: Session, lifter_id: int, block_id: int) -> Sequence[Message]:
    """A coach's reviews of a block, sent or not, newest first."""
    found = db.scalars(
        select(Message)
        .where(Message.lifter_id == lifter_id, Message.author == "coach")
        .order_by(Message.id.desc())
        .limit(400)
    ).all()
    return [one for one in found if one.about.get("review") == block_id]


def keep_draft(db: Session, lifter_id: int, body: str, about: dict[str, Any], at: datetime) -> Message:
    """Keep a text to go on with; the one begun before about the same matter is replaced."""
    for one in drafts(db, lifter_id):
        if one.about == about:
            one.body, one.created_at = body, at
            return one
    message = Message(
        lifter_id=lifter_id,
        author="coach",
        body=body,
        about=about,
        created_at=at,
        sent_at=None,
        read_at=None,
        client_id=None,
    )
    db.add(message)
    db.flush()
    return message


def drop_drafts(db: Session, lifter_id: int, about: dict[str, Any]) -> None:
    gone = [one.id for one in drafts(db, lifter_id) if one.about == about]
    if gone:
        db.execute(delete(Message).where(Message.id.in_(gone)))
