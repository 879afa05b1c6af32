"""A block from its plan to sessions on a phone: the lifter's state, the preview, the assignment.

The baseline is frozen when a block is assigned. A plan is computed from it and from the analysis of that
moment, so the same plan and baseline give the same loads however often they are computed.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from app.planning import analysis
from app.planning.days import today_in
from app.planning.equipment import kit_of
from app.planning.plain import record
from app.storage import audit, blocks, exercises, lifters, logs, plan_changes, seasons, snapshots
from app.storage.engine import Store, Transaction
from app.storage.models import Baseline, Block, Coach, Exercise, Lifter
from app.training import exposure, repmax
from app.training.loading import USUAL_KITS, Kit
from app.training.plan import PlanDocument, plan_from_dict, plan_to_dict
from app.training.preview import ResolvedCell, ResolvedPlan, resolve
from app.training.progression import ExerciseState, LifterState
from app.training.records import (
    BlockKind,
    ExerciseAnalysis,
    Exposure,
    LoadSummary,
    Mark,
)

STEP_DAYS = 182  # how far back a lifter's usual step is looked for
OWN_CURVE_LOG_SD = 0.12  # spread left in a curve that the lifter's own sets have shown [1]


class PlanNotReady(Exception):
    """The plan has cells that are not understood, or none at all; each is named in ``problems``."""

    def __init__(self, problems: Sequence[str]) -> None:
        super().__init__("; ".join(problems))
        self.problems = tuple(problems)


class BlockOverlaps(Exception):
    """Another block of this lifter stands on some of these days."""

    def __init__(self, other: str, start_day: int, end_day: int) -> None:
        super().__init__(other)
        self.other, self.start_day, self.end_day = other, start_day, end_day


@dataclass(frozen=True, slots=True)
class PlannedDay:
    """One session of a block with what it holds, for pages and print."""

    id: int
    week: int
    day: int
    name: str
    status: str
    exercises: tuple[tuple[str, str, tuple[dict[str, Any], ...], dict[str, Any]], ...]
    """Exercise, prescription, sets, novelty."""


@dataclass(frozen=True, slots=True)
class BlockView:
    """A block with its lifter, plan and sessions."""

    block: Block
    lifter: Lifter
    plan: PlanDocument
    days: tuple[PlannedDay, ...]
    baselines: tuple[Baseline, ...]
    exercise_names: Mapping[int, str]


# What a plan needs to know -------------------------------------------------------------------------


def state_of(
    db: Transaction, coach: Coach, lifter: Lifter, *, today: int, block: Block | None = None
) -> LifterState:
    """A lifter as a plan sees them: from the last analysis, or from a block's own frozen baseline."""
    known = {one.id: one for one in exercises.all_of(db, coach)}
    kept = snapshots.of_lifter(db, lifter.id)
    whole = kept.pop(snapshots.WHOLE_LIFTER, None)
    found = {
        number: record(ExerciseAnalysis, one.body)
        for number, one in kept.items()
        if one.version == analysis.VERSION and number in known
    }
    frozen: dict[int, dict[str, Mark]] = {}
    for one in blocks.baselines(db, block.id) if block is not None else ():
        frozen.setdefault(one.exercise_id, {})[one.rep_range] = _mark(one)
    log, ids = logs.set_log(db, lifter, first_day=today - STEP_DAYS, last_day=today, held_out=False)
    settings = analysis.settings_of(lifter)
    steps = {
        number: exposure.usual_step_pct(log, index, as_of=today, settings=settings)
        for index, number in enumerate(ids)
    }
    hurt = {
        one.exercise_id for one in seasons.pains(db, lifter.id, since_day=today) if one.resolved_at is None
    }
    hurt_lifts = {known[one].main_lift or known[one].name for one in hurt if one is not None and one in known}
    names = {one.key: one.name for one in known.values()}
    states = {
        exercise.name: _exercise_state(
            exercise,
            lifter,
            # "squat" and "Squat" are one lift; the core compares names as they stand.
            names.get(exercises.key_of(exercise.main_lift or ""), exercise.main_lift),
            found.get(exercise.id),
            frozen.get(exercise.id, {}),
            steps.get(exercise.id, float("nan")),
            painful=exercise.id in hurt or (exercise.main_lift or exercise.name) in hurt_lifts,
        )
        for exercise in known.values()
    }
    loads = () if whole is None else record(tuple[LoadSummary, ...], whole.body["loads"])
    return LifterState(
        as_of=today,
        exercises=states,
        usual_week={
            one.measure: (one.usual_week_low, one.usual_week_high)
            for one in loads
            if one.usual_week_high == one.usual_week_high
        },
        settings=settings,
        floor_rir=lifter.rir_floor,
    )


