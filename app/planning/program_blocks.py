"""What programs do with blocks: drafts made once and replaced whole, running blocks changed from today on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from app.planning import blocks as planning_blocks
from app.planning import drafts
from app.planning.days import today_in
from app.planning.drafts import BlockChanged
from app.planning.programs import Sent, lifter_to_write
from app.planning.season import MOST_AHEAD_DAYS
from app.storage import blocks, lifters, programs
from app.storage.engine import Store, Transaction
from app.storage.models import Block, BlockTemplate, BlockVersion, Coach, Lifter
from app.training import plan as plans
from app.training.plan import Edit, PlanDocument, plan_from_dict, plan_to_dict
from app.training.preview import ResolvedPlan, resolve

MOST_BACK_DAYS = 366


class StartTooFar(ValueError):
    """A block's first day lies further from today than a plan is made for; the words say how far."""


class DraftGone(Exception):
    """The draft that this key made was assigned or withdrawn since."""


class VersionNotFound(LookupError):
    """The block has no such version."""


class NoPlan(Exception):
    """The block was brought in without a plan; there is nothing to change."""


class StartIsGiven(Exception):
    """A block that was assigned keeps its first day here; it is moved by whole weeks."""


@dataclass(frozen=True, slots=True)
class Written:
    """A block with its plan as written; ``plan`` is None where it was brought in without one."""

    block: Block
    lifter: Lifter
    plan: PlanDocument | None
    problems: tuple[str, ...]


def written(store: Store, coach: Coach, block_id: int) -> Written:
    """A block as it is written.

    Raises
    ------
    BlockNotFound
        If it is not a block of one of this coach's lifters.
    """
    with store.reading() as db:
        block, lifter = blocks.of_coach(db, coach, block_id)
        plan = plan_from_dict(block.plan) if block.plan else None
        return Written(block, lifter, plan, () if plan is None else tuple(planning_blocks.problems(plan)))


def start_draft(
    store: Store,
    coach: Coach,
    lifter_id: int,
    plan: PlanDocument,
    key: str,
    *,
    start_day: int,
    by: str,
    now: datetime,
) -> int:
    """Put a plan on the desk for a lifter, once; the number of its draft. Nothing of it reaches the lifter.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    StartTooFar, KeyUsedBefore, DraftGone
        If it cannot start then, the key came with another plan, or its draft is one no more.
    """
    sent = Sent.of(key, ["draft", start_day, plan_to_dict(plan)])
    with store.transaction() as db:
        lifter = lifter_to_write(db, coach, lifter_id)
        known = sent.answer_before(db, lifter)
        if known is not None:
            number = int(known["block"])
            if all(one.id != number for one in blocks.of_lifter(db, lifter.id)):
                raise DraftGone
            return number
        _must_be_near(lifter, start_day, now)
        made = planning_blocks.put(db, lifter, plan, start_day=start_day, status="draft", now=now)
        db.flush()
        sent.remember(db, lifter, {"block": made.id}, now)
        drafts.record(db, "draft begun", coach, made, by=by, now=now)
        return made.id


def assign(
    store: Store, coach: Coach, block_id: int, key: str, *, version: int, by: str, now: datetime
) -> int:
    """Give a draft out, once; the number of the block it became.

    Raises
    ------
    BlockNotFound, KeyUsedBefore
        If it is not a block of one of this coach's lifters, or the key came with something else.
    NotRunning, BlockChanged, PlanNotReady, BlockOverlaps
        If it is no draft, somebody saved meanwhile, or it cannot be given out as it is.
    """
    sent = Sent.of(key, ["assign", block_id, version])

    def done() -> int | None:
        with store.reading() as db:
            # The draft is gone once it is given out, so the key is looked for on the whole roster.
            known = sent.answer_of(programs.written_with(db, coach, sent.client_id))
        return None if known is None else int(known["block"])

    if (before := done()) is not None:
        return before

    def keep(db: Transaction, made: Block) -> None:
        sent.remember(db, lifters.of_coach(db, coach, made.lifter_id), {"block": made.id}, now)

    try:
        return drafts.assign(store, coach, block_id, version=version, by=by, also=keep, now=now).id
    except (blocks.BlockNotFound, planning_blocks.BlockOverlaps):
        # The same request may have come twice: its block took the draft and the days meanwhile.
        if (meanwhile := done()) is not None:
            return meanwhile
        raise


def _must_be_near(lifter: Lifter, start_day: int, now: datetime) -> None:
    today = today_in(lifter.time_zone, now)
    if not today - MOST_BACK_DAYS <= start_day <= today + MOST_AHEAD_DAYS:
        raise StartTooFar("A block starts within the last year or the next three")


