"""Programs' tokens, assistants, lifters on their way to another coach, and lifters who were removed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from sqlalchemy import delete, func, select, update
from sqlalchemy.orm import Session, aliased

from app.storage import belongings
from app.storage.access import digest, new_token
from app.storage.models import (
    ApiToken,
    AuditEvent,
    Base,
    Coach,
    CoachMember,
    Decision,
    Exercise,
    Flag,
    Handover,
    ImportBatch,
    Lifter,
    LoggedSession,
    Message,
    OneTimeCode,
    PlannedSession,
    RosterRow,
    SetRevision,
    Snapshot,
    logged_sets,
)

# Tokens ---------------------------------------------------------------------------------------------


def add_token(db: Session, coach: Coach, *, name: str, scope: str, at: datetime) -> str:
    """A token for a program; only its hash is kept."""
    token = new_token()
    db.add(
        ApiToken(
            coach_id=coach.id,
            name=name,
            token_hash=digest(token),
            scope=scope,
            created_at=at,
            last_used_at=None,
            revoked_at=None,
        )
    )
    return token


def tokens(db: Session, coach: Coach) -> Sequence[ApiToken]:
    """Tokens that are still good, the newest first."""
    return db.scalars(
        select(ApiToken)
        .where(ApiToken.coach_id == coach.id, ApiToken.revoked_at.is_(None))
        .order_by(ApiToken.id.desc())
    ).all()


def revoke_token(db: Session, coach: Coach, token_id: int, at: datetime) -> ApiToken | None:
    found = db.scalar(
        select(ApiToken).where(
            ApiToken.id == token_id, ApiToken.coach_id == coach.id, ApiToken.revoked_at.is_(None)
        )
    )
    if found is not None:
        found.revoked_at = at
    return found


def touch_token(db: Session, token: ApiToken, at: datetime) -> None:
    db.execute(update(ApiToken).where(ApiToken.id == token.id).values(last_used_at=at))


# Assistants and invitations -------------------------------------------------------------------------


def assistants(db: Session, coach: Coach) -> Sequence[tuple[Coach, CoachMember]]:
    """Who else may see this coach's roster."""
    rows = db.execute(
        select(Coach, CoachMember)
        .join(CoachMember, CoachMember.member_id == Coach.id)
        .where(CoachMember.coach_id == coach.id)
        .order_by(Coach.name)
    )
    return [(row[0], row[1]) for row in rows]


def put_assistant(db: Session, coach: Coach, member: Coach, *, role: str, at: datetime) -> None:
    found = db.get(CoachMember, (coach.id, member.id))
    if found is None:
        db.add(CoachMember(coach_id=coach.id, member_id=member.id, role=role, created_at=at))
    else:
        found.role = role


def drop_assistant(db: Session, coach_id: int, member_id: int) -> bool:
    gone = db.execute(
        delete(CoachMember).where(CoachMember.coach_id == coach_id, CoachMember.member_id == member_id)
    )
    return bool(gone.rowcount)  # type: ignore[attr-defined]


def open_invitations(db: Session, coach: Coach, at: datetime) -> int:
    return (
        db.scalar(
            select(func.count())
            .select_from(OneTimeCode)
            .where(
                OneTimeCode.purpose == "invite",
                OneTimeCode.coach_id == coach.id,
                OneTimeCode.used_at.is_(None),
                OneTimeCode.expires_at >= at,
            )
        )
        or 0
    )


def drop_invitations(db: Session, coach: Coach) -> None:
    db.execute(
        delete(OneTimeCode).where(
            OneTimeCode.purpose == "invite", OneTimeCode.coach_id == coach.id, OneTimeCode.used_at.is_(None)
        )
    )


# Handing over ---------------------------------------------------------------------------------------


def open_handover(db: Session, lifter_id: int) -> tuple[Handover, Coach, Coach] | None:
    """What is offered about a lifter, from whom and to whom."""
    to = aliased(Coach)
    row = db.execute(
        select(Handover, Coach, to)
        .join(Coach, Coach.id == Handover.from_coach_id)
        .join(to, to.id == Handover.to_coach_id)
        .where(Handover.lifter_id == lifter_id, Handover.ended_at.is_(None))
    ).first()
    return None if row is None else (row[0], row[1], row[2])


def offered_to(db: Session, coach: Coach) -> Sequence[tuple[Handover, Coach, Lifter]]:
    rows = db.execute(
        select(Handover, Coach, Lifter)
        .join(Coach, Coach.id == Handover.from_coach_id)
        .join(Lifter, Lifter.id == Handover.lifter_id)
        .where(Handover.to_coach_id == coach.id, Handover.ended_at.is_(None), Lifter.deleted_at.is_(None))
        .order_by(Handover.id)
    )
    return [(row[0], row[1], row[2]) for row in rows]