def _exercise_state(
    exercise: Exercise,
    lifter: Lifter,
    main_lift: str | None,
    found: ExerciseAnalysis | None,
    baseline: Mapping[str, Mark],
    step_pct: float,
    *,
    painful: bool,
) -> ExerciseState:
    trend = None if found is None else found.trend
    exposures: tuple[Exposure, ...] = () if found is None else found.exposures
    body_mass = 0.0 if lifter.body_mass_grams is None else lifter.body_mass_grams / 1000
    return ExerciseState(
        exercise=exercise.name,
        kit=_kit(lifter, exercise.implement),
        unit="lb" if lifter.unit == "lb" else "kg",
        e1rm=None if trend is None else trend.e1rm,
        slope=None if trend is None else trend.slope_pct_per_week,
        steepness=repmax.POPULATION_STEEPNESS if trend is None else trend.curve_reps_per_fraction,
        steepness_log_sd=OWN_CURVE_LOG_SD
        if trend is not None and trend.curve_known
        else repmax.STEEPNESS_LOG_SD,
        usual_reps=_usual_reps(exposures),
        exposures=exposures,
        baseline=baseline,
        usual_step_pct=step_pct,
        body_mass_share_kg=exercise.body_mass_share * body_mass,
        main_lift=main_lift,
        painful=painful,
    )


def _kit(lifter: Lifter, implement: str) -> Kit:
    return kit_of(lifter, implement) or USUAL_KITS["barbell", "lb" if lifter.unit == "lb" else "kg"]


def _usual_reps(exposures: Sequence[Exposure]) -> float:
    """Repetitions to failure at which a lifter is mostly seen."""
    seen = [
        (
            one.working_sets,
            one.recent_best.reps
            + (2 if one.recent_best.rpe != one.recent_best.rpe else 10 - one.recent_best.rpe),
        )
        for one in exposures
        if one.recent_best is not None and one.working_sets
    ]
    total = sum(sets for sets, _ in seen)
    return 6.0 if not total else sum(sets * reps for sets, reps in seen) / total


def _mark(one: Baseline) -> Mark:
    rpe = float("nan") if one.rpe_tenths is None else one.rpe_tenths / 10
    return Mark(one.load_grams / 1000, one.reps, rpe, one.day, one.e1rm_grams / 1000)


# Looking before assigning --------------------------------------------------------------------------


