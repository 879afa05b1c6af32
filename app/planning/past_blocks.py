"""Blocks that were trained before Terrace knew the lifter, from a file or a form.

They have no plan to compare with, so what they planned for a week is taken to be what was done in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from app.planning.blocks import put
from app.planning.days import today_in
from app.storage import audit, blocks, lifters, logs
from app.storage.engine import Store
from app.storage.models import Coach
from app.training import dose
from app.training.plan import PlanDocument
from app.training.records import BlockSpan


def add(
    store: Store,
    coach: Coach,
    lifter_id: int,
    spans: Sequence[BlockSpan],
    *,
    by: str | None = None,
    now: datetime,
) -> tuple[int, tuple[BlockSpan, ...]]:
    """Put blocks on a lifter's season; how many, and those left out because their days are taken.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.transaction() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        today = today_in(lifter.time_zone, now)
        taken = [(one.start_day, one.end_day) for one in blocks.of_lifter(db, lifter.id)]
        free = [one for one in spans if all(one.end < start or one.start > end for start, end in taken)]
        log, _ = logs.set_log(db, lifter)
        stress = (
            dose.weekly_stress(log, min(s.start for s in free), max(s.end for s in free)) if free else None
        )
        for span in free:
            weeks = max(1, -(-(span.end - span.start + 1) // 7))
            plan = PlanDocument(name=span.name, kind=span.kind, weeks=min(weeks, 52))
            block = put(
                db,
                lifter,
                plan,
                start_day=span.start,
                end_day=span.end,
                status="ended" if span.end < today else "assigned",
                now=now,
            )
            blocks.put_weeks(
                db,
                block.id,
                (
                    {
                        "number": number + 1,
                        "start_day": span.start + 7 * number,
                        "emphasis": span.kind,
                        "planned_stress": _done(stress, span.start + 7 * number),
                    }
                    for number in range(weeks)
                ),
            )
        lifters.mark_stale(db, [lifter.id], now)
        audit.record(
            db,
            kind="past blocks added",
            actor=by or coach.name,
            coach_id=coach.id,
            lifter_id=lifter.id,
            at=now,
            count=len(free),
        )
    return len(free), tuple(one for one in spans if one not in free)


def _done(stress: Any, start_day: int) -> dict[str, float]:
    """What was done in the calendar week that this week of the block lies in most."""
    place = (start_day + 3 - int(stress.week_start[0])) // 7
    if not 0 <= place < len(stress.week_start):
        return {}
    return {name: float(values[place]) for name, values in stress.measures.items()}
