"""A plan document computed for one lifter: loads to put on, what is new in them, what they cost, how long
they can go on, and what a coach should look at, each with an edit that would put it right.

:func:`resolve` is deterministic and knows no clock: the same plan, state and first day give the same result.
It runs at every keystroke, so it is written for single numbers: one pass over the rows in the order they
depend on each other, one over the cells in the order of the calendar.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import lru_cache
from itertools import pairwise
from typing import Literal, TypeVar

import numpy as np

from app.training import exposure, repmax
from app.training import plan as plans
from app.training.dose import HARD_SET_RIR
from app.training.exposure import LEAP_PCT, REPEAT_TOLERANCE_PCT, NoveltyKind
from app.training.loading import Kit, loadable_set
from app.training.plan import Edit, PlanDocument, Row, Session
from app.training.prescription import (
    Amount,
    Effort,
    LoadTarget,
    Mass,
    Prescription,
    SetGroup,
    map_groups,
    print_amount,
    print_prescription,
)
from app.training.progression import (
    DELOAD_EVERY_WEEKS,
    MOST_EXPOSURES,
    RANGES_OF,
    RESIDUAL_DAYS,
    STRENGTH_REPS,
    Z90,
    ExerciseState,
    LifterState,
    Spacing,
    course,
    headroom_of,
    largest_sustainable_step,
    set_load,
    set_reserve,
    spacing,
    strength_at,
)
from app.training.records import BlockKind, Estimate, Mark
from app.training.rules import (
    AddLoad,
    AddSets,
    Change,
    DayOf,
    Emphases,
    EveryNthWeek,
    Hold,
    Percent,
    Step,
    StepBack,
    Taper,
    Wave,
    advance,
    change_at,
)
from app.training.units import format_mass, mass_number

R = TypeVar("R", DayOf, Emphases, EveryNthWeek, Hold, StepBack, Taper)
Source = Literal["typed", "rule", "step back", "taper", "day"]
WarningKind = Literal[
    "not_understood", "no_load", "pain", "leap", "no_step_back", "same_stress", "too_close", "under_exposed"
]
MEASURES = ("working_sets", "hard_sets", "volume_load", "relative_volume_load")

HEAVY_FRACTION = 0.80
"""[1] From here on an exposure is heavy: common practice, and the upper bands of the lift-count table."""
SAME_WEEKS = math.ceil(DELOAD_EVERY_WEEKS[1])
"""[weeks] As long as lifters usually go between easier weeks."""
_FRACTION = tuple(float(f) for f in repmax.fraction_at(np.arange(1, 301)))
"""Load fraction on the population curve at 1, 2, ... repetitions, by which exposures are ordered."""
_RANK: Mapping[NoveltyKind, int] = {"below": 0, "repeats": 1, "step": 2, "first": 3, "leap": 4}


@dataclass(frozen=True, slots=True)
class ResolvedSet:
    """One set to do. ``reps`` 0 for timed or carried sets; ``load_grams`` None where the lifter chooses."""

    load_grams: int | None
    reps: int
    reps_high: int
    amrap: bool
    rpe: float | None
    seconds: int | None = None
    metres: int | None = None


@dataclass(frozen=True, slots=True)
class CellNovelty:
    """The newest thing in a cell, against the best of its rep range in the recent window before that day.

    That best is the ledger's, or an exposure planned earlier in the block. ``weeks_since`` is since the range
    was last trained, None if never; ``beyond_baseline_kg`` compares with the frozen baseline alone, NaN where
    it has none. [%], [kg], [weeks], [kg]
    """

    kind: NoveltyKind
    step_pct: float
    load_step_kg: float
    rep_range: str
    weeks_since: float | None
    beyond_baseline_kg: float
    sentence: str


@dataclass(frozen=True, slots=True)
class ResolvedCell:
    """One exercise of one session, computed.

    ``text`` is the prescription as it stands after the rules, ``day`` counts from the block's first (0). [d]
    ``rir`` is the predicted reserve of the hardest set, None where it cannot be predicted. [reps]
    """

    row: str
    week: int
    day: int
    exercise: str
    source: Source
    prescription: Prescription
    text: str
    sets: tuple[ResolvedSet, ...]
    basis: str
    rir: Estimate | None
    novelty: CellNovelty | None
    stress: tuple[float, float, float, float]
    notes: tuple[str, ...]

    @property
    def top_grams(self) -> int | None:
        """The heaviest load of the cell. [g]"""
        return max((s.load_grams for s in self.sets if s.load_grams is not None), default=None)


@dataclass(frozen=True, slots=True)
class ResolvedWeek:
    """Stress of a week by measure, and where it lies against the lifter's recent weeks."""

    week: int
    emphasis: BlockKind
    stress: Mapping[str, float]
    against_usual: Mapping[str, Literal["below", "usual", "above", "unknown"]]


@dataclass(frozen=True, slots=True)
class RowOutlook:
    """How long a row can go on.

    ``headroom`` is in exposures from the first [exposures], ``runs_out_week`` the week of the first exposure
    whose predicted reserve is under the floor, None if there is none; ``step_kg`` what it adds an exposure on
    average, ``largest_step`` what it could. [kg / exposure] ``spacing`` is None without a trend.
    """

    row: str
    exercise: str
    exposures: int
    headroom: Estimate | None
    runs_out_week: int | None
    step_kg: float
    largest_step: Estimate | None
    spacing: Spacing | None


@dataclass(frozen=True, slots=True)
class Remedy:
    """Edits that would put something right, and what they do in words."""

    label: str
    edits: tuple[Edit, ...]


@dataclass(frozen=True, slots=True)
class PlanWarning:
    """Something a coach should look at. ``week`` is -1 where it concerns a whole row."""

    kind: WarningKind
    row: str
    week: int
    sentence: str
    remedy: Remedy | None


@dataclass(frozen=True, slots=True)
class ResolvedPlan:
    """A plan for one lifter. Cells in the order of the calendar."""

    cells: tuple[ResolvedCell, ...]
    weeks: tuple[ResolvedWeek, ...]
    rows: tuple[RowOutlook, ...]
    warnings: tuple[PlanWarning, ...]

    def cell(self, row: str, week: int) -> ResolvedCell | None:
        """The cell at a place of the grid, None where nothing is trained."""
        return next((cell for cell in self.cells if cell.row == row and cell.week == week), None)

    def by_place(self) -> dict[tuple[str, int], ResolvedCell]:
        """All cells by (row id, week)."""
        return {(cell.row, cell.week): cell for cell in self.cells}


# --- resolving --------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Work:
    """A cell on its way."""

    session: Session
    row: Row
    week: int
    day: int
    source: Source
    prescription: Prescription
    loads: list[int | None]  # [g] by group
    basis: str
    rir: list[tuple[float, float] | None]  # mean and SD at the last set of each group
    notes: list[str]
    strength: float  # [kg] NaN when unknown
    strength_sd: float


