"""What the lifter's phone reads and writes. A set comes in by a handful of statements."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import (
    Connection,
    Select,
    and_,
    bindparam,
    delete,
    func,
    insert,
    literal,
    or_,
    select,
    update,
)
from sqlalchemy.orm import Session

from app.storage.logs import StoredSet, one_set
from app.storage.models import (
    AuditEvent,
    Baseline,
    Block,
    CheckIn,
    Exercise,
    Lifter,
    LifterLink,
    LifterSession,
    LoggedSession,
    Message,
    PainReport,
    PlannedSession,
    Prescription,
    SetKey,
    SetRevision,
    logged_sets,
)
from app.storage.prepared import Prepared

Channel = Connection
"""The bare connection of a transaction: what a set comes in by."""

# The way of a set ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Holder:
    """The lifter whose phone is writing, and the session that says so."""

    token_hash: bytes
    last_used_at: datetime
    lifter_id: int
    coach_id: int
    name: str
    time_zone: str


@dataclass(frozen=True, slots=True)
class Place:
    """What is known where a set is to go: has it been here before, is everything it names this lifter's."""

    fingerprint: bytes | None
    answer: dict[str, Any] | None
    session_id: int | None
    session_day: int | None
    exercise_id: int | None
    measure: str | None
    prescription_id: int | None
    planned_session_id: int | None
    planned_version: int | None
    planned_status: str | None


_HOLDER_COLUMNS = (
    LifterSession.token_hash,
    LifterSession.last_used_at,
    Lifter.id,
    Lifter.coach_id,
    Lifter.name,
    Lifter.time_zone,
)
_PLACE_COLUMNS = (
    SetKey.fingerprint,
    SetKey.answer,
    LoggedSession.id,
    LoggedSession.day,
    Exercise.id,
    Exercise.measure,
    Prescription.id,
    PlannedSession.id,
    PlannedSession.version,
    PlannedSession.status,
)


def _held(*columns: Any) -> Select[Any]:
    return (
        select(*columns)
        .select_from(LifterSession)
        .join(Lifter, Lifter.id == LifterSession.lifter_id)
        .join(LifterLink, LifterLink.id == LifterSession.link_id)
        .where(
            LifterSession.token_hash == bindparam("token_hash"),
            LifterLink.revoked_at.is_(None),
            LifterLink.expires_at > bindparam("at"),
            Lifter.deleted_at.is_(None),
        )
    )


def _place(session: Any) -> Select[Any]:
    return (
        _held(*_HOLDER_COLUMNS, *_PLACE_COLUMNS)
        .outerjoin(SetKey, and_(SetKey.lifter_id == Lifter.id, SetKey.client_id == bindparam("key")))
        .outerjoin(LoggedSession, and_(LoggedSession.lifter_id == Lifter.id, session))
        .outerjoin(Exercise, and_(Exercise.id == bindparam("exercise"), Exercise.coach_id == Lifter.coach_id))
        .outerjoin(
            PlannedSession,
            and_(PlannedSession.id == bindparam("planned"), PlannedSession.lifter_id == Lifter.id),
        )
        .outerjoin(
            Prescription,
            and_(Prescription.id == bindparam("prescription"), Prescription.lifter_id == Lifter.id),
        )
    )


_HOLDER = _held(*_HOLDER_COLUMNS)
_HOLD = _held(Lifter.id).with_for_update(of=Lifter)
_PLACE_TYPES = [one.type for one in (*_HOLDER_COLUMNS, *_PLACE_COLUMNS)]
_PLACE_BY_KEY = Prepared(_place(LoggedSession.client_id == bindparam("session")), *_PLACE_TYPES)
_PLACE_BY_NUMBER = Prepared(_place(LoggedSession.id == bindparam("session")), *_PLACE_TYPES)

