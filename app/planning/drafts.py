"""Plans being written, and running blocks being changed: edits, undo, versions, conflicts.

A draft is a block with the status "draft". Each save names the version it was made on; if somebody saved
meanwhile the save is refused with both states at hand, so that nothing is overwritten unseen. What a running
block's lifter has done stays: only sessions from today on are computed anew.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from app.planning import blocks as planning_blocks
from app.planning.days import today_in
from app.storage import audit, blocks, exercises, lifters, plan_changes
from app.storage.engine import Store, Transaction
from app.storage.models import Block, BlockTemplate, BlockVersion, Coach, Lifter
from app.training import plan as plans
from app.training.plan import Edit, PlanDocument, plan_from_dict, plan_to_dict
from app.training.preview import ResolvedCell, ResolvedPlan, resolve
from app.training.units import Unit, format_mass


class BlockChanged(Exception):
    """Somebody saved this block meanwhile. Their plan and version come along."""

    def __init__(self, theirs: PlanDocument, version: int) -> None:
        super().__init__(f"version {version} was saved meanwhile")
        self.theirs, self.version = theirs, version


class NotRunning(Exception):
    """The block is a draft or over; there is nothing left of it to change."""


@dataclass(frozen=True, slots=True)
class CellChange:
    """What a change does to one exercise of one session."""

    week: int
    session: str
    exercise: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Draft:
    """A plan on somebody's desk. ``lifter`` is None for a template."""

    block: Block
    lifter: Lifter
    plan: PlanDocument
    resolved: ResolvedPlan