def resolve(
    plan: PlanDocument,
    lifter: LifterState,
    *,
    start_day: int,
    next_kind: BlockKind | None = None,
) -> ResolvedPlan:
    """Compute a plan for one lifter.

    Parameters
    ----------
    plan : PlanDocument
    lifter : LifterState
        What is known of the lifter on the as-of day; exercises it does not hold have no loads computed.
    start_day : int
        The block's first day. [d] ordinal
    next_kind : BlockKind, optional
        The block that follows, for ranges that this one should keep warm.

    Returns
    -------
    ResolvedPlan
    """
    resolver = _Resolver(plan, lifter, start_day)
    works = resolver.works()
    cells, leaps = _finish(works, lifter, start_day)
    weeks = _weeks(plan, cells, lifter)
    rows = _outlooks(plan, works, lifter, start_day)
    strengths = {(work.row.id, work.week): work.strength for work in works}
    found = _Warnings(plan, lifter, start_day, cells, leaps, rows, strengths, next_kind).all()
    return ResolvedPlan(cells, weeks, rows, found)


class _Resolver:
    def __init__(self, plan: PlanDocument, lifter: LifterState, start_day: int) -> None:
        self.plan = plan
        self.lifter = lifter
        self.start_day = start_day
        self.lines = plan.lines
        self.done: dict[str, list[_Work | None]] = {}
        self.active: set[str] = set()
        self.by_id = {row.id: (session, row) for session, row in self.lines}
        self.loads = {name: _loads(state.kit) for name, state in lifter.exercises.items()}
        self.lift_order = self._lift_order()

    def works(self) -> list[_Work]:
        for session, row in self.lines:
            self.row(session, row)
        return [work for _, row in self.lines for work in self.done[row.id] if work is not None]

    def row(self, session: Session, row: Row) -> list[_Work | None]:
        if row.id not in self.done:
            self.active.add(row.id)
            self.done[row.id] = self._row(session, row)
            self.active.discard(row.id)
        return self.done[row.id]

    # Which weeks a row is trained in, before any step back ------------------------------------------

    def trained(self, row: Row) -> list[bool]:
        nth = next((rule.weeks for rule in row.rules if isinstance(rule, EveryNthWeek)), 1)
        emphases = _rule(row, Emphases)
        lasts = sum(part.weeks for part in emphases.parts) if emphases is not None else 0
        follows = _rule(row, DayOf)
        anchor: int | None = None
        found = []
        for week, cell in enumerate(row.cells):
            if cell.prescription is not None:
                anchor = week
                found.append(True)
            elif cell.text:
                found.append(False)
            elif follows is not None:
                found.append(True)
            elif emphases is not None:
                found.append(week < lasts)
            else:
                found.append(anchor is not None and bool(row.rules) and (week - anchor) % nth == 0)
        return found

    def _lift_order(self) -> dict[tuple[str, int], int]:
        """Position of each (row, week) among the exposures of its lift, for rows that count by lift."""
        places: dict[str, list[tuple[int, int, int, str]]] = {}
        for line, (session, row) in enumerate(self.lines):
            if any(isinstance(rule, AddLoad) and rule.count == "lift" for rule in row.rules):
                for week, is_trained in enumerate(self.trained(row)):
                    if is_trained:
                        places.setdefault(row.exercise, []).append((week, session.day, line, row.id))
        order: dict[tuple[str, int], int] = {}
        self.first_of_week: dict[tuple[str, int], int] = {}
        for exercise, found in places.items():
            for position, (week, _, _, row_id) in enumerate(sorted(found)):
                order[row_id, week] = position
                self.first_of_week.setdefault((exercise, week), position)
        return order

    # One row ---------------------------------------------------------------------------------------

    def _row(self, session: Session, row: Row) -> list[_Work | None]:
        plan = self.plan
        state = self.lifter.exercises.get(row.exercise)
        follows, back, taper = _rule(row, DayOf), _rule(row, StepBack), _rule(row, Taper)
        emphases, nth = _rule(row, Emphases), _rule(row, EveryNthWeek)
        trained = self.trained(row)
        found: list[_Work | None] = []

        anchor: Prescription | None = None
        anchor_work: _Work | None = None
        sequence: list[int] = []  # weeks of the exposures that follow the anchor, the anchor's own first
        exposure_number = 0
        climbed = 0
        back_left = 0
        best: int | None = None  # [g] heaviest top load so far, for the bound on steps

        def dose(position: int) -> Mass | None:
            if anchor_work is None or position >= len(anchor_work.loads):
                return None
            return _as_mass(anchor_work.loads[position], state)

        for week, cell in enumerate(row.cells):
            day = 7 * week + session.day
            work: _Work | None = None
            part_start = None
            if emphases is not None and not cell.text:
                part_start = _part_at(emphases, week)
            if cell.prescription is not None:
                anchor, exposure_number, climbed = cell.prescription, 0, climbed + 1
                sequence = _following(row, trained, week)
                work = self.compute(session, row, week, cell.prescription, "typed", state)
                anchor_work = work
            elif part_start is not None and part_start[1] == week:
                anchor, exposure_number, climbed = part_start[0], 0, climbed + 1
                sequence = list(range(week, part_start[2]))
                work = self.compute(session, row, week, anchor, "rule", state)
                anchor_work = work
            elif cell.text or (emphases is not None and part_start is None):
                pass
            elif follows is not None:
                work = self._follow(session, row, week, follows, state)
            elif anchor is not None and row.rules and trained[week]:
                left = plan.goal_day - day if plan.goal_day is not None else None
                if taper is not None and left is not None and left <= taper.days:
                    if left > 0:
                        change = self._change(row, anchor, exposure_number, sequence)
                        change = replace(change, sets_factor=taper.kept(left))
                        heavy = float(taper.heavy_percent) / 100 if left <= taper.last_heavy else None
                        text = advance(anchor, change, dose)
                        work = self.compute(session, row, week, text, "taper", state, heavy, best)
                else:
                    due = back is not None and (
                        back_left > 0 or (back.every is not None and climbed >= back.every)
                    )
                    following = exposure_number + 1
                    if not due:
                        text = advance(anchor, self._change(row, anchor, following, sequence), dose)
                        work = self.compute(session, row, week, text, "rule", state, None, best)
                        due = back is not None and back.floor is not None and _under(work, float(back.floor))
                    if due:
                        assert back is not None
                        text = advance(anchor, self._change(row, anchor, exposure_number, sequence), dose)
                        full = self.compute(session, row, week, text, "rule", state, None, best)
                        change = Change(
                            load_factor=1 - back.load_percent / 100,
                            sets_factor=1 - float(back.sets_percent) / 100,
                        )
                        text = _lighter(full, state, change)
                        work = self.compute(session, row, week, text, "step back", state)
                        back_left = (back.weeks if back_left == 0 else back_left) - 1
                        if back_left == 0:
                            exposure_number = max(exposure_number - back.again, -1)
                            climbed = 0
                    else:
                        exposure_number = following
                        climbed += 1
            if work is not None and work.source != "step back":
                top = max((load for load in work.loads if load is not None), default=None)
                if top is not None:
                    best = top if best is None else max(best, top)
            found.append(work)
        assert nth is None or len(found) == plan.weeks
        return found

    def _change(self, row: Row, anchor: Prescription, number: int, sequence: Sequence[int]) -> Change:
        number = max(number, 0)
        lift = number
        if sequence and (row.id, sequence[0]) in self.lift_order:
            week = sequence[min(number, len(sequence) - 1)]
            start = self.first_of_week[row.exercise, sequence[0]]
            lift = self.lift_order[row.id, week] - start
        return change_at(row.rules, number, lift)

    def _follow(
        self, session: Session, row: Row, week: int, rule: DayOf, state: ExerciseState | None
    ) -> _Work | None:
        if rule.row not in self.by_id or rule.row in self.active:
            return None
        leader = self.row(*self.by_id[rule.row])[week]
        if leader is None:
            return None
        change = Change(load_factor=rule.load_percent / 100, sets=rule.sets, reps=rule.reps)
        text = _lighter(leader, self.lifter.exercises.get(leader.row.exercise), change)
        return self.compute(session, row, week, text, "day", state)

    # One cell --------------------------------------------------------------------------------------

    def compute(
        self,
        session: Session,
        row: Row,
        week: int,
        prescription: Prescription,
        source: Source,
        state: ExerciseState | None,
        cap: float | None = None,
        best: int | None = None,
    ) -> _Work:
        """Loads and predicted reserves of a cell.

        ``cap`` is a fraction of the e1RM that loads may not exceed, ``best`` the load [g] steps start from.
        """
        day = 7 * week + session.day
        work = _Work(session, row, week, day, source, prescription, [], "", [], [], math.nan, 0.0)
        if state is None:
            work.notes.append(f"Nothing is known of {row.exercise} for this lifter.")
            for group in prescription.groups:
                absolute = group.load is not None and group.load.base == "load"
                work.loads.append(round(group.load.plus.grams) if absolute else None)  # type: ignore[union-attr]
                work.rir.append(None)
            return work
        if state.e1rm is not None:
            weeks = (self.start_day + day - self.lifter.as_of) / 7
            work.strength, work.strength_sd = strength_at(state, max(weeks, 0.0))
        loads = self.loads[row.exercise]
        before = 0
        fixed = False
        for position, group in enumerate(prescription.groups):
            raw, basis = self._raw(work, state, group, before)
            if basis and not work.basis:
                work.basis = basis
            grams: int | None = None
            if raw is not None:
                limit = math.inf
                if cap is not None and work.strength == work.strength:
                    limit = 1000 * (cap * work.strength - state.body_mass_share_kg)
                if (
                    position == 0
                    and best is not None
                    and source == "rule"
                    and self.plan.most_step is not None
                ):
                    limit = min(limit, best + _step_grams(self.plan.most_step, best))
                grams = _round(raw, loads)
                if grams > limit + 0.5:
                    grams = _round_down(limit, loads)
                    fixed = True
                if raw < loads[0] - 0.5:
                    work.notes.append("Lighter than the implement itself; the lightest load is used.")
                elif raw > loads[-1] + 0.5:
                    work.notes.append("Heavier than the kit can show; its heaviest load is used.")
            work.loads.append(grams)
            before += len(group.sets)
            work.rir.append(self._reserve(work, state, group, grams, before - 1))
        if fixed:
            work.prescription = _with_loads(prescription, work.loads, state)
            work.notes.append("Held back to the largest step or load that was allowed.")
        return work

    def _reserve(
        self, work: _Work, state: ExerciseState, group: SetGroup, grams: int | None, before: int
    ) -> tuple[float, float] | None:
        last = group.sets[-1]
        if grams is None or last.kind != "reps" or work.strength != work.strength:
            return None
        hardest = max((a.low + a.high) / 2 for a in group.sets)
        return set_reserve(state, grams / 1000, hardest, work.strength, work.strength_sd, before)

    def _raw(
        self, work: _Work, state: ExerciseState, group: SetGroup, before: int
    ) -> tuple[float | None, str]:
        """The load a group asks for before rounding [g], and what it was computed from."""
        load, first = group.load, group.sets[0]
        reps = (first.low + first.high) / 2
        known = work.strength == work.strength
        if load is None:
            if group.effort is None or first.kind != "reps" or not known:
                return None, ""
            kg = set_load(state, reps, group.effort.rir, work.strength, before + len(group.sets) - 1)
            return 1000 * kg, f"e1RM {_shown(work.strength, state)}"
        plus = load.plus.grams if load.plus is not None else 0.0
        share = (
            float(load.percent if load.percent_high is None else (load.percent + load.percent_high) / 2) / 100
        )
        match load.base:
            case "load" | "bodyweight":
                return plus, ""
            case "top set":
                top = work.loads[0]
                return (None if top is None else share * top + plus), ""
            case "e1RM":
                if state.e1rm is None:
                    return None, ""
                kg = share * state.e1rm.mean - state.body_mass_share_kg
                return max(1000 * kg + plus, 0.0), f"e1RM {_shown(state.e1rm.mean, state)}"
            case base:
                mark_kg, basis = self._mark(state, base == "baseline", round(reps), first)
                return (None if mark_kg is None else max(share * 1000 * mark_kg + plus, 0.0)), basis

    def _mark(self, state: ExerciseState, frozen: bool, reps: int, first: Amount) -> tuple[float | None, str]:
        """Load of the recent best or baseline for these repetitions. [kg]"""
        if first.kind != "reps":
            return None, ""
        marks = dict(_recent(state))
        if frozen and state.baseline:
            marks = dict(state.baseline)
        what = "baseline" if frozen else "recent best"
        ranges = self.lifter.settings.rep_ranges
        at = _range_at(reps, ranges)
        name = exposure.label(ranges[at])
        if name in marks:
            mark = marks[name]
            return mark.load_kg, f"{what} {_mark_shown(mark, state)}"
        near = sorted(
            (abs(i - at), -i, exposure.label(pair))
            for i, pair in enumerate(ranges)
            if exposure.label(pair) in marks
        )
        if not near:
            return None, ""
        mark = marks[near[0][2]]
        moved = (mark.load_kg + state.body_mass_share_kg) * _curve(reps, state) / _curve(mark.reps, state)
        converted = max(moved - state.body_mass_share_kg, 0.0)
        return converted, f"no {what} of {name}; from {_mark_shown(mark, state)}"


