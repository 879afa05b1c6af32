"""The same block under different steps, spacings or step-backs, each computed for its lifter.

Stress and reserve follow from the plan. The trend at the block's end is the lifter's own level and slope; it
knows nothing of the plan, and says so. Where the response model forecast this lift's past better than that,
it speaks instead, and then the ways differ.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from typing import Literal, get_args

import numpy as np

from app.planning import blocks as planning_blocks
from app.planning import drafts
from app.planning.days import today_in
from app.planning.plain import record
from app.storage import blocks, lifters, logs, snapshots
from app.storage.engine import Store
from app.storage.models import Block, Coach, Lifter
from app.training import dose
from app.training import plan as plans
from app.training.plan import Edit, PlanDocument, PlanError, SetCells, plan_from_dict
from app.training.prescription import Mass, print_prescription
from app.training.preview import MEASURES, ResolvedCell, ResolvedPlan, Variant, resolve, what_if
from app.training.progression import LifterState
from app.training.records import Estimate, ExerciseAnalysis, Trend
from app.training.resolving import share_of
from app.training.response import HORIZONS, MINIMUM_POINTS, Response, fit_response
from app.training.rules import (
    AddEffort,
    AddLoad,
    Change,
    EveryNthWeek,
    Percent,
    RepsThenLoad,
    Rule,
    Step,
    StepBack,
    Wave,
)

Subject = Literal["steps", "spacing", "step-backs"]
SUBJECTS: tuple[Subject, ...] = get_args(Subject)
LIFTS_SHOWN = 3
STEPS = (
    (Decimal("0.5"), "Half the step"),
    (Decimal("1.5"), "Half as much again"),
    (Decimal(2), "Twice the step"),
)
MEASURE = "relative_volume_load"


@dataclass(frozen=True, slots=True)
class Way:
    """One way the block could go.

    ``ends`` is the predicted e1RM at its end by lift [kg], ``by_response`` the lifts whose response model
    predicts it; the others' comes from the trend.
    """

    name: str
    says: str
    variant: Variant
    edits: tuple[Edit, ...]
    reserve: tuple[Estimate | None, ...]
    """Predicted reserve of the hardest set of each week. [reps]"""
    runs_out_week: int | None
    ends: Mapping[str, Estimate]
    by_response: frozenset[str]

    @property
    def stress(self) -> tuple[float, ...]:
        return self.variant.stress[MEASURE]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Ways beside each other; the first is the block as written. ``nothing`` says why there is only that.

    ``silent`` says by lift why its response model does not speak about the end of this block.
    """

    block: Block
    lifter: Lifter
    plan: PlanDocument
    subject: Subject
    ways: tuple[Way, ...]
    lifts: tuple[str, ...]
    usual: tuple[float, float] | None
    nothing: str
    silent: Mapping[str, str]