def start(
    store: Store,
    coach: Coach,
    lifter_id: int,
    plan: PlanDocument,
    *,
    start_day: int,
    by: str | None = None,
    now: datetime,
) -> Block:
    """Put a plan on the desk for a lifter; nothing of it reaches the lifter yet.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.transaction() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        block = planning_blocks.put(db, lifter, plan, start_day=start_day, status="draft", now=now)
        record(db, "draft begun", coach, block, by=by, now=now)
        return block


def record(
    db: Transaction,
    kind: str,
    coach: Coach,
    block: Block,
    *,
    by: str | None,
    typing: bool = False,
    now: datetime,
) -> None:
    """Keep who did something with a draft; of ``typing``, one line a person and hour."""
    line = audit.record_sitting if typing else audit.record
    line(
        db,
        kind=kind,
        actor=by or coach.name,
        coach_id=coach.id,
        lifter_id=block.lifter_id,
        at=now,
        block=block.name,
    )


def save(
    store: Store,
    coach: Coach,
    block_id: int,
    edits: Sequence[Edit],
    *,
    version: int,
    start_day: int | None = None,
    by: str | None = None,
    typing: bool = False,
    now: datetime,
) -> Block:
    """Apply edits to a draft and keep it; ``typing`` is one of many in a row.

    Raises
    ------
    BlockNotFound, BlockChanged, PlanError
        If it is not this coach's, somebody saved meanwhile, or an edit cannot be made.
    """
    with store.transaction() as db:
        block, _ = blocks.of_coach(db, coach, block_id)
        if block.status != "draft":
            raise NotRunning
        _same_version(block, version)
        plan, _ = plans.apply_all(plan_from_dict(block.plan), edits)
        _keep(block, plan, start_day=start_day, now=now)
        record(db, "draft changed", coach, block, by=by, typing=typing, now=now)
        return block


def drop(store: Store, coach: Coach, block_id: int, *, by: str | None = None, now: datetime) -> None:
    """Throw a draft away."""
    with store.transaction() as db:
        block, _ = blocks.of_coach(db, coach, block_id)
        if block.status == "draft":
            record(db, "draft thrown away", coach, block, by=by, now=now)
            blocks.remove(db, block)


def assign(
    store: Store,
    coach: Coach,
    block_id: int,
    *,
    version: int,
    by: str | None = None,
    also: Callable[[Transaction, Block], None] | None = None,
    now: datetime,
) -> Block:
    """Give the lifter the block that a draft has become; ``also`` as in `blocks.assign`.

    Raises
    ------
    BlockNotFound, NotRunning, BlockChanged, PlanNotReady, BlockOverlaps
        If it is not this coach's or no draft, somebody saved meanwhile, or it cannot be assigned as it is.
    """
    with store.reading() as db:
        block, lifter = _draft(db, coach, block_id, version)

    def instead(db: Transaction, made: Block) -> None:
        # Looked at again: loads were computed since, and somebody may have saved meanwhile.
        draft, _ = _draft(db, coach, block_id, version)
        blocks.remove(db, draft)
        if also is not None:
            also(db, made)

    return planning_blocks.assign(
        store,
        coach,
        lifter.id,
        plan_from_dict(block.plan),
        start_day=block.start_day,
        by=by,
        also=instead,
        now=now,
    )


def _draft(db: Transaction, coach: Coach, block_id: int, version: int) -> tuple[Block, Lifter]:
    block, lifter = blocks.of_coach(db, coach, block_id)
    if block.status != "draft":
        raise NotRunning
    _same_version(block, version)
    return block, lifter


# A running block ----------------------------------------------------------------------------------


def propose(
    store: Store, coach: Coach, block_id: int, edits: Sequence[Edit], *, now: datetime
) -> tuple[ResolvedPlan, ResolvedPlan, tuple[CellChange, ...]]:
    """A running block as it is and as it would be, and what changes in the sessions from today on.

    Raises
    ------
    BlockNotFound, PlanError
        If it is not this coach's, or an edit cannot be made.
    """
    with store.reading() as db:
        block, lifter = blocks.of_coach(db, coach, block_id)
    planning_blocks.fresh_state(store, coach, lifter.id, now=now)
    with store.reading() as db:
        today = today_in(lifter.time_zone, now)
        state = planning_blocks.state_of(db, coach, lifter, today=today, block=block)
    before = plan_from_dict(block.plan)
    after, _ = plans.apply_all(before, edits)
    old = resolve(before, state, start_day=block.start_day)
    new = resolve(after, state, start_day=block.start_day)
    return old, new, changes(before, after, old, new, from_day=today - block.start_day)


def change(
    store: Store,
    coach: Coach,
    block_id: int,
    edits: Sequence[Edit],
    *,
    version: int,
    why: str,
    keep_given: bool = False,
    by: str | None = None,
    also: Callable[[Transaction, Block], None] | None = None,
    now: datetime,
) -> Block:
    """Change a running block from today on; what was done stays, the version before is kept.

    With ``keep_given`` a prescription that the edits leave as it is keeps the loads it was given out with;
    otherwise all that is to come is computed from today's level. What ``also`` does is done with it or not
    at all; it may make room for a block that gets longer.

    Raises
    ------
    BlockNotFound, BlockChanged, NotRunning, PlanError, PlanNotReady, BlockOverlaps
        If it is not this coach's, somebody saved meanwhile, it is over, the plan cannot be, or it would run
        into the next block.
    """
    with store.reading() as db:
        block, lifter = blocks.of_coach(db, coach, block_id)
    planning_blocks.fresh_state(store, coach, lifter.id, now=now)
    with store.transaction() as db:
        block, lifter = blocks.of_coach(db, coach, block_id)
        today = today_in(lifter.time_zone, now)
        if block.status != "assigned" or block.end_day < today:
            raise NotRunning
        _same_version(block, version)
        plan, _ = plans.apply_all(plan_from_dict(block.plan), edits)
        wrong = planning_blocks.problems(plan)
        if wrong:
            raise planning_blocks.PlanNotReady(wrong)
        planning_blocks.ensure_exercises(db, coach, plan)
        given = _given(db, coach, block) if keep_given else {}
        was = planning_blocks.calendar(db, coach, block, from_day=today)
        weeks, end_before = _weeks(db, block), block.end_day
        _rewrite(db, coach, lifter, block, plan, given, today=today, now=now)
        becomes = planning_blocks.calendar(db, coach, block, from_day=today)
        differing = sorted(one for one in was.keys() | becomes.keys() if was.get(one) != becomes.get(one))
        touched = [one for one in differing if _work(was.get(one)) != _work(becomes.get(one))]
        blocks.save_version(db, block, by=by or coach.name, why=why, at=now)
        plan_changes.add(
            db,
            block,
            at=now,
            rule=plan_changes.BY_COACH,
            why=why or "Your coach changed this block.",
            # What was given out before, whole: so it can be put back, whatever is known by then.
            before=[*(was[one] for one in differing if one in was), {"weeks": weeks}] if keep_given else [],
            after=[{"week": week, "position": place} for week, place in touched] if keep_given else [],
            told=block.start_day <= today,
        )
        lifters.mark_stale(db, [lifter.id], now)
        audit.record(
            db,
            kind="block changed",
            actor=by or coach.name,
            coach_id=coach.id,
            lifter_id=lifter.id,
            at=now,
            block=block.name,
            why=why[:200],
        )
        if also is not None:
            also(db, block)
        if block.end_day > end_before:
            _must_have_room(db, block)
        return block


def _must_have_room(db: Transaction, block: Block) -> None:
    for other in blocks.of_lifter(db, block.lifter_id):
        if other.status != "draft" and block.start_day < other.start_day <= block.end_day:
            raise planning_blocks.BlockOverlaps(other.name, other.start_day, other.end_day)


def _work(session: Mapping[str, Any] | None) -> object:
    """What a session on the calendar asks for; what was predicted of it does not count."""
    if session is None:
        return None
    asked = [(one["exercise"], one["text"], one["sets"], one["note"]) for one in session["exercises"]]
    return session["day"], session["name"], asked


def _weeks(db: Transaction, block: Block) -> list[dict[str, Any]]:
    return [
        {
            "number": one.number,
            "start_day": one.start_day,
            "emphasis": one.emphasis,
            "planned_stress": one.planned_stress,
        }
        for one in blocks.weeks(db, block.id)
    ]


Given = Mapping[tuple[int, int, str, str], Sequence[int | None]]
"""Loads on the calendar by week (from 0), place in the week, exercise and prescription. [g]"""


def given_out(store: Store, coach: Coach, block: Block) -> Given:
    """The loads that a block's sessions were given out with."""
    with store.reading() as db:
        return _given(db, coach, block)