def handover_to(db: Session, coach: Coach, handover_id: int) -> Handover | None:
    return db.scalar(
        select(Handover).where(
            Handover.id == handover_id, Handover.to_coach_id == coach.id, Handover.ended_at.is_(None)
        )
    )


def add_handover(db: Session, lifter: Lifter, to: Coach, *, at: datetime) -> Handover:
    made = Handover(
        lifter_id=lifter.id,
        from_coach_id=lifter.coach_id,
        to_coach_id=to.id,
        offered_at=at,
        lifter_agreed_at=None,
        accepted_at=None,
        ended_at=None,
    )
    db.add(made)
    db.flush()
    return made


_SPEAKS_OF_EXERCISES = ("logged_sets", "prescriptions", "pain_reports", "flags", "decisions")


def move_lifter(db: Session, lifter: Lifter, old: Coach, new: Coach, *, name: str) -> None:
    """Give a lifter with everything about them to another coach.

    Exercises belong to a coach: those this lifter's rows speak of are found with the new coach by name, or
    copied. What stays behind keeps no hold: the old coach's imports can no longer be taken back there.
    """
    to = _exercises_at(db, lifter, old, new)
    tables = Base.metadata.tables
    for table in (tables[one] for one in _SPEAKS_OF_EXERCISES):
        for number, other in to.items():
            db.execute(
                update(table)
                .where(table.c.lifter_id == lifter.id, table.c.exercise_id == number)
                .values(exercise_id=other)
            )
    baselines, blocks = tables["baselines"], tables["blocks"]
    mine = select(blocks.c.id).where(blocks.c.lifter_id == lifter.id)
    for number, other in to.items():
        db.execute(
            update(baselines)
            .where(baselines.c.block_id.in_(mine), baselines.c.exercise_id == number)
            .values(exercise_id=other)
        )
    _rename_inside(db, lifter, to)
    db.execute(update(logged_sets).where(logged_sets.c.lifter_id == lifter.id).values(import_batch_id=None))
    db.execute(update(LoggedSession).where(LoggedSession.lifter_id == lifter.id).values(import_batch_id=None))
    for batch in db.scalars(select(ImportBatch).where(ImportBatch.coach_id == old.id)):
        row = belongings.renamed(
            "import_batches",
            {"counts": batch.counts, "changed": batch.changed},
            lambda table, n: None if table == "lifters" and n == lifter.id else n,
        )
        batch.counts, batch.changed = row["counts"], row["changed"]
    db.execute(update(Decision).where(Decision.lifter_id == lifter.id).values(coach_id=new.id))
    db.execute(delete(Snapshot).where(Snapshot.lifter_id == lifter.id))
    db.execute(delete(RosterRow).where(RosterRow.lifter_id == lifter.id))
    lifter.coach_id, lifter.name, lifter.feed_hash = new.id, name, None
    db.flush()


def _exercises_at(db: Session, lifter: Lifter, old: Coach, new: Coach) -> dict[int, int]:
    """Numbers of the old coach's exercises that a lifter's rows speak of -> those at the new coach."""
    tables = Base.metadata.tables
    used: set[int] = set()
    for table in (tables[one] for one in _SPEAKS_OF_EXERCISES):
        used |= set(db.scalars(select(table.c.exercise_id).where(table.c.lifter_id == lifter.id).distinct()))
    blocks, baselines = tables["blocks"].c, tables["baselines"].c
    mine = select(blocks.id).where(blocks.lifter_id == lifter.id)
    used |= set(db.scalars(select(baselines.exercise_id).where(baselines.block_id.in_(mine)).distinct()))
    # Plans name exercises in words, and find them by these.
    found = db.scalars(select(Exercise).where(Exercise.coach_id == old.id)).all()
    there = {one.key: one for one in db.scalars(select(Exercise).where(Exercise.coach_id == new.id))}
    to = {}
    for one in found:
        if one.id not in used:
            continue
        other = there.get(one.key)
        if other is None:
            values = {
                column.name: getattr(one, column.name)
                for column in Exercise.__table__.columns
                if column.name not in ("id", "coach_id")
            }
            other = Exercise(coach_id=new.id, **values)
            db.add(other)
            db.flush()
        to[one.id] = other.id
    return to