_SET_COLUMNS = (
    "session_id",
    "exercise_id",
    "set_number",
    "load_grams",
    "reps",
    "rpe_tenths",
    "marks",
    "typed",
    "prescription_id",
    "planned_set",
    "lifted_at",
    "seconds",
    "metres",
    "note",
)
_STORED = tuple(logged_sets.c[name] for name in StoredSet.__slots__)
# The next free position is found by the insert itself, inside the one write transaction.
_ADD_SET = Prepared(
    insert(logged_sets)
    .from_select(
        ["lifter_id", "day", "position", *_SET_COLUMNS],
        select(
            bindparam("lifter", type_=logged_sets.c.lifter_id.type),
            bindparam("on_day", type_=logged_sets.c.day.type),
            func.coalesce(func.max(logged_sets.c.position), -1) + 1,
            *(bindparam(name, type_=logged_sets.c[name].type) for name in _SET_COLUMNS),
        ).where(logged_sets.c.lifter_id == bindparam("lifter"), logged_sets.c.day == bindparam("on_day")),
        include_defaults=False,
    )
    .returning(logged_sets.c.position),
    logged_sets.c.position.type,
)
_KEY_COLUMNS = ("lifter_id", "client_id", "fingerprint", "answer", "at")
_ADD_KEY = Prepared(
    insert(SetKey).values({name: bindparam(name, type_=getattr(SetKey, name).type) for name in _KEY_COLUMNS})
)
_MARK_STALE = Prepared(
    update(Lifter)
    .where(Lifter.id == bindparam("lifter"))
    .values(stale_at=bindparam("at", type_=Lifter.stale_at.type))
)


def hold(connection: Connection, token_hash: bytes, at: datetime) -> None:
    """Let one writer a lifter in where several can be at work; it ends with the transaction.

    A statement of its own: what is read after it is what the one before has left.
    """
    connection.execute(_HOLD, {"token_hash": token_hash, "at": at})


def holder(connection: Connection, token_hash: bytes, at: datetime) -> Holder | None:
    """Whose phone this is; None if the link was revoked or has expired."""
    row = connection.execute(_HOLDER, {"token_hash": token_hash, "at": at}).first()
    return None if row is None else Holder(*row)


def place(
    connection: Connection,
    token_hash: bytes,
    at: datetime,
    *,
    key: str,
    session: str | int,
    planned: int | None,
    prescription: int | None,
    exercise: int | None,
) -> tuple[Holder, Place] | None:
    """Whose phone this is and everything that has to be known before a write, in one look."""
    query = _PLACE_BY_NUMBER if isinstance(session, int) else _PLACE_BY_KEY
    row = query(
        connection,
        {
            "token_hash": token_hash,
            "at": at,
            "key": key,
            "session": session,
            "planned": planned,
            "prescription": prescription,
            "exercise": exercise,
        },
    )
    return None if row is None else (Holder(*row[:6]), Place(*row[6:]))


def add_set(connection: Connection, lifter_id: int, day: int, **values: Any) -> int:
    """Store a set behind the others of its day; its position."""
    bound = {name: values.get(name) for name in _SET_COLUMNS}
    row = _ADD_SET(connection, {"lifter": lifter_id, "on_day": day, **bound})
    assert row is not None
    return int(row[0])


def remember(
    connection: Connection,
    lifter_id: int,
    client_id: str,
    *,
    fingerprint: bytes,
    answer: dict[str, Any],
    at: datetime,
) -> None:
    """Keep what was answered to a write of the phone, so that a repeat gets the same."""
    _ADD_KEY(
        connection,
        {
            "lifter_id": lifter_id,
            "client_id": client_id,
            "fingerprint": fingerprint,
            "answer": answer,
            "at": at,
        },
    )


def mark_stale(connection: Connection, lifter_id: int, at: datetime) -> None:
    """`lifters.mark_stale` for the one lifter whose phone is writing."""
    _MARK_STALE(connection, {"lifter": lifter_id, "at": at})


def touch(connection: Connection, token_hash: bytes, at: datetime) -> None:
    connection.execute(
        update(LifterSession).where(LifterSession.token_hash == token_hash).values(last_used_at=at)
    )


