"""A coach with a lifter who trained for a while, for tests of the analysis and what is made of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from app.planning.attention import Finding
from app.storage import lifters
from app.storage.engine import Store
from app.storage.models import (
    Block,
    BlockWeek,
    CheckIn,
    Coach,
    Exercise,
    Lifter,
    PainReport,
    PlannedSession,
)
from tests import factories
from tests.factories import NOW, TODAY


@dataclass
class World:
    """One coach, one lifter, one lift."""

    store: Store
    coach: Coach
    lifter: Lifter
    squat: Exercise


def make_world(store: Store, *, coach: Coach | None = None, **changes: Any) -> World:
    coach = coach or factories.make_coach(store)
    lifter = factories.make_lifter(store, coach=coach, **changes)
    squat = factories.make_exercise(store, coach=coach)
    return World(store, coach, lifter, squat)


def train(world: World, *, weeks: int = 12, until: int = TODAY - 1, gain_kg: float = 1.0) -> None:
    """Two sessions of three fives a week at RPE 8, ending on a day, a little heavier each week."""
    for week in range(weeks):
        for within in (0, 3):
            day = until - 7 * (weeks - 1 - week) - (3 - within)
            load = 100.0 + gain_kg * week
            factories.log_sets(world.store, world.lifter, world.squat, day, [(load, 5, 8.0)] * 3)


def mark_stale(world: World, at: datetime = NOW) -> None:
    with world.store.transaction() as db:
        lifters.mark_stale(db, [world.lifter.id], at)


def add_block(
    world: World, start: int, *, weeks: int = 4, kind: str = "strength", name: str = "Fives", **changes: Any
) -> int:
    with world.store.transaction() as db:
        block = Block(
            lifter_id=world.lifter.id,
            name=name,
            kind=kind,
            start_day=start,
            end_day=start + 7 * weeks - 1,
            status="assigned",
            plan={},
            created_at=NOW,
            updated_at=NOW,
            **changes,
        )
        db.add(block)
        db.flush()
        db.add_all(
            BlockWeek(
                block_id=block.id,
                number=number + 1,
                start_day=start + 7 * number,
                emphasis=kind,
                planned_stress={"relative_volume_load": 20.0 + number},
            )
            for number in range(weeks)
        )
        return block.id


def plan_session(world: World, block_id: int, day: int, status: str = "planned", name: str = "Heavy") -> None:
    with world.store.transaction() as db:
        db.add(
            PlannedSession(
                block_id=block_id,
                lifter_id=world.lifter.id,
                week=1,
                position=1,
                name=name,
                day=day,
                status=status,
            )
        )


def report_pain(world: World, day: int, severity: int, **changes: Any) -> int:
    with world.store.transaction() as db:
        report = PainReport(
            lifter_id=world.lifter.id,
            day=day,
            at=NOW,
            place="knee",
            severity=severity,
            exercise_id=world.squat.id,
            **changes,
        )
        db.add(report)
        db.flush()
        return report.id


def check_in(world: World, day: int, answer: int) -> None:
    with world.store.transaction() as db:
        db.add(
            CheckIn(
                lifter_id=world.lifter.id,
                day=day,
                at=NOW,
                sleep=answer,
                soreness=answer,
                stress=answer,
                motivation=answer,
            )
        )


def finding(**changes: Any) -> Finding:
    usual = {
        "cause": "progress:squat",
        "kind": "stall",
        "severity": "watch",
        "since_day": TODAY - 30,
        "probability": 0.7,
        "evidence": {"weeks": 5.0, "stress_ratio": 1.14},
        "advice": "Worth a look.",
        "clears_when": "it rises",
        "size": 5.0,
    }
    return Finding(**(usual | changes))


def at_day(offset: int) -> datetime:
    """Noon so many days after the usual now."""
    return NOW + timedelta(days=offset)