def _rename_inside(db: Session, lifter: Lifter, to: Mapping[int, int]) -> None:
    """Put exercises right where their numbers stand in documents and texts."""

    def rename(table: str, number: int) -> int | None:
        if table == "import_batches":
            return None
        return to.get(number, number) if table == "exercises" else number

    for revision in db.scalars(select(SetRevision).where(SetRevision.lifter_id == lifter.id)):
        row = belongings.renamed("set_revisions", {"before": revision.before}, rename)
        revision.before = row["before"]
    for message in db.scalars(select(Message).where(Message.lifter_id == lifter.id)):
        message.about = belongings.renamed("messages", {"about": message.about}, rename)["about"]
    back = {new: old for old, new in to.items()}
    for flag in db.scalars(select(Flag).where(Flag.lifter_id == lifter.id)):
        # The column has its new number already; the text still has the old one.
        before = back.get(flag.exercise_id or 0)
        if before is not None and flag.cause == f"pain:{before}":
            flag.cause = f"pain:{flag.exercise_id}"


# Removed lifters ------------------------------------------------------------------------------------


def removed(db: Session, coach: Coach) -> Sequence[Lifter]:
    """Lifters who were removed and can still be brought back, the latest first."""
    return db.scalars(
        select(Lifter)
        .where(Lifter.coach_id == coach.id, Lifter.deleted_at.is_not(None))
        .order_by(Lifter.deleted_at.desc(), Lifter.id)
    ).all()


def removed_lifter(db: Session, coach: Coach, lifter_id: int) -> Lifter | None:
    return db.scalar(
        select(Lifter).where(
            Lifter.id == lifter_id, Lifter.coach_id == coach.id, Lifter.deleted_at.is_not(None)
        )
    )


def archived(db: Session, coach: Coach) -> Sequence[Lifter]:
    return db.scalars(
        select(Lifter)
        .where(Lifter.coach_id == coach.id, Lifter.deleted_at.is_(None), Lifter.status == "archived")
        .order_by(Lifter.name)
    ).all()


def drop_row(db: Session, lifter: Lifter) -> None:
    """Take a lifter's ready-made row off the roster."""
    db.execute(delete(RosterRow).where(RosterRow.lifter_id == lifter.id))


def removed_before(db: Session, at: datetime) -> Sequence[Lifter]:
    return db.scalars(select(Lifter).where(Lifter.deleted_at < at).order_by(Lifter.id)).all()


def purge(db: Session, lifter: Lifter) -> None:
    """Remove a lifter for good, with everything that names them."""
    for event in db.scalars(select(AuditEvent).where(AuditEvent.lifter_id == lifter.id)):
        # A number that is free again may be given to somebody else.
        event.lifter_id, event.detail = None, {}
        if event.actor in (lifter.name, lifter.name.rpartition(" (removed ")[0]):
            event.actor = "a lifter since removed"
    db.flush()
    db.execute(delete(Lifter).where(Lifter.id == lifter.id))


# The audit view -------------------------------------------------------------------------------------


def events(
    db: Session, coach: Coach, *, before: int | None, kinds: Sequence[str], limit: int
) -> Sequence[tuple[AuditEvent, str | None]]:
    """What happened in a coach's account, newest first, with the name of the lifter it was about."""
    query = (
        select(AuditEvent, Lifter.name)
        .outerjoin(Lifter, (Lifter.id == AuditEvent.lifter_id) & (Lifter.coach_id == coach.id))
        .where(AuditEvent.coach_id == coach.id)
        .order_by(AuditEvent.id.desc())
        .limit(limit)
    )
    if before is not None:
        query = query.where(AuditEvent.id < before)
    if kinds:
        query = query.where(AuditEvent.kind.in_(kinds))
    return [(row[0], row[1]) for row in db.execute(query)]


def event_kinds(db: Session, coach: Coach) -> Sequence[str]:
    return db.scalars(
        select(AuditEvent.kind).where(AuditEvent.coach_id == coach.id).distinct().order_by(AuditEvent.kind)
    ).all()


# The roster's calendar ------------------------------------------------------------------------------


def planned_of_roster(
    db: Session, coach: Coach, first_day: int, last_day: int
) -> Sequence[tuple[str, PlannedSession]]:
    """Planned sessions of the lifters coached now, with each lifter's name."""
    rows = db.execute(
        select(Lifter.name, PlannedSession)
        .join(Lifter, Lifter.id == PlannedSession.lifter_id)
        .where(
            Lifter.coach_id == coach.id,
            Lifter.deleted_at.is_(None),
            Lifter.status != "archived",
            PlannedSession.day.between(first_day, last_day),
        )
        .order_by(PlannedSession.day, PlannedSession.id)
        .limit(20_000)
    )
    return [(row[0], row[1]) for row in rows]
