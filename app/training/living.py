"""What a running block does by itself: a missed session is repeated, a load follows the effort reported.

The coach chose the rules with the block (:class:`plan.LivingRules`). Every answer is a set of edits with a
sentence, so that it can be listed, shown to the lifter, and taken back like any other edit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from app.training import plan as plans
from app.training.plan import Edit, PlanDocument, Row
from app.training.preview import ResolvedCell, ResolvedPlan, resolve
from app.training.progression import ExerciseState, LifterState, fraction
from app.training.resolving import share_of
from app.training.rules import Change
from app.training.units import format_mass

TRUSTED_SHARE = 0.5
"""[1] How much of one session's deviation is taken for strength: a report errs by about 0.7 repetitions or
two per cent of load and the form of the day by 1.6 per cent (the trend model's priors), as much as strength
moves between two exposures."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one planned cell.

    ``rpe`` is what was reported for the hardest set, None if nothing was; ``done`` is False for a missed
    session.
    """

    row: str
    week: int
    done: bool
    rpe: float | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """A change the plan makes by itself, or one it was kept from. ``edits`` is empty for the latter."""

    rule: Literal["missed", "effort"]
    row: str
    week: int
    edits: tuple[Edit, ...]
    sentence: str


def answer(
    plan: PlanDocument,
    resolved: ResolvedPlan,
    outcomes: Sequence[Outcome],
    lifter: LifterState,
    *,
    start_day: int,
) -> tuple[Answer, ...]:
    """What the block's own rules make of what was done.

    Parameters
    ----------
    plan : PlanDocument
        As it stands.
    resolved : ResolvedPlan
        As it was when the sessions were given out: what was asked for.
    outcomes : sequence of Outcome
        New ones only; an outcome that was answered once is not to be answered again.
    lifter : LifterState
    start_day : int
        The block's first day. [d]

    Returns
    -------
    tuple of Answer
        In the order of the outcomes, at most one for each. Edits of several may be applied one after
        another.
    """
    cells = resolved.by_place()
    found: list[Answer] = []
    for outcome in outcomes:
        asked = cells.get((outcome.row, outcome.week))
        if asked is None or not any(row.id == outcome.row for _, row in plan.lines):
            continue
        row = plan.row(outcome.row)
        if not outcome.done:
            made = _missed(plan, row, asked) if plan.living.missed == "repeat" else None
        elif outcome.rpe is not None and plan.living.effort == "adjust":
            made = _effort(plan, resolved, row, asked, outcome.rpe, lifter, start_day)
        else:
            made = None
        if made is not None:
            found.append(made)
            plan, _ = plans.apply_all(plan, made.edits)
    return tuple(found)


def _missed(plan: PlanDocument, row: Row, asked: ResolvedCell) -> Answer | None:
    """The same cell again next week; typed cells behind it move a week on, and the last falls away."""
    nxt = asked.week + 1
    if nxt >= plan.weeks:
        sentence = f"{row.exercise} of week {nxt} was missed; the block ends before it could be repeated."
        return Answer("missed", row.id, asked.week, (), sentence)
    texts = [asked.text]
    later = [cell.text for cell in row.cells[nxt:]]
    if any(later):
        texts += later[:-1]
    cells = tuple((row.id, nxt + i, text) for i, text in enumerate(texts) if text != row.cells[nxt + i].text)
    if not cells:
        return None
    sentence = f"{row.exercise} of week {nxt} was missed, so it is repeated in week {nxt + 1}: {asked.text}."
    return Answer("missed", row.id, asked.week, (plans.SetCells(cells),), sentence)


def _effort(
    plan: PlanDocument,
    resolved: ResolvedPlan,
    row: Row,
    asked: ResolvedCell,
    rpe: float,
    lifter: LifterState,
    start_day: int,
) -> Answer | None:
    """The next exposure's load, moved by what the report says of strength."""
    state = lifter.exercises.get(row.exercise)
    following = next((c for c in resolved.cells if c.row == row.id and c.week > asked.week), None)
    if state is None or following is None or following.top_grams is None:
        return None
    if all(group.load is None for group in following.prescription.groups):
        return None  # Prescribed by effort: it finds its load by itself.
    targets = [one.rpe for one in asked.sets if one.rpe is not None]
    expected = targets[0] if targets else None if asked.rir is None else 10 - asked.rir.mean
    if expected is None:
        return None
    expected = min(max(expected, 5.0), 10.0)
    off = rpe - expected
    if abs(off) < float(plan.living.tolerance):
        return None

    factor = load_factor(state, asked, expected, rpe, most_percent=float(plan.living.most_percent))
    loads = [following.sets[i].load_grams for i in _group_starts(following)]
    change = Change(load_factor=Decimal(str(round(factor, 4))))
    text = str(share_of(following.prescription, loads, state, change))
    edits = plans.set_cell(plan, row.id, following.week, text)
    after, _ = plans.apply_all(plan, edits)
    now = resolve(after, lifter, start_day=start_day)
    moved = now.cell(row.id, following.week)
    if not edits or moved is None or moved.top_grams in (None, following.top_grams):
        return None
    reported = f"{row.exercise}, week {asked.week + 1}: RPE {rpe:g} where {expected:.1f} was expected"
    if off < 0 and _runs_out(now, row.id) < _runs_out(resolve(plan, lifter, start_day=start_day), row.id):
        sentence = f"{reported}; the load is kept, because a heavier one would use up the headroom sooner."
        return Answer("effort", row.id, asked.week, (), sentence)
    assert moved.top_grams is not None
    sentence = (
        f"{reported}, so week {following.week + 1} is {format_mass(moved.top_grams, state.unit)} instead of "
        f"{format_mass(following.top_grams, state.unit)}."
    )
    return Answer("effort", row.id, asked.week, tuple(edits), sentence)


def load_factor(
    state: ExerciseState, asked: ResolvedCell, expected_rpe: float, rpe: float, *, most_percent: float
) -> float:
    """What a reported effort says the next load should be multiplied by. [1]

    The load was what it was; with more or fewer repetitions left than expected it stands for more or less
    strength on the lifter's curve. Half of that is trusted, and no more than ``most_percent`` of it done.
    """
    reps = max(max(one.reps for one in asked.sets), 1)
    bias = state.rpe_bias
    as_expected = fraction(max(reps + 10 - expected_rpe + bias, 1.0), state.steepness)
    as_reported = fraction(max(reps + 10 - rpe + bias, 1.0), state.steepness)
    change = TRUSTED_SHARE * (as_expected / as_reported - 1)
    most = most_percent / 100
    return 1 + min(max(change, -most), most)


def _group_starts(cell: ResolvedCell) -> list[int]:
    starts, at = [], 0
    for group in cell.prescription.groups:
        starts.append(at)
        at += len(group.sets)
    return starts


def _runs_out(resolved: ResolvedPlan, row_id: str) -> int:
    week = next((o.runs_out_week for o in resolved.rows if o.row == row_id), None)
    return plans.MOST_WEEKS + 1 if week is None else week