def set_known_as(db: Session, lifter_id: int, client_id: str) -> SetKey | None:
    """What was answered to the write that first stored a set."""
    return db.get(SetKey, (lifter_id, client_id))


# Sessions -----------------------------------------------------------------------------------------


def planned_session(db: Session, lifter_id: int, planned_id: int) -> tuple[PlannedSession, Block] | None:
    """One planned session of this lifter and its block."""
    row = db.execute(
        select(PlannedSession, Block)
        .join(Block, Block.id == PlannedSession.block_id)
        .where(PlannedSession.id == planned_id, PlannedSession.lifter_id == lifter_id)
    ).first()
    return None if row is None else (row[0], row[1])


def prescriptions(db: Session, planned_id: int) -> list[tuple[Prescription, Exercise]]:
    """What a planned session asks for, in order."""
    rows = db.execute(
        select(Prescription, Exercise)
        .join(Exercise, Exercise.id == Prescription.exercise_id)
        .where(Prescription.planned_session_id == planned_id)
        .order_by(Prescription.position, Prescription.id)
    )
    return [(row[0], row[1]) for row in rows]


def logged_for(db: Session, lifter_id: int, planned_id: int) -> Sequence[LoggedSession]:
    """Logged sessions that answer a planned one, the latest first; there is seldom more than one."""
    return db.scalars(
        select(LoggedSession)
        .where(LoggedSession.lifter_id == lifter_id, LoggedSession.planned_session_id == planned_id)
        .order_by(LoggedSession.day.desc(), LoggedSession.id.desc())
    ).all()


def sets_of_session(db: Session, lifter_id: int, session: LoggedSession) -> list[StoredSet]:
    """A session's sets in the order they were lifted, whatever order they came in."""
    rows = db.execute(
        select(*_STORED)
        .where(
            logged_sets.c.lifter_id == lifter_id,
            logged_sets.c.day == session.day,
            logged_sets.c.session_id == session.id,
        )
        .order_by(func.coalesce(logged_sets.c.lifted_at, 0), logged_sets.c.position)
    )
    return [StoredSet(*row) for row in rows]


def has_sets(db: Session, lifter_id: int, session: LoggedSession) -> bool:
    return (
        db.execute(
            select(literal(1))
            .where(
                logged_sets.c.lifter_id == lifter_id,
                logged_sets.c.day == session.day,
                logged_sets.c.session_id == session.id,
            )
            .limit(1)
        ).first()
        is not None
    )


def drop_session(db: Session, session_id: int) -> None:
    db.execute(delete(LoggedSession).where(LoggedSession.id == session_id))


def set_planned_status(db: Session, planned_id: int, status: str) -> None:
    db.execute(update(PlannedSession).where(PlannedSession.id == planned_id).values(status=status))


def baselines(db: Session, block_id: int) -> list[tuple[Baseline, Exercise]]:
    """A block's frozen recent bests."""
    rows = db.execute(
        select(Baseline, Exercise)
        .join(Exercise, Exercise.id == Baseline.exercise_id)
        .where(Baseline.block_id == block_id)
        .order_by(Exercise.name, Baseline.rep_range)
    )
    return [(row[0], row[1]) for row in rows]


def sessions_before(
    db: Session, lifter_id: int, *, day: int, limit: int
) -> list[tuple[LoggedSession, str | None]]:
    """Logged sessions up to a day, newest first, with the name of the planned one they answer."""
    rows = db.execute(
        select(LoggedSession, PlannedSession.name)
        .outerjoin(PlannedSession, PlannedSession.id == LoggedSession.planned_session_id)
        .where(LoggedSession.lifter_id == lifter_id, LoggedSession.day <= day)
        .order_by(LoggedSession.day.desc(), LoggedSession.id.desc())
        .limit(limit)
    )
    return [(row[0], row[1]) for row in rows]


