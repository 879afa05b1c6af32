"""The tables. Days are ordinals on the lifter's calendar, masses integer grams, instants aware UTC.

There are no relationships: a query says what it loads, and a query per row cannot happen by accident.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any, ClassVar

from sqlalchemy import (
    BigInteger,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    String,
    Table,
    Text,
    UniqueConstraint,
    text,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from app.storage.types import Document, Instant

NAMING = {
    "ix": "ix_%(column_0_N_label)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


class Base(DeclarativeBase):
    metadata = MetaData(naming_convention=NAMING)
    type_annotation_map: ClassVar[dict[Any, Any]] = {
        datetime: Instant,
        dict[str, Any]: Document,
        list[Any]: Document,
    }


def _owned(table: str, *, index: bool = True, null: bool = False) -> Any:
    return mapped_column(ForeignKey(f"{table}.id", ondelete="CASCADE"), index=index, nullable=null)


# Coaches and access -------------------------------------------------------------------------------


class Coach(Base):
    __tablename__ = "coaches"
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(120))
    login: Mapped[str] = mapped_column(String(254), unique=True)
    password_hash: Mapped[str] = mapped_column(String(200))
    club: Mapped[str] = mapped_column(String(120), default="")
    unit: Mapped[str] = mapped_column(String(2), default="kg")
    time_zone: Mapped[str] = mapped_column(String(64), default="UTC")
    settings: Mapped[dict[str, Any]] = mapped_column(default=dict)
    created_at: Mapped[datetime]
    disabled_at: Mapped[datetime | None]


class CoachMember(Base):
    """Another coach who may read, or read and write, this coach's roster."""

    __tablename__ = "coach_members"
    coach_id: Mapped[int] = mapped_column(ForeignKey("coaches.id", ondelete="CASCADE"), primary_key=True)
    member_id: Mapped[int] = mapped_column(
        ForeignKey("coaches.id", ondelete="CASCADE"), primary_key=True, index=True
    )
    role: Mapped[str] = mapped_column(String(8))  # read or write
    created_at: Mapped[datetime]


class CoachSession(Base):
    __tablename__ = "coach_sessions"
    token_hash: Mapped[bytes] = mapped_column(LargeBinary(32), primary_key=True)
    coach_id: Mapped[int] = _owned("coaches")
    created_at: Mapped[datetime]
    last_used_at: Mapped[datetime]
    device: Mapped[str] = mapped_column(String(200), default="")


class OneTimeCode(Base):
    """A code that works once: first coach account, sign-in link, invitation, password reset."""

    __tablename__ = "one_time_codes"
    code_hash: Mapped[bytes] = mapped_column(LargeBinary(32), primary_key=True)
    purpose: Mapped[str] = mapped_column(String(24))
    coach_id: Mapped[int | None] = _owned("coaches", null=True)
    expires_at: Mapped[datetime]
    used_at: Mapped[datetime | None]


class ApiToken(Base):
    __tablename__ = "api_tokens"
    id: Mapped[int] = mapped_column(primary_key=True)
    coach_id: Mapped[int] = _owned("coaches")
    name: Mapped[str] = mapped_column(String(80))
    token_hash: Mapped[bytes] = mapped_column(LargeBinary(32), unique=True)
    scope: Mapped[str] = mapped_column(String(8), default="read")  # read or write
    created_at: Mapped[datetime]
    last_used_at: Mapped[datetime | None]
    revoked_at: Mapped[datetime | None]


class Attempt(Base):
    """A token bucket for guessing: sign-ins per account and per address, links, codes."""

    __tablename__ = "attempts"
    bucket: Mapped[str] = mapped_column(String(200), primary_key=True)
    tokens: Mapped[float]
    refilled_at: Mapped[datetime]


class AuditEvent(Base):
    __tablename__ = "audit_events"
    id: Mapped[int] = mapped_column(primary_key=True)
    at: Mapped[datetime]
    coach_id: Mapped[int | None] = _owned("coaches", null=True)
    lifter_id: Mapped[int | None] = mapped_column(Integer)
    actor: Mapped[str] = mapped_column(String(160))
    kind: Mapped[str] = mapped_column(String(40))
    detail: Mapped[dict[str, Any]] = mapped_column(default=dict)
    address: Mapped[str] = mapped_column(String(64), default="")


# Lifters ------------------------------------------------------------------------------------------


