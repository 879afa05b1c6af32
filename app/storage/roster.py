"""The roster page's rows, ready made, and the views of it that a coach saved."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import orjson
from sqlalchemy import Text, case, delete, func, select, type_coerce
from sqlalchemy.orm import Session

from app.storage.messages import unread_of
from app.storage.models import Coach, Lifter, RosterRow, SavedView


@dataclass(frozen=True, slots=True)
class RowRead:
    """A lifter and the row made by the last analysis, still as text: most pages never look inside."""

    lifter_id: int
    name: str
    status: str
    time_zone: str
    level: str  # act, watch, notice or empty
    urgency: float
    body: str | None  # None: never analysed
    waiting: bool  # something came in since
    unread: int = 0  # messages of the lifter that no coach has read

    def parsed(self) -> dict[str, Any]:
        found: dict[str, Any] = {} if self.body is None else orjson.loads(self.body)
        return found


def rows(db: Session, coach: Coach, *, archived_bodies: bool = False) -> list[RowRead]:
    """A coach's lifters in the order of what a look is worth, in one statement.

    Archived lifters come without their body unless asked for: they are counted, seldom shown.
    """
    body = type_coerce(RosterRow.body, Text)
    query = (
        select(
            Lifter.id,
            Lifter.name,
            Lifter.status,
            Lifter.time_zone,
            func.coalesce(RosterRow.level, ""),
            func.coalesce(RosterRow.urgency, 0.0),
            body if archived_bodies else case((Lifter.status != "archived", body)),
            Lifter.stale_at.is_not(None),
            unread_of(Lifter.id),
        )
        .outerjoin(RosterRow, RosterRow.lifter_id == Lifter.id)
        .where(Lifter.coach_id == coach.id, Lifter.deleted_at.is_(None))
        .order_by(func.coalesce(RosterRow.urgency, 0.0).desc(), Lifter.name)
    )
    return [RowRead(*row) for row in db.execute(query)]


def row_of(db: Session, lifter_id: int) -> RosterRow | None:
    return db.get(RosterRow, lifter_id)


def put(
    db: Session,
    lifter: Lifter,
    *,
    urgency: float,
    level: str,
    body: Mapping[str, Any],
    at: datetime,
) -> None:
    """Make this the lifter's row."""
    db.merge(
        RosterRow(
            lifter_id=lifter.id,
            coach_id=lifter.coach_id,
            urgency=urgency,
            level=level,
            body=dict(body),
            computed_at=at,
        )
    )


def saved_views(db: Session, coach: Coach) -> Sequence[SavedView]:
    return db.scalars(select(SavedView).where(SavedView.coach_id == coach.id).order_by(SavedView.name)).all()


def save_view(db: Session, coach: Coach, name: str, query: str) -> None:
    """Keep a view under a name; the same name again replaces it."""
    found = db.scalar(select(SavedView).where(SavedView.coach_id == coach.id, SavedView.name == name))
    if found is None:
        db.add(SavedView(coach_id=coach.id, name=name, query=query))
    else:
        found.query = query


def drop_view(db: Session, coach: Coach, view_id: int) -> None:
    db.execute(delete(SavedView).where(SavedView.id == view_id, SavedView.coach_id == coach.id))