def exercises_of(db: Session, lifter: Lifter, *, since_day: int) -> list[tuple[Exercise, bool]]:
    """Exercises of the lifter's coach, and whether the lifter has done each since a day."""
    done = set(
        db.scalars(
            select(logged_sets.c.exercise_id)
            .where(logged_sets.c.lifter_id == lifter.id, logged_sets.c.day >= since_day)
            .distinct()
        )
    )
    found = db.scalars(
        select(Exercise)
        .where(Exercise.coach_id == lifter.coach_id, Exercise.archived_at.is_(None))
        .order_by(Exercise.name)
    )
    return [(one, one.id in done) for one in found]


def exercise_of(db: Session, lifter: Lifter, exercise_id: int) -> Exercise | None:
    return db.scalar(select(Exercise).where(Exercise.id == exercise_id, Exercise.coach_id == lifter.coach_id))


def exercise_names(db: Session, ids: Sequence[int]) -> dict[int, Exercise]:
    return {one.id: one for one in db.scalars(select(Exercise).where(Exercise.id.in_(ids)))}


def any_log(db: Session, lifter_id: int) -> bool:
    """True if this lifter has ever finished a session on the phone."""
    return (
        db.execute(
            select(literal(1))
            .where(
                LoggedSession.lifter_id == lifter_id,
                LoggedSession.client_id.is_not(None),
                LoggedSession.finished_at.is_not(None),
            )
            .limit(1)
        ).first()
        is not None
    )


def revision(db: Session, lifter_id: int, revision_id: int) -> SetRevision | None:
    return db.scalar(
        select(SetRevision).where(SetRevision.id == revision_id, SetRevision.lifter_id == lifter_id)
    )


def put_back(
    db: Session, lifter_id: int, before: dict[str, Any], *, by: str, why: str = "", at: datetime
) -> StoredSet:
    """Store a removed set again, in its old place if that is still free."""
    day, position = before["day"], before["position"]
    if one_set(db, lifter_id, day, position) is not None:
        last = db.scalar(
            select(func.max(logged_sets.c.position)).where(
                logged_sets.c.lifter_id == lifter_id, logged_sets.c.day == day
            )
        )
        position = (last or 0) + 1
    values = before | {"position": position, "version": before["version"] + 1}
    db.execute(insert(logged_sets).values(lifter_id=lifter_id, **values))
    db.add(
        SetRevision(
            lifter_id=lifter_id,
            day=day,
            position=position,
            at=at,
            by=by[:160],
            change="restored",
            why=why,
            before=values,
        )
    )
    found = one_set(db, lifter_id, day, position)
    assert found is not None
    return found


# Check-ins, pain, messages ------------------------------------------------------------------------


def check_in_on(db: Session, lifter_id: int, day: int) -> CheckIn | None:
    return db.scalar(
        select(CheckIn)
        .where(CheckIn.lifter_id == lifter_id, CheckIn.day == day)
        .order_by(CheckIn.id.desc())
        .limit(1)
    )


def open_pains(db: Session, lifter_id: int) -> Sequence[PainReport]:
    """Pain that was reported and is not resolved, newest first."""
    return db.scalars(
        select(PainReport)
        .where(PainReport.lifter_id == lifter_id, PainReport.resolved_at.is_(None))
        .order_by(PainReport.id.desc())
    ).all()


def pain_report(db: Session, lifter_id: int, report_id: int) -> PainReport | None:
    return db.scalar(select(PainReport).where(PainReport.id == report_id, PainReport.lifter_id == lifter_id))


def messages(db: Session, lifter_id: int, *, limit: int = 60) -> Sequence[Message]:
    """What coach and lifter have written to each other, newest first; the coach's drafts are not shown."""
    return db.scalars(
        select(Message)
        .where(
            Message.lifter_id == lifter_id,
            or_(Message.author == "lifter", Message.sent_at.is_not(None)),
        )
        .order_by(Message.id.desc())
        .limit(limit)
    ).all()


