"""Blocks, their versions, weeks, sessions and prescriptions, and the templates they come from."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import delete, insert, select, tuple_, update
from sqlalchemy.orm import Session

from app.storage.models import (
    Baseline,
    Block,
    BlockTemplate,
    BlockVersion,
    BlockWeek,
    Coach,
    Lifter,
    PlannedSession,
    Prescription,
)


class BlockNotFound(LookupError):
    """The block does not exist, or its lifter is not one of this coach's."""


class TemplateNotFound(LookupError):
    """The template does not exist, or is another coach's."""


def of_coach(db: Session, coach: Coach, block_id: int) -> tuple[Block, Lifter]:
    """A block of one of this coach's lifters, and that lifter.

    Raises
    ------
    BlockNotFound
        If there is no such block on this coach's roster.
    """
    row = db.execute(
        select(Block, Lifter)
        .join(Lifter, Lifter.id == Block.lifter_id)
        .where(Block.id == block_id, Lifter.coach_id == coach.id, Lifter.deleted_at.is_(None))
    ).first()
    if row is None:
        raise BlockNotFound(block_id)
    return row[0], row[1]


def of_lifter(db: Session, lifter_id: int) -> Sequence[Block]:
    """A lifter's blocks, drafts too, by start."""
    return db.scalars(
        select(Block).where(Block.lifter_id == lifter_id).order_by(Block.start_day, Block.id)
    ).all()


def of_lifters(db: Session, lifter_ids: Sequence[int]) -> Sequence[Block]:
    """Blocks of several lifters, drafts too, by start."""
    return db.scalars(
        select(Block).where(Block.lifter_id.in_(lifter_ids)).order_by(Block.start_day, Block.id)
    ).all()


def add(db: Session, lifter_id: int, **values: Any) -> Block:
    block = Block(lifter_id=lifter_id, **values)
    db.add(block)
    db.flush()
    return block


def remove(db: Session, block: Block) -> None:
    db.execute(delete(Block).where(Block.id == block.id))


def save_version(db: Session, block: Block, *, by: str, why: str, at: datetime) -> None:
    """Keep the block's plan as it is now under its version number."""
    db.add(
        BlockVersion(block_id=block.id, version=block.version, at=at, by=by[:160], why=why, plan=block.plan)
    )


def versions(db: Session, block_id: int) -> Sequence[BlockVersion]:
    return db.scalars(
        select(BlockVersion).where(BlockVersion.block_id == block_id).order_by(BlockVersion.version.desc())
    ).all()


def put_weeks(db: Session, block_id: int, weeks: Iterable[Mapping[str, Any]]) -> None:
    """Replace the weeks of a block; each names number, start_day, emphasis, planned_stress."""
    db.execute(delete(BlockWeek).where(BlockWeek.block_id == block_id))
    rows = [{"block_id": block_id, **one} for one in weeks]
    if rows:
        db.execute(insert(BlockWeek), rows)


def weeks(db: Session, block_id: int) -> Sequence[BlockWeek]:
    return db.scalars(
        select(BlockWeek).where(BlockWeek.block_id == block_id).order_by(BlockWeek.number)
    ).all()


def put_baselines(db: Session, block_id: int, marks: Iterable[Mapping[str, Any]]) -> None:
    """Freeze baselines; a block that has some already keeps them."""
    if db.scalar(select(Baseline.block_id).where(Baseline.block_id == block_id).limit(1)) is not None:
        return
    rows = [{"block_id": block_id, **one} for one in marks]
    if rows:
        db.execute(insert(Baseline), rows)


def baselines(db: Session, block_id: int) -> Sequence[Baseline]:
    return db.scalars(select(Baseline).where(Baseline.block_id == block_id)).all()


def sessions(db: Session, block_id: int) -> Sequence[PlannedSession]:
    return db.scalars(
        select(PlannedSession)
        .where(PlannedSession.block_id == block_id)
        .order_by(PlannedSession.week, PlannedSession.position)
    ).all()


def prescriptions(db: Session, session_ids: Sequence[int]) -> Sequence[Prescription]:
    return db.scalars(
        select(Prescription)
        .where(Prescription.planned_session_id.in_(session_ids))
        .order_by(Prescription.planned_session_id, Prescription.position)
    ).all()


def add_sessions(db: Session, rows: Sequence[Mapping[str, Any]]) -> list[int]:
    """Insert planned sessions; their numbers in the order given."""
    if not rows:
        return []
    return list(
        db.scalars(
            insert(PlannedSession).returning(PlannedSession.id, sort_by_parameter_order=True),
            [dict(one) for one in rows],
        )
    )


def add_prescriptions(db: Session, rows: Sequence[Mapping[str, Any]]) -> None:
    if rows:
        db.execute(insert(Prescription), [dict(one) for one in rows])


def remove_planned(
    db: Session, block_id: int, *, from_day: int = 0, only: Collection[tuple[int, int]] | None = None
) -> None:
    """Take out sessions that are still to be done from a day on; what was done or missed stays.

    ``only`` keeps to these, by week and position.
    """
    chosen = delete(PlannedSession).where(
        PlannedSession.block_id == block_id,
        PlannedSession.status == "planned",
        PlannedSession.day >= from_day,
    )
    if only is not None:
        chosen = chosen.where(tuple_(PlannedSession.week, PlannedSession.position).in_(list(only)))
    db.execute(chosen)


def close_missed(db: Session, lifter_id: int, before_day: int) -> Sequence[int]:
    """Mark planned sessions whose day is over as missed; their numbers."""
    return db.scalars(
        update(PlannedSession)
        .where(
            PlannedSession.lifter_id == lifter_id,
            PlannedSession.status == "planned",
            PlannedSession.day < before_day,
        )
        .values(status="missed")
        .returning(PlannedSession.id)
    ).all()


def templates(db: Session, coach: Coach) -> Sequence[BlockTemplate]:
    return db.scalars(
        select(BlockTemplate)
        .where(BlockTemplate.coach_id == coach.id, BlockTemplate.archived_at.is_(None))
        .order_by(BlockTemplate.name)
    ).all()


def template_of(db: Session, coach: Coach, template_id: int) -> BlockTemplate:
    found = db.scalar(
        select(BlockTemplate).where(BlockTemplate.id == template_id, BlockTemplate.coach_id == coach.id)
    )
    if found is None:
        raise TemplateNotFound(template_id)
    return found


def add_template(db: Session, **values: Any) -> BlockTemplate:
    template = BlockTemplate(**values)
    db.add(template)
    db.flush()
    return template