def fresh_state(store: Store, coach: Coach, lifter_id: int, *, now: datetime) -> tuple[Lifter, LifterState]:
    """The lifter and their state as of now, analysed anew first if something came in since.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.reading() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
    if lifter.stale_at is not None:
        analysis.recompute(store, lifter_id, now=now)
    with store.reading() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        return lifter, state_of(db, coach, lifter, today=today_in(lifter.time_zone, now))


def preview(
    store: Store,
    coach: Coach,
    lifter_id: int,
    plan: PlanDocument,
    *,
    start_day: int,
    next_kind: BlockKind | None = None,
    now: datetime,
) -> ResolvedPlan:
    """What a plan would mean for this lifter; nothing is stored."""
    _, state = fresh_state(store, coach, lifter_id, now=now)
    return resolve(plan, state, start_day=start_day, next_kind=next_kind)


def problems(plan: PlanDocument) -> list[str]:
    """Why a plan cannot be assigned, each as a sentence."""
    names = {row.id: row.exercise for _, row in plan.lines}
    found = [
        f"{names[one.row]}, week {one.week + 1}: “{one.text[:40]}” is not understood. {one.sentence}"
        for one in plan.errors
    ]
    if plan.empty:
        found.append("The plan has no prescription yet. Write one in a cell, for example 3 x 5 @ RPE 8")
    return found


# Assigning ----------------------------------------------------------------------------------------


def assign(
    store: Store,
    coach: Coach,
    lifter_id: int,
    plan: PlanDocument,
    *,
    start_day: int,
    by: str | None = None,
    cut_running: bool = True,
    also: Callable[[Transaction, Block], None] | None = None,
    now: datetime,
) -> Block:
    """Give a lifter a block: baseline frozen, loads computed, sessions on the calendar.

    A block that runs into the new one is ended the day before it, if ``cut_running``. What ``also`` does
    is done with it or not at all.

    Raises
    ------
    LifterNotFound, PlanNotReady, BlockOverlaps
        If the lifter is not this coach's, the plan cannot be assigned, or its days are taken.
    """
    wrong = problems(plan)
    if wrong:
        raise PlanNotReady(wrong)
    fresh_state(store, coach, lifter_id, now=now)
    with store.transaction() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        last_day = start_day + 7 * plan.weeks - 1
        _clear_days(db, coach, lifter, start_day, last_day, cut=cut_running, now=now)
        ensure_exercises(db, coach, plan)
        state = state_of(db, coach, lifter, today=today_in(lifter.time_zone, now))
        resolved = resolve(plan, state, start_day=start_day)
        block = put(db, lifter, plan, start_day=start_day, status="assigned", now=now)
        freeze(db, coach, block, state, {row.exercise for _, row in plan.lines})
        write_sessions(db, coach, block, plan, resolved)
        blocks.save_version(db, block, by=by or coach.name, why="assigned", at=now)
        lifters.mark_stale(db, [lifter.id], now)
        audit.record(
            db,
            kind="block assigned",
            actor=by or coach.name,
            coach_id=coach.id,
            lifter_id=lifter.id,
            at=now,
            block=block.name,
        )
        if also is not None:
            also(db, block)
        return block


def put(
    db: Transaction,
    lifter: Lifter,
    plan: PlanDocument,
    *,
    start_day: int,
    end_day: int | None = None,
    status: str,
    now: datetime,
) -> Block:
    """Write the row of a block from its plan: as long as the plan unless an end is given."""
    return blocks.add(
        db,
        lifter.id,
        name=plan.name,
        kind=plan.kind,
        purpose=plan.purpose,
        start_day=start_day,
        end_day=start_day + 7 * plan.weeks - 1 if end_day is None else end_day,
        status=status,
        plan=plan_to_dict(plan),
        rules={},
        assigned_at=None if status == "draft" else now,
        created_at=now,
        updated_at=now,
    )


def freeze(db: Transaction, coach: Coach, block: Block, state: LifterState, names: Iterable[str]) -> None:
    """Keep the recent bests of these exercises as the block's baseline, for good."""
    known = exercises.by_key(db, coach)
    rows = []
    for name in sorted(set(names)):
        exercise, seen = known.get(exercises.key_of(name)), state.exercises.get(name)
        if exercise is None or seen is None:
            continue
        for one in seen.exposures:
            if one.recent_best is None:
                continue
            mark = one.recent_best
            rows.append(
                {
                    "exercise_id": exercise.id,
                    "rep_range": one.rep_range,
                    "load_grams": round(mark.load_kg * 1000),
                    "reps": mark.reps,
                    "rpe_tenths": None if mark.rpe != mark.rpe else round(mark.rpe * 10),
                    "day": mark.day,
                    "e1rm_grams": round(mark.e1rm_kg * 1000),
                }
            )
    blocks.put_baselines(db, block.id, rows)