# --- small tools ------------------------------------------------------------------------------------


def _rule(row: Row, kind: type[R]) -> R | None:
    return next((rule for rule in row.rules if isinstance(rule, kind)), None)


def _part_at(emphases: Emphases, week: int) -> tuple[Prescription, int, int] | None:
    """The scheme of the emphasis in a week, its first week and the week after its last."""
    start = 0
    for part in emphases.parts:
        if start <= week < start + part.weeks:
            group = SetGroup(
                (Amount(part.reps, part.reps),) * part.sets, None, Effort("RIR", part.rir, part.rir)
            )
            return Prescription((group,)), start, start + part.weeks
        start += part.weeks
    return None


def _following(row: Row, trained: Sequence[bool], week: int) -> list[int]:
    """Weeks from an anchor to the next typed cell in which the row is trained."""
    found = [week]
    for later in range(week + 1, len(trained)):
        if row.cells[later].prescription is not None:
            break
        if trained[later]:
            found.append(later)
    return found


def _under(work: _Work, floor: float) -> bool:
    return any(rir is not None and rir[0] < floor for rir in work.rir)


def _lighter(work: _Work, state: ExerciseState | None, change: Change) -> Prescription:
    """A computed cell at a share of its load.

    A load of two parts (recent best + 10 kg) is named outright first: a share of both reads badly. So is
    one that came from an effort, for there is nothing else to take a share of.
    """

    def one(position: int, group: SetGroup) -> SetGroup:
        mass = _as_mass(work.loads[position], state)
        if group.load is None or group.load.plus is None or group.load.base == "top set" or mass is None:
            return group
        return replace(group, load=LoadTarget("load", plus=mass))

    named = map_groups(work.prescription, one) if change.load_factor != 1 else work.prescription
    return advance(named, change, lambda i: _as_mass(work.loads[i], state))