def replace_plan(
    store: Store,
    coach: Coach,
    block_id: int,
    plan: PlanDocument,
    *,
    version: int,
    start_day: int | None,
    why: str,
    by: str,
    now: datetime,
) -> None:
    """Write a block's plan anew. A draft is replaced whole; an assigned block changes from today on.

    Sent again after it was done, it is done already and stores nothing.

    Raises
    ------
    BlockNotFound, NoPlan
        If it is not a block of one of this coach's lifters, or was brought in without a plan.
    BlockChanged, NotRunning, PlanNotReady, StartTooFar, StartIsGiven
        If somebody saved meanwhile, it is over, the plan cannot be given out, or the first day cannot be.
    """
    with store.reading() as db:
        block, lifter = blocks.of_coach(db, coach, block_id)
    if not block.plan:
        raise NoPlan
    before = plan_from_dict(block.plan)
    same_start = start_day is None or start_day == block.start_day
    if block.version == version + 1 and before == plan and same_start:
        return
    if block.version != version:
        raise BlockChanged(before, block.version)
    edits = rewriting(before, plan)
    if block.status == "draft":
        if not same_start and start_day is not None:
            _must_be_near(lifter, start_day, now)
        drafts.save(store, coach, block_id, edits, version=version, start_day=start_day, by=by, now=now)
        return
    if not same_start:
        raise StartIsGiven
    drafts.change(store, coach, block_id, edits, version=version, why=why, keep_given=True, by=by, now=now)


def rewriting(before: PlanDocument, after: PlanDocument) -> list[Edit]:
    """Edits that make one plan of another: all sessions out, the length and head changed, the new ones in.

    Rules come last, because they may name rows of any session.
    """
    ruled = [row for _, row in before.lines if row.rules]
    edits: list[Edit] = [plans.SetRow(row.id, row.exercise, (), row.note) for row in ruled]
    edits += [plans.DeleteSession(one.id) for one in before.sessions]
    edits += [plans.InsertWeek(week) for week in range(before.weeks, after.weeks)]
    edits += [plans.DeleteWeek(week) for week in range(before.weeks - 1, after.weeks - 1, -1)]
    edits += plans.set_head(
        before, **{one: getattr(after, one) for one in plans.SetHead.__dataclass_fields__}
    )
    for position, session in enumerate(after.sessions):
        rows = tuple(plans.Row(row.id, row.exercise, row.cells, (), row.note) for row in session.rows)
        edits.append(
            plans.InsertSession(position, plans.Session(session.id, session.name, session.day, rows))
        )
    edits += [plans.SetRow(row.id, row.exercise, row.rules, row.note) for _, row in after.lines if row.rules]
    return edits


def must_have_plan(store: Store, coach: Coach, block_id: int) -> None:
    """Stop before a block without a plan is moved.

    Raises
    ------
    BlockNotFound, NoPlan
        If it is not a block of one of this coach's lifters, or was brought in without a plan.
    """
    with store.reading() as db:
        block, _ = blocks.of_coach(db, coach, block_id)
        if not block.plan:
            raise NoPlan


def look_ahead(
    store: Store, coach: Coach, block_id: int, *, now: datetime
) -> tuple[Block, PlanDocument, ResolvedPlan]:
    """A block and what its plan means: a draft from the lifter's level today, else from its own baseline.

    Raises
    ------
    BlockNotFound, NoPlan
        If it is not a block of one of this coach's lifters, or was brought in without a plan.
    """
    found = written(store, coach, block_id)
    if found.plan is None:
        raise NoPlan
    planning_blocks.fresh_state(store, coach, found.lifter.id, now=now)
    with store.reading() as db:
        state = planning_blocks.state_of(
            db,
            coach,
            found.lifter,
            today=today_in(found.lifter.time_zone, now),
            block=None if found.block.status == "draft" else found.block,
        )
    return found.block, found.plan, resolve(found.plan, state, start_day=found.block.start_day)


def look_before(
    store: Store, coach: Coach, lifter_id: int, plan: PlanDocument, *, start_day: int, now: datetime
) -> ResolvedPlan:
    """What a plan would mean for a lifter; nothing of it is stored.

    Raises
    ------
    LifterNotFound, StartTooFar
        If the lifter is not one of this coach's, or it cannot start then.
    """
    with store.reading() as db:
        _must_be_near(lifters.of_coach(db, coach, lifter_id), start_day, now)
    return planning_blocks.preview(store, coach, lifter_id, plan, start_day=start_day, now=now)


def version_of(store: Store, coach: Coach, block_id: int, version: int) -> BlockVersion:
    """A block as it was assigned or changed under a version.

    Raises
    ------
    BlockNotFound, VersionNotFound
        If it is not a block of one of this coach's lifters, or has no such version.
    """
    for one in versions_of(store, coach, block_id):
        if one.version == version:
            return one
    raise VersionNotFound(version)


def versions_of(store: Store, coach: Coach, block_id: int) -> Sequence[BlockVersion]:
    """Every version that a lifter was given of a block, newest first.

    Raises
    ------
    BlockNotFound
        If it is not a block of one of this coach's lifters.
    """
    return drafts.versions(store, coach, block_id)


def template(store: Store, coach: Coach, template_id: int) -> BlockTemplate:
    """One of a coach's templates.

    Raises
    ------
    TemplateNotFound
        If it is not this coach's.
    """
    with store.reading() as db:
        return blocks.template_of(db, coach, template_id)
