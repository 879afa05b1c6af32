"""What a running block does by itself: after a session is done or missed, by the rules its coach chose.

Each change is kept with what it changed, why, and how to take it back; it is a version of the block like any
other, it is listed for the coach, and the lifter's phone says it until it was read.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import groupby

from app.planning import blocks as planning_blocks
from app.planning.days import today_in
from app.storage import access, audit, blocks, lifters, plan_changes, snapshots
from app.storage.engine import Store, Transaction
from app.storage.models import Block, Coach, Lifter, PlanChange
from app.storage.plan_changes import Trained
from app.training import living
from app.training import plan as plans
from app.training.living import Answer, Outcome
from app.training.plan import (
    Edit,
    PlanDocument,
    PlanError,
    SetCells,
    edit_from_dict,
    edit_to_dict,
    plan_from_dict,
    plan_to_dict,
)
from app.training.preview import ResolvedCell, ResolvedPlan, resolve
from app.training.records import Estimate

BY = "the block's own rule"
GRACE_DAYS = 1
"""[d] How long a session is not yet called missed: a phone without network, a lifter far west of home."""
ANSWERED = "answered"  # Where a block keeps the sessions that its rules have looked at.


class CannotTakeBack(Exception):
    """The change is not there any more to be taken back; the message says why and what to do."""


@dataclass(frozen=True, slots=True)
class _Ready:
    """A block's answers, computed, with what they were computed from."""

    block: Block
    plan: PlanDocument
    answers: tuple[Answer, ...]
    looked_at: tuple[int, ...]


def follow(store: Store, lifter_id: int, *, now: datetime) -> int:
    """Close sessions whose day is over, and let running blocks answer what was done; the changes made.

    To be called after the lifter was analysed, so that the answers know what the sessions said.
    """
    with store.reading() as db:
        lifter = snapshots.analysed_lifter(db, lifter_id)
        if lifter is None:
            return 0
        today = today_in(lifter.time_zone, now)
        coach = access.coach_by_id(db, lifter.coach_id)
        assert coach is not None  # A lifter's coach goes only with all their lifters.
        overdue = plan_changes.has_overdue(db, lifter.id, today)
        ready = [
            found
            for block in blocks.of_lifter(db, lifter.id)
            if block.status == "assigned" and block.start_day <= today <= block.end_day
            for found in [_answers(db, coach, lifter, block, today)]
            if found is not None
        ]
    if not overdue and not ready:
        return 0
    made = 0
    with store.transaction() as db:
        if snapshots.analysed_lifter(db, lifter_id, lock=True) is None:
            return 0
        blocks.close_missed(db, lifter.id, today)
        for one in ready:
            made += _keep(db, coach, lifter, one, today=today, now=now)
        if made:
            lifters.mark_stale(db, [lifter.id], now)
    return made


def _answers(db: Transaction, coach: Coach, lifter: Lifter, block: Block, today: int) -> _Ready | None:
    """What a block's rules make of the sessions they have not looked at yet; None if there are none."""
    if not block.plan:  # Brought in with a log: days and a name, nothing to change.
        return None
    plan = plan_from_dict(block.plan)
    if plan.living.missed == "continue" and plan.living.effort == "keep":
        return None
    seen = [int(one) for one in block.rules.get(ANSWERED, ())]
    found = plan_changes.trained(db, block, today=today, missed_before=today - GRACE_DAYS, skip=seen)
    if not found:
        return None
    state = planning_blocks.state_of(db, coach, lifter, today=today, block=block)
    resolved = resolve(plan, state, start_day=block.start_day)
    outcomes, asked = _outcomes(plan, resolved, found)
    given_out = replace(resolved, cells=tuple(asked.get((one.row, one.week), one) for one in resolved.cells))
    answers = living.answer(plan, given_out, outcomes, state, start_day=block.start_day)
    ahead = tuple(one for one in answers if _is_ahead(plan, one, today - block.start_day))
    return _Ready(block, plan, ahead, tuple(dict.fromkeys(one.session_id for one in found)))