def compare(store: Store, coach: Coach, block_id: int, subject: Subject, *, now: datetime) -> Comparison:
    """A block as written and under other steps, spacings or step-backs.

    Raises
    ------
    BlockNotFound
        If it is not a block of one of this coach's lifters.
    """
    lifter, block, written = _read(store, coach, block_id, now=now)
    plan, state, today = written.plan, written.state, written.state.as_of
    offered = _ways_of(written, subject)
    variants = what_if(
        plan,
        {"As written": (), **{name: edits for name, _, edits in offered}},
        state,
        start_day=block.start_day,
    )
    says = {name: words for name, words, _ in offered}
    edits_of = {name: tuple(edits) for name, _, edits in offered}
    lifts = _lifts(plan, state)
    fitted = _responses(store, coach, lifter, lifts, today=today)
    silent = {lift: why for lift in lifts if (why := _why_silent(fitted.get(lift), block.end_day - today))}
    responses = {lift: found for lift, found in fitted.items() if lift not in silent}
    ways = []
    seen: list[tuple[tuple[object, ...], ...]] = []
    for one in variants:
        work = tuple((cell.row, cell.week, cell.sets) for cell in one.resolved.cells)
        if work in seen:
            continue  # A step the plates cannot show, or a step back that never comes: the same block.
        seen.append(work)
        ends = {lift: one.end_e1rm[lift] for lift in lifts if lift in one.end_e1rm}
        spoken = {
            lift: found
            for lift, (response, usual) in responses.items()
            for found in [_by_response(response, usual, one.resolved, lift, block, today)]
        }
        ways.append(
            Way(
                one.name,
                says.get(one.name, ""),
                one,
                edits_of.get(one.name, ()),
                _reserve(one.resolved, plan.weeks),
                min(
                    (row.runs_out_week for row in one.resolved.rows if row.runs_out_week is not None),
                    default=None,
                ),
                ends | spoken,
                frozenset(spoken),
            )
        )
    nothing = "" if len(ways) > 1 else _why_nothing(subject)
    return Comparison(
        block, lifter, plan, subject, tuple(ways), lifts, state.usual_week.get(MEASURE), nothing, silent
    )


def _read(store: Store, coach: Coach, block_id: int, *, now: datetime) -> tuple[Lifter, Block, _Written]:
    with store.reading() as db:
        block, lifter = blocks.of_coach(db, coach, block_id)
        today = today_in(lifter.time_zone, now)
        frozen = None if block.status == "draft" else block
        state = planning_blocks.state_of(db, coach, lifter, today=today, block=frozen)
    return lifter, block, _written(block, state, today)


def take(
    store: Store,
    coach: Coach,
    block_id: int,
    subject: Subject,
    name: str,
    *,
    version: int,
    by: str,
    now: datetime,
) -> Block:
    """Make a block go one of the ways compared: a draft at once, a running one from today on.

    Raises
    ------
    BlockNotFound, BlockChanged, PlanError, NotRunning
        If it is not this coach's, was saved meanwhile, has no such way, or is over.
    """
    block, written = _read(store, coach, block_id, now=now)[1:]
    if block.version != version:
        raise drafts.BlockChanged(written.plan, block.version)
    edits = next((edits for one, _, edits in _ways_of(written, subject) if one == name), None)
    if edits is None:
        raise PlanError("The block has no such way any more. Compare again.")
    if block.status == "draft":
        return drafts.save(store, coach, block_id, edits, version=version, by=by, now=now)
    why = f"{name}, chosen beside the others"
    return drafts.change(store, coach, block_id, edits, version=version, why=why, by=by, now=now)


# The ways -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Written:
    """A plan with what it comes to for its lifter, and the first week that can still be changed."""

    plan: PlanDocument
    resolved: ResolvedPlan
    state: LifterState
    from_week: int


