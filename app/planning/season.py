"""A lifter's season: blocks in a row up to the goal date, moved and stretched week by week.

What follows a block moves with it, so that nothing comes to lie on anything else. A block that has begun
keeps its first day and what was done in it; only its end can be moved. Sessions of blocks that have not
begun are written anew for their new days, from the baseline that was frozen for them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from app.planning import blocks as planning_blocks
from app.planning import builder
from app.planning.days import short, today_in
from app.planning.drafts import BlockChanged
from app.planning.lengthening import lengthened
from app.storage import audit, blocks, lifters, seasons
from app.storage.engine import Store, Transaction
from app.storage.models import Block, Coach, Lifter
from app.storage.seasons import SeasonBlock
from app.training import plan as plans
from app.training.plan import PlanDocument, PlanError, plan_from_dict, plan_to_dict
from app.training.preview import resolve
from app.training.progression import NextBlock

MOST_AHEAD_DAYS = 3 * 366
"""[d] How far ahead a block may be moved: three years, further than anybody plans."""


class CannotMove(Exception):
    """A block cannot go there, or cannot be longer or shorter; the message says why and what to do."""


@dataclass(frozen=True, slots=True)
class SeasonItem:
    """A block on the season. ``free_before`` is how many days nothing is planned before it. [d]"""

    block: SeasonBlock
    version: int
    state: str  # over, running, planned, draft
    free_before: int

    @property
    def weeks(self) -> int:
        return self.block.weeks_long


@dataclass(frozen=True, slots=True)
class Season:
    """What a lifter has before them. ``weeks_free`` are unplanned weeks up to the goal, None without one."""

    lifter: Lifter
    today: int
    items: tuple[SeasonItem, ...]
    past: tuple[SeasonItem, ...]
    next_start: int
    suggestion: NextBlock

    @property
    def days_to_goal(self) -> int | None:
        return None if self.lifter.goal_day is None else self.lifter.goal_day - self.today

    @property
    def planned_until(self) -> int | None:
        """The last day anything is planned for, None if nothing is. [d]"""
        return max((one.block.end_day for one in self.items if one.state != "draft"), default=None)

    @property
    def beyond_goal(self) -> SeasonItem | None:
        """The first block that runs past the goal date although it does not hold it."""
        goal = self.lifter.goal_day
        if goal is None or goal < self.today:
            return None
        return next((one for one in self.items if one.block.start_day > goal), None)


@dataclass(frozen=True, slots=True)
class Moved:
    """What a change of the season did, as a sentence, and the names of what moved along."""

    sentence: str
    along: tuple[str, ...]


def of_lifter(store: Store, coach: Coach, lifter_id: int, *, now: datetime) -> Season:
    """A lifter's season with what should come next.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    begin = builder.beginning(store, coach, lifter_id, now=now)
    lifter = begin.lifter
    today = today_in(lifter.time_zone, now)
    with store.reading() as db:
        found = seasons.blocks(db, lifter.id, drafts=True)
        versions = {one.id: one.version for one in blocks.of_lifter(db, lifter.id)}
    items = []
    last_end = today - 1
    for one in found:
        state = _state(one.status, one.start_day, one.end_day, today)
        free = max(0, one.start_day - max(last_end + 1, today)) if state in ("planned", "draft") else 0
        items.append(SeasonItem(one, versions[one.id], state, free))
        if state != "draft":
            last_end = max(last_end, one.end_day)
    return Season(
        lifter,
        today,
        tuple(one for one in items if one.state != "over"),
        tuple(one for one in items if one.state == "over"),
        begin.start_day,
        begin.suggestion,
    )


def _state(status: str, start_day: int, end_day: int, today: int) -> str:
    if status == "draft":
        return "draft"
    if status == "ended" or end_day < today:
        return "over"
    return "running" if start_day <= today else "planned"


# Moving and stretching ------------------------------------------------------------------------------