def weeks_settled(db: Transaction, block: Block, today: int) -> int:
    """How many weeks of a block have begun or were trained in already, and so stay where they are."""
    begun = max(0, (today - block.start_day) // 7 + 1)
    return max([begun, *(week for week, _ in plan_changes.trained_places(db, block.id))])


def write_sessions(
    db: Transaction,
    coach: Coach,
    block: Block,
    plan: PlanDocument,
    resolved: ResolvedPlan,
    *,
    from_day: int = 0,
    only: Collection[tuple[int, int]] | None = None,
) -> None:
    """Put the computed sessions from a day on into the calendar, in the place of those still to be done.

    ``only`` names them by week (from 1) and place in the week; the others stay as they were given out.
    """
    blocks.remove_planned(db, block.id, from_day=from_day, only=only)
    blocks.put_weeks(
        db,
        block.id,
        (
            {
                "number": week.week + 1,
                "start_day": block.start_day + 7 * week.week,
                "emphasis": week.emphasis,
                "planned_stress": dict(week.stress),
            }
            for week in resolved.weeks
        ),
    )
    kept = {(one.week, one.position) for one in blocks.sessions(db, block.id)}
    known = exercises.by_key(db, coach)
    by_session: dict[tuple[int, int], list[ResolvedCell]] = {}
    places = {row.id: place for place, session in enumerate(plan.sessions) for row in session.rows}
    order = {row.id: number for number, (_, row) in enumerate(plan.lines)}
    for cell in resolved.cells:
        key = (cell.week + 1, places[cell.row])
        wanted_now = only is None or key in only
        # A block that was ended early keeps its plan whole; what lies past its last day is not given out.
        open_day = from_day <= block.start_day + cell.day <= block.end_day
        if cell.sets and wanted_now and key not in kept and open_day:
            by_session.setdefault(key, []).append(cell)
    wanted = sorted(by_session)
    numbers = blocks.add_sessions(
        db,
        [
            {
                "block_id": block.id,
                "lifter_id": block.lifter_id,
                "week": week,
                "position": place,
                "name": plan.sessions[place].name,
                "day": block.start_day + by_session[week, place][0].day,
            }
            for week, place in wanted
        ],
    )
    blocks.add_prescriptions(
        db,
        [
            {
                "planned_session_id": number,
                "lifter_id": block.lifter_id,
                "exercise_id": known[exercises.key_of(cell.exercise)].id,
                "position": position,
                "text": cell.text[:200],
                "sets": _sets(cell),
                "novelty": _novelty(cell),
                "predicted": {}
                if cell.rir is None
                else {"rir": cell.rir.mean, "low": cell.rir.low, "high": cell.rir.high},
                "note": "\n".join(part for part in (cell.prescription.note, plan.row(cell.row).note) if part),
            }
            for key, number in zip(wanted, numbers, strict=True)
            for position, cell in enumerate(sorted(by_session[key], key=lambda one: order[one.row]))
        ],
    )


def _sets(cell: ResolvedCell) -> list[dict[str, Any]]:
    return [
        {
            "load_grams": one.load_grams,
            "reps": one.reps,
            "reps_high": one.reps_high,
            "amrap": one.amrap,
            "rpe": one.rpe,
            "seconds": one.seconds,
            "metres": one.metres,
            "rest_s": cell.prescription.rest_s,
        }
        for one in cell.sets
    ]


def _novelty(cell: ResolvedCell) -> dict[str, Any]:
    new = cell.novelty
    if new is None:
        return {}
    return {
        "kind": new.kind,
        "step_pct": _finite(new.step_pct),
        "step_kg": _finite(new.load_step_kg),
        "rep_range": new.rep_range,
        "weeks_since": new.weeks_since,
        "beyond_baseline_kg": _finite(new.beyond_baseline_kg),
        "sentence": new.sentence,
    }


def _finite(value: float) -> float | None:
    return value if value == value else None


def ensure_exercises(db: Transaction, coach: Coach, plan: PlanDocument) -> None:
    """Exercises that a plan names and the coach does not have yet."""
    known = exercises.by_key(db, coach)
    for name in sorted({row.exercise for _, row in plan.lines}):
        if exercises.key_of(name) not in known:
            known[exercises.key_of(name)] = exercises.add(db, coach, name)


def _clear_days(
    db: Transaction, coach: Coach, lifter: Lifter, first: int, last: int, *, cut: bool, now: datetime
) -> None:
    """Make room: a block that began before the first day ends the day before; any other stands in the way."""
    for other in blocks.of_lifter(db, lifter.id):
        if other.status == "draft" or other.end_day < first or other.start_day > last:
            continue
        if other.start_day >= first or not cut:
            raise BlockOverlaps(other.name, other.start_day, other.end_day)
        # What is taken off the calendar is kept, so that it can be put back as it was given out.
        plan_changes.add(
            db,
            other,
            at=now,
            rule=plan_changes.BY_COACH,
            why=f"The rest of “{other.name}” was assigned anew.",
            before=list(calendar(db, coach, other, from_day=first).values()),
            after=[],
            told=False,
        )
        blocks.remove_planned(db, other.id, from_day=first)
        other.end_day = first - 1


Place = tuple[int, int]
"""Week of a block, from 1, and place in the week, from 0."""


def calendar(db: Transaction, coach: Coach, block: Block, *, from_day: int) -> dict[Place, dict[str, Any]]:
    """Sessions still to be done from a day on, by place, whole, as they were given out.

    They name no row by its number, so that two of them can be compared and one be kept in a document.
    """
    names = {one.id: one.name for one in exercises.all_of(db, coach)}
    sessions = {
        one.id: one
        for one in blocks.sessions(db, block.id)
        if one.status == "planned" and one.day >= from_day
    }
    held: dict[int, list[dict[str, Any]]] = {one: [] for one in sessions}
    for each in blocks.prescriptions(db, list(sessions)):
        held[each.planned_session_id].append(
            {
                "exercise": names[each.exercise_id],
                "text": each.text,
                "sets": each.sets,
                "novelty": each.novelty,
                "predicted": each.predicted,
                "note": each.note,
            }
        )
    return {
        (one.week, one.position): {
            "week": one.week,
            "position": one.position,
            "day": one.day,
            "name": one.name,
            "note": one.note,
            "exercises": held[one.id],
        }
        for one in sessions.values()
    }


def put_calendar(
    db: Transaction, coach: Coach, block: Block, sessions: Iterable[Mapping[str, Any]], *, from_day: int
) -> None:
    """Put sessions of `calendar` back, those from a day on whose place is free."""
    kept = {(one.week, one.position) for one in blocks.sessions(db, block.id)}
    wanted = [
        one for one in sessions if one["day"] >= from_day and (one["week"], one["position"]) not in kept
    ]
    known = exercises.by_key(db, coach)
    for name in sorted({each["exercise"] for one in wanted for each in one["exercises"]}):
        if exercises.key_of(name) not in known:  # Renamed since: the block's plan has the name of then.
            known[exercises.key_of(name)] = exercises.add(db, coach, name)
    numbers = blocks.add_sessions(
        db,
        [
            {key: one[key] for key in ("week", "position", "day", "name", "note")}
            | {"block_id": block.id, "lifter_id": block.lifter_id}
            for one in wanted
        ],
    )
    blocks.add_prescriptions(
        db,
        [
            {key: each[key] for key in ("text", "sets", "novelty", "predicted", "note")}
            | {
                "planned_session_id": number,
                "lifter_id": block.lifter_id,
                "exercise_id": known[exercises.key_of(each["exercise"])].id,
                "position": position,
            }
            for number, one in zip(numbers, wanted, strict=True)
            for position, each in enumerate(one["exercises"])
        ],
    )


# Reading ------------------------------------------------------------------------------------------


def view(store: Store, coach: Coach, block_id: int) -> BlockView:
    """A block with its plan and sessions.

    Raises
    ------
    BlockNotFound
        If it is not a block of one of this coach's lifters.
    """
    with store.reading() as db:
        block, lifter = blocks.of_coach(db, coach, block_id)
        names = {one.id: one.name for one in exercises.all_of(db, coach)}
        sessions = blocks.sessions(db, block.id)
        held: dict[int, list[Any]] = {one.id: [] for one in sessions}
        for one in blocks.prescriptions(db, list(held)):
            held[one.planned_session_id].append(
                (names[one.exercise_id], one.text, tuple(one.sets), one.novelty)
            )
        return BlockView(
            block=block,
            lifter=lifter,
            plan=plan_from_dict(block.plan),
            days=tuple(
                PlannedDay(one.id, one.week, one.day, one.name, one.status, tuple(held[one.id]))
                for one in sessions
            ),
            baselines=tuple(blocks.baselines(db, block.id)),
            exercise_names=names,
        )