def _outcomes(
    plan: PlanDocument, resolved: ResolvedPlan, found: Sequence[Trained]
) -> tuple[list[Outcome], Mapping[tuple[str, int], ResolvedCell]]:
    """Outcomes by row and week, and the cells as they were asked for when the session was given out."""
    cells = resolved.by_place()
    outcomes, asked = [], {}
    for _, session in groupby(found, key=lambda one: one.session_id):
        lines = list(session)
        if lines[0].position >= len(plan.sessions):
            continue
        rows = list(plan.sessions[lines[0].position].rows)
        for line in lines:
            row = next((one for one in rows if one.exercise == line.exercise), None)
            if row is None:
                continue
            rows.remove(row)  # The same exercise twice in a session: the second is the next row.
            place = (row.id, line.week - 1)
            outcomes.append(Outcome(*place, done=line.done, rpe=line.rpe))
            if place in cells:
                rir = line.predicted
                known = {"rir", "low", "high"} <= rir.keys()
                asked[place] = replace(
                    cells[place],
                    text=line.text,
                    rir=Estimate(rir["rir"], rir["low"], rir["high"]) if known else cells[place].rir,
                )
    return outcomes, asked


def _is_ahead(plan: PlanDocument, one: Answer, day: int) -> bool:
    """Whether an answer touches only what is still to be done; one without edits says so of the next time."""
    places = [(row, week) for edit in one.edits if isinstance(edit, SetCells) for row, week, _ in edit.cells]
    return all(7 * week + plan.place(row)[0].day >= day for row, week in places)


def _keep(db: Transaction, coach: Coach, lifter: Lifter, ready: _Ready, *, today: int, now: datetime) -> int:
    """Store a block's answers, unless somebody saved it since they were computed."""
    block, _ = blocks.of_coach(db, coach, ready.block.id)
    if block.version != ready.block.version:
        return 0  # The next round answers for the plan as it is then.
    # The newest are kept: a block has far fewer sessions than that.
    block.rules = block.rules | {ANSWERED: [*block.rules.get(ANSWERED, ()), *ready.looked_at][-1000:]}
    plan = ready.plan
    changed = 0
    for one in ready.answers:
        try:
            plan, inverse = plans.apply_all(plan, one.edits)
        except PlanError:
            continue
        changed += bool(one.edits)
        plan_changes.add(
            db,
            block,
            at=now,
            rule=one.rule,
            why=one.sentence,
            before=[edit_to_dict(edit) for edit in inverse],
            after=[edit_to_dict(edit) for edit in one.edits],
            told=bool(one.edits),
        )
    if changed:
        why = " ".join(one.sentence for one in ready.answers if one.edits)
        rewrite(db, coach, lifter, block, plan, by=BY, why=why, today=today, now=now)
    return changed


def rewrite(
    db: Transaction,
    coach: Coach,
    lifter: Lifter,
    block: Block,
    plan: PlanDocument,
    *,
    by: str,
    why: str,
    today: int,
    now: datetime,
) -> None:
    """Give a running block another plan from today on; only the sessions that differ are written anew."""
    state = planning_blocks.state_of(db, coach, lifter, today=today, block=block)
    before = resolve(plan_from_dict(block.plan), state, start_day=block.start_day).by_place()
    resolved = resolve(plan, state, start_day=block.start_day)
    after = resolved.by_place()
    position = {row.id: place for place, session in enumerate(plan.sessions) for row in session.rows}
    touched = {
        (week + 1, position[row])
        for row, week in before.keys() | after.keys()
        if row in position and _work(before.get((row, week))) != _work(after.get((row, week)))
    }
    block.plan = plan_to_dict(plan)
    block.version += 1
    block.updated_at = now
    db.flush()
    planning_blocks.write_sessions(db, coach, block, plan, resolved, from_day=today, only=touched)
    blocks.save_version(db, block, by=by, why=why, at=now)
    audit.record(
        db,
        kind="block changed",
        actor=by,
        coach_id=coach.id,
        lifter_id=lifter.id,
        at=now,
        block=block.name,
        why=why[:200],
    )