def _as_mass(grams: int | None, state: ExerciseState | None) -> Mass | None:
    if grams is None or state is None:
        return None
    return Mass(Decimal(mass_number(grams, state.unit)), state.unit)


def _with_loads(
    prescription: Prescription, loads: Sequence[int | None], state: ExerciseState
) -> Prescription:
    """The same prescription with the first group's load given outright."""

    def one(position: int, group: SetGroup) -> SetGroup:
        mass = _as_mass(loads[position], state)
        follows = group.load is not None and group.load.base == "top set"
        if mass is None or follows or (group.load is None and group.effort is None):
            return group
        return replace(group, load=LoadTarget("load", plus=mass), effort=group.effort if group.load else None)

    return map_groups(prescription, one)


def _step_grams(step: Step, grams: float) -> float:
    return grams * float(step.value) / 100 if isinstance(step, Percent) else step.grams


@lru_cache(maxsize=512)
def _loads(kit: Kit) -> list[int]:
    found: list[int] = loadable_set(kit).tolist()
    return found


def _round(grams: float, loads: Sequence[int]) -> int:
    """``loading.loadable`` to the nearest, for one number."""
    above = min(bisect_left(loads, grams - 0.5), len(loads) - 1)
    below = max(bisect_right(loads, grams + 0.5) - 1, 0)
    return loads[below] if grams - loads[below] <= loads[above] - grams else loads[above]


def _round_down(grams: float, loads: Sequence[int]) -> int:
    return loads[max(bisect_right(loads, grams + 0.5) - 1, 0)]


def _recent(state: ExerciseState) -> dict[str, Mark]:
    return {line.rep_range: line.recent_best for line in state.exposures if line.recent_best is not None}


def _curve(reps: float, state: ExerciseState) -> float:
    return state.steepness / (state.steepness + max(reps, 1) - 1)


def _shown(kg: float, state: ExerciseState) -> str:
    return format_mass(round(kg * 1000), state.unit)


def _mark_shown(mark: Mark, state: ExerciseState) -> str:
    return f"{_shown(mark.load_kg, state)} x {mark.reps}"


def _range_at(reps: int, ranges: Sequence[tuple[int, int]]) -> int:
    return max(bisect_right(ranges, (reps, exposure.OPEN_ENDED)) - 1, 0)


# --- the calendar pass: novelty, stress --------------------------------------------------------------


@dataclass(slots=True)
class _Seen:
    """An exposure of a rep range: on the ledger, or planned earlier."""

    day: int  # ordinal
    value_kg: float  # 1RM that the load and repetitions stand for
    load_kg: float
    reps: int
    rpe: float


@dataclass(slots=True)
class _Leap:
    """Which group of a cell leaps, and the load from which it no longer would. [g]"""

    position: int
    limit_grams: int


def _finish(
    works: list[_Work], lifter: LifterState, start_day: int
) -> tuple[tuple[ResolvedCell, ...], dict[tuple[str, int], _Leap]]:
    ranges = lifter.settings.rep_ranges
    labels = [exposure.label(pair) for pair in ranges]
    loads = {name: _loads(state.kit) for name, state in lifter.exercises.items()}
    seen: dict[tuple[str, int], list[_Seen]] = {}
    last_day: dict[tuple[str, int], int] = {}
    for name, state in lifter.exercises.items():
        for line in state.exposures:
            if line.rep_range not in labels:
                continue
            at = (name, labels.index(line.rep_range))
            if line.last_day is not None:
                last_day[at] = line.last_day
            if line.recent_best is not None:
                mark = line.recent_best
                value = (mark.load_kg + state.body_mass_share_kg) / _FRACTION[min(mark.reps, 300) - 1]
                seen[at] = [_Seen(mark.day, value, mark.load_kg, mark.reps, mark.rpe)]
    works.sort(key=lambda work: work.day)
    leaps: dict[tuple[str, int], _Leap] = {}
    cells = []
    for work in works:
        state_of = lifter.exercises.get(work.row.exercise)
        novelty: CellNovelty | None = None
        if state_of is not None:
            novelty, leap = _novelty(
                work, state_of, lifter, start_day + work.day, seen, last_day, labels, loads[work.row.exercise]
            )
            if leap is not None:
                leaps[work.row.id, work.week] = leap
        known = [rir for rir in work.rir if rir is not None]
        hardest = min(known, default=None)
        cells.append(
            ResolvedCell(
                row=work.row.id,
                week=work.week,
                day=work.day,
                exercise=work.row.exercise,
                source=work.source,
                prescription=work.prescription,
                text=work.row.cells[work.week].text
                if work.source == "typed"
                else print_prescription(work.prescription),
                sets=_sets(work),
                basis=work.basis,
                rir=None
                if hardest is None
                else Estimate(hardest[0], hardest[0] - Z90 * hardest[1], hardest[0] + Z90 * hardest[1]),
                novelty=novelty,
                stress=_stress(work, state_of),
                notes=tuple(dict.fromkeys(work.notes)),
            )
        )
    return tuple(cells), leaps


def _sets(work: _Work) -> tuple[ResolvedSet, ...]:
    found = []
    for group, grams in zip(work.prescription.groups, work.loads, strict=True):
        rpe = 10 - group.effort.rir if group.effort is not None else None
        for amount in group.sets:
            match amount.kind:
                case "reps":
                    made = ResolvedSet(grams, amount.low, amount.high, amount.at_least, rpe)
                case "seconds":
                    made = ResolvedSet(grams, 0, 0, amount.at_least, rpe, seconds=amount.low)
                case "metres":
                    made = ResolvedSet(grams, 0, 0, amount.at_least, rpe, metres=amount.low)
            found.append(made)
    return tuple(found)


