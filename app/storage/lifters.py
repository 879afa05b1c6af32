"""Lifters and whose they are. Every path to a lifter goes through `of_coach`."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from app.storage.models import Coach, Lifter

# Pairs of plates in a usual gym, grams each, largest first; common practice, changed per lifter.
KG_PLATES = [[25_000, 4], [20_000, 1], [15_000, 1], [10_000, 1], [5_000, 1], [2_500, 1], [1_250, 1]]
LB_PLATES = [[20_412, 5], [15_876, 1], [11_340, 1], [4_536, 2], [2_268, 1], [1_134, 1]]


class LifterNotFound(LookupError):
    """The lifter does not exist, or is not one of this coach's; from outside the two look the same."""


def of_coach(db: Session, coach: Coach, lifter_id: int) -> Lifter:
    """One of this coach's lifters.

    Raises
    ------
    LifterNotFound
        If there is no such lifter on this coach's roster.
    """
    lifter = db.scalar(
        select(Lifter).where(Lifter.id == lifter_id, Lifter.coach_id == coach.id, Lifter.deleted_at.is_(None))
    )
    if lifter is None:
        raise LifterNotFound(lifter_id)
    return lifter


def roster(db: Session, coach: Coach, *, archived: bool = False) -> Sequence[Lifter]:
    """The coach's lifters by name; archived ones only when asked for."""
    query = select(Lifter).where(Lifter.coach_id == coach.id, Lifter.deleted_at.is_(None))
    if not archived:
        query = query.where(Lifter.status != "archived")
    return db.scalars(query.order_by(Lifter.name)).all()


def by_name(db: Session, coach: Coach) -> dict[str, Lifter]:
    """All lifters of a coach by case-folded name, archived ones too."""
    return {one.name.casefold(): one for one in roster(db, coach, archived=True)}


def add(db: Session, coach: Coach, *, at: datetime, **values: Any) -> Lifter:
    """A new lifter with the coach's unit and a usual set of plates unless said otherwise."""
    unit = values.get("unit", coach.unit)
    usual = {
        "unit": unit,
        "time_zone": coach.time_zone,
        "bar_grams": 20_000 if unit == "kg" else 20_412,
        "plates": KG_PLATES if unit == "kg" else LB_PLATES,
    }
    lifter = Lifter(coach_id=coach.id, created_at=at, **(usual | values))
    db.add(lifter)
    db.flush()
    return lifter


def mark_stale(db: Session, lifter_ids: Sequence[int], at: datetime) -> None:
    """Say that these lifters' analysis no longer describes their log."""
    if lifter_ids:
        db.execute(update(Lifter).where(Lifter.id.in_(lifter_ids)).values(stale_at=at))


def stale(db: Session, *, limit: int = 1000) -> Sequence[tuple[int, datetime]]:
    """Lifters whose analysis has to be made again, longest waiting first."""
    rows = db.execute(
        select(Lifter.id, Lifter.stale_at)
        .where(Lifter.stale_at.is_not(None), Lifter.deleted_at.is_(None))
        .order_by(Lifter.stale_at)
        .limit(limit)
    )
    return [(number, at) for number, at in rows if at is not None]


def clear_stale(db: Session, lifter_id: int, seen: datetime) -> None:
    """Mark as analysed, unless something came in after the analysis read the log.

    ``seen`` is the mark as it stood then. Any other mark is news, an earlier one too: a request that began
    before the analysis may have ended after it.
    """
    db.execute(update(Lifter).where(Lifter.id == lifter_id, Lifter.stale_at == seen).values(stale_at=None))
