"""What a coach does about a flag, with the plan's change shown first, and what it led to.

A decision keeps the state it was made on (trend, stress, flag) and a day to look again. On that day the
lifter's state is compared with it: how the level moved and how sure that is, how stress moved, what became
of the flag. The comparison is the lifter's own before and after; it does not prove what caused it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from statistics import NormalDist
from typing import Any

import numpy as np

from app.planning import answers, drafts, season
from app.planning import blocks as planning_blocks
from app.planning.analysis import VERSION, LifterView, lifter_view
from app.planning.days import today_in
from app.planning.drafts import CellChange
from app.planning.flags import FlagView
from app.planning.lengthening import lengthened
from app.planning.plain import record
from app.planning.roster import refresh_needs
from app.storage import audit, blocks, decisions, exercises, flags, lifters, seasons, snapshots
from app.storage.engine import Store, Transaction
from app.storage.models import Block, Coach, Decision, Lifter
from app.training import plan as plans
from app.training.loading import loadable
from app.training.plan import DeleteWeek, Edit, PlanDocument, SetCells, plan_from_dict
from app.training.preview import ResolvedCell, ResolvedPlan, resolve
from app.training.records import ExerciseAnalysis
from app.training.units import Unit, format_mass, mass_number

Z90 = 1.6448536269514722
STRESS_WEEKS = 4

LABELS: Mapping[str, str] = {
    "hold_course": "Hold course",
    "step_back": "Step back",
    "spread_out": "Spread heavy work out",
    "change_range": "Change the range",
    "change_exercise": "Change the exercise",
    "end_block": "End the block",
    "extend_block": "Extend the block",
    "re_baseline": "Re-baseline the rest",
    "correct_data": "Correct the log",
    "write": "Write to the lifter",
    "refer_out": "Refer out",
}
LOOK_AGAIN_DAYS: Mapping[str, int] = {
    "hold_course": 14,
    "step_back": 21,
    "spread_out": 28,
    "change_range": 28,
    "change_exercise": 28,
    "end_block": 21,
    "extend_block": 21,
    "re_baseline": 28,
    "correct_data": 3,
    "write": 5,
    "refer_out": 7,
}
OPTIONS: Mapping[str, tuple[str, ...]] = {
    "stall": ("step_back", "spread_out", "change_range", "change_exercise", "hold_course", "end_block"),
    "regression": ("step_back", "end_block", "spread_out", "change_range", "hold_course"),
    "low_headroom": ("step_back", "spread_out", "end_block", "hold_course"),
    "load_spike": ("step_back", "hold_course", "write"),
    "effort_drift": ("step_back", "re_baseline", "hold_course", "write"),
    "stale_stimulus": ("change_range", "change_exercise", "hold_course"),
    "detraining": ("re_baseline", "hold_course", "write"),
    "missed_work": ("write", "extend_block", "re_baseline", "hold_course"),
    "silent": ("write", "hold_course"),
    "readiness_drop": ("step_back", "write", "hold_course"),
    "pain": ("refer_out", "change_exercise", "write"),
    "data_error": ("correct_data",),
    "expected_dip": ("hold_course", "write"),
    "ready_to_progress": ("re_baseline", "extend_block", "hold_course"),
}
"""What can be done about a flag, by its kind, the likeliest first."""

PLAN_ACTIONS = frozenset(
    {"step_back", "spread_out", "change_range", "change_exercise", "end_block", "extend_block", "re_baseline"}
)


class NoBlock(Exception):
    """There is no running block whose plan could be changed."""


class CannotDo(ValueError):
    """The action does not fit; the words say why and what to do instead."""


@dataclass(frozen=True, slots=True)
class Choice:
    """An action with what a coach may set for it."""

    action: str
    percent: float = 10.0  # [%] of load, for a step back
    weeks: int = 1
    reps: int = 8
    exercise: str = ""
    message: str = ""


@dataclass(frozen=True, slots=True)
class Proposal:
    """What an action would do, before it is done."""

    choice: Choice
    label: str
    sentence: str
    changes: tuple[CellChange, ...]
    next_before: str
    next_after: str
    look_again_day: int
    edits: tuple[Edit, ...] = ()
    block_version: int = 0


# Looking first ------------------------------------------------------------------------------------


def propose(
    store: Store, coach: Coach, lifter_id: int, flag_id: int, choice: Choice, *, now: datetime
) -> Proposal:
    """What an action about a flag would change, and the lifter's next exposure before and after.

    Raises
    ------
    LifterNotFound, FlagNotFound
        If there is no such flag about one of this coach's lifters.
    NoBlock, CannotDo
        If the plan cannot be changed that way.
    """
    if choice.action not in LABELS:
        raise CannotDo("Choose what to do about it.")
    with store.reading() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        flag = flags.of_lifter(db, lifter.id, flag_id)
        today = today_in(lifter.time_zone, now)
        block = _running(db, lifter, today)
        names = {one.id: one for one in exercises.all_of(db, coach)}
    about = None if flag.exercise_id is None else names.get(flag.exercise_id)
    look_again = today + LOOK_AGAIN_DAYS[choice.action]
    if choice.action not in PLAN_ACTIONS:
        return Proposal(choice, LABELS[choice.action], _plain_sentence(choice), (), "", "", look_again)
    if block is None:
        raise NoBlock
    planning_blocks.fresh_state(store, coach, lifter.id, now=now)
    with store.reading() as db:
        state = planning_blocks.state_of(db, coach, lifter, today=today, block=block)
        settled = planning_blocks.weeks_settled(db, block, today)
    plan = plan_from_dict(block.plan) if block.plan else None
    if plan is None or not plan.lines:
        raise CannotDo(f"“{block.name}” was brought in without a plan. Assign a block first.")
    given = drafts.given_out(store, coach, block)
    # What the lifter has on the phone is what a change is a change of, also where the level moved since.
    old = drafts.keeping(given, plan, resolve(plan, state, start_day=block.start_day))
    name = None if about is None else about.name
    unit: Unit = "lb" if lifter.unit == "lb" else "kg"
    if choice.action == "re_baseline":
        return Proposal(
            choice,
            LABELS[choice.action],
            "The rest of the block is assigned anew from next week on, computed from what was done lately.",
            _re_baselined(store, coach, lifter, block, plan, old, today=today, now=now),
            _next_words(old, name, today - block.start_day, unit),
            "computed from the fresh baseline",
            look_again,
            block_version=block.version,
        )
    edits, sentence = _edits(
        plan,
        old,
        choice,
        name,
        from_day=today - block.start_day,
        start_day=block.start_day,
        settled=settled,
        state=state,
    )
    if not edits:
        raise CannotDo(f"Nothing of {name or 'the block'} is left in the plan that this could change.")
    after, _ = plans.apply_all(plan, edits)
    new = drafts.keeping(given, after, resolve(after, state, start_day=block.start_day))
    return Proposal(
        choice,
        LABELS[choice.action],
        sentence,
        drafts.changes(plan, after, old, new, from_day=today - block.start_day, unit=unit),
        _next_words(old, name, today - block.start_day, unit),
        _next_words(new, name, today - block.start_day, unit),
        look_again,
        tuple(edits),
        block.version,
    )


def _running(db: Transaction, lifter: Lifter, today: int) -> Block | None:
    return next(
        (
            one
            for one in blocks.of_lifter(db, lifter.id)
            if one.status == "assigned" and one.start_day <= today <= one.end_day
        ),
        None,
    )


def _plain_sentence(choice: Choice) -> str:
    return {
        "hold_course": "The plan stays as it is; you look again on the day below.",
        "correct_data": "The odd sets are put right or left out on the lifter's page.",
        "write": "The message goes to the lifter's phone.",
        "refer_out": "The lifter is asked to see a qualified clinician; "
        "advice to progress this lift stays stopped.",
    }[choice.action]


def _edits(
    plan: PlanDocument,
    now: ResolvedPlan,
    choice: Choice,
    exercise: str | None,
    *,
    from_day: int,
    start_day: int,
    settled: int,
    state: Any,
) -> tuple[list[Edit], str]:
    """Edits of a running plan for an action, and what they do in words."""
    week = max(0, from_day // 7)
    ahead = [cell for cell in now.cells if cell.day >= from_day and cell.sets]
    mine = [cell for cell in ahead if exercise is None or cell.exercise == exercise]
    match choice.action:
        case "end_block":
            gone = list(range(plan.weeks - 1, week, -1))
            return [
                DeleteWeek(one) for one in gone
            ], f"The block ends with this week; {len(gone)} weeks are taken out."
        case "extend_block":
            many = max(1, min(4, choice.weeks))
            longer = lengthened(plan, many, state, start_day=start_day, settled=settled)
            words = longer.words or "its last week repeated"
            longer_by = "a week" if many == 1 else f"{many} weeks"
            return (
                list(longer.edits),
                f"The block gets {longer_by} longer, with {words}; what follows moves.",
            )
        case "step_back":
            weeks = range(week, min(plan.weeks, week + max(1, min(4, choice.weeks)) + (from_day % 7 > 0)))
            eased = [one for one in mine if one.week in weeks]
            cells = tuple((one.row, one.week, _lighter(one, choice.percent, state)) for one in eased)
            share = f"{choice.percent:g} %"
            return (
                [SetCells(cells)] if cells else [],
                f"{exercise or 'Everything'} drops by {share} of load and two sets in five, "
                f"until week {weeks[-1] + 1 if len(weeks) else week + 1}; then it climbs again.",
            )
        case "spread_out":
            heavy = _heaviest_row(mine)
            cells = tuple(
                (one.row, one.week, "off") for one in mine if one.row == heavy and (one.week - week) % 2 == 1
            )
            return (
                [SetCells(cells)] if cells else [],
                f"The heaviest {exercise or 'work'} of the week is done every second week.",
            )
        case "change_range":
            reps = max(1, min(30, choice.reps))
            cells = tuple(
                (one.row, one.week, f"{_count(one)} x {reps} leaving {_left(one):g}") for one in mine
            )
            return (
                [SetCells(cells)] if cells else [],
                f"{exercise or 'The work'} is done in sets of {reps} for the rest of the block.",
            )
        case "change_exercise":
            other = " ".join(choice.exercise.split())
            if not other or exercise is None or other == exercise:
                raise CannotDo("Name the exercise to do instead.")
            return plans.swap_exercise(plan, exercise, other), f"{other} is done in place of {exercise}."
    raise CannotDo("Choose what to do about it.")


def _count(cell: ResolvedCell) -> int:
    return max(1, len(cell.sets))


def _left(cell: ResolvedCell) -> float:
    """Repetitions left that the cell aims at: as prescribed, else two."""
    rpe = next((one.rpe for one in cell.sets if one.rpe is not None), None)
    return 2.0 if rpe is None else round(2 * (10 - rpe)) / 2


def _lighter(cell: ResolvedCell, percent: float, state: Any) -> str:
    """The cell with less load and two sets in five fewer, as text a coach could have typed."""
    sets = max(1, math.ceil(_count(cell) * 0.6))
    first = cell.sets[0]
    top = cell.top_grams
    if first.reps == 0:
        amount = f"{first.seconds} s" if first.seconds is not None else f"{first.metres} m"
        return f"{sets} x {amount}"
    known = state.exercises.get(cell.exercise)
    if top is None or known is None:
        return f"{sets} x {first.reps} leaving {_left(cell) + 2:g}"
    grams = loadable(top * (1 - percent / 100), known.kit, "down")
    return f"{sets} x {first.reps} at {mass_number(grams, known.unit)} {known.unit}"


def _heaviest_row(cells: Sequence[ResolvedCell]) -> str | None:
    loads: dict[str, int] = {}
    for one in cells:
        loads[one.row] = max(loads.get(one.row, 0), one.top_grams or 0)
    return max(loads, key=lambda row: loads[row], default=None)


def _next_words(resolved: ResolvedPlan, exercise: str | None, from_day: int, unit: Unit) -> str:
    """The next exposure and its predicted reserve, as a line."""
    for cell in resolved.cells:
        if cell.day >= from_day and cell.sets and (exercise is None or cell.exercise == exercise):
            load = "" if cell.top_grams is None else format_mass(cell.top_grams, unit)
            said = f"{cell.exercise} {cell.text}" + (f", {load}" if load and load not in cell.text else "")
            if cell.rir is None:
                return said
            low, mean, high = (max(0.0, value) for value in (cell.rir.low, cell.rir.mean, cell.rir.high))
            return f"{said}: about {mean:.0f} left ({low:.0f} to {high:.0f})"
    return "nothing planned"


def _re_baselined(
    store: Store,
    coach: Coach,
    lifter: Lifter,
    block: Block,
    plan: PlanDocument,
    old: ResolvedPlan,
    *,
    today: int,
    now: datetime,
) -> tuple[CellChange, ...]:
    week = (today - block.start_day) // 7 + 1
    rest = _rest_of(plan, week)
    if rest is None:
        raise CannotDo("The block is in its last week. Assign the next block instead.")
    new = planning_blocks.preview(
        store, coach, lifter.id, rest, start_day=block.start_day + 7 * week, now=now
    )
    shifted = replace(
        new, cells=tuple(replace(one, week=one.week + week, day=one.day + 7 * week) for one in new.cells)
    )
    unit: Unit = "lb" if lifter.unit == "lb" else "kg"
    return drafts.changes(plan, plan, old, shifted, from_day=7 * week, unit=unit)


def _rest_of(plan: PlanDocument, week: int) -> PlanDocument | None:
    """The weeks of a plan from one on, as a plan of their own; empty cells keep the week they follow."""
    if week >= plan.weeks:
        return None
    found = plan
    # A row that climbs by rule needs its last typed cell before the cut to climb from.
    carried = []
    for _, row in plan.lines:
        if not row.cells[week].text:
            typed = [cell.text for cell in row.cells[:week] if cell.prescription is not None]
            if typed:
                carried.append((row.id, week, typed[-1]))
    if carried:
        found, _ = plans.apply(found, SetCells(tuple(carried)))
    for _ in range(week):
        found, _ = plans.apply(found, DeleteWeek(0))
    return found


# Deciding -----------------------------------------------------------------------------------------


def decide(
    store: Store,
    coach: Coach,
    lifter_id: int,
    flag_id: int,
    choice: Choice,
    *,
    note: str = "",
    look_again_day: int | None = None,
    seen_version: int | None = None,
    by: str | None = None,
    also: Callable[[Transaction, Decision], None] | None = None,
    now: datetime,
) -> Decision:
    """Do it: change the plan or write, answer the flag, and keep the decision with its evidence.

    ``seen_version`` is the block's version that the change was shown for. What ``also`` does is done with it
    or not at all.

    Raises
    ------
    LifterNotFound, FlagNotFound, NoBlock, CannotDo, BlockChanged
        As `propose`, or if the block was changed meanwhile.
    """
    proposal = propose(store, coach, lifter_id, flag_id, choice, now=now)
    view = lifter_view(store, coach, lifter_id, now=now)
    who = by or coach.name
    with store.reading() as db:
        flag = flags.of_lifter(db, view.lifter.id, flag_id)
        exercise_id = flag.exercise_id
    day = look_again_day if look_again_day is not None else proposal.look_again_day
    if not view.today < day <= view.today + 366:
        raise CannotDo("Look again on a day after today, within a year.")
    if seen_version is not None and proposal.block_version != seen_version and view.block is not None:
        with store.reading() as db:
            held, _ = blocks.of_coach(db, coach, view.block.id)
        raise drafts.BlockChanged(plan_from_dict(held.plan), held.version)
    evidence = evidence_of(view, exercise_id, next((one for one in view.flags if one.id == flag_id), None))
    block = view.block
    if choice.action in ("write", "refer_out") and not choice.message.strip():
        raise CannotDo("Write a message first; the draft can be changed.")
    made: list[Decision] = []

    def keep(db: Transaction, _changed: Block | None = None) -> None:
        lifter = lifters.of_coach(db, coach, lifter_id)
        flag = flags.of_lifter(db, lifter.id, flag_id)
        flag_was = {"state": flag.state, "until": flag.snoozed_until, "reason": flag.reason}
        answers.answer(db, flag, state="snoozed", until=day, reason=proposal.label, now=now)
        kept = decisions.add(
            db,
            lifter_id=lifter.id,
            coach_id=coach.id,
            flag_id=flag.id,
            exercise_id=exercise_id,
            action=choice.action,
            detail={
                "sentence": proposal.sentence,
                "changes": [
                    [one.week + 1, one.session, one.exercise, one.before, one.after]
                    for one in proposal.changes
                ][:200],
                "next_before": proposal.next_before,
                "next_after": proposal.next_after,
                "flag_was": flag_was,
                "by": who,
            },
            evidence=evidence,
            note=note[:2000],
            day=view.today,
            made_at=now,
            look_again_day=day,
            outcome=None,
            looked_at=None,
            undone_at=None,
        )
        if choice.action in ("write", "refer_out"):
            decisions.add_message(
                db,
                lifter.id,
                author="coach",
                body=choice.message.strip()[:4000],
                about={"decision": kept.id},
                at=now,
                sent=True,
            )
        audit.record(
            db,
            kind="decision",
            actor=who,
            coach_id=coach.id,
            lifter_id=lifter.id,
            at=now,
            action=choice.action,
            flag=flag.kind,
        )
        refresh_needs(db, lifter, now=now)
        if also is not None:
            also(db, kept)
        made.append(kept)

    def keep_and_move(db: Transaction, changed: Block) -> None:
        lifter = lifters.of_coach(db, coach, lifter_id)
        season.follow(db, coach, lifter, changed, end_before, by=who, today=view.today, now=now)
        keep(db)

    # The plan changes and the decision is kept, or neither.
    if proposal.edits and block is not None:
        end_before = block.end_day
        try:
            drafts.change(
                store,
                coach,
                block.id,
                proposal.edits,
                version=proposal.block_version,
                why=f"{proposal.label}: {proposal.sentence}",
                keep_given=True,
                by=who,
                also=keep_and_move if choice.action == "extend_block" else keep,
                now=now,
            )
        except season.CannotMove as why:
            raise CannotDo(str(why)) from None
    elif choice.action == "re_baseline" and block is not None:
        with store.reading() as db:
            held, _ = blocks.of_coach(db, coach, block.id)
        week = (view.today - held.start_day) // 7 + 1
        rest = _rest_of(plan_from_dict(held.plan), week)
        if rest is not None:
            start_day = held.start_day + 7 * week
            planning_blocks.assign(
                store, coach, lifter_id, rest, start_day=start_day, by=who, also=keep, now=now
            )
    if not made:
        with store.transaction() as db:
            keep(db)
    return made[0]


def evidence_of(view: LifterView, exercise_id: int | None, flag: FlagView | None) -> dict[str, Any]:
    """What is known of the lifter and the lift on the day of a decision."""
    lift = None if exercise_id is None else view.lift(exercise_id)
    found: dict[str, Any] = {"day": view.today, "measure": view.measure}
    if lift is not None:
        found |= _numbers(lift.analysis, view.measure, view.today)
    elif view.stress is not None:
        found["stress"] = _weekly(view.stress.week_start, view.stress.measures.get(view.measure), view.today)
    if view.block is not None:
        found["block"] = {"name": view.block.name, "week": view.block.week_of(view.today)}
    if flag is not None:
        found["flag"] = {"kind": flag.kind, "severity": flag.severity, "probability": flag.probability}
    return found


def _numbers(analysis: ExerciseAnalysis, measure: str, today: int) -> dict[str, Any]:
    found: dict[str, Any] = {
        "stress": _weekly(analysis.stress.week_start, analysis.stress.measures.get(measure), today)
    }
    trend = analysis.trend
    if trend is not None:
        found |= {
            "e1rm": [trend.e1rm.mean, trend.e1rm.low, trend.e1rm.high],
            "slope": [
                trend.slope_pct_per_week.mean,
                trend.slope_pct_per_week.low,
                trend.slope_pct_per_week.high,
            ],
            "rising": trend.probability_rising,
        }
    return found


def _weekly(weeks: Any, values: Any, today: int) -> float | None:
    """Mean stress of the last whole weeks."""
    if values is None:
        return None
    whole = [
        float(v)
        for start, v in zip(weeks, values, strict=True)
        if today - 7 * STRESS_WEEKS - 6 <= start and start + 6 < today
    ]
    return sum(whole) / len(whole) if whole else None


# What it led to -----------------------------------------------------------------------------------


def compute_outcomes(store: Store, lifter_id: int, *, now: datetime) -> int:
    """Compare the state of decisions whose day has come with the state they were made on; how many."""
    with store.reading() as db:
        lifter = snapshots.analysed_lifter(db, lifter_id)
        if lifter is None:
            return 0
        today = today_in(lifter.time_zone, now)
        waiting = decisions.due(db, lifter_id, today)
        if not waiting:
            return 0
        kept = {
            number: record(ExerciseAnalysis, one.body)
            for number, one in snapshots.of_lifter(db, lifter_id).items()
            if number != snapshots.WHOLE_LIFTER and one.version == VERSION
        }
    with store.transaction() as db:
        for one in decisions.due(db, lifter_id, today):
            analysis = kept.get(one.exercise_id or -1)
            now_known = {} if analysis is None else _numbers(analysis, lifter.stress_measure, today)
            due = seasons.planned_between(db, lifter_id, one.day + 1, today - 1)
            change = None if analysis is None else _change_since(analysis, one.day)
            one.outcome = outcome(one.evidence, now_known, change) | {
                "day": today,
                "done": [sum(s.status == "done" for s in due), len(due)],
                "flag": _flag_words(db, one),
            }
    return len(waiting)


def _change_since(analysis: ExerciseAnalysis, then: int) -> tuple[float, float] | None:
    """Change of the level since a day and its SD, both ends as today's analysis sees them. [%]

    What was believed on that day rested on a bias and a curve that have been learned better since; a
    difference of beliefs is not a difference of the lifter.
    """
    trend = analysis.trend
    if trend is None or not trend.change_sd_pct.size:
        return None
    day, level = (series[-trend.change_sd_pct.size :] for series in (trend.day, trend.level_kg))
    if not day[0] <= then <= day[-1]:
        return None
    before, sd = (float(np.interp(then, day, series)) for series in (level, trend.change_sd_pct))
    return 100 * (float(level[-1]) / before - 1), sd


def outcome(
    before: Mapping[str, Any], after: Mapping[str, Any], change: tuple[float, float] | None
) -> dict[str, Any]:
    """Before and after: level change with its 90 % interval, how probable a rise is, stress change. [%]"""
    found: dict[str, Any] = {}
    if change is not None:
        moved, sd = change
        found |= {
            "level_pct": [moved, moved - Z90 * sd, moved + Z90 * sd],
            "better": NormalDist().cdf(moved / sd) if sd > 0 else float(moved > 0),
        }
    if "slope" in before and "slope" in after:
        found["slope"] = [before["slope"][0], after["slope"][0]]
    if before.get("stress") and after.get("stress") is not None:
        found["stress_pct"] = 100 * (after["stress"] / before["stress"] - 1)
    found["verdict"] = _verdict(found)
    return found


def _verdict(found: Mapping[str, Any]) -> str:
    better = found.get("better")
    if better is None:
        return "cannot be told"
    if better >= 0.8:
        return "better"
    return "worse" if better <= 0.2 else "much the same"


def _flag_words(db: Transaction, one: Decision) -> str:
    if one.flag_id is None:
        return "no flag"
    flag, again = decisions.flag_after(db, one.flag_id, one.made_at)
    if flag is None:
        return "no flag"
    if flag.cleared_at is None:
        return "still there"
    return "cleared, then raised again" if again else "cleared"


@dataclass(frozen=True, slots=True)
class JournalLine:
    """A decision as the journal shows it."""

    decision: Decision
    lifter: str
    exercise: str | None
    flag_kind: str | None
    label: str

    @property
    def is_to_look_at(self) -> bool:
        one = self.decision
        return bool(one.outcome) and one.looked_at is None and one.undone_at is None


@dataclass(frozen=True, slots=True)
class Tally:
    """What one kind of decision has led to across the roster."""

    label: str
    made: int
    known: int
    better: int
    same: int
    worse: int
    median_pct: float | None


def journal(
    store: Store, coach: Coach, *, lifter_id: int | None = None
) -> tuple[list[JournalLine], list[Tally]]:
    """Decisions newest first, those taken back too, and by kind what those that stand led to."""
    with store.reading() as db:
        if lifter_id is not None:
            lifters.of_coach(db, coach, lifter_id)
        found = decisions.journal(db, coach, lifter_id=lifter_id, taken_back=True)
    lines = [
        JournalLine(one, who, lift, kind, LABELS.get(one.action, one.action))
        for one, who, lift, kind in found
    ]
    tallies = []
    for action, label in LABELS.items():
        mine = [
            line.decision
            for line in lines
            if line.decision.action == action and line.decision.undone_at is None
        ]
        outcomes = [one.outcome for one in mine if one.outcome]
        verdicts = [one["verdict"] for one in outcomes]
        moved = sorted(one["level_pct"][0] for one in outcomes if "level_pct" in one)
        if mine:
            tallies.append(
                Tally(
                    label,
                    len(mine),
                    sum(one != "cannot be told" for one in verdicts),
                    verdicts.count("better"),
                    verdicts.count("much the same"),
                    verdicts.count("worse"),
                    moved[len(moved) // 2] if moved else None,
                )
            )
    return lines, tallies


def looked(store: Store, coach: Coach, decision_id: int, *, now: datetime) -> None:
    """Say that an outcome was seen.

    Raises
    ------
    DecisionNotFound
        If it is not a decision about one of this coach's lifters.
    """
    with store.transaction() as db:
        decision, _ = decisions.of_coach(db, coach, decision_id)
        decision.looked_at = now


# Explaining ---------------------------------------------------------------------------------------


def draft_message(view: LifterView, flag: FlagView, choice: Choice, sentence: str = "") -> str:
    """A message to the lifter from the evidence, in plain and kind words, to be changed before it is sent."""
    first = view.lifter.name.split()[0]
    lift = "" if flag.lift is None else flag.lift.lower()
    block = view.block
    opening = f"Hi {first},"
    match flag.kind:
        case "expected_dip":
            middle = (
                f"your {lift} numbers are under your old bests right now, and that is on plan: "
                f"{block.name if block else 'this block'} asks for work you have not done for a while. "
                "It usually comes back within about three weeks. Compare with the marks of this block, "
                "not with the old ones."
            )
        case "silent":
            middle = (
                "I have not seen a session from you for a while. Is everything all right? Tell me if the "
                "plan should change."
            )
        case "missed_work":
            middle = (
                "some planned sessions did not happen lately. Shall we move them, or plan fewer for a while?"
            )
        case "pain":
            middle = (
                "thank you for reporting the pain. I have stopped the progression there. Please see "
                "a qualified "
                "clinician before loading it again, and leave out whatever hurts."
            )
        case "effort_drift":
            middle = (
                f"your {lift} sets have felt harder than planned lately. How are sleep and the rest of "
                "life? I will ease the loads if you agree."
            )
        case "load_spike":
            middle = (
                f"you did a good deal more {lift} than in the last weeks. Keep to the plan for the next "
                "sessions, so that it can be recovered from."
            )
        case "data_error":
            middle = (
                f"some of the {lift} sets look mistyped (a unit or a decimal). Could you check them on "
                "your phone?"
            )
        case "ready_to_progress":
            middle = f"your {lift} is going easier than planned. I am adding a step."
        case "stall" | "regression":
            middle = (
                f"your {lift} has not moved for some weeks although the work went up. That happens; it is "
                "a reason to change the plan, not a fault of yours."
            )
        case _:
            middle = f"a word about your {lift or 'training'}: I am looking at the plan."
    closing = f" {sentence}" if sentence and choice.action in PLAN_ACTIONS else ""
    return f"{opening}\n\n{middle[:1].upper()}{middle[1:]}{closing}"


# What is due --------------------------------------------------------------------------------------


def look_again_soon(store: Store, coach: Coach, *, now: datetime) -> list[JournalLine]:
    """Decisions whose outcome is known and has not been looked at."""
    lines, _ = journal(store, coach)
    return [one for one in lines if one.is_to_look_at]


def default_look_again(action: str, today: int) -> int:
    return today + LOOK_AGAIN_DAYS.get(action, 14)
