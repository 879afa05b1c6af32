"""What stands around a lifter's log: blocks with their weeks, planned sessions, check-ins, pain reports."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, cast

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.storage.models import Block, BlockWeek, CheckIn, Exercise, PainReport, PlannedSession
from app.training.records import BlockKind, BlockSpan


@dataclass(frozen=True, slots=True)
class PlannedWeek:
    """One week of a block; ``planned_stress`` maps a stress measure to its planned amount."""

    number: int
    start_day: int
    emphasis: str
    planned_stress: dict[str, Any]


@dataclass(frozen=True, slots=True)
class SeasonBlock:
    """A block on the calendar with its weeks. ``end_day`` is inclusive."""

    id: int
    name: str
    kind: BlockKind
    purpose: str
    start_day: int
    end_day: int
    status: str
    weeks: tuple[PlannedWeek, ...]

    @property
    def weeks_long(self) -> int:
        return max(1, -(-(self.end_day - self.start_day + 1) // 7))

    def week_of(self, day: int) -> int:
        """The 1-based week that a day of the block falls into."""
        return (day - self.start_day) // 7 + 1

    def span(self) -> BlockSpan:
        return BlockSpan(self.name, self.kind, self.start_day, self.end_day)


@dataclass(frozen=True, slots=True)
class Due:
    """A planned session as the calendar sees it."""

    id: int
    block_id: int
    week: int
    name: str
    day: int
    status: str


@dataclass(frozen=True, slots=True)
class Pain:
    """What a lifter reported to hurt; ``severity`` is 0 to 10, the exercise is None if none was named."""

    id: int
    day: int
    place: str
    severity: int
    during: str
    exercise_id: int | None
    note: str
    resolved_at: datetime | None


@dataclass(frozen=True, slots=True)
class CheckedIn:
    """A check-in: each answer from 1 (good) to 7 (bad), None where not given."""

    day: int
    answers: tuple[int | None, int | None, int | None, int | None]  # sleep, soreness, stress, motivation


@dataclass(frozen=True, slots=True)
class Lift:
    """An exercise that the lifter's coach knows."""

    id: int
    name: str
    main_lift: str | None


def blocks(db: Session, lifter_id: int, *, drafts: bool = False) -> list[SeasonBlock]:
    """A lifter's blocks, oldest first."""
    query = select(
        Block.id, Block.name, Block.kind, Block.purpose, Block.start_day, Block.end_day, Block.status
    ).where(Block.lifter_id == lifter_id)
    if not drafts:
        query = query.where(Block.status != "draft")
    found = db.execute(query.order_by(Block.start_day, Block.id)).all()
    weeks: dict[int, list[PlannedWeek]] = {row.id: [] for row in found}
    for row in db.execute(
        select(
            BlockWeek.block_id,
            BlockWeek.number,
            BlockWeek.start_day,
            BlockWeek.emphasis,
            BlockWeek.planned_stress,
        )
        .where(BlockWeek.block_id.in_(weeks))
        .order_by(BlockWeek.block_id, BlockWeek.number)
    ):
        weeks[row.block_id].append(PlannedWeek(row.number, row.start_day, row.emphasis, row.planned_stress))
    return [
        SeasonBlock(
            id=row.id,
            name=row.name,
            kind=cast(BlockKind, row.kind),
            purpose=row.purpose,
            start_day=row.start_day,
            end_day=row.end_day,
            status=row.status,
            weeks=tuple(weeks[row.id]),
        )
        for row in found
    ]


def planned_between(db: Session, lifter_id: int, first_day: int, last_day: int) -> list[Due]:
    """Planned sessions of some days, in the order of the calendar."""
    rows = db.execute(
        select(
            PlannedSession.id,
            PlannedSession.block_id,
            PlannedSession.week,
            PlannedSession.name,
            PlannedSession.day,
            PlannedSession.status,
        )
        .where(PlannedSession.lifter_id == lifter_id, PlannedSession.day.between(first_day, last_day))
        .order_by(PlannedSession.day, PlannedSession.position, PlannedSession.id)
    )
    return [Due(*row) for row in rows]


def next_planned(db: Session, lifter_id: int, day: int) -> Due | None:
    """The first session on or after a day that is still to be done."""
    row = db.execute(
        select(
            PlannedSession.id,
            PlannedSession.block_id,
            PlannedSession.week,
            PlannedSession.name,
            PlannedSession.day,
            PlannedSession.status,
        )
        .where(
            PlannedSession.lifter_id == lifter_id,
            PlannedSession.day >= day,
            PlannedSession.status == "planned",
        )
        .order_by(PlannedSession.day, PlannedSession.position)
        .limit(1)
    ).first()
    return None if row is None else Due(*row)


def pains(db: Session, lifter_id: int, *, since_day: int) -> list[Pain]:
    """Pain reports from a day on, oldest first, and older ones that nobody has resolved."""
    rows = db.execute(
        select(
            PainReport.id,
            PainReport.day,
            PainReport.place,
            PainReport.severity,
            PainReport.during,
            PainReport.exercise_id,
            PainReport.note,
            PainReport.resolved_at,
        )
        .where(
            PainReport.lifter_id == lifter_id,
            (PainReport.day >= since_day) | PainReport.resolved_at.is_(None),
        )
        .order_by(PainReport.day, PainReport.id)
    )
    return [Pain(*row) for row in rows]


def check_ins(db: Session, lifter_id: int, *, since_day: int) -> list[CheckedIn]:
    """Check-ins from a day on, oldest first."""
    rows = db.execute(
        select(CheckIn.day, CheckIn.sleep, CheckIn.soreness, CheckIn.stress, CheckIn.motivation)
        .where(CheckIn.lifter_id == lifter_id, CheckIn.day >= since_day)
        .order_by(CheckIn.day, CheckIn.id)
    )
    return [CheckedIn(row.day, (row.sleep, row.soreness, row.stress, row.motivation)) for row in rows]


def lifts(db: Session, exercise_ids: Sequence[int]) -> dict[int, Lift]:
    """Exercises by number."""
    rows = db.execute(
        select(Exercise.id, Exercise.name, Exercise.main_lift).where(Exercise.id.in_(exercise_ids))
    )
    return {row.id: Lift(row.id, row.name, row.main_lift) for row in rows}