class Lifter(Base):
    __tablename__ = "lifters"
    id: Mapped[int] = mapped_column(primary_key=True)
    coach_id: Mapped[int] = _owned("coaches")
    name: Mapped[str] = mapped_column(String(120))
    status: Mapped[str] = mapped_column(String(12), default="active")  # active, paused, archived
    time_zone: Mapped[str] = mapped_column(String(64), default="UTC")
    unit: Mapped[str] = mapped_column(String(2), default="kg")
    bar_grams: Mapped[int] = mapped_column(default=20_000)
    collar_grams: Mapped[int] = mapped_column(default=0)
    plates: Mapped[list[Any]] = mapped_column(default=list)  # [[grams, pairs], ...] largest first
    increments: Mapped[dict[str, Any]] = mapped_column(default=dict)  # implement -> grams
    recent_window_weeks: Mapped[int] = mapped_column(default=8)
    sensitivity: Mapped[float] = mapped_column(default=1.0)
    stress_measure: Mapped[str] = mapped_column(String(24), default="relative_volume_load")
    rir_floor: Mapped[float] = mapped_column(default=0.0)
    body_mass_grams: Mapped[int | None]
    goal: Mapped[str] = mapped_column(String(200), default="")
    goal_day: Mapped[int | None]
    note: Mapped[str] = mapped_column(Text, default="")
    created_at: Mapped[datetime]
    deleted_at: Mapped[datetime | None]  # kept 30 days, then removed for good
    stale_at: Mapped[datetime | None] = mapped_column(index=True)  # analysis has to be made again
    feed_hash: Mapped[bytes | None] = mapped_column(LargeBinary(32), unique=True)  # calendar feed address
    __table_args__ = (UniqueConstraint("coach_id", "name"),)


class LifterLink(Base):
    """A private link. Only the hash of its token is kept; it can be revoked and issued anew."""

    __tablename__ = "lifter_links"
    id: Mapped[int] = mapped_column(primary_key=True)
    lifter_id: Mapped[int] = _owned("lifters")
    token_hash: Mapped[bytes] = mapped_column(LargeBinary(32), unique=True)
    created_at: Mapped[datetime]
    expires_at: Mapped[datetime]
    revoked_at: Mapped[datetime | None]
    last_used_at: Mapped[datetime | None]


class LifterSession(Base):
    __tablename__ = "lifter_sessions"
    token_hash: Mapped[bytes] = mapped_column(LargeBinary(32), primary_key=True)
    lifter_id: Mapped[int] = _owned("lifters")
    link_id: Mapped[int] = _owned("lifter_links")
    created_at: Mapped[datetime]
    last_used_at: Mapped[datetime]
    device: Mapped[str] = mapped_column(String(200), default="")


class Handover(Base):
    """A lifter offered by one coach to another; it takes both coaches and the lifter's consent."""

    __tablename__ = "handovers"
    id: Mapped[int] = mapped_column(primary_key=True)
    lifter_id: Mapped[int] = _owned("lifters")
    from_coach_id: Mapped[int] = _owned("coaches")
    to_coach_id: Mapped[int] = _owned("coaches")
    offered_at: Mapped[datetime]
    lifter_agreed_at: Mapped[datetime | None]
    accepted_at: Mapped[datetime | None]
    ended_at: Mapped[datetime | None]


class Exercise(Base):
    __tablename__ = "exercises"
    id: Mapped[int] = mapped_column(primary_key=True)
    coach_id: Mapped[int] = _owned("coaches")
    name: Mapped[str] = mapped_column(String(120))
    key: Mapped[str] = mapped_column(String(120))  # casefolded, single spaces: what makes a name the same
    main_lift: Mapped[str | None] = mapped_column(String(120))
    body_mass_share: Mapped[float] = mapped_column(default=0.0)
    measure: Mapped[str] = mapped_column(String(8), default="load")  # load, time, distance
    implement: Mapped[str] = mapped_column(String(24), default="barbell")
    video_url: Mapped[str] = mapped_column(String(500), default="")
    cue: Mapped[str] = mapped_column(Text, default="")
    archived_at: Mapped[datetime | None]
    __table_args__ = (UniqueConstraint("coach_id", "key"),)


class ExerciseAlias(Base):
    """Another spelling that the coach confirmed to mean an exercise."""

    __tablename__ = "exercise_aliases"
    coach_id: Mapped[int] = mapped_column(ForeignKey("coaches.id", ondelete="CASCADE"), primary_key=True)
    key: Mapped[str] = mapped_column(String(120), primary_key=True)
    exercise_id: Mapped[int] = _owned("exercises")


