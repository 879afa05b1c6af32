"""Many sets at once, the batch they came in, and the way back."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import and_, delete, exists, func, insert, select, update
from sqlalchemy.orm import Session

from app.storage.logs import StoredSet
from app.storage.models import (
    Block,
    Coach,
    ColumnMapping,
    Exercise,
    ExerciseAlias,
    ImportBatch,
    Lifter,
    LoggedSession,
    Prescription,
    logged_sets,
)

SET_COLUMNS = (
    "lifter_id",
    "day",
    "position",
    "session_id",
    "exercise_id",
    "set_number",
    "load_grams",
    "reps",
    "rpe_tenths",
    "marks",
    "typed",
    "note",
    "import_batch_id",
)


def add_rows(db: Session, rows: Sequence[tuple[Any, ...]], *, chunk: int = 5_000) -> Iterable[int]:
    """Insert sets given as tuples in the order of SET_COLUMNS; yields how many went in with each chunk."""
    connection = db.connection()
    sqlite = connection.dialect.name == "sqlite"
    marks = ", ".join("?" * len(SET_COLUMNS))
    # Column names are constants of this module; values are bound.
    statement = f"INSERT INTO logged_sets ({', '.join(SET_COLUMNS)}) VALUES ({marks})"  # noqa: S608
    for first in range(0, len(rows), chunk):
        part = rows[first : first + chunk]
        if sqlite:
            connection.exec_driver_sql(statement, list(part))
        else:
            connection.execute(
                insert(logged_sets), [dict(zip(SET_COLUMNS, row, strict=True)) for row in part]
            )
        yield len(part)


def last_positions(db: Session, lifter_ids: Sequence[int]) -> dict[tuple[int, int], int]:
    """The last running number in use on each day of these lifters."""
    columns = logged_sets.c
    rows = db.execute(
        select(columns.lifter_id, columns.day, func.max(columns.position))
        .where(columns.lifter_id.in_(lifter_ids))
        .group_by(columns.lifter_id, columns.day)
    )
    return {(lifter, day): position for lifter, day, position in rows}


def sessions_by_day(db: Session, lifter_ids: Sequence[int]) -> dict[tuple[int, int], LoggedSession]:
    """The first session of each day of these lifters."""
    found: dict[tuple[int, int], LoggedSession] = {}
    for one in db.scalars(
        select(LoggedSession).where(LoggedSession.lifter_id.in_(lifter_ids)).order_by(LoggedSession.id)
    ):
        found.setdefault((one.lifter_id, one.day), one)
    return found


def add_sessions(db: Session, rows: Sequence[Mapping[str, Any]]) -> dict[tuple[int, int], int]:
    """Insert sessions; their numbers by lifter and day."""
    if not rows:
        return {}
    made = db.execute(
        insert(LoggedSession).returning(LoggedSession.lifter_id, LoggedSession.day, LoggedSession.id),
        [dict(one) for one in rows],
    )
    return {(lifter, day): number for lifter, day, number in made}


def add_batch(db: Session, **values: Any) -> ImportBatch:
    batch = ImportBatch(**values)
    db.add(batch)
    db.flush()
    return batch


def batches(db: Session, coach: Coach, *, limit: int = 50) -> Sequence[ImportBatch]:
    return db.scalars(
        select(ImportBatch)
        .where(ImportBatch.coach_id == coach.id)
        .order_by(ImportBatch.id.desc())
        .limit(limit)
    ).all()


def batch_of(db: Session, coach: Coach, batch_id: int) -> ImportBatch | None:
    return db.scalar(select(ImportBatch).where(ImportBatch.id == batch_id, ImportBatch.coach_id == coach.id))


def lifters_of_batch(db: Session, batch: ImportBatch, lifter_ids: Sequence[int]) -> int:
    """How many sets of a batch are still there."""
    return (
        db.scalar(
            select(func.count())
            .select_from(logged_sets)
            .where(logged_sets.c.lifter_id.in_(lifter_ids), logged_sets.c.import_batch_id == batch.id)
        )
        or 0
    )


def put_back(db: Session, lifter_id: int, before: Mapping[str, Any]) -> None:
    """Give a set back the values it had."""
    values = {name: before[name] for name in StoredSet.__slots__ if name not in ("day", "position")}
    db.execute(
        update(logged_sets)
        .where(
            logged_sets.c.lifter_id == lifter_id,
            logged_sets.c.day == before["day"],
            logged_sets.c.position == before["position"],
        )
        .values(**values)
    )


def remove_batch(db: Session, batch: ImportBatch, lifter_ids: Sequence[int]) -> int:
    """Take out the sets of a batch and the sessions that are empty without them; how many sets."""
    columns = logged_sets.c
    removed = db.execute(
        delete(logged_sets).where(columns.lifter_id.in_(lifter_ids), columns.import_batch_id == batch.id)
    )
    db.execute(
        delete(LoggedSession).where(
            LoggedSession.import_batch_id == batch.id,
            ~exists().where(
                and_(
                    columns.lifter_id == LoggedSession.lifter_id,
                    columns.day == LoggedSession.day,
                    columns.session_id == LoggedSession.id,
                )
            ),
        )
    )
    return int(removed.rowcount)  # type: ignore[attr-defined]


def remove_unused(db: Session, lifter_ids: Sequence[int], exercise_ids: Sequence[int]) -> None:
    """Take out lifters and exercises that an import had made and nothing refers to any more."""
    for lifter_id in lifter_ids:
        used = db.scalar(select(logged_sets.c.day).where(logged_sets.c.lifter_id == lifter_id).limit(1))
        planned = db.scalar(select(Block.id).where(Block.lifter_id == lifter_id).limit(1))
        if used is None and planned is None:
            db.execute(delete(Lifter).where(Lifter.id == lifter_id))
    if not exercise_ids:
        return
    still = set(
        db.scalars(
            select(logged_sets.c.exercise_id).where(logged_sets.c.exercise_id.in_(exercise_ids)).distinct()
        )
    ) | set(
        db.scalars(
            select(Prescription.exercise_id).where(Prescription.exercise_id.in_(exercise_ids)).distinct()
        )
    )
    gone = [one for one in exercise_ids if one not in still]
    db.execute(delete(ExerciseAlias).where(ExerciseAlias.exercise_id.in_(gone)))
    db.execute(delete(Exercise).where(Exercise.id.in_(gone)))


def mapping_for(db: Session, coach: Coach, shape: str) -> dict[str, Any] | None:
    """How this coach mapped a file of this shape the last time."""
    found = db.get(ColumnMapping, (coach.id, shape))
    return None if found is None else found.mapping


def remember_mapping(db: Session, coach: Coach, shape: str, mapping: dict[str, Any], at: Any) -> None:
    db.merge(ColumnMapping(coach_id=coach.id, shape=shape, mapping=mapping, used_at=at))
