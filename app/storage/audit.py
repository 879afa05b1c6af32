"""Who did what, when: sign-ins, refusals, links, exports, restores, decisions."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.storage.models import AuditEvent

SITTING = timedelta(hours=1)
LOOKED_BACK = 50  # events; a line too many does no harm, reading years of them at each key would


def record(
    db: Session,
    *,
    kind: str,
    actor: str,
    at: datetime,
    coach_id: int | None = None,
    lifter_id: int | None = None,
    address: str = "",
    **detail: Any,
) -> None:
    db.add(
        AuditEvent(
            kind=kind,
            actor=actor[:160],
            at=at,
            coach_id=coach_id,
            lifter_id=lifter_id,
            address=address[:64],
            detail=detail,
        )
    )


def record_sitting(
    db: Session, *, kind: str, actor: str, at: datetime, coach_id: int, lifter_id: int, **detail: Any
) -> None:
    """`record` for what comes in many small steps: the first of an hour stands for those after it."""
    newest = (
        select(AuditEvent)
        .where(AuditEvent.coach_id == coach_id)
        .order_by(AuditEvent.id.desc())
        .limit(LOOKED_BACK)
    )
    for one in db.scalars(newest):
        said = (one.kind, one.actor, one.lifter_id, one.detail)
        if said == (kind, actor[:160], lifter_id, detail) and at - one.at < SITTING:
            return
    record(db, kind=kind, actor=actor, at=at, coach_id=coach_id, lifter_id=lifter_id, **detail)


def of_coach(db: Session, coach_id: int, *, limit: int = 200) -> Sequence[AuditEvent]:
    return db.scalars(
        select(AuditEvent).where(AuditEvent.coach_id == coach_id).order_by(AuditEvent.id.desc()).limit(limit)
    ).all()