def _stress(work: _Work, state: ExerciseState | None) -> tuple[float, float, float, float]:
    """Working sets, hard sets, volume load [kg] and relative volume load [reps x fraction of the e1RM]."""
    sets = hard = 0.0
    volume = relative = 0.0
    done = 0
    for group, grams in zip(work.prescription.groups, work.loads, strict=True):
        for amount in group.sets:
            sets += 1
            if amount.kind != "reps":
                hard += 1  # Nothing is known of a timed set's reserve; unknown counts as hard, as in dose.
                continue
            reps = (amount.low + amount.high) / 2
            reserve_left = group.effort.rir if group.effort is not None else 0.0
            if grams is not None and state is not None:
                moved = grams / 1000 + state.body_mass_share_kg
                volume += reps * moved
                if work.strength == work.strength and moved > 0:
                    relative += reps * moved / work.strength
                    fresh = 1 - state.loss_per_set * done
                    possible = 1 + state.steepness * (work.strength * fresh / moved - 1)
                    reserve_left = possible - reps - state.rpe_bias
            elif grams is not None:
                volume += reps * grams / 1000
            hard += reserve_left <= HARD_SET_RIR
            done += 1
    return sets, hard, volume, relative


def _novelty(
    work: _Work,
    state: ExerciseState,
    lifter: LifterState,
    today: int,
    seen: dict[tuple[str, int], list[_Seen]],
    last_day: dict[tuple[str, int], int],
    labels: Sequence[str],
    loads: Sequence[int],
) -> tuple[CellNovelty | None, _Leap | None]:
    """``exposure.novelty`` for every group of a cell; the newest speaks for it. Then the cell is seen."""
    window = lifter.settings.recent_window_days
    share = state.body_mass_share_kg
    usual = state.usual_step_pct
    bound = LEAP_PCT if usual != usual else min(max(usual, REPEAT_TOLERANCE_PCT), LEAP_PCT)
    newest: CellNovelty | None = None
    leap: _Leap | None = None
    added: list[tuple[tuple[str, int], _Seen]] = []
    for position, (group, grams) in enumerate(zip(work.prescription.groups, work.loads, strict=True)):
        first = group.sets[0]
        if grams is None or first.kind != "reps":
            continue
        reps = first.low
        load_kg = grams / 1000
        where = (work.row.exercise, _range_at(reps, lifter.settings.rep_ranges))
        rpe = 10 - group.effort.rir if group.effort is not None else math.nan
        value = (load_kg + share) / _FRACTION[reps - 1]
        added.append((where, _Seen(today, value, load_kg, reps, rpe)))
        recent = [one for one in seen.get(where, ()) if today - one.day < window]
        label = labels[where[1]]
        frozen = state.baseline.get(label)
        beyond = load_kg - frozen.load_kg if frozen is not None else math.nan
        last = last_day.get(where)
        since = (today - last) / 7 if last is not None else None
        if not recent:
            sentence = (
                f"First {label} in {since:.0f} weeks" if since is not None else f"First {label} on record"
            )
            made = CellNovelty("first", math.nan, math.nan, label, since, beyond, sentence)
        else:
            best = max(recent, key=lambda one: (one.value_kg, one.day))
            step = 100 * (value / best.value_kg - 1) if best.value_kg > 0 else math.nan
            change = load_kg - best.load_kg
            increment = _increment(best.load_kg * 1000, loads) / 1000
            smallest = reps <= best.reps and change <= increment + 1e-6
            kind: NoveltyKind
            if step != step:
                kind = "repeats" if load_kg == 0 else "step"
            elif step < -REPEAT_TOLERANCE_PCT:
                kind = "below"
            elif step <= REPEAT_TOLERANCE_PCT:
                kind = "below" if rpe < best.rpe - 1 else "repeats"
            elif step <= bound + 1e-9 or smallest:
                kind = "step"
            else:
                kind = "leap"
                limit = 1000 * (best.value_kg * (1 + bound / 100) * _FRACTION[reps - 1] - share)
                allowed = _round_down(limit, loads)
                if reps <= best.reps:
                    allowed = max(allowed, round((best.load_kg + increment) * 1000))
                leap = leap or _Leap(position, allowed)
            against = f"{_shown(best.load_kg, state)} x {best.reps}"
            sentence = _novelty_sentence(kind, change, step, reps == best.reps, against, state)
            made = CellNovelty(kind, step, change, label, since, beyond, sentence)
        if newest is None or _RANK[made.kind] > _RANK[newest.kind]:
            newest = made
    for where, one in added:
        # An older exposure that is no better will never be the best again.
        seen[where] = [old for old in seen.get(where, ()) if old.value_kg > one.value_kg] + [one]
        last_day[where] = today
    return newest, leap


def _novelty_sentence(
    kind: NoveltyKind, change_kg: float, step: float, same_reps: bool, against: str, state: ExerciseState
) -> str:
    if kind == "repeats":
        return f"Repeats {against}"
    if kind == "below":
        return f"Below {against}"
    how = f"{_shown(change_kg, state)} more" if same_reps and change_kg > 0 else f"{step:.1f} % more"
    return f"{'Leap' if kind == 'leap' else 'Step'}: {how} than {against}"


def _increment(grams: float, loads: Sequence[int]) -> int:
    """``loading.smallest_increment``, for one number."""
    at = bisect_right(loads, grams + 0.5)
    return 0 if at >= len(loads) else loads[at] - loads[max(at - 1, 0)]


# --- weeks and rows ---------------------------------------------------------------------------------


def _weeks(
    plan: PlanDocument, cells: Sequence[ResolvedCell], lifter: LifterState
) -> tuple[ResolvedWeek, ...]:
    totals = [[0.0] * len(MEASURES) for _ in range(plan.weeks)]
    for cell in cells:
        for i, amount in enumerate(cell.stress):
            totals[cell.week][i] += amount
    emphases = next((rule for _, row in plan.lines if (rule := _rule(row, Emphases)) is not None), None)
    found = []
    for week, amounts in enumerate(totals):
        stress = dict(zip(MEASURES, amounts, strict=True))
        found.append(
            ResolvedWeek(
                week,
                _emphasis(plan, emphases, week),
                stress,
                {name: _against(stress[name], lifter.usual_week.get(name)) for name in MEASURES},
            )
        )
    return tuple(found)


def _emphasis(plan: PlanDocument, emphases: Emphases | None, week: int) -> BlockKind:
    start = 0
    for part in emphases.parts if emphases is not None else ():
        if start <= week < start + part.weeks:
            return part.kind
        start += part.weeks
    return plan.kind


def _against(
    amount: float, usual: tuple[float, float] | None
) -> Literal["below", "usual", "above", "unknown"]:
    if usual is None or math.isnan(usual[0]) or math.isnan(usual[1]):
        return "unknown"
    return "below" if amount < usual[0] else "above" if amount > usual[1] else "usual"


