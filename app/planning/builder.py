"""The block builder: what a keystroke in the grid does to a plan, and what the plan then means.

The grid sends an act (type, paste, fill, move, a rule, a remedy); it is turned into edits, applied, kept and
computed. Each answer carries the edits that take the act back, so that undoing is sending those.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from app.planning import blocks as planning_blocks
from app.planning import drafts, library
from app.planning.days import monday_of, today_in
from app.planning.drafts import BlockChanged, CellChange
from app.storage import blocks, lifters, seasons
from app.storage.engine import Store
from app.storage.models import Block, Coach, Lifter
from app.training import plan as plans
from app.training.plan import (
    Edit,
    MoveRow,
    MoveSession,
    MoveWeek,
    PlanDocument,
    PlanError,
    Rect,
    SetRow,
    SetSession,
    edit_from_dict,
    edit_to_dict,
    plan_from_dict,
)
from app.training.preview import ResolvedPlan, resolve
from app.training.progression import NextBlock, next_block
from app.training.rules import RuleError, read_step, rule_from_dict
from app.training.units import Unit

Act = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Bench:
    """A plan on the bench: stored plan with what is not yet stored applied, and what it means.

    ``pending`` are edits of a running block that wait for the coach to apply them; a draft has none.
    """

    block: Block
    lifter: Lifter
    plan: PlanDocument
    resolved: ResolvedPlan
    version: int
    pending: tuple[Edit, ...]
    inverse: tuple[Edit, ...]
    label: str
    told: tuple[CellChange, ...]
    problems: tuple[str, ...]
    today: int
    usual_week: Mapping[str, tuple[float, float]]
    left_out: int = 0

    @property
    def is_draft(self) -> bool:
        return self.block.status == "draft"

    @property
    def weeks_done(self) -> int:
        """Weeks of a running block that are over or have begun."""
        return 0 if self.is_draft else max(0, min(self.plan.weeks, (self.today - self.block.start_day) // 7))


def look(store: Store, coach: Coach, block_id: int, *, pending: Sequence[Any] = (), now: datetime) -> Bench:
    """A block as it stands.

    Raises
    ------
    BlockNotFound, PlanError
        If it is not this coach's, or a pending edit cannot be made.
    """
    return _bench(store, coach, block_id, pending=pending, act=None, version=None, now=now)


def do(
    store: Store,
    coach: Coach,
    block_id: int,
    act: Act,
    *,
    version: int,
    pending: Sequence[Any] = (),
    by: str | None = None,
    now: datetime,
) -> Bench:
    """Do one act. A draft is stored with it; a running block waits until the coach applies its edits.

    Raises
    ------
    BlockNotFound, BlockChanged, PlanError
        If it is not this coach's, somebody saved meanwhile, or the act cannot be done.
    """
    return _bench(store, coach, block_id, pending=pending, act=act, version=version, by=by, now=now)


def apply(
    store: Store,
    coach: Coach,
    block_id: int,
    pending: Sequence[Any],
    *,
    version: int,
    why: str,
    by: str,
    now: datetime,
) -> Block:
    """Store the waiting edits of a running block; see `drafts.change`."""
    with store.reading() as db:
        block, _ = blocks.of_coach(db, coach, block_id)
    edits = _read_edits(plan_from_dict(block.plan), pending)
    return drafts.change(store, coach, block_id, edits, version=version, why=why, by=by, now=now)


def _bench(
    store: Store,
    coach: Coach,
    block_id: int,
    *,
    pending: Sequence[Any],
    act: Act | None,
    version: int | None,
    by: str | None = None,
    now: datetime,
) -> Bench:
    with store.reading() as db:
        block, lifter = blocks.of_coach(db, coach, block_id)
        today = today_in(lifter.time_zone, now)
        stored = plan_from_dict(block.plan)
        if version is not None and version != block.version:
            raise BlockChanged(stored, block.version)
        state = planning_blocks.state_of(
            db, coach, lifter, today=today, block=None if block.status == "draft" else block
        )
    waiting = _read_edits(stored, pending) if block.status != "draft" else ()
    plan, _ = plans.apply_all(stored, waiting)
    inverse: tuple[Edit, ...] = ()
    label, left_out = "", 0
    if act is not None:
        edits, label, left_out = edits_of(plan, act)
        if edits:
            if block.status == "draft":
                block = drafts.save(
                    store, coach, block_id, edits, version=block.version, by=by, typing=True, now=now
                )
            else:
                waiting = (*waiting, *edits)
            plan, inverse = plans.apply_all(plan, edits)
    resolved = resolve(plan, state, start_day=block.start_day)
    told: tuple[CellChange, ...] = ()
    if waiting:
        was = resolve(stored, state, start_day=block.start_day)
        told = drafts.changes(stored, plan, was, resolved, from_day=today - block.start_day)
    return Bench(
        block=block,
        lifter=lifter,
        plan=plan,
        resolved=resolved,
        version=block.version,
        pending=tuple(waiting),
        inverse=inverse,
        label=label,
        told=told,
        problems=tuple(planning_blocks.problems(plan)),
        today=today,
        usual_week=state.usual_week,
        left_out=left_out,
    )


def _read_edits(plan: PlanDocument, found: Sequence[Any]) -> tuple[Edit, ...]:
    """Edits sent back by the grid, each read against the plan as it is by then."""
    if len(found) > 2_000:
        raise PlanError("These are more changes than can wait. Apply some of them first.")
    edits = []
    for one in found:
        edit = edit_from_dict(one, plan)
        plan, _ = plans.apply(plan, edit)
        edits.append(edit)
    return tuple(edits)


def edits_of(plan: PlanDocument, act: Act) -> tuple[list[Edit], str, int]:
    """What an act of the grid means: edits, a label for undoing it, and pasted cells that found no place.

    Raises
    ------
    PlanError
        If it is no act, or cannot be done to this plan.
    """
    match act.get("do"):
        case "set":
            return (
                plans.set_cell(plan, _text(act, "row"), _week(act, "week"), _text(act, "text")),
                "typing",
                0,
            )
        case "clear":
            return plans.clear(plan, _rect(act)), "emptying cells", 0
        case "fill right":
            return plans.fill_right(plan, _rect(act)), "filling to the right", 0
        case "fill down":
            return plans.fill_down(plan, _rect(act)), "filling down", 0
        case "paste":
            pasted = plans.paste(
                plan, _week(act, "line"), _whole(act, "week", -1, 60), _text(act, "text"), grow=True
            )
            return list(pasted.edits), "pasting", pasted.left_out
        case "edits":
            found = act.get("edits")
            if not isinstance(found, list):
                raise PlanError("“edits” must be a list.")
            return list(_read_edits(plan, found)), str(act.get("label", ""))[:60], 0
        case "add row":
            name = " ".join(_text(act, "exercise").split())
            if not name:
                raise PlanError("Enter the name of the exercise.")
            return plans.add_row(plan, _text(act, "session"), name), "adding an exercise", 0
        case "rename row":
            row = plan.row(_text(act, "row"))
            name = " ".join(_text(act, "exercise").split())
            return [SetRow(row.id, name, row.rules, row.note)], "changing the exercise", 0
        case "note row":
            row = plan.row(_text(act, "row"))
            return [SetRow(row.id, row.exercise, row.rules, _text(act, "note"))], "a note", 0
        case "delete row":
            return plans.delete_row(plan, _text(act, "row")), "taking an exercise out", 0
        case "duplicate row":
            return plans.duplicate_row(plan, _text(act, "row")), "doubling an exercise", 0
        case "move row":
            return _move_row(plan, _text(act, "row"), _whole(act, "by", -1, 1)), "moving an exercise", 0
        case "add session":
            return plans.add_session(plan), "adding a session", 0
        case "set session":
            session = plan.session(_text(act, "session"))
            name = " ".join(str(act.get("name", session.name)).split())
            day = _whole(act, "day", 0, 6) if "day" in act else session.day
            return [SetSession(session.id, name, day)], "changing a session", 0
        case "duplicate session":
            return plans.duplicate_session(plan, _text(act, "session")), "doubling a session", 0
        case "delete session":
            return plans.delete_session(plan, _text(act, "session")), "taking a session out", 0
        case "move session":
            session = plan.session(_text(act, "session"))
            at = plan.sessions.index(session) + _whole(act, "by", -1, 1)
            inside = 0 <= at < len(plan.sessions)
            return ([MoveSession(session.id, at)] if inside else []), "moving a session", 0
        case "duplicate week":
            return plans.duplicate_week(plan, _week(act, "week")), "doubling a week", 0
        case "delete week":
            if plan.weeks == 1:
                raise PlanError("A block has at least one week.")
            return [plans.DeleteWeek(_week(act, "week"))], "taking a week out", 0
        case "move week":
            week = _week(act, "week")
            to = week + _whole(act, "by", -1, 1)
            return ([MoveWeek(week, to)] if 0 <= to < plan.weeks else []), "moving a week", 0
        case "head":
            changes = {
                name: act[name] for name in ("name", "kind", "purpose") if isinstance(act.get(name), str)
            }
            return plans.set_head(plan, **changes), "changing the block", 0
        case "rules":
            found = act.get("rules")
            if not isinstance(found, list) or len(found) > 12:
                raise PlanError("“rules” must be a list of at most 12.")
            try:
                rules = tuple(rule_from_dict(one) for one in found)
            except RuleError as error:
                raise PlanError(str(error)) from None
            return plans.set_rules(plan, _text(act, "row"), rules), "changing how it progresses", 0
        case "swap":
            return plans.swap_exercise(plan, _text(act, "old"), _text(act, "new")), "swapping an exercise", 0
        case "step":
            changed = plans.set_head(plan, most_step=None) if not act.get("most") else _most(plan, act)
            return changed, "changing the bound of steps", 0
        case "living":
            return _living(plan, act), "changing what the block does by itself", 0
    raise PlanError("This is nothing the grid can do. Load the page again.")


def _most(plan: PlanDocument, act: Act) -> list[Edit]:
    try:
        return plans.set_head(plan, most_step=read_step(act.get("most"), "The largest step"))
    except RuleError as error:
        raise PlanError(str(error)) from None


def _living(plan: PlanDocument, act: Act) -> list[Edit]:
    missed, effort = act.get("missed"), act.get("effort")
    if missed not in ("repeat", "continue") or effort not in ("keep", "adjust"):
        raise PlanError("Choose what happens to missed sessions and to effort off target.")
    living = plans.LivingRules(missed, effort, plan.living.tolerance, plan.living.most_percent)
    return plans.set_head(plan, living=living)


def _move_row(plan: PlanDocument, row_id: str, by: int) -> list[Edit]:
    """Up or down, and over the edge into the session above or below."""
    session, position, _ = plan.place(row_id)
    at = position + by
    if 0 <= at < len(session.rows):
        return [MoveRow(row_id, session.id, at)]
    neighbour = plan.sessions.index(session) + by
    if not 0 <= neighbour < len(plan.sessions):
        return []
    other = plan.sessions[neighbour]
    return [MoveRow(row_id, other.id, len(other.rows) if by < 0 else 0)]


def _text(act: Act, name: str) -> str:
    value = act.get(name)
    if not isinstance(value, str):
        raise PlanError(f"“{name}” is missing.")
    return value


def _whole(act: Act, name: str, low: int, high: int) -> int:
    value = act.get(name)
    if type(value) is not int or not low <= value <= high:
        raise PlanError(f"“{name}” must be a whole number from {low} to {high}.")
    return value


def _week(act: Act, name: str) -> int:
    return _whole(act, name, 0, 1_000)


def _rect(act: Act) -> Rect:
    return Rect(*(_week(act, name) for name in ("top", "left", "bottom", "right")))


def plain_edits(edits: Sequence[Edit]) -> list[dict[str, Any]]:
    """Edits as the grid keeps them."""
    return [edit_to_dict(one) for one in edits]


# Where a plan comes from ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Beginning:
    """What a new block can start from, for one lifter."""

    lifter: Lifter
    start_day: int
    suggestion: NextBlock
    last: tuple[seasons.SeasonBlock, ...]


def beginning(store: Store, coach: Coach, lifter_id: int, *, now: datetime) -> Beginning:
    """When the next block could start, what it could bring, and what could be copied.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    lifter, state = planning_blocks.fresh_state(store, coach, lifter_id, now=now)
    today = today_in(lifter.time_zone, now)
    with store.reading() as db:
        found = seasons.blocks(db, lifter.id)
    last_end = max((one.end_day for one in found), default=0)
    start = max(last_end + 1, monday_of(today + 6))
    main = [one for one in state.exercises.values() if one.main_lift == one.exercise and one.e1rm is not None]
    suggestion = next_block(
        main,
        as_of=today,
        days_to_goal=None if lifter.goal_day is None else lifter.goal_day - start,
        settings=state.settings,
    )
    return Beginning(lifter, start, suggestion, tuple(reversed(found[-6:])))