def move(
    store: Store, coach: Coach, block_id: int, weeks: int, *, version: int, by: str, now: datetime
) -> Moved:
    """Put a block that has not begun, and everything after it, some weeks earlier (negative) or later.

    Raises
    ------
    BlockNotFound, BlockChanged, CannotMove
        If it is not this coach's, somebody saved meanwhile, or it cannot go there.
    """
    planning_blocks.fresh_state(store, coach, _lifter_of(store, coach, block_id), now=now)
    with store.transaction() as db:
        block, lifter, today, others = _read(db, coach, block_id, version, now)
        state = _state(block.status, block.start_day, block.end_day, today)
        if state in ("over", "running"):
            raise CannotMove(
                f"“{block.name}” has begun, so its first day stays. "
                "Make it longer or shorter, or move the next one."
            )
        # A draft is only an idea yet: it moves alone.
        tail = [
            one
            for one in others
            if state != "draft" and one.start_day >= block.start_day and one.id != block.id
        ]
        start = block.start_day + 7 * weeks
        if start < today:
            raise CannotMove(f"“{block.name}” would begin on {short(start)}, which is over. Move it later.")
        _must_be_free([block, *tail], weeks, others, today)
        for one in (block, *tail):
            _shift(db, coach, lifter, one, 7 * weeks, by=by, today=today, now=now)
        _record(db, coach, lifter, block, by, now, f"moved {_weeks(weeks)}")
        return _said(block, tail, f"“{block.name}” begins on {short(block.start_day)}", weeks)