def _outlooks(
    plan: PlanDocument,
    works: Sequence[_Work],
    lifter: LifterState,
    start_day: int,
) -> tuple[RowOutlook, ...]:
    by_row: dict[str, list[_Work]] = {}
    for work in works:
        by_row.setdefault(work.row.id, []).append(work)
    return tuple(
        _outlook(row, by_row.get(row.id, []), lifter.exercises.get(row.exercise), lifter, start_day)
        for _, row in plan.lines
    )


def _outlook(
    row: Row, works: Sequence[_Work], state: ExerciseState | None, lifter: LifterState, start_day: int
) -> RowOutlook:
    climbing = [w for w in works if w.source not in ("step back", "taper") and any(_by_load(w))]
    if not climbing or state is None or state.e1rm is None:
        return RowOutlook(row.id, row.exercise, len(works), None, None, 0.0, None, None)
    # The group that ends hardest is the one that decides.
    hardest = [min((r, i) for i, r in enumerate(_by_load(w)) if r is not None) for w in climbing]
    means, sds = [r[0] for r, _ in hardest], [r[1] for r, _ in hardest]
    under = next((w.week for w, mean in zip(climbing, means, strict=True) if mean < lifter.floor_rir), None)

    first, last = climbing[0], climbing[-1]
    count = len(climbing)
    gap = (last.day - first.day) / (count - 1) if count > 1 else 7.0
    at = hardest[0][1]
    first_kg, last_kg = _group_kg(first, at), _group_kg(last, hardest[-1][1])
    step = (last_kg - first_kg) / (count - 1) if count > 1 else 0.0
    ahead = max(start_day + last.day - lifter.as_of, 0)
    reps, sets = _group_reps(last, hardest[-1][1]), _sets_until(last, hardest[-1][1])
    # Beyond the block the row is thought to go on as it did inside it.
    mean, sd = course(
        state,
        reps=reps,
        first_load_kg=last_kg + step,
        step_kg=step,
        days_between=gap,
        exposures=MOST_EXPOSURES - count if count < MOST_EXPOSURES else 1,
        first_in_days=ahead + gap,
        sets=sets,
    )
    left = headroom_of(np.concatenate([means, mean]), np.concatenate([sds, sd]), lifter.floor_rir)
    largest = None
    if count > 1:
        largest = largest_sustainable_step(
            state,
            reps=reps,
            first_load_kg=first_kg,
            exposures=count,
            days_between=gap,
            floor_rir=lifter.floor_rir,
            first_in_days=max(start_day + first.day - lifter.as_of, 0),
            sets=sets,
        )
    return RowOutlook(
        row.id, row.exercise, len(works), left, under, step, largest, spacing(state, load_kg=last_kg)
    )


def _by_load(work: _Work) -> list[tuple[float, float] | None]:
    """Reserves of the groups whose load is given: sets prescribed by effort follow the day by themselves."""
    return [
        rir if group.load is not None else None
        for group, rir in zip(work.prescription.groups, work.rir, strict=True)
    ]


def _group_kg(work: _Work, position: int) -> float:
    grams = work.loads[position]
    return grams / 1000 if grams is not None else 0.0


def _group_reps(work: _Work, position: int) -> float:
    return max((a.low + a.high) / 2 for a in work.prescription.groups[position].sets)


def _sets_until(work: _Work, position: int) -> int:
    return sum(len(group.sets) for group in work.prescription.groups[: position + 1])


# --- warnings ---------------------------------------------------------------------------------------