def source_plan(store: Store, coach: Coach, lifter: Lifter, source: str) -> PlanDocument:
    """The plan behind a choice: ``library:KEY``, ``own:ID``, ``block:ID`` or ``empty``.

    Raises
    ------
    PlanError, TemplateNotFound, BlockNotFound
        If there is no such plan.
    """
    kind, _, rest = source.partition(":")
    unit: Unit = "lb" if lifter.unit == "lb" else "kg"
    if kind == "empty":
        plan = PlanDocument(name="New block", kind="strength", weeks=4, unit=unit)
        return plans.apply_all(plan, plans.add_session(plan))[0]
    if kind == "library":
        try:
            return library.template(rest, unit).plan
        except LookupError:
            raise PlanError("There is no such template. Choose another one.") from None
    if kind in ("own", "block") and rest.isascii() and rest.isdigit() and len(rest) < 10:
        if kind == "own":
            return drafts.template_plan(store, coach, int(rest))
        with store.reading() as db:
            block, _ = blocks.of_coach(db, coach, int(rest))
        return plan_from_dict(block.plan)
    raise PlanError("Choose what the block starts from.")


def begin(
    store: Store,
    coach: Coach,
    lifter_id: int,
    source: str,
    *,
    start_day: int,
    by: str | None = None,
    now: datetime,
) -> Block:
    """Put a new draft on the bench.

    Raises
    ------
    LifterNotFound, PlanError, TemplateNotFound, BlockNotFound
        If the lifter or the source is not this coach's or not there.
    """
    with store.reading() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
    plan = source_plan(store, coach, lifter, source)
    return drafts.start(store, coach, lifter_id, plan, start_day=start_day, by=by, now=now)