def _given(db: Transaction, coach: Coach, block: Block) -> Given:
    places = {one.id: (one.week - 1, one.position) for one in blocks.sessions(db, block.id)}
    names = {one.id: one.name for one in exercises.all_of(db, coach)}
    return {
        (*places[one.planned_session_id], names[one.exercise_id], one.text): [
            each["load_grams"] for each in one.sets
        ]
        for one in blocks.prescriptions(db, list(places))
    }


def keeping(given: Given, plan: PlanDocument, resolved: ResolvedPlan) -> ResolvedPlan:
    """A computed plan in which what is prescribed as before has the loads it was given out with."""
    positions = {row.id: place for place, session in enumerate(plan.sessions) for row in session.rows}

    def kept(cell: ResolvedCell) -> ResolvedCell:
        loads = given.get((cell.week, positions[cell.row], cell.exercise, cell.text[:200]), ())
        if len(loads) != len(cell.sets):
            return cell
        sets = (replace(one, load_grams=load) for one, load in zip(cell.sets, loads, strict=True))
        return replace(cell, sets=tuple(sets))

    return replace(resolved, cells=tuple(kept(one) for one in resolved.cells))


def versions(store: Store, coach: Coach, block_id: int) -> Sequence[BlockVersion]:
    """Every version of a block, newest first."""
    with store.reading() as db:
        block, _ = blocks.of_coach(db, coach, block_id)
        return blocks.versions(db, block.id)