def stretch(
    store: Store, coach: Coach, block_id: int, weeks: int, *, version: int, by: str, now: datetime
) -> Moved:
    """Make a block longer by repeating its last week, or shorter by taking last weeks out.

    Weeks at the end that ask for less stay the end, and the one before them is repeated. What follows moves
    by as much. Weeks that have begun stay.

    Raises
    ------
    BlockNotFound, BlockChanged, CannotMove
        If it is not this coach's, somebody saved meanwhile, or it cannot be.
    """
    planning_blocks.fresh_state(store, coach, _lifter_of(store, coach, block_id), now=now)
    with store.transaction() as db:
        block, lifter, today, others = _read(db, coach, block_id, version, now)
        if _state(block.status, block.start_day, block.end_day, today) == "over":
            raise CannotMove(f"“{block.name}” is over. Plan the next block instead.")
        plan = plan_from_dict(block.plan)
        # A block cut short by the next one ends before its plan does: its end is what is moved.
        held = max(1, -(-(block.end_day - block.start_day + 1) // 7))
        if plan.weeks > held:
            plan, _ = plans.apply_all(
                plan, [plans.DeleteWeek(week) for week in range(plan.weeks - 1, held - 1, -1)]
            )
        wanted = held + weeks
        if wanted < 1:
            raise CannotMove(f"“{block.name}” is one week long already. Take it out instead.")
        if wanted > plans.MOST_WEEKS:
            raise CannotMove(f"A block is at most {plans.MOST_WEEKS} weeks long. Add another block after it.")
        if weeks < 0 and block.start_day + 7 * wanted <= today:
            raise CannotMove(
                f"The last week of “{block.name}” has begun, so it cannot be taken out any more."
            )
        tail = [one for one in others if one.start_day > block.end_day and one.id != block.id]
        try:
            repeated = ""
            if weeks > 0:
                plan, repeated = _lengthened(db, coach, lifter, block, plan, weeks, today=today)
            for _ in range(-weeks):
                plan, _ = plans.apply(plan, plans.DeleteWeek(plan.weeks - 1))
        except PlanError as error:
            raise CannotMove(str(error)) from None
        for one in tail:
            _shift(db, coach, lifter, one, 7 * weeks, by=by, today=today, now=now)
        block.end_day += 7 * weeks
        _write(db, coach, lifter, block, plan, why=f"{_longer(weeks)}", by=by, today=today, now=now)
        _record(db, coach, lifter, block, by, now, _longer(weeks))
        return _said(block, tail, f"“{block.name}” ends on {short(block.end_day)}{repeated}", weeks)


def gap_after(
    store: Store, coach: Coach, block_id: int, weeks: int, *, version: int, by: str, now: datetime
) -> Moved:
    """Leave weeks free after a block, or close them (negative): everything after it moves.

    Raises
    ------
    BlockNotFound, BlockChanged, CannotMove
        If it is not this coach's, somebody saved meanwhile, or nothing follows it.
    """
    planning_blocks.fresh_state(store, coach, _lifter_of(store, coach, block_id), now=now)
    with store.transaction() as db:
        block, lifter, today, others = _read(db, coach, block_id, version, now)
        tail = [one for one in others if one.start_day > block.end_day and one.id != block.id]
        if not tail:
            raise CannotMove(f"Nothing follows “{block.name}”, so the weeks after it are free already.")
        start = tail[0].start_day + 7 * weeks
        if start < today:
            raise CannotMove(f"“{tail[0].name}” would begin on {short(start)}, which is over.")
        _must_be_free(tail, weeks, others, today)
        for one in tail:
            _shift(db, coach, lifter, one, 7 * weeks, by=by, today=today, now=now)
        _record(db, coach, lifter, block, by, now, f"what follows moved {_weeks(weeks)}")
        return _said(tail[0], tail[1:], f"“{tail[0].name}” begins on {short(tail[0].start_day)}", weeks)


def remove(store: Store, coach: Coach, block_id: int, *, version: int, by: str, now: datetime) -> str:
    """Take a block that has not begun off the season; its days are free then. The sentence says so.

    Raises
    ------
    BlockNotFound, BlockChanged, CannotMove
        If it is not this coach's, somebody saved meanwhile, or it has begun.
    """
    with store.transaction() as db:
        block, lifter, today, _ = _read(db, coach, block_id, version, now)
        if _state(block.status, block.start_day, block.end_day, today) not in ("planned", "draft"):
            raise CannotMove(f"“{block.name}” has begun; what was done in it stays. Make it shorter instead.")
        name = block.name
        _record(db, coach, lifter, block, by, now, "taken out")
        blocks.remove(db, block)
        lifters.mark_stale(db, [lifter.id], now)
        return f"“{name}” was taken out. Its days are free."


# Inside ---------------------------------------------------------------------------------------------


def _lifter_of(store: Store, coach: Coach, block_id: int) -> int:
    with store.reading() as db:
        return blocks.of_coach(db, coach, block_id)[1].id


def _read(
    db: Transaction, coach: Coach, block_id: int, version: int, now: datetime
) -> tuple[Block, Lifter, int, Sequence[Block]]:
    block, lifter = blocks.of_coach(db, coach, block_id)
    if block.version != version:
        raise BlockChanged(plan_from_dict(block.plan), block.version)
    return block, lifter, today_in(lifter.time_zone, now), blocks.of_lifter(db, lifter.id)


def _must_be_free(moving: Sequence[Block], weeks: int, others: Sequence[Block], today: int) -> None:
    """The first of what moves may not come to lie on what stays; a draft is in nobody's way."""
    block = next((one for one in moving if one.status != "draft"), None)
    if block is None:
        return
    start, ids = block.start_day + 7 * weeks, {one.id for one in moving}
    for other in others:
        if other.id in ids or other.status == "draft" or other.end_day < start or other.start_day > start:
            continue
        way = "Make that one shorter first" if other.end_day >= today else "Move it later"
        raise CannotMove(
            f"“{other.name}” stands until {short(other.end_day)}, so “{block.name}” cannot begin on "
            f"{short(start)}. {way}."
        )


def _lengthened(
    db: Transaction, coach: Coach, lifter: Lifter, block: Block, plan: PlanDocument, more: int, *, today: int
) -> tuple[PlanDocument, str]:
    given = block.status != "draft"
    state = planning_blocks.state_of(db, coach, lifter, today=today, block=block if given else None)
    settled = planning_blocks.weeks_settled(db, block, today) if given else 0
    found = lengthened(plan, more, state, start_day=block.start_day, settled=settled)
    return plans.apply_all(plan, found.edits)[0], f", with {found.words}" if found.words else ""


def follow(
    db: Transaction,
    coach: Coach,
    lifter: Lifter,
    block: Block,
    end_before: int,
    *,
    by: str,
    today: int,
    now: datetime,
) -> None:
    """Move what follows a block by as much as its end has moved, in the transaction that moved it.

    Raises
    ------
    CannotMove
        If something of it cannot go there.
    """
    days = block.end_day - end_before
    if days:
        for one in blocks.of_lifter(db, lifter.id):
            if one.start_day > end_before and one.id != block.id:
                _shift(db, coach, lifter, one, days, by=by, today=today, now=now)


def _shift(
    db: Transaction,
    coach: Coach,
    lifter: Lifter,
    block: Block,
    days: int,
    *,
    by: str,
    today: int,
    now: datetime,
) -> None:
    """Move one block by whole weeks, and write its sessions for the new days."""
    if block.start_day + days > today + MOST_AHEAD_DAYS:
        raise CannotMove(f"“{block.name}” would begin more than three years ahead.")
    plan = plan_from_dict(block.plan)
    if plan.goal_day is not None:
        # The meet does not move with the block.
        try:
            plan, _ = plans.apply_all(plan, plans.set_head(plan, goal_day=plan.goal_day - days))
        except PlanError:
            goal = short(block.start_day + (plan.goal_day or 0))
            raise CannotMove(
                f"“{block.name}” leads up to {goal} and would begin after it. Change its goal date first."
            ) from None
    block.start_day += days
    block.end_day += days
    _write(db, coach, lifter, block, plan, why=f"moved {_weeks(days // 7)}", by=by, today=today, now=now)


def _write(
    db: Transaction,
    coach: Coach,
    lifter: Lifter,
    block: Block,
    plan: PlanDocument,
    *,
    why: str,
    by: str,
    today: int,
    now: datetime,
) -> None:
    """Keep a block's plan under a new version, and its sessions that are still to be done."""
    block.plan = plan_to_dict(plan)
    block.version += 1
    block.updated_at = now
    db.flush()
    if block.status == "draft":
        return
    state = planning_blocks.state_of(db, coach, lifter, today=today, block=block)
    resolved = resolve(plan, state, start_day=block.start_day)
    # A planned block's sessions may lie anywhere before: all of them go, done ones there are none.
    from_day = today if block.start_day <= today else 0
    planning_blocks.write_sessions(db, coach, block, plan, resolved, from_day=from_day)
    blocks.save_version(db, block, by=by, why=why, at=now)


def _record(
    db: Transaction, coach: Coach, lifter: Lifter, block: Block, by: str, now: datetime, what: str
) -> None:
    lifters.mark_stale(db, [lifter.id], now)
    audit.record(
        db,
        kind="season changed",
        actor=by,
        coach_id=coach.id,
        lifter_id=lifter.id,
        at=now,
        block=block.name,
        what=what,
    )


def _said(block: Block, tail: Sequence[Block], sentence: str, weeks: int) -> Moved:
    names = tuple(one.name for one in tail)
    if not names:
        return Moved(f"{sentence}.", names)
    along = "“" + "”, “".join(names[:3]) + "”" + (f" and {len(names) - 3} more" if len(names) > 3 else "")
    return Moved(f"{sentence}; {along} moved {_weeks(weeks)} with it.", names)


def _weeks(weeks: int) -> str:
    many = "a week" if abs(weeks) == 1 else f"{abs(weeks)} weeks"
    return f"{many} {'later' if weeks > 0 else 'earlier'}"


def _longer(weeks: int) -> str:
    many = "a week" if abs(weeks) == 1 else f"{abs(weeks)} weeks"
    return f"{many} {'longer' if weeks > 0 else 'shorter'}"