# Plans --------------------------------------------------------------------------------------------


class BlockTemplate(Base):
    __tablename__ = "block_templates"
    id: Mapped[int] = mapped_column(primary_key=True)
    coach_id: Mapped[int] = _owned("coaches")
    name: Mapped[str] = mapped_column(String(120))
    kind: Mapped[str] = mapped_column(String(16))
    weeks: Mapped[int]
    plan: Mapped[dict[str, Any]]  # the plan document
    version: Mapped[int] = mapped_column(default=1)
    updated_at: Mapped[datetime]
    archived_at: Mapped[datetime | None]
    __table_args__ = (UniqueConstraint("coach_id", "name"),)


class Block(Base):
    __tablename__ = "blocks"
    id: Mapped[int] = mapped_column(primary_key=True)
    lifter_id: Mapped[int] = _owned("lifters")
    name: Mapped[str] = mapped_column(String(120))
    kind: Mapped[str] = mapped_column(String(16))
    purpose: Mapped[str] = mapped_column(Text, default="")
    start_day: Mapped[int]
    end_day: Mapped[int]  # inclusive
    status: Mapped[str] = mapped_column(String(12))  # draft, planned, assigned, ended
    plan: Mapped[dict[str, Any]]  # the plan document, as last edited
    rules: Mapped[dict[str, Any]] = mapped_column(default=dict)  # living plan: missed, effort
    version: Mapped[int] = mapped_column(default=1)
    assigned_at: Mapped[datetime | None]
    created_at: Mapped[datetime]
    updated_at: Mapped[datetime]
    __table_args__ = (Index("ix_blocks_lifter_start", "lifter_id", "start_day"),)


class BlockWeek(Base):
    __tablename__ = "block_weeks"
    block_id: Mapped[int] = mapped_column(ForeignKey("blocks.id", ondelete="CASCADE"), primary_key=True)
    number: Mapped[int] = mapped_column(primary_key=True)  # 1-based
    start_day: Mapped[int]
    emphasis: Mapped[str] = mapped_column(String(16))
    planned_stress: Mapped[dict[str, Any]]  # measure -> planned amount


class BlockVersion(Base):
    __tablename__ = "block_versions"
    block_id: Mapped[int] = mapped_column(ForeignKey("blocks.id", ondelete="CASCADE"), primary_key=True)
    version: Mapped[int] = mapped_column(primary_key=True)
    at: Mapped[datetime]
    by: Mapped[str] = mapped_column(String(160))
    why: Mapped[str] = mapped_column(Text, default="")
    plan: Mapped[dict[str, Any]]


class PlanChange(Base):
    """A change the plan made by itself, under a rule the coach chose; it is listed and can be undone."""

    __tablename__ = "plan_changes"
    id: Mapped[int] = mapped_column(primary_key=True)
    block_id: Mapped[int] = _owned("blocks")
    lifter_id: Mapped[int] = _owned("lifters")
    at: Mapped[datetime]
    rule: Mapped[str] = mapped_column(String(24))
    why: Mapped[str] = mapped_column(Text)
    before: Mapped[list[Any]]
    after: Mapped[list[Any]]
    undone_at: Mapped[datetime | None]
    seen_by_lifter_at: Mapped[datetime | None]


class PlannedSession(Base):
    __tablename__ = "planned_sessions"
    id: Mapped[int] = mapped_column(primary_key=True)
    block_id: Mapped[int] = _owned("blocks")
    lifter_id: Mapped[int] = mapped_column(ForeignKey("lifters.id", ondelete="CASCADE"))
    week: Mapped[int]
    position: Mapped[int]
    name: Mapped[str] = mapped_column(String(120))
    day: Mapped[int]
    status: Mapped[str] = mapped_column(String(12), default="planned")  # planned, done, missed, skipped
    note: Mapped[str] = mapped_column(Text, default="")
    version: Mapped[int] = mapped_column(default=1)
    __table_args__ = (Index("ix_planned_sessions_lifter_day", "lifter_id", "day"),)


