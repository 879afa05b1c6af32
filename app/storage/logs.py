"""Logged sessions and sets: one indexed read of a lifter into arrays, and the few ways to write them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from sqlalchemy import delete, func, insert, select, update
from sqlalchemy.orm import Session

from app.storage.models import (
    Exercise,
    Lifter,
    LoggedSession,
    Prescription,
    SetKey,
    SetMark,
    SetRevision,
    logged_sets,
)
from app.training import records

GRAMS = 1000.0
# Day and position share one integer in the core's ``row``: a lifter-day holds at most 10 000 sets.
ROW_BASE = 10_000


def row_of(day: int, position: int) -> int:
    """The number by which the core names a set."""
    return day * ROW_BASE + position


def day_and_position(row: int) -> tuple[int, int]:
    return divmod(row, ROW_BASE)


def set_log(
    db: Session, lifter: Lifter, *, first_day: int = 0, last_day: int = 4_000_000, held_out: bool = True
) -> tuple[records.SetLog, Sequence[int]]:
    """A lifter's sets as arrays, and the exercise id of each index in ``exercises``.

    Sets of timed and distance work carry no repetitions to judge and are left out; so are sets held out
    as errors unless ``held_out``.
    """
    columns = logged_sets.c
    query = (
        select(
            columns.exercise_id,
            columns.day,
            columns.session_id,
            columns.set_number,
            columns.load_grams,
            columns.reps,
            columns.rpe_tenths,
            columns.marks,
            columns.position,
            columns.prescription_id,
            columns.planned_set,
        )
        .where(columns.lifter_id == lifter.id, columns.day.between(first_day, last_day), columns.reps > 0)
        .order_by(columns.day, columns.position)
    )
    if not held_out:
        query = query.where(columns.marks.op("&")(SetMark.HELD_OUT) == 0)
    # zip turns rows into columns at once; numpy would walk each Row item by item.
    raw = list(zip(*db.execute(query).all(), strict=True)) or [()] * 11
    exercise_id = np.array(raw[0], dtype=np.int64)
    day = np.array(raw[1], dtype=np.int64)
    marks = np.array(raw[7], dtype=np.int64)
    rpe = np.array([np.nan if x is None else x for x in raw[6]], dtype=np.float64) / 10
    ids, index = np.unique(exercise_id, return_inverse=True)
    log = records.SetLog(
        exercises=_exercises(db, [int(one) for one in ids]),
        exercise=index.astype(np.int64),
        day=day,
        session=np.array(raw[2], dtype=np.int64),
        set_number=np.array(raw[3], dtype=np.int64),
        load_kg=np.array(raw[4], dtype=np.float64) / GRAMS,
        reps=np.array(raw[5], dtype=np.int64),
        rpe=rpe,
        warm_up=(marks & SetMark.WARM_UP) > 0,
        failed=(marks & SetMark.FAILED) > 0,
        row=day * ROW_BASE + np.array(raw[8], dtype=np.int64),
        body_mass_kg=float("nan") if lifter.body_mass_grams is None else lifter.body_mass_grams / GRAMS,
        session_load=session_loads(db, lifter, first_day=first_day, last_day=last_day),
        prescribed_rpe=_prescribed_rpe(db, lifter, raw[9], raw[10]),
    )
    return log, [int(one) for one in ids]


def _exercises(db: Session, ids: Sequence[int]) -> tuple[records.Exercise, ...]:
    found = {
        row.id: records.Exercise(row.name, row.main_lift, row.body_mass_share)
        for row in db.execute(
            select(Exercise.id, Exercise.name, Exercise.main_lift, Exercise.body_mass_share).where(
                Exercise.id.in_(ids)
            )
        )
    }
    return tuple(found[one] for one in ids)


def _prescribed_rpe(
    db: Session, lifter: Lifter, prescription: Sequence[int | None], planned_set: Sequence[int | None]
) -> records.Floats | None:
    if not any(one is not None for one in prescription):
        return None
    targets: dict[tuple[int, int], float] = {}
    for row in db.execute(
        select(Prescription.id, Prescription.sets).where(Prescription.lifter_id == lifter.id)
    ):
        for number, planned in enumerate(row.sets):
            if planned.get("rpe") is not None:
                targets[row.id, number] = planned["rpe"]
    return np.array(
        [
            np.nan if a is None or b is None else targets.get((a, b), np.nan)
            for a, b in zip(prescription, planned_set, strict=True)
        ],
        dtype=np.float64,
    )


def session_loads(
    db: Session, lifter: Lifter, *, first_day: int = 0, last_day: int = 4_000_000
) -> dict[int, tuple[float, float]]:
    """Session number -> (session RPE, minutes) where the lifter gave both."""
    rows = db.execute(
        select(LoggedSession.id, LoggedSession.session_rpe_tenths, LoggedSession.minutes).where(
            LoggedSession.lifter_id == lifter.id,
            LoggedSession.day.between(first_day, last_day),
            LoggedSession.session_rpe_tenths.is_not(None),
            LoggedSession.minutes.is_not(None),
        )
    )
    return {
        number: (rpe / 10, float(minutes))
        for number, rpe, minutes in rows
        if rpe is not None and minutes is not None
    }


@dataclass(frozen=True, slots=True)
class StoredSet:
    """One logged set as stored."""

    day: int
    position: int
    session_id: int
    exercise_id: int
    set_number: int
    load_grams: int
    reps: int
    rpe_tenths: int | None
    marks: int
    typed: str | None
    prescription_id: int | None
    planned_set: int | None
    lifted_at: int | None
    seconds: int | None
    metres: int | None
    note: str | None
    version: int
    import_batch_id: int | None

    def plain(self) -> dict[str, Any]:
        """The set as a JSON-ready dict, for the revision history."""
        return {name: getattr(self, name) for name in self.__slots__}


_SET_COLUMNS = tuple(logged_sets.c[name] for name in StoredSet.__slots__)


def sets_between(db: Session, lifter_id: int, first_day: int, last_day: int) -> list[StoredSet]:
    """Sets of some days in the order they were done."""
    rows = db.execute(
        select(*_SET_COLUMNS)
        .where(logged_sets.c.lifter_id == lifter_id, logged_sets.c.day.between(first_day, last_day))
        .order_by(logged_sets.c.day, logged_sets.c.position)
    )
    return [StoredSet(*row) for row in rows]


def one_set(db: Session, lifter_id: int, day: int, position: int) -> StoredSet | None:
    row = db.execute(
        select(*_SET_COLUMNS).where(
            logged_sets.c.lifter_id == lifter_id,
            logged_sets.c.day == day,
            logged_sets.c.position == position,
        )
    ).first()
    return None if row is None else StoredSet(*row)


def next_position(db: Session, lifter_id: int, day: int) -> int:
    """The next free running number on a lifter's day; call inside the write transaction."""
    last = db.scalar(
        select(func.max(logged_sets.c.position)).where(
            logged_sets.c.lifter_id == lifter_id, logged_sets.c.day == day
        )
    )
    return 0 if last is None else int(last) + 1


