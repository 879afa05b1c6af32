"""Blocks across a roster: what runs, what comes next, what is being written."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from app.planning.days import today_in
from app.storage import blocks, lifters
from app.storage.engine import Store
from app.storage.models import Block, Coach, Lifter


@dataclass(frozen=True, slots=True)
class SeasonLine:
    """One lifter's present and planned blocks; drafts apart."""

    lifter: Lifter
    today: int
    running: Block | None
    planned: tuple[Block, ...]
    drafts: tuple[Block, ...]

    @property
    def ends_in(self) -> int | None:
        """Days until nothing is planned any more. [d] None if nothing is planned now."""
        last = max(
            (one.end_day for one in (*self.planned, *([self.running] if self.running else []))), default=None
        )
        return None if last is None else last - self.today + 1


def of_roster(store: Store, coach: Coach, *, now: datetime) -> list[SeasonLine]:
    """Every lifter's line, those whose plan ends soonest first."""
    with store.reading() as db:
        people = lifters.roster(db, coach)
        found: dict[int, list[Block]] = {one.id: [] for one in people}
        for block in blocks.of_lifters(db, list(found)):
            found[block.lifter_id].append(block)
    lines = []
    for lifter in people:
        today = today_in(lifter.time_zone, now)
        held = found[lifter.id]
        given = [one for one in held if one.status != "draft"]
        lines.append(
            SeasonLine(
                lifter,
                today,
                next((one for one in given if one.start_day <= today <= one.end_day), None),
                tuple(one for one in given if one.start_day > today),
                tuple(one for one in held if one.status == "draft"),
            )
        )
    return sorted(lines, key=lambda one: (one.ends_in or 0, one.lifter.name))