def _work(cell: ResolvedCell | None) -> object:
    return None if cell is None else (cell.text, cell.sets)


# Reading and taking back ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Listed:
    """A change as it is listed. ``standing`` is False where there is nothing to take back any more."""

    id: int
    at: datetime
    rule: str
    why: str
    changed: bool
    undone_at: datetime | None
    standing: bool


def of_block(store: Store, coach: Coach, block_id: int) -> tuple[Listed, ...]:
    """What a block did by itself, newest first.

    Raises
    ------
    BlockNotFound
        If it is not a block of one of this coach's lifters.
    """
    with store.reading() as db:
        block, _ = blocks.of_coach(db, coach, block_id)
        return tuple(
            Listed(
                one.id,
                one.at,
                one.rule,
                one.why,
                bool(one.after),
                one.undone_at,
                _still_stands(plan_from_dict(block.plan), one),
            )
            for one in plan_changes.of_block(db, block.id)
        )


def take_back(store: Store, coach: Coach, change_id: int, *, by: str, now: datetime) -> Block:
    """Undo a change that a block made by itself, from today on.

    Raises
    ------
    ChangeNotFound, CannotTakeBack
        If there is no such change, or the plan was changed there since.
    """
    with store.reading() as db:
        _, _, lifter = plan_changes.of_coach(db, coach, change_id)
    planning_blocks.fresh_state(store, coach, lifter.id, now=now)
    with store.transaction() as db:
        change, block, lifter = plan_changes.of_coach(db, coach, change_id)
        today = today_in(lifter.time_zone, now)
        plan = plan_from_dict(block.plan)
        if change.undone_at is not None:
            raise CannotTakeBack("This change was taken back already.")
        if not _still_stands(plan, change):
            raise CannotTakeBack("The block was edited there since. Change it in the grid.")
        if block.status != "assigned" or block.end_day < today:
            raise CannotTakeBack("The block is over; there is nothing left to take back.")
        plan, _ = plans.apply_all(plan, _edits(plan, change.before))
        rewrite(db, coach, lifter, block, plan, by=by, why=f"Taken back: {change.why}", today=today, now=now)
        change.undone_at = now
        # Who has read of the change is told that it is off; who has not need not hear of either.
        change.seen_by_lifter_at = None if change.seen_by_lifter_at is not None else now
        lifters.mark_stale(db, [lifter.id], now)
        return block


def block_of(store: Store, coach: Coach, change_id: int) -> int:
    """The number of the block that a change belongs to.

    Raises
    ------
    ChangeNotFound
        If there is no such change in a block of one of this coach's lifters.
    """
    with store.reading() as db:
        return plan_changes.of_coach(db, coach, change_id)[1].id


def _edits(plan: PlanDocument, found: Sequence[object]) -> list[Edit]:
    edits = []
    for one in found:
        edit = edit_from_dict(one, plan)
        plan, _ = plans.apply(plan, edit)
        edits.append(edit)
    return edits


def _still_stands(plan: PlanDocument, change: PlanChange) -> bool:
    """Whether every cell still holds what the change put there."""
    if change.undone_at is not None or not change.after or change.rule == plan_changes.BY_COACH:
        return False
    try:
        wanted, _ = plans.apply_all(plan, _edits(plan, change.after))
    except PlanError:
        return False
    return wanted == plan


# The lifter's side ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class News:
    """What changed in a lifter's plan, and why."""

    id: int
    at: datetime
    why: str
    taken_back: bool
    by_coach: bool


def unseen(store: Store, lifter: Lifter) -> tuple[News, ...]:
    """What the phone has to say, oldest first."""
    with store.reading() as db:
        return tuple(
            News(one.id, one.at, one.why, one.undone_at is not None, one.rule == plan_changes.BY_COACH)
            for one in plan_changes.unseen(db, lifter.id)
        )


def mark_seen(store: Store, lifter: Lifter, up_to: int, *, now: datetime) -> None:
    """The lifter has read what changed up to this change."""
    with store.transaction() as db:
        plan_changes.mark_seen(db, lifter.id, up_to, at=now)
