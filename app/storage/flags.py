"""Flags: one open row per lifter and cause, updated in place and closed, never deleted."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from app.storage.models import Flag


class FlagNotFound(LookupError):
    """The flag does not exist, or is about somebody else's lifter."""


def of_lifter(db: Session, lifter_id: int, flag_id: int) -> Flag:
    found = db.scalar(select(Flag).where(Flag.id == flag_id, Flag.lifter_id == lifter_id))
    if found is None:
        raise FlagNotFound(flag_id)
    return found


def not_cleared(db: Session, lifter_id: int) -> Sequence[Flag]:
    """What still holds: open, snoozed and dismissed flags."""
    return db.scalars(
        select(Flag).where(Flag.lifter_id == lifter_id, Flag.cleared_at.is_(None)).order_by(Flag.id)
    ).all()


def held_or_cleared_since(db: Session, lifter_id: int, since: datetime) -> Sequence[Flag]:
    """What still holds and what was cleared lately, oldest first."""
    return db.scalars(
        select(Flag)
        .where(Flag.lifter_id == lifter_id, or_(Flag.cleared_at.is_(None), Flag.cleared_at >= since))
        .order_by(Flag.id)
    ).all()


def history(db: Session, lifter_id: int, *, limit: int = 100) -> Sequence[Flag]:
    """Flags of a lifter, newest first."""
    return db.scalars(
        select(Flag)
        .where(Flag.lifter_id == lifter_id)
        .order_by(Flag.opened_at.desc(), Flag.id.desc())
        .limit(limit)
    ).all()


def add(db: Session, lifter_id: int, **values: Any) -> Flag:
    flag = Flag(lifter_id=lifter_id, **values)
    db.add(flag)
    db.flush()
    return flag