class Prescription(Base):
    """One exercise of a planned session, with its computed sets."""

    __tablename__ = "prescriptions"
    id: Mapped[int] = mapped_column(primary_key=True)
    planned_session_id: Mapped[int] = _owned("planned_sessions")
    lifter_id: Mapped[int] = _owned("lifters")
    exercise_id: Mapped[int] = mapped_column(ForeignKey("exercises.id"), index=True)
    position: Mapped[int]
    text: Mapped[str] = mapped_column(String(200))  # canonical, as the coach reads it
    sets: Mapped[list[Any]]  # [{load_grams, reps, reps_high, rpe, amrap, seconds, metres}, ...]
    novelty: Mapped[dict[str, Any]] = mapped_column(default=dict)
    predicted: Mapped[dict[str, Any]] = mapped_column(default=dict)  # rir mean, low, high
    note: Mapped[str] = mapped_column(Text, default="")


class Baseline(Base):
    """A recent best frozen when its block was assigned; never computed again."""

    __tablename__ = "baselines"
    block_id: Mapped[int] = mapped_column(ForeignKey("blocks.id", ondelete="CASCADE"), primary_key=True)
    exercise_id: Mapped[int] = mapped_column(ForeignKey("exercises.id"), primary_key=True)
    rep_range: Mapped[str] = mapped_column(String(8), primary_key=True)
    load_grams: Mapped[int]
    reps: Mapped[int]
    rpe_tenths: Mapped[int | None]
    day: Mapped[int]
    e1rm_grams: Mapped[int]


# Logs ---------------------------------------------------------------------------------------------


class LoggedSession(Base):
    __tablename__ = "logged_sessions"
    id: Mapped[int] = mapped_column(primary_key=True)
    lifter_id: Mapped[int] = mapped_column(ForeignKey("lifters.id", ondelete="CASCADE"))
    day: Mapped[int]
    planned_session_id: Mapped[int | None] = mapped_column(
        ForeignKey("planned_sessions.id", ondelete="SET NULL"), index=True
    )
    client_id: Mapped[str | None] = mapped_column(String(36))
    started_at: Mapped[datetime | None]
    finished_at: Mapped[datetime | None]
    offset_minutes: Mapped[int | None]  # the phone's offset from UTC
    time_zone: Mapped[str | None] = mapped_column(String(64))  # where the phone was, if it said
    session_rpe_tenths: Mapped[int | None]
    minutes: Mapped[int | None]
    note: Mapped[str] = mapped_column(Text, default="")
    import_batch_id: Mapped[int | None] = _owned("import_batches", null=True)
    version: Mapped[int] = mapped_column(default=1)
    __table_args__ = (
        Index("ix_logged_sessions_lifter_day", "lifter_id", "day"),
        UniqueConstraint("lifter_id", "client_id"),
    )


logged_sets = Table(
    "logged_sets",
    Base.metadata,
    # The key is the order in which a lifter's sets are read: one seek, then neighbours.
    Column("lifter_id", Integer, ForeignKey("lifters.id", ondelete="CASCADE"), primary_key=True),
    Column("day", Integer, primary_key=True),
    Column("position", SmallInteger, primary_key=True),  # running number on the lifter's day
    Column("session_id", Integer, nullable=False),  # no foreign key: an index more per set buys nothing
    Column("exercise_id", Integer, nullable=False),
    Column("set_number", SmallInteger, nullable=False),
    Column("load_grams", Integer, nullable=False),
    Column("reps", SmallInteger, nullable=False),
    Column("rpe_tenths", SmallInteger),
    Column("marks", SmallInteger, nullable=False, server_default="0"),  # bits of SetMark
    Column("typed", String(16)),  # number and unit as typed, NULL when the grams print to just that in kg
    Column("prescription_id", Integer),
    Column("planned_set", SmallInteger),  # which set of the prescription it answers, 0-based
    Column("lifted_at", BigInteger),  # [s] since the epoch by the phone's clock
    Column("seconds", Integer),
    Column("metres", Integer),
    Column("note", Text),
    Column("version", SmallInteger, nullable=False, server_default="1"),
    Column("import_batch_id", Integer),
    sqlite_with_rowid=False,
)


class SetMark:
    """Bits of ``logged_sets.marks``."""

    WARM_UP = 1
    FAILED = 2
    HELD_OUT = 4  # found to be a data error and not (yet) corrected
    ACCEPTED = 8  # the coach said that an odd set is right


class SetKey(Base):
    """The phone's own id of a write, so that a repeated request changes nothing."""

    __tablename__ = "set_keys"
    lifter_id: Mapped[int] = mapped_column(ForeignKey("lifters.id", ondelete="CASCADE"), primary_key=True)
    client_id: Mapped[str] = mapped_column(String(36), primary_key=True)
    fingerprint: Mapped[bytes] = mapped_column(LargeBinary(16))
    answer: Mapped[dict[str, Any]]
    at: Mapped[datetime] = mapped_column(index=True)


