"""The last analysis of each lifter, lift by lift, and which lifters need a new one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import delete, insert, select, update
from sqlalchemy.orm import Session

from app.storage.logs import day_and_position, row_of
from app.storage.models import Lifter, SetMark, Snapshot, logged_sets

WHOLE_LIFTER = 0  # The exercise number under which the lifter as a whole is kept.


def of_lifter(db: Session, lifter_id: int) -> dict[int, Snapshot]:
    """Snapshots by exercise number."""
    rows = db.scalars(select(Snapshot).where(Snapshot.lifter_id == lifter_id))
    return {row.exercise_id: row for row in rows}


def computed_at(db: Session, lifter_id: int) -> datetime | None:
    """When the lifter's last analysis was made."""
    return db.scalar(
        select(Snapshot.computed_at).where(
            Snapshot.lifter_id == lifter_id, Snapshot.exercise_id == WHOLE_LIFTER
        )
    )


def replace(
    db: Session,
    lifter_id: int,
    bodies: Mapping[int, Mapping[str, Any]],
    *,
    as_of_day: int,
    version: str,
    at: datetime,
) -> None:
    """Put this analysis in place of the last one."""
    db.execute(delete(Snapshot).where(Snapshot.lifter_id == lifter_id))
    db.execute(
        insert(Snapshot),
        [
            {
                "lifter_id": lifter_id,
                "exercise_id": exercise_id,
                "as_of_day": as_of_day,
                "computed_at": at,
                "version": version,
                "body": body,
            }
            for exercise_id, body in bodies.items()
        ],
    )


def days_analysed(db: Session, version: str) -> Sequence[tuple[int, str, int | None]]:
    """Lifters who are coached now: number, time zone, and the day their analysis speaks of.

    An analysis by another version of the program counts as none.
    """
    rows = db.execute(
        select(Lifter.id, Lifter.time_zone, Snapshot.as_of_day)
        .outerjoin(
            Snapshot,
            (Snapshot.lifter_id == Lifter.id)
            & (Snapshot.exercise_id == WHOLE_LIFTER)
            & (Snapshot.version == version),
        )
        .where(Lifter.deleted_at.is_(None), Lifter.status != "archived")
        .order_by(Lifter.id)
    )
    return [(number, zone, day) for number, zone, day in rows]


def analysed_lifter(db: Session, lifter_id: int, *, lock: bool = False) -> Lifter | None:
    """The lifter to analyse, whoever coaches them; None once deleted.

    ``lock`` keeps a second analysis of the same lifter waiting where several writers can be at work.
    """
    query = select(Lifter).where(Lifter.id == lifter_id, Lifter.deleted_at.is_(None))
    return db.scalar(query.with_for_update() if lock else query)


def odd_sets(db: Session, lifter_id: int) -> tuple[set[int], set[int]]:
    """Sets marked as held out, and sets the coach accepted, by the core's row number."""
    columns = logged_sets.c
    rows = db.execute(
        select(columns.day, columns.position, columns.marks).where(
            columns.lifter_id == lifter_id,
            columns.marks.op("&")(SetMark.HELD_OUT | SetMark.ACCEPTED) != 0,
        )
    )
    held: set[int] = set()
    accepted: set[int] = set()
    for day, position, marks in rows:
        (accepted if marks & SetMark.ACCEPTED else held).add(row_of(day, position))
    return held, accepted


def mark_sets(db: Session, lifter_id: int, rows: Sequence[int], *, held_out: bool) -> None:
    """Hold sets out of the estimates, or take them back in; the sets themselves stay as they are."""
    columns = logged_sets.c
    bit = SetMark.HELD_OUT
    for row in rows:
        day, position = day_and_position(row)
        db.execute(
            update(logged_sets)
            .where(columns.lifter_id == lifter_id, columns.day == day, columns.position == position)
            .values(marks=columns.marks.op("|")(bit) if held_out else columns.marks.op("&")(~bit))
        )