def _written(block: Block, state: LifterState, today: int) -> _Written:
    plan = plan_from_dict(block.plan)
    begun = block.status != "draft" and block.start_day <= today
    resolved = resolve(plan, state, start_day=block.start_day)
    return _Written(plan, resolved, state, (today - block.start_day) // 7 + 1 if begun else 0)


def _ways_of(written: _Written, subject: Subject) -> list[tuple[str, str, list[Edit]]]:
    """Name, what it means, and edits of each way that differs from the plan as written.

    Rows that climb by a rule get another rule. Rows with every week typed get other texts; how often those
    are trained is typed too, so there is no other spacing of them.
    """
    plan = written.plan
    if subject == "steps":
        found = [(name, _times(factor), _steps(plan, factor)) for factor, name in STEPS]
        found += [
            (f"{name} throughout", "loads of the cells that are typed", _throughout(written, Decimal(factor)))
            for name, factor in (("5 % lighter", "0.95"), ("2.5 % heavier", "1.025"), ("5 % heavier", "1.05"))
        ]
    elif subject == "spacing":
        found = [
            (words, "rows that climb are trained so seldom", _spaced(plan, weeks))
            for weeks, words in ((1, "Every week"), (2, "Every second week"), (3, "Every third week"))
        ]
    else:
        found = [
            ("No step back", "climbs to the end", _step_backs(plan, None)),
            *(
                (
                    f"Step back after {weeks} weeks",
                    "a tenth less load and two sets in five fewer for a week",
                    [*_step_backs(plan, StepBack(every=weeks)), *_eased(written, weeks)],
                )
                for weeks in (3, 4, 5)
            ),
            (
                "Step back when headroom ends",
                "the week the reserve would fall under one repetition",
                _step_backs(plan, StepBack(every=None, floor=Decimal(1))),
            ),
        ]
    return [one for one in found if one[2]]


def _typed(written: _Written) -> list[ResolvedCell]:
    """Cells still to be done that stand as typed in rows that no rule moves."""
    still = {row.id for _, row in written.plan.lines if not any(_climbs(rule) for rule in row.rules)}
    return [
        cell
        for cell in written.resolved.cells
        if cell.row in still and cell.week >= written.from_week and cell.source == "typed"
    ]


def _changed(written: _Written, cells: Sequence[ResolvedCell], change: Change) -> list[Edit]:
    """These cells by another load, where one is known, and fewer sets, as texts."""
    texts = []
    for cell in cells:
        state = written.state.exercises.get(cell.exercise)
        loads, at = [], 0
        for group in cell.prescription.groups:
            loads.append(cell.sets[at].load_grams if at < len(cell.sets) else None)
            at += len(group.sets)
        if any(load is not None for load in loads):
            changed = print_prescription(share_of(cell.prescription, loads, state, change))
            texts.append((cell.row, cell.week, changed))
    return [SetCells(tuple(texts))] if texts else []


def _throughout(written: _Written, factor: Decimal) -> list[Edit]:
    return _changed(written, _typed(written), Change(load_factor=factor))


def _eased(written: _Written, weeks: int) -> list[Edit]:
    light = [one for one in _typed(written) if one.week % (weeks + 1) == weeks]
    return _changed(written, light, Change(load_factor=Decimal("0.9"), sets_factor=0.6))


def _times(factor: Decimal) -> str:
    return f"each rule's step times {factor:g}"


def _climbs(rule: Rule) -> bool:
    return isinstance(rule, AddLoad | RepsThenLoad | AddEffort | Wave)


def _steps(plan: PlanDocument, factor: Decimal) -> list[Edit]:
    edits: list[Edit] = []
    for _, row in plan.lines:
        rules = tuple(_scaled(rule, factor) for rule in row.rules)
        edits += plans.set_rules(plan, row.id, rules)
    return edits


def _scaled(rule: Rule, factor: Decimal) -> Rule:
    match rule:
        case AddLoad(step=step) | RepsThenLoad(step=step):
            return replace(rule, step=_step(step, factor))
        case Wave(step=step, between=between):
            return replace(rule, step=_step(step, factor), between=_step(between, factor))
        case AddEffort(step=points):
            return replace(rule, step=points * factor)
    return rule


def _step(step: Step, factor: Decimal) -> Step:
    if isinstance(step, Percent):
        return Percent(step.value * factor)
    return Mass(step.value * factor, step.unit)


def _spaced(plan: PlanDocument, weeks: int) -> list[Edit]:
    edits: list[Edit] = []
    for _, row in plan.lines:
        if any(_climbs(rule) for rule in row.rules):
            kept = tuple(rule for rule in row.rules if not isinstance(rule, EveryNthWeek))
            edits += plans.set_rules(plan, row.id, (*kept, EveryNthWeek(weeks)) if weeks > 1 else kept)
    return edits


def _step_backs(plan: PlanDocument, step_back: StepBack | None) -> list[Edit]:
    edits: list[Edit] = []
    for _, row in plan.lines:
        if any(_climbs(rule) for rule in row.rules):
            kept = tuple(rule for rule in row.rules if not isinstance(rule, StepBack))
            edits += plans.set_rules(plan, row.id, kept if step_back is None else (*kept, step_back))
    return edits


def _why_nothing(subject: Subject) -> str:
    return (
        f"There is nothing to compare under {subject}: no row of this block climbs by a rule, or no load of "
        "it is known. Leave the cells behind the first one empty and give the row a rule in its menu."
    )


# What it comes to -----------------------------------------------------------------------------------


def _lifts(plan: PlanDocument, state: LifterState) -> tuple[str, ...]:
    names = dict.fromkeys(row.exercise for _, row in plan.lines)
    known = [one for one in names if one in state.exercises and state.exercises[one].e1rm is not None]
    main = [one for one in known if state.exercises[one].main_lift == one]
    return tuple((main or known)[:LIFTS_SHOWN])


def _reserve(resolved: ResolvedPlan, weeks: int) -> tuple[Estimate | None, ...]:
    hardest: list[Estimate | None] = [None] * weeks
    for cell in resolved.cells:
        held = hardest[cell.week]
        if cell.rir is not None and (held is None or cell.rir.mean < held.mean):
            hardest[cell.week] = cell.rir
    return tuple(hardest)


def _responses(
    store: Store, coach: Coach, lifter: Lifter, lifts: Sequence[str], *, today: int
) -> dict[str, tuple[Response, float]]:
    """Response models, whether they may speak or not, with the stress of a usual training day, by lift."""
    with store.reading() as db:
        held = lifters.of_coach(db, coach, lifter.id)
        log, _ = logs.set_log(db, held, last_day=today, held_out=False)
        kept = snapshots.of_lifter(db, held.id)
    trends: dict[str, Trend] = {}
    for number, one in kept.items():
        if number != snapshots.WHOLE_LIFTER:
            found = record(ExerciseAnalysis, one.body)
            if found.exercise in lifts and found.trend is not None:
                trends[found.exercise] = found.trend
    per_set = dose.per_set(log)[MEASURE] if log.day.size else np.zeros(0)
    known = {}
    for index, exercise in enumerate(log.exercises):
        mine = log.exercise == index
        trend = trends.get(exercise.name)
        if trend is None or not mine.any():
            continue
        fitted = fit_response(trend.point_day, trend.point_kg, log.day[mine], per_set[mine], as_of=today)
        if fitted is not None:
            daily = np.bincount(log.day[mine] - int(log.day[mine].min()), per_set[mine])
            known[exercise.name] = (fitted, float(daily[daily > 0].mean()))
    return known


def _why_silent(fitted: tuple[Response, float] | None, ahead: int) -> str:
    """Why a lift's response model says nothing of a day so far ahead [d], in words; "" if it may speak."""
    if fitted is None:
        return f"It needs {MINIMUM_POINTS} analysed weeks with sessions of this lift."
    if not fitted[0].speaks:
        return fitted[0].sentence
    if ahead < 1:
        return "The block is over."
    if ahead >= HORIZONS[-1]:
        return (
            f"Its skill is known for {HORIZONS[-1]} days ahead, and the block's end is {ahead + 1} days away."
        )
    return ""


def _by_response(
    response: Response, usual: float, resolved: ResolvedPlan, lift: str, block: Block, today: int
) -> Estimate:
    """Strength on the day after the block by a response model that may speak of it."""
    length = block.end_day - today
    ahead = np.zeros(length)
    place = MEASURES.index(MEASURE)
    for cell in resolved.cells:
        day = block.start_day + cell.day - today - 1
        if cell.exercise == lift and 0 <= day < length:
            ahead[day] += cell.stress[place] / usual
    found = response.forecast(ahead)
    return Estimate(float(found.kg[-1]), float(found.low_kg[-1]), float(found.high_kg[-1]))
