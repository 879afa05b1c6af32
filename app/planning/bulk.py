"""One template for many lifters, each computed from their own baseline: what differs, who needs attention.

The work is done lifter by lifter, so that a page can ask for a few at a time and show how far it is. The
first day of each is fixed when it is looked at and handed back with the assignment: sent twice, the second
is refused because the days are taken, never appended.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from app.planning import blocks as planning_blocks
from app.planning import builder
from app.planning.days import monday_of, short, today_in
from app.storage import blocks, lifters
from app.storage.engine import Store, StoreError
from app.storage.models import Block, Coach, Lifter
from app.training.plan import PlanDocument
from app.training.preview import PlanWarning, ResolvedCell, ResolvedPlan, resolve
from app.training.progression import LifterState
from app.training.units import format_mass

LIFTS_SHOWN = 4
ASKS_ATTENTION = ("pain", "leap", "no_step_back")
"""Kinds of warnings for which a lifter is worth opening before the block is given out."""


@dataclass(frozen=True, slots=True)
class FirstDose:
    """What a lifter starts a lift with. ``load`` is text in the lifter's unit, empty if they choose it."""

    lift: str
    load: str
    text: str
    novelty: str


@dataclass(frozen=True, slots=True)
class Line:
    """One lifter of the table. ``clash`` says why it cannot be assigned, empty if it can."""

    lifter: Lifter
    start_day: int
    first: tuple[FirstDose, ...]
    warnings: int
    attention: tuple[str, ...]
    runs_out_week: int | None
    ends_first: str
    clash: str


@dataclass(frozen=True, slots=True)
class Given:
    """What became of one lifter's assignment; ``refused`` says why it was not made."""

    lifter: Lifter
    block: Block | None
    refused: str


def chosen(store: Store, coach: Coach, lifter_ids: Sequence[int]) -> list[Lifter]:
    """Those of these lifters who are this coach's, by name; everybody else is left out."""
    wanted = set(lifter_ids)
    with store.reading() as db:
        return [one for one in lifters.roster(db, coach) if one.id in wanted]


def lifts_of(plan: PlanDocument, state: LifterState) -> tuple[str, ...]:
    """The lifts a table shows: main lifts of the plan in its order, or whatever it trains if it has none."""
    names = tuple(dict.fromkeys(row.exercise for _, row in plan.lines))
    main = [name for name in names if name in state.exercises and state.exercises[name].main_lift == name]
    return tuple((main or names)[:LIFTS_SHOWN])


def look(
    store: Store,
    coach: Coach,
    lifter: Lifter,
    plan: PlanDocument,
    *,
    start_day: int | None,
    now: datetime,
) -> Line:
    """What a plan would be for one lifter. ``start_day`` None is the day after their last block.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    lifter, state = planning_blocks.fresh_state(store, coach, lifter.id, now=now)
    today = today_in(lifter.time_zone, now)
    with store.reading() as db:
        given = [one for one in blocks.of_lifter(db, lifter.id) if one.status != "draft"]
    if start_day is None:
        last = max((one.end_day for one in given), default=0)
        start_day = max(last + 1, monday_of(today + 6))
    ends_first, clash = _in_the_way(given, start_day, start_day + 7 * plan.weeks - 1)
    if start_day < today:
        clash = f"{short(start_day)} is over where {lifter.name} lives. Choose a later day."
    resolved = resolve(plan, state, start_day=start_day)
    return Line(
        lifter,
        start_day,
        _first_doses(plan, resolved, state, lifter),
        len(resolved.warnings),
        _attention(plan, resolved, state),
        min((one.runs_out_week for one in resolved.rows if one.runs_out_week is not None), default=None),
        ends_first,
        clash,
    )


def give(
    store: Store, coach: Coach, lifter: Lifter, plan: PlanDocument, *, start_day: int, by: str, now: datetime
) -> Given:
    """Assign the plan to one lifter from a day on; a refusal comes back in words."""
    try:
        block = planning_blocks.assign(store, coach, lifter.id, plan, start_day=start_day, by=by, now=now)
    except planning_blocks.BlockOverlaps as other:
        return Given(lifter, None, f"“{other.other}” stands from {short(other.start_day)} on these days.")
    except planning_blocks.PlanNotReady as wrong:
        return Given(lifter, None, " ".join(wrong.problems))
    except StoreError as failed:
        # Others before this one have their block: the table has to say who has and who has not.
        return Given(lifter, None, f"Nothing was stored for them: {failed}. Assign it again later.")
    return Given(lifter, block, "")


def plans_by_unit(
    store: Store, coach: Coach, people: Sequence[Lifter], source: str
) -> Mapping[str, PlanDocument]:
    """The template in the units these lifters train in.

    Raises
    ------
    PlanError, TemplateNotFound
        If there is no such template.
    """
    found: dict[str, PlanDocument] = {}
    for lifter in people:
        if lifter.unit not in found:
            found[lifter.unit] = builder.source_plan(store, coach, lifter, source)
    return found


def _in_the_way(given: Sequence[Block], first: int, last: int) -> tuple[str, str]:
    """What would be ended the day before, and what stands in the way."""
    ends, clash = "", ""
    for one in given:
        if one.end_day < first or one.start_day > last:
            continue
        if one.start_day < first:
            ends = f"ends “{one.name}” on {short(first - 1)}"
        else:
            clash = f"“{one.name}” stands from {short(one.start_day)} on these days."
    return ends, clash


def _first_doses(
    plan: PlanDocument, resolved: ResolvedPlan, state: LifterState, lifter: Lifter
) -> tuple[FirstDose, ...]:
    first: dict[str, ResolvedCell] = {}
    for cell in resolved.cells:
        if cell.sets:
            first.setdefault(cell.exercise, cell)
    found = []
    for lift in lifts_of(plan, state):
        if lift not in first:
            found.append(FirstDose(lift, "", "", ""))
            continue
        cell = first[lift]
        load = (
            ""
            if cell.top_grams is None
            else format_mass(cell.top_grams, "lb" if lifter.unit == "lb" else "kg")
        )
        found.append(FirstDose(lift, load, cell.text, "" if cell.novelty is None else cell.novelty.kind))
    return tuple(found)


def _attention(plan: PlanDocument, resolved: ResolvedPlan, state: LifterState) -> tuple[str, ...]:
    """Why a lifter should be looked at alone, most pressing first; empty if the template simply fits."""
    pressing: list[PlanWarning] = sorted(
        (one for one in resolved.warnings if one.kind in ASKS_ATTENTION),
        key=lambda one: ASKS_ATTENTION.index(one.kind),
    )
    said = [one.sentence for one in pressing]
    unknown = [
        lift
        for lift in dict.fromkeys(row.exercise for _, row in plan.lines)
        if lift not in state.exercises or state.exercises[lift].e1rm is None
    ]
    trained = len({row.exercise for _, row in plan.lines})
    if unknown and len(unknown) == trained:
        said.append("Too little is logged to compute any load; the lifter finds them by effort.")
    elif unknown:
        said.append(
            f"No loads computed for {', '.join(unknown[:3])}{' and others' if len(unknown) > 3 else ''}."
        )
    return tuple(said)