class SetRevision(Base):
    """What a set was before it was amended or removed: who, when, why."""

    __tablename__ = "set_revisions"
    id: Mapped[int] = mapped_column(primary_key=True)
    lifter_id: Mapped[int] = mapped_column(ForeignKey("lifters.id", ondelete="CASCADE"))
    day: Mapped[int]
    position: Mapped[int]
    at: Mapped[datetime]
    by: Mapped[str] = mapped_column(String(160))
    change: Mapped[str] = mapped_column(String(12))  # amended, removed, restored
    why: Mapped[str] = mapped_column(Text, default="")
    before: Mapped[dict[str, Any]]
    __table_args__ = (Index("ix_set_revisions_lifter_day", "lifter_id", "day"),)


class CheckIn(Base):
    __tablename__ = "check_ins"
    id: Mapped[int] = mapped_column(primary_key=True)
    lifter_id: Mapped[int] = mapped_column(ForeignKey("lifters.id", ondelete="CASCADE"))
    day: Mapped[int]
    at: Mapped[datetime]
    sleep: Mapped[int | None]  # each 1 (good) to 7 (bad)
    soreness: Mapped[int | None]
    stress: Mapped[int | None]
    motivation: Mapped[int | None]
    body_mass_grams: Mapped[int | None]
    note: Mapped[str] = mapped_column(Text, default="")
    client_id: Mapped[str | None] = mapped_column(String(36))
    __table_args__ = (
        UniqueConstraint("lifter_id", "client_id"),
        Index("ix_check_ins_lifter_day", "lifter_id", "day"),
    )


class PainReport(Base):
    __tablename__ = "pain_reports"
    id: Mapped[int] = mapped_column(primary_key=True)
    lifter_id: Mapped[int] = mapped_column(ForeignKey("lifters.id", ondelete="CASCADE"), index=True)
    day: Mapped[int]
    at: Mapped[datetime]
    place: Mapped[str] = mapped_column(String(80))
    severity: Mapped[int]  # 0 to 10
    during: Mapped[str] = mapped_column(String(160), default="")
    exercise_id: Mapped[int | None] = mapped_column(ForeignKey("exercises.id"))
    note: Mapped[str] = mapped_column(Text, default="")
    client_id: Mapped[str | None] = mapped_column(String(36))
    resolved_at: Mapped[datetime | None]
    resolved_note: Mapped[str] = mapped_column(Text, default="")
    __table_args__ = (UniqueConstraint("lifter_id", "client_id"),)


# What the analysis says and what was done about it -------------------------------------------------


class Snapshot(Base):
    """The last analysis of one lifter and one lift; ``exercise_id`` 0 is the lifter as a whole."""

    __tablename__ = "snapshots"
    lifter_id: Mapped[int] = mapped_column(ForeignKey("lifters.id", ondelete="CASCADE"), primary_key=True)
    exercise_id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    as_of_day: Mapped[int]
    computed_at: Mapped[datetime]
    version: Mapped[str] = mapped_column(String(24))
    body: Mapped[dict[str, Any]]


class RosterRow(Base):
    """One ready-made row of the roster page, so that the page is one read."""

    __tablename__ = "roster_rows"
    lifter_id: Mapped[int] = mapped_column(ForeignKey("lifters.id", ondelete="CASCADE"), primary_key=True)
    coach_id: Mapped[int] = mapped_column(Integer, index=True)
    urgency: Mapped[float]  # order on the page: what a look is worth
    level: Mapped[str] = mapped_column(String(8))  # act, watch, notice or empty
    body: Mapped[dict[str, Any]]
    computed_at: Mapped[datetime]