def add_sets(db: Session, rows: Iterable[Mapping[str, Any]]) -> None:
    """Insert sets; each row names lifter_id, day, position and the columns it fills."""
    listed = [dict(row) for row in rows]
    if listed:
        db.execute(insert(logged_sets), listed)


def amend_set(
    db: Session,
    lifter_id: int,
    before: StoredSet,
    values: Mapping[str, Any],
    *,
    by: str,
    why: str = "",
    at: datetime,
) -> None:
    """Change a set and keep what it was."""
    db.add(
        SetRevision(
            lifter_id=lifter_id,
            day=before.day,
            position=before.position,
            at=at,
            by=by[:160],
            change="amended",
            why=why,
            before=before.plain(),
        )
    )
    db.execute(
        update(logged_sets)
        .where(
            logged_sets.c.lifter_id == lifter_id,
            logged_sets.c.day == before.day,
            logged_sets.c.position == before.position,
        )
        .values(**values, version=before.version + 1)
    )


def remove_set(
    db: Session, lifter_id: int, before: StoredSet, *, by: str, why: str = "", at: datetime
) -> SetRevision:
    """Take a set out of the log and keep what it was."""
    kept = SetRevision(
        lifter_id=lifter_id,
        day=before.day,
        position=before.position,
        at=at,
        by=by[:160],
        change="removed",
        why=why,
        before=before.plain(),
    )
    db.add(kept)
    db.execute(
        delete(logged_sets).where(
            logged_sets.c.lifter_id == lifter_id,
            logged_sets.c.day == before.day,
            logged_sets.c.position == before.position,
        )
    )
    return kept


def revisions(db: Session, lifter_id: int, day: int) -> Sequence[SetRevision]:
    return db.scalars(
        select(SetRevision)
        .where(SetRevision.lifter_id == lifter_id, SetRevision.day == day)
        .order_by(SetRevision.id)
    ).all()


def known_write(db: Session, lifter_id: int, client_id: str) -> SetKey | None:
    """What was answered to this write of this lifter's phone before, if anything."""
    return db.get(SetKey, (lifter_id, client_id))


def remember_write(
    db: Session, lifter_id: int, client_id: str, *, fingerprint: bytes, answer: dict[str, Any], at: datetime
) -> None:
    db.add(SetKey(lifter_id=lifter_id, client_id=client_id, fingerprint=fingerprint, answer=answer, at=at))


def forget_writes_before(db: Session, at: datetime) -> None:
    db.execute(delete(SetKey).where(SetKey.at < at))


def sessions_between(db: Session, lifter_id: int, first_day: int, last_day: int) -> Sequence[LoggedSession]:
    return db.scalars(
        select(LoggedSession)
        .where(LoggedSession.lifter_id == lifter_id, LoggedSession.day.between(first_day, last_day))
        .order_by(LoggedSession.day, LoggedSession.id)
    ).all()


def session_of_lifter(db: Session, lifter_id: int, session_id: int) -> LoggedSession | None:
    return db.scalar(
        select(LoggedSession).where(LoggedSession.id == session_id, LoggedSession.lifter_id == lifter_id)
    )


def add_session(db: Session, lifter_id: int, day: int, **values: Any) -> LoggedSession:
    session = LoggedSession(lifter_id=lifter_id, day=day, **values)
    db.add(session)
    db.flush()
    return session


def last_logged_day(db: Session, lifter_id: int) -> int | None:
    last: int | None = db.scalar(
        select(func.max(logged_sets.c.day)).where(logged_sets.c.lifter_id == lifter_id)
    )
    return last