class _Warnings:
    def __init__(
        self,
        plan: PlanDocument,
        lifter: LifterState,
        start_day: int,
        cells: Sequence[ResolvedCell],
        leaps: Mapping[tuple[str, int], _Leap],
        outlooks: Sequence[RowOutlook],
        strengths: Mapping[tuple[str, int], float],
        next_kind: BlockKind | None,
    ) -> None:
        self.plan = plan
        self.lifter = lifter
        self.start_day = start_day
        self.leaps = leaps
        self.outlooks = outlooks
        self.strengths = strengths
        self.next_kind = next_kind
        self.cells = cells
        self.rows: dict[str, list[ResolvedCell]] = {row.id: [] for _, row in plan.lines}
        for cell in cells:
            self.rows[cell.row].append(cell)

    def all(self) -> tuple[PlanWarning, ...]:
        found: list[PlanWarning] = []
        for error in self.plan.errors:
            remedy = Remedy("Clear the cell", (plans.SetCells(((error.row, error.week, ""),)),))
            sentence = f"“{error.text}” is not understood. {error.sentence}"
            found.append(PlanWarning("not_understood", error.row, error.week, sentence, remedy))
        for (_, row), outlook in zip(self.plan.lines, self.outlooks, strict=True):
            cells = self.rows[row.id]
            state = self.lifter.exercises.get(row.exercise)
            if not cells:
                continue
            for check in (self.no_load, self.pain, self.leap, self.no_step_back, self.same_stress):
                warning = check(row, cells, outlook, state)
                if warning is not None:
                    found.append(warning)
        found += self.too_close()
        if self.next_kind is not None:
            found += self.under_exposed(self.next_kind)
        return tuple(found)

    def no_load(
        self, row: Row, cells: list[ResolvedCell], _: RowOutlook, state: ExerciseState | None
    ) -> PlanWarning | None:
        for cell in cells:
            groups = zip(cell.prescription.groups, _group_loads(cell), strict=True)
            if any(group.load is not None and load is None for group, load in groups):
                without = map_groups(cell.prescription, _by_effort)
                remedy = Remedy(
                    "Prescribe by effort",
                    (plans.SetCells(((row.id, cell.week, print_prescription(without)),)),),
                )
                sentence = (
                    f"No load can be computed for {row.exercise} in week {cell.week + 1}: there is no recent "
                    "set and no trend to refer to."
                )
                return PlanWarning("no_load", row.id, cell.week, sentence, remedy)
        return None

    def pain(
        self, row: Row, cells: list[ResolvedCell], _: RowOutlook, state: ExerciseState | None
    ) -> PlanWarning | None:
        if state is None or not state.painful:
            return None
        step = next((c for c in cells if c.novelty is not None and c.novelty.kind in ("step", "leap")), None)
        if step is None:
            return None
        kept = tuple(r for r in row.rules if isinstance(r, DayOf | EveryNthWeek | StepBack | Taper))
        hold = plans.SetRow(row.id, row.exercise, (*kept, Hold()), row.note)
        sentence = (
            f"Pain is reported on {row.exercise}. No step is advised until it has cleared; a qualified "
            "clinician should see it."
        )
        return PlanWarning("pain", row.id, step.week, sentence, Remedy("Hold the row", (hold,)))

    def leap(
        self, row: Row, cells: list[ResolvedCell], _: RowOutlook, state: ExerciseState | None
    ) -> PlanWarning | None:
        for cell in cells:
            leap = self.leaps.get((row.id, cell.week))
            if leap is None or state is None or cell.novelty is None:
                continue
            mass = _as_mass(leap.limit_grams, state)
            assert mass is not None
            group = cell.prescription.groups[leap.position]
            smaller = replace(group, load=LoadTarget("load", plus=mass), effort=None)
            text = print_prescription(
                map_groups(cell.prescription, lambda i, g: smaller if i == leap.position else g)  # noqa: B023
            )
            remedy = Remedy(f"Step to {mass} instead", (plans.SetCells(((row.id, cell.week, text),)),))
            others = sum((row.id, c.week) in self.leaps for c in cells) - 1
            more = f" So do {others} later cells of the row." if others > 1 else ""
            usual = state.usual_step_pct
            known = (
                f"the usual step here is {usual:.1f} %" if usual == usual else f"the bound is {LEAP_PCT:g} %"
            )
            sentence = (
                f"{row.exercise} leaps in week {cell.week + 1}: "
                f"{cell.novelty.sentence.removeprefix('Leap: ')}; {known}.{more}"
            )
            return PlanWarning("leap", row.id, cell.week, sentence, remedy)
        return None

    def no_step_back(
        self, row: Row, cells: list[ResolvedCell], outlook: RowOutlook, state: ExerciseState | None
    ) -> PlanWarning | None:
        week = outlook.runs_out_week
        if week is None or state is None or any(c.source == "step back" and c.week < week for c in cells):
            return None
        cell = next(c for c in cells if c.week == week)
        if cell.rir is None:
            return None
        floor = f"{self.lifter.floor_rir:g} in reserve"
        number = sum(c.week <= week for c in cells)
        sentence = (
            f"{row.exercise} is predicted to end under {floor} at exposure {number}, in week {week + 1}, "
            f"before any step back: {cell.rir.mean:.1f} ({cell.rir.low:.1f} to {cell.rir.high:.1f})."
        )
        return PlanWarning("no_step_back", row.id, week, sentence, self.step_back(row, cell, cells))

    def step_back(self, row: Row, cell: ResolvedCell, cells: list[ResolvedCell]) -> Remedy:
        derived = not row.cells[cell.week].text and cell.source == "rule"
        climbed = sum(c.week < cell.week for c in cells)
        if derived and climbed and _rule(row, Emphases) is None:
            kept = tuple(rule for rule in row.rules if not isinstance(rule, StepBack))
            rule = StepBack(every=climbed)
            edit = plans.SetRow(row.id, row.exercise, (*kept, rule), row.note)
            return Remedy(f"Step back after {climbed} week{'s' if climbed > 1 else ''}", (edit,))
        lighter = Change(load_factor=Decimal("0.9"), sets_factor=0.6)
        state = self.lifter.exercises[row.exercise]
        loads = _group_loads(cell)
        back = advance(cell.prescription, lighter, lambda i: _as_mass(loads[i], state))
        text = print_prescription(back)
        return Remedy(f"Step back in week {cell.week + 1}", (plans.SetCells(((row.id, cell.week, text),)),))

    def same_stress(
        self, row: Row, cells: list[ResolvedCell], outlook: RowOutlook, state: ExerciseState | None
    ) -> PlanWarning | None:
        if self.plan.kind in ("maintenance", "low-stress", "test") or _rule(row, Hold) or _rule(row, DayOf):
            return None
        run: list[ResolvedCell] = []
        for cell in cells:
            same = run and _work_of(run[-1]) == _work_of(cell)
            run = [*run, cell] if same and cell.source in ("typed", "rule") else [cell]
            if len(run) >= SAME_WEEKS and run[-1].top_grams is not None:
                break
        else:
            return None
        sentence = (
            f"{row.exercise} is the same from week {run[0].week + 1} to week {run[-1].week + 1}: "
            f"{run[0].text}. Nothing in it asks for more."
        )
        remedy = None
        if state is not None and not state.painful:
            last = max(c.week for c in cells)
            cleared = tuple((row.id, w, "") for w in range(run[0].week + 1, last + 1) if row.cells[w].text)
            rule = self.step_rule(run[0], outlook, state)
            edits: list[Edit] = [plans.SetCells(cleared)] if cleared else []
            kept = tuple(r for r in row.rules if not isinstance(r, AddLoad | Wave))
            edits.append(plans.SetRow(row.id, row.exercise, (*kept, rule), row.note))
            remedy = Remedy(rule.sentence(), tuple(edits))
        return PlanWarning("same_stress", row.id, run[-1].week, sentence, remedy)

    def step_rule(self, cell: ResolvedCell, outlook: RowOutlook, state: ExerciseState) -> AddLoad | AddSets:
        """Load as fast as it is earned; a set now and then where none is being earned."""
        grams = _increment(cell.top_grams or 0, _loads(state.kit))
        advice = outlook.spacing
        mass = _as_mass(grams, state)
        if advice is None or not math.isfinite(advice.days.mean) or mass is None or grams <= 0:
            return AddSets(1, every=2, most=len(cell.sets) + 2)
        return AddLoad(mass, every=min(max(1, math.ceil(advice.days.mean / 7)), 12))

    def too_close(self) -> list[PlanWarning]:
        found: list[PlanWarning] = []
        by_lift: dict[str, list[ResolvedCell]] = {}
        for cell in self.cells:
            if self.heavy(cell):
                by_lift.setdefault(cell.exercise, []).append(cell)
        told: set[str] = set()
        for exercise, heavy in by_lift.items():
            state = self.lifter.exercises[exercise]
            for before, after in pairwise(heavy):
                gap = after.day - before.day
                if before.row == after.row or gap >= state.recovery_days or after.row in told:
                    continue
                told.add(after.row)
                row = self.plan.row(after.row)
                sentence = (
                    f"Two heavy days of {exercise} lie {gap} day{'s' if gap != 1 else ''} apart in week "
                    f"{after.week + 1}; {state.recovery_days:g} are needed to recover."
                )
                found.append(
                    PlanWarning("too_close", row.id, after.week, sentence, self.lighten(row, before.row))
                )
        for (_, row), outlook in zip(self.plan.lines, self.outlooks, strict=True):
            warning = self.limit_too_often(row, outlook) if row.id not in told else None
            if warning is not None:
                found.append(warning)
        return found

    def lighten(self, row: Row, leader: str) -> Remedy | None:
        at: str | None = leader
        while at is not None:  # A row that already follows this one cannot lead it.
            if at == row.id:
                return None
            follows = _rule(self.plan.row(at), DayOf)
            at = follows.row if follows is not None else None
        typed = tuple((row.id, week, "") for week, cell in enumerate(row.cells) if cell.text)
        edits: list[Edit] = [plans.SetCells(typed)] if typed else []
        rule = DayOf("light", leader, Decimal(80), sets=-1)
        edits.append(plans.SetRow(row.id, row.exercise, (rule,), row.note))
        return Remedy(f"Make the second a light day: {rule.sentence()}", tuple(edits))

    def heavy(self, cell: ResolvedCell) -> bool:
        state = self.lifter.exercises.get(cell.exercise)
        strength = self.strengths.get((cell.row, cell.week), math.nan)
        if state is None or cell.top_grams is None or strength != strength:
            return False
        return cell.top_grams / 1000 + state.body_mass_share_kg >= HEAVY_FRACTION * strength

    def limit_too_often(self, row: Row, outlook: RowOutlook) -> PlanWarning | None:
        """Steps at the limit, closer together than strength is gained."""
        advice = outlook.spacing
        if advice is None or advice.increment_g <= 0:
            return None
        limit = [
            c
            for c in self.rows[row.id]
            if c.rir is not None
            and c.rir.mean < self.lifter.floor_rir + 1
            and c.novelty is not None
            and c.novelty.kind in ("step", "leap")
            and self.heavy(c)
        ]
        if len(limit) < 2:
            return None
        gap = min(b.day - a.day for a, b in pairwise(limit))
        if gap >= advice.days.mean:
            return None
        weeks = math.ceil(advice.days.mean / 7) if math.isfinite(advice.days.mean) else MOST_SPACED_WEEKS
        every = min(max(weeks, 2), MOST_SPACED_WEEKS)
        add = _rule_add(row)
        if add is not None and not row.cells[limit[1].week].text:
            slower = tuple(replace(r, every=max(r.every + 1, every)) if r is add else r for r in row.rules)
            label = f"Add load every {max(add.every + 1, every)} exposures"
        else:
            slower = (*(r for r in row.rules if not isinstance(r, EveryNthWeek)), EveryNthWeek(every))
            label = EveryNthWeek(every).sentence()
        edits: list[Edit] = []
        typed = tuple((row.id, c.week, "") for c in limit[1:] if row.cells[c.week].text)
        if typed:
            edits.append(plans.SetCells(typed))
        edits.append(plans.SetRow(row.id, row.exercise, slower, row.note))
        sentence = f"{row.exercise} steps at its limit every {gap} days. {advice.sentence}"
        return PlanWarning("too_close", row.id, limit[1].week, sentence, Remedy(label, tuple(edits)))

    def under_exposed(self, kind: BlockKind) -> list[PlanWarning]:
        low, high = RANGES_OF[kind]
        end = self.start_day + 7 * self.plan.weeks
        found: list[PlanWarning] = []
        told: set[str] = set()
        for _, row in self.plan.lines:
            state = self.lifter.exercises.get(row.exercise)
            cells = self.rows[row.id]
            if state is None or state.main_lift != row.exercise or row.exercise in told or not cells:
                continue
            told.add(row.exercise)
            ability = "maximal strength" if low <= STRENGTH_REPS else "strength endurance"
            residual = RESIDUAL_DAYS[ability][0]
            last = self.last_exposure(row.exercise, state, low, high)
            if last is not None and end - last <= residual:
                continue
            since = (
                f"last trained {(end - last) / 7:.0f} weeks before it"
                if last is not None
                else "never trained"
            )
            sentence = (
                f"The {kind} block that follows needs {low} to {high} repetitions of {row.exercise}, "
                f"{since}; {ability} lasts about {residual:.0f} days."
            )
            reps = round((low + high) / 2)
            extra = SetGroup((Amount(reps, reps),), None, Effort("RIR", Decimal(3), Decimal(3)))
            texts = []
            for cell in [c for c in cells if c.source != "taper"][-2:]:
                more = Prescription(
                    (*cell.prescription.groups, extra), cell.prescription.rest_s, cell.prescription.note
                )
                text = print_prescription(more)
                if plans.read_cell(text, self.plan.unit).prescription is not None:
                    texts.append((row.id, cell.week, text))
            remedy = None
            if texts:
                label = f"Add a set of {print_amount(extra.sets[0])} leaving 3 in the last weeks"
                remedy = Remedy(label, (plans.SetCells(tuple(texts)),))
            found.append(PlanWarning("under_exposed", row.id, cells[-1].week, sentence, remedy))
        return found

    def last_exposure(self, exercise: str, state: ExerciseState, low: int, high: int) -> int | None:
        """Last day, past or planned, with a set of low to high repetitions. [d]"""
        days = [
            line.last_day
            for line, pair in zip(state.exposures, self.lifter.settings.rep_ranges, strict=False)
            if line.last_day is not None and pair[0] <= high and pair[1] >= low
        ]
        days += [
            self.start_day + cell.day
            for cell in self.cells
            if cell.exercise == exercise and any(low <= s.reps <= high for s in cell.sets)
        ]
        return max(days, default=None)