def unread_from_coach(db: Session, lifter_id: int) -> int:
    return (
        db.scalar(
            select(func.count())
            .select_from(Message)
            .where(
                Message.lifter_id == lifter_id,
                Message.author == "coach",
                Message.sent_at.is_not(None),
                Message.read_at.is_(None),
            )
        )
        or 0
    )


def read_until(db: Session, lifter_id: int, message_id: int, *, at: datetime) -> None:
    db.execute(
        update(Message)
        .where(
            Message.lifter_id == lifter_id,
            Message.author == "coach",
            Message.sent_at.is_not(None),
            Message.id <= message_id,
            Message.read_at.is_(None),
        )
        .values(read_at=at)
    )


def messages_about(db: Session, lifter_id: int, *, since: datetime) -> Sequence[Message]:
    """The lifter's own words that may be about a set or an exercise of a session."""
    return db.scalars(
        select(Message)
        .where(Message.lifter_id == lifter_id, Message.author == "lifter", Message.created_at >= since)
        .order_by(Message.id)
    ).all()


def drop_message(db: Session, message_id: int) -> None:
    db.execute(delete(Message).where(Message.id == message_id))


# The calendar feed --------------------------------------------------------------------------------


def lifter_of_feed(db: Session, feed_hash: bytes) -> Lifter | None:
    return db.scalar(select(Lifter).where(Lifter.feed_hash == feed_hash, Lifter.deleted_at.is_(None)))


def set_feed(db: Session, lifter_id: int, feed_hash: bytes | None) -> None:
    db.execute(update(Lifter).where(Lifter.id == lifter_id).values(feed_hash=feed_hash))


# Small questions ----------------------------------------------------------------------------------


def events(db: Session, lifter_id: int, kind: str) -> Sequence[AuditEvent]:
    """The latest events of one kind about a lifter."""
    return db.scalars(
        select(AuditEvent)
        .where(AuditEvent.lifter_id == lifter_id, AuditEvent.kind == kind)
        .order_by(AuditEvent.id.desc())
        .limit(20)
    ).all()


def skips(db: Session, lifter_id: int) -> list[Message]:
    """What the lifter said will not be done, of the last sessions."""
    rows = db.scalars(
        select(Message)
        .where(Message.lifter_id == lifter_id, Message.author == "lifter")
        .order_by(Message.id.desc())
        .limit(200)
    )
    return [one for one in rows if "skipped" in one.about]


def is_exercise(db: Session, coach_id: int, exercise_id: int) -> bool:
    return (
        db.execute(
            select(literal(1)).where(Exercise.id == exercise_id, Exercise.coach_id == coach_id)
        ).first()
        is not None
    )


def set_body_mass(db: Session, lifter_id: int, grams: int) -> None:
    db.execute(update(Lifter).where(Lifter.id == lifter_id).values(body_mass_grams=grams))


def sessions_with_exercises(
    db: Session, lifter_id: int, first_day: int, last_day: int
) -> list[tuple[PlannedSession, list[str]]]:
    """Planned sessions of some days, each with what it asks for: "Squat 4 x 5 @ RPE 7"."""
    sessions = db.scalars(
        select(PlannedSession)
        .where(PlannedSession.lifter_id == lifter_id, PlannedSession.day.between(first_day, last_day))
        .order_by(PlannedSession.day, PlannedSession.position, PlannedSession.id)
    ).all()
    asked: dict[int, list[str]] = {one.id: [] for one in sessions}
    rows = db.execute(
        select(Prescription.planned_session_id, Exercise.name, Prescription.text)
        .join(Exercise, Exercise.id == Prescription.exercise_id)
        .where(Prescription.planned_session_id.in_(asked))
        .order_by(Prescription.planned_session_id, Prescription.position)
    )
    for number, name, words in rows:
        asked[number].append(f"{name} {words}".strip())
    return [(one, asked[one.id]) for one in sessions]
