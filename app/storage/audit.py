"""Who did what, when: sign-ins, refusals, links, exports, restores, decisions."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.storage.models import AuditEvent


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


def of_coach(db: Session, coach_id: int, *, limit: int = 200) -> Sequence[AuditEvent]:
    return db.scalars(
        select(AuditEvent).where(AuditEvent.coach_id == coach_id).order_by(AuditEvent.id.desc()).limit(limit)
    ).all()