def changes(
    before: PlanDocument,
    after: PlanDocument,
    old: ResolvedPlan,
    new: ResolvedPlan,
    *,
    from_day: int = 0,
    unit: Unit = "kg",
) -> tuple[CellChange, ...]:
    """What differs in the computed sessions from a day of the block on, in the order of the calendar."""
    names = {row.id: session.name for plan in (before, after) for session, row in plan.lines}
    was, will = old.by_place(), new.by_place()
    found = []
    for place in sorted(was.keys() | will.keys(), key=lambda one: (one[1], one[0])):
        one, two = was.get(place), will.get(place)
        held = one or two
        if held is None or held.day < from_day:
            continue
        texts = [_cell_text(cell, unit) for cell in (one, two)]
        if texts[0] != texts[1]:
            found.append(CellChange(place[1], names[place[0]], held.exercise, texts[0], texts[1]))
    return tuple(found)


def _cell_text(cell: ResolvedCell | None, unit: Unit) -> str:
    if cell is None or not cell.sets:
        return "nothing"
    load = "" if cell.top_grams is None else format_mass(cell.top_grams, unit)
    return f"{cell.text}: {load}" if load and load not in cell.text else cell.text


def _rewrite(
    db: Transaction,
    coach: Coach,
    lifter: Lifter,
    block: Block,
    plan: PlanDocument,
    given: Given,
    *,
    today: int,
    now: datetime,
) -> None:
    state = planning_blocks.state_of(db, coach, lifter, today=today, block=block)
    resolved = keeping(given, plan, resolve(plan, state, start_day=block.start_day))
    _keep(block, plan, start_day=None, now=now)
    db.flush()
    planning_blocks.write_sessions(db, coach, block, plan, resolved, from_day=today)


def _keep(block: Block, plan: PlanDocument, *, start_day: int | None, now: datetime) -> None:
    # A block that made room for the next one ended early, and still does.
    cut = (
        block.end_day if block.end_day < block.start_day + 7 * plan_from_dict(block.plan).weeks - 1 else None
    )
    block.plan = plan_to_dict(plan)
    block.name, block.kind, block.purpose = plan.name, plan.kind, plan.purpose
    if start_day is not None:
        block.start_day = start_day
    block.end_day = block.start_day + 7 * plan.weeks - 1
    if cut is not None and start_day is None:
        block.end_day = min(block.end_day, cut)
    block.version += 1
    block.updated_at = now


def _same_version(block: Block, version: int) -> None:
    if block.version != version:
        raise BlockChanged(plan_from_dict(block.plan), block.version)


# Templates ----------------------------------------------------------------------------------------


def keep_template(store: Store, coach: Coach, plan: PlanDocument, *, now: datetime) -> BlockTemplate:
    """Keep a plan under its name for other lifters; a template of that name is replaced."""
    with store.transaction() as db:
        for other in blocks.templates(db, coach):
            if other.name == plan.name:
                other.plan, other.kind, other.weeks = plan_to_dict(plan), plan.kind, plan.weeks
                other.version += 1
                other.updated_at = now
                return other
        return blocks.add_template(
            db,
            coach_id=coach.id,
            name=plan.name,
            kind=plan.kind,
            weeks=plan.weeks,
            plan=plan_to_dict(plan),
            updated_at=now,
            archived_at=None,
        )


def templates(store: Store, coach: Coach) -> Sequence[BlockTemplate]:
    """A coach's own templates by name."""
    with store.reading() as db:
        return blocks.templates(db, coach)


def template_plan(store: Store, coach: Coach, template_id: int) -> PlanDocument:
    """The plan of one of a coach's templates.

    Raises
    ------
    TemplateNotFound
        If it is not this coach's.
    """
    with store.reading() as db:
        return plan_from_dict(blocks.template_of(db, coach, template_id).plan)
