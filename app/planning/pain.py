"""A pain report is closed by the coach or by the lifter, and stays in the record."""

from __future__ import annotations

from datetime import datetime

from app.storage import audit, lifters, phone
from app.storage.engine import Store
from app.storage.models import Coach

NOTE_LENGTH = 500


class ReportNotFound(LookupError):
    """There is no such report about one of this coach's lifters."""


def resolve(
    store: Store, coach: Coach, lifter_id: int, report_id: int, *, note: str, by: str, now: datetime
) -> None:
    """Mark a pain report as resolved, so that advice to add load may be given again.

    Raises
    ------
    LifterNotFound, ReportNotFound
        If there is no such report about one of this coach's lifters.
    """
    with store.transaction() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        report = phone.pain_report(db, lifter.id, report_id)
        if report is None:
            raise ReportNotFound(report_id)
        if report.resolved_at is not None:
            return
        report.resolved_at, report.resolved_note = now, note
        lifters.mark_stale(db, [lifter.id], now)
        audit.record(
            db,
            kind="pain resolved",
            actor=by,
            at=now,
            coach_id=coach.id,
            lifter_id=lifter.id,
            report=report.id,
            note=note,
        )