class Flag(Base):
    """One open flag per lifter and cause; it is updated in place and closed, never deleted."""

    __tablename__ = "flags"
    id: Mapped[int] = mapped_column(primary_key=True)
    lifter_id: Mapped[int] = _owned("lifters")
    exercise_id: Mapped[int | None] = mapped_column(ForeignKey("exercises.id"))
    kind: Mapped[str] = mapped_column(String(24))
    cause: Mapped[str] = mapped_column(String(80))  # what makes two flags the same flag
    severity: Mapped[str] = mapped_column(String(8))
    probability: Mapped[float | None]
    since_day: Mapped[int]
    evidence: Mapped[dict[str, Any]]
    advice: Mapped[str] = mapped_column(Text)
    clears_when: Mapped[str] = mapped_column(Text)
    state: Mapped[str] = mapped_column(String(12), default="open")  # open, snoozed, dismissed, cleared
    snoozed_until: Mapped[int | None]
    reason: Mapped[str] = mapped_column(Text, default="")
    opened_at: Mapped[datetime]
    updated_at: Mapped[datetime]
    cleared_at: Mapped[datetime | None]
    last_true_day: Mapped[int]
    __table_args__ = (
        Index(
            "uq_flags_one_open_per_cause",
            "lifter_id",
            "cause",
            unique=True,
            sqlite_where=text("cleared_at IS NULL"),
            postgresql_where=text("cleared_at IS NULL"),
        ),
    )


class Decision(Base):
    __tablename__ = "decisions"
    id: Mapped[int] = mapped_column(primary_key=True)
    lifter_id: Mapped[int] = _owned("lifters")
    coach_id: Mapped[int] = _owned("coaches")
    flag_id: Mapped[int | None] = mapped_column(ForeignKey("flags.id", ondelete="SET NULL"), index=True)
    exercise_id: Mapped[int | None] = mapped_column(ForeignKey("exercises.id"))
    action: Mapped[str] = mapped_column(String(24))
    detail: Mapped[dict[str, Any]]
    evidence: Mapped[dict[str, Any]]  # the lifter's state on that day: trend, stress, flag
    note: Mapped[str] = mapped_column(Text, default="")
    day: Mapped[int]
    made_at: Mapped[datetime]
    look_again_day: Mapped[int]
    outcome: Mapped[dict[str, Any] | None] = mapped_column(Document)
    looked_at: Mapped[datetime | None]
    undone_at: Mapped[datetime | None]
    __table_args__ = (Index("ix_decisions_coach_look", "coach_id", "look_again_day"),)


class Message(Base):
    """What coach and lifter write to each other; a draft is one not yet sent."""

    __tablename__ = "messages"
    id: Mapped[int] = mapped_column(primary_key=True)
    lifter_id: Mapped[int] = _owned("lifters")
    author: Mapped[str] = mapped_column(String(8))  # coach, lifter
    body: Mapped[str] = mapped_column(Text)
    about: Mapped[dict[str, Any]] = mapped_column(default=dict)  # set, session, block, flag it speaks of
    created_at: Mapped[datetime]
    sent_at: Mapped[datetime | None]
    read_at: Mapped[datetime | None]
    client_id: Mapped[str | None] = mapped_column(String(36))
    __table_args__ = (
        UniqueConstraint("lifter_id", "client_id"),
        # The roster counts the unread of every lifter at each look: it walks those, not years of messages.
        Index(
            "ix_messages_unread",
            "lifter_id",
            "author",
            sqlite_where=text("read_at IS NULL"),
            postgresql_where=text("read_at IS NULL"),
        ),
    )


class SavedView(Base):
    __tablename__ = "saved_views"
    id: Mapped[int] = mapped_column(primary_key=True)
    coach_id: Mapped[int] = _owned("coaches")
    name: Mapped[str] = mapped_column(String(80))
    query: Mapped[str] = mapped_column(String(500))
    __table_args__ = (UniqueConstraint("coach_id", "name"),)


# Files in -----------------------------------------------------------------------------------------


class ImportBatch(Base):
    """One import, with what is needed to take it back whole."""

    __tablename__ = "import_batches"
    id: Mapped[int] = mapped_column(primary_key=True)
    coach_id: Mapped[int] = _owned("coaches")
    at: Mapped[datetime]
    file_name: Mapped[str] = mapped_column(String(200))
    sha256: Mapped[bytes] = mapped_column(LargeBinary(32))
    counts: Mapped[dict[str, Any]]  # new, changed, same, refused, lifters, exercises
    changed: Mapped[list[Any]] = mapped_column(default=list)  # rows as they were before
    undone_at: Mapped[datetime | None]


class ColumnMapping(Base):
    """How a coach mapped the columns of a file of this shape, remembered."""

    __tablename__ = "column_mappings"
    coach_id: Mapped[int] = mapped_column(ForeignKey("coaches.id", ondelete="CASCADE"), primary_key=True)
    shape: Mapped[str] = mapped_column(String(64), primary_key=True)  # hash of the header
    mapping: Mapped[dict[str, Any]]
    used_at: Mapped[datetime]