MOST_SPACED_WEEKS = 3
"""[weeks] Advanced lifters face a limit-level exposure every two or three weeks: common practice."""


def _rule_add(row: Row) -> AddLoad | None:
    return next((rule for rule in row.rules if isinstance(rule, AddLoad)), None)


def _group_loads(cell: ResolvedCell) -> list[int | None]:
    found: list[int | None] = []
    at = 0
    for group in cell.prescription.groups:
        found.append(cell.sets[at].load_grams)
        at += len(group.sets)
    return found


def _work_of(cell: ResolvedCell) -> tuple[tuple[int | None, int, int], ...]:
    return tuple((s.load_grams, s.reps, s.reps_high) for s in cell.sets)


def _by_effort(position: int, group: SetGroup) -> SetGroup:
    if group.load is None or group.load.base in ("load", "bodyweight"):
        return group
    if group.load.base == "top set" and position > 0:
        return replace(group, load=None, effort=group.effort or Effort("RIR", Decimal(4), Decimal(4)))
    return replace(group, load=None, effort=group.effort or Effort("RIR", Decimal(3), Decimal(3)))


# --- what an edit would change ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CellChange:
    """A cell before and after an edit, None where it was or is not trained."""

    row: str
    week: int
    exercise: str
    before: ResolvedCell | None
    after: ResolvedCell | None


@dataclass(frozen=True, slots=True)
class Preview:
    """A plan with some edits applied, computed, and what they change."""

    plan: PlanDocument
    resolved: ResolvedPlan
    changes: tuple[CellChange, ...]


def preview_edits(
    plan: PlanDocument,
    resolved: ResolvedPlan,
    edits: Sequence[Edit],
    lifter: LifterState,
    *,
    start_day: int,
    next_kind: BlockKind | None = None,
) -> Preview:
    """What some edits, a remedy's for instance, would do, without doing it.

    Raises
    ------
    PlanError
        If an edit does not fit the plan.
    """
    after, _ = plans.apply_all(plan, edits)
    now = resolve(after, lifter, start_day=start_day, next_kind=next_kind)
    old, new = resolved.by_place(), now.by_place()
    places = sorted({*old, *new}, key=lambda place: (place[1], place[0]))
    changes = []
    for place in places:
        a, b = old.get(place), new.get(place)
        if a is None or b is None or (a.text, a.sets) != (b.text, b.sets):
            one = a or b
            assert one is not None
            changes.append(CellChange(*place, one.exercise, a, b))
    return Preview(after, now, tuple(changes))
