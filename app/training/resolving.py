"""A plan document computed cell by cell for one lifter: what follows from the rules, loads to put on, what is
new in them, what they cost and how long they can go on.

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
from typing import Any, Literal, TypeVar

import numpy as np

from app.training import exposure, repmax
from app.training.dose import HARD_SET_RIR
from app.training.exposure import LEAP_PCT, REPEAT_TOLERANCE_PCT, NoveltyKind
from app.training.loading import Kit, loadable_set
from app.training.plan import PlanDocument, Row, Session
from app.training.prescription import (
    Amount,
    Effort,
    LoadTarget,
    Mass,
    Prescription,
    SetGroup,
    map_groups,
    print_prescription,
)
from app.training.progression import (
    MOST_EXPOSURES,
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
    Change,
    DayOf,
    Emphases,
    EveryNthWeek,
    Hold,
    Percent,
    Step,
    StepBack,
    Taper,
    advance,
    change_at,
)
from app.training.units import Unit, format_mass, mass_number

R = TypeVar("R", DayOf, Emphases, EveryNthWeek, Hold, StepBack, Taper)
Source = Literal["typed", "rule", "step back", "taper", "day"]
MEASURES = ("working_sets", "hard_sets", "volume_load", "relative_volume_load")

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


# --- resolving --------------------------------------------------------------------------------------


@dataclass(slots=True)
class Work:
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


@dataclass(slots=True)
class _Anchor:
    """The typed cell that empty ones follow, and which exposure of the climb it was."""

    line: int
    prescription: Prescription
    work: Work
    number: int
    week: int


@dataclass(slots=True)
class _Climb:
    """A run of exposures that rules count together: those of one row, or of a lift all over the week."""

    anchors: dict[str, _Anchor]
    number: int = -1
    climbed: int = 0  # weeks since the last step back
    week: int = -1
    back_until: int = -1  # [d] first day after a step back that has begun
    best: int | None = None  # [g] heaviest load so far, which the bound on steps starts from

    def lead(self) -> _Anchor | None:
        return min(self.anchors.values(), key=lambda anchor: anchor.line, default=None)

    def count_week(self, week: int) -> None:
        if week != self.week:
            self.climbed, self.week = self.climbed + 1, week


class Resolver:
    """Loads and reserves of every cell, row by row; a row that follows another comes after it."""

    def __init__(self, plan: PlanDocument, lifter: LifterState, start_day: int) -> None:
        self.plan = plan
        self.lifter = lifter
        self.start_day = start_day
        self.lines = plan.lines
        self.done: dict[str, list[Work | None]] = {}
        self.active: set[str] = set()
        self.by_id = {row.id: (line, session, row) for line, (session, row) in enumerate(self.lines)}
        self.rules: dict[str, dict[type, Any]] = {
            row.id: {type(rule): rule for rule in row.rules} for _, row in self.lines
        }
        self.loads = {name: loads_of(state.kit) for name, state in lifter.exercises.items()}

    def works(self) -> list[Work]:
        for _, row in self.lines:
            self.row(row.id)
        return [work for _, row in self.lines for work in self.done[row.id] if work is not None]

    def row(self, row_id: str) -> list[Work | None]:
        if row_id not in self.done:
            self.active.add(row_id)
            line, _, row = self.by_id[row_id]
            if _by_lift(row):
                together = [i for i, (_, other) in enumerate(self.lines) if _counts_with(other, row)]
            else:
                together = [line]
            self.climb(together)
            self.active.discard(row_id)
        return self.done[row_id]

    def climb(self, lines: Sequence[int]) -> None:
        """Rows that are counted together, exposure after exposure as the calendar has them."""
        in_week = sorted(lines, key=lambda line: (self.lines[line][0].day, line))
        climb = _Climb({})
        for line in lines:
            self.done[self.lines[line][1].id] = []
        for week in range(self.plan.weeks):
            for line in in_week:
                session, row = self.lines[line]
                work = self.exposure(climb, line, session, row, week)
                if work is not None and work.source != "step back":
                    top = max((load for load in work.loads if load is not None), default=None)
                    if top is not None:
                        climb.best = top if climb.best is None else max(climb.best, top)
                self.done[row.id].append(work)

    def exposure(self, climb: _Climb, line: int, session: Session, row: Row, week: int) -> Work | None:
        """One cell: as typed, or as the rules have it follow from what was typed."""
        cell = row.cells[week]
        state = self.lifter.exercises.get(row.exercise)
        rules = self.rules[row.id]
        emphases = rules.get(Emphases) if not cell.text else None
        part = _part_at(emphases, week) if emphases is not None else None
        if cell.prescription is not None or (part is not None and part[1] == week):
            typed = cell.prescription
            prescription = typed if typed is not None else part[0]  # type: ignore[index]
            work = self.compute(session, row, week, prescription, "typed" if typed else "rule", state)
            climb.number += 1
            climb.anchors[row.id] = _Anchor(line, prescription, work, climb.number, week)
            climb.count_week(week)
            return work
        if cell.text or (emphases is not None and part is None) or not row.rules:
            return None
        follows = rules.get(DayOf)
        if follows is not None:
            return self.follow(session, row, week, follows, state)
        anchor = climb.anchors.get(row.id) or (climb.lead() if _by_lift(row) else None)
        nth = rules.get(EveryNthWeek)
        if anchor is None or (nth is not None and (week - anchor.week) % nth.weeks):
            return None
        return self.derive(climb, anchor, session, row, week, state)

    def derive(
        self,
        climb: _Climb,
        anchor: _Anchor,
        session: Session,
        row: Row,
        week: int,
        state: ExerciseState | None,
    ) -> Work | None:
        day = 7 * week + session.day
        taper, back = self.rules[row.id].get(Taper), self.rules[row.id].get(StepBack)

        def at(number: int, source: Source, kept: float = 1.0, cap: float | None = None) -> Work:
            exposures = max(number - anchor.number, 0)
            change = change_at(row.rules, exposures, exposures)
            if kept != 1:
                change = replace(change, sets_factor=kept)
            loads = anchor.work.loads
            text = advance(anchor.prescription, change, lambda i: as_mass(loads[i], state))
            return self.compute(session, row, week, text, source, state, cap, climb.best)

        left = self.plan.goal_day - day if taper is not None and self.plan.goal_day is not None else None
        if taper is not None and left is not None and left <= taper.days:
            if left <= 0:
                return None
            heavy = float(taper.heavy_percent) / 100 if left <= taper.last_heavy else None
            return at(climb.number, "taper", taper.kept(left), heavy)

        if back is not None and climb.back_until >= 0 and day >= climb.back_until:
            climb.back_until = -1
            climb.number = max(climb.number - back.again, -1)
        if back is not None:
            due = climb.back_until >= 0 or (
                back.every is not None and week != climb.week and climb.climbed >= back.every
            )
            work = None if due else at(climb.number + 1, "rule")
            if work is None or (back.floor is not None and _under(work, float(back.floor))):
                if climb.back_until < 0:
                    climb.back_until, climb.climbed, climb.week = day + 7 * back.weeks, 0, -1
                change = Change(
                    load_factor=1 - back.load_percent / 100, sets_factor=1 - float(back.sets_percent) / 100
                )
                text = _lighter(at(climb.number, "rule"), state, change)
                return self.compute(session, row, week, text, "step back", state)
        else:
            work = at(climb.number + 1, "rule")
        climb.number += 1
        climb.count_week(week)
        return work

    def follow(
        self, session: Session, row: Row, week: int, rule: DayOf, state: ExerciseState | None
    ) -> Work | None:
        if rule.row not in self.by_id or rule.row in self.active:
            return None
        led = self.row(rule.row)
        # Rows that are counted together are computed together, so a leader of theirs may not be there yet.
        leader = led[week] if week < len(led) else None
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
    ) -> Work:
        """Loads and predicted reserves of a cell.

        ``cap`` is a fraction of the e1RM that loads may not exceed, ``best`` the load [g] steps start from.
        """
        day = 7 * week + session.day
        work = Work(session, row, week, day, source, prescription, [], "", [], [], math.nan, 0.0)
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
                    grams = round_down(limit, loads)
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
        self, work: Work, state: ExerciseState, group: SetGroup, grams: int | None, before: int
    ) -> tuple[float, float] | None:
        last = group.sets[-1]
        if grams is None or last.kind != "reps" or work.strength != work.strength:
            return None
        hardest = max((a.low + a.high) / 2 for a in group.sets)
        return set_reserve(state, grams / 1000, hardest, work.strength, work.strength_sd, before)

    def _raw(
        self, work: Work, state: ExerciseState, group: SetGroup, before: int
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


def rule_of(row: Row, kind: type[R]) -> R | None:
    return next((rule for rule in row.rules if isinstance(rule, kind)), None)


def _by_lift(row: Row) -> bool:
    return any(isinstance(rule, AddLoad) and rule.count == "lift" for rule in row.rules)


def _counts_with(row: Row, other: Row) -> bool:
    return row.id == other.id or (_by_lift(row) and row.exercise == other.exercise)


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


def _under(work: Work, floor: float) -> bool:
    return any(rir is not None and rir[0] < floor for rir in work.rir)


def _lighter(work: Work, state: ExerciseState | None, change: Change) -> Prescription:
    """A computed cell at a share of its load, see :func:`share_of`."""
    return share_of(work.prescription, work.loads, state, change)


def share_of(
    prescription: Prescription, loads: Sequence[int | None], state: ExerciseState | None, change: Change
) -> Prescription:
    """A prescription at a share of the loads computed for it.

    A load of two parts (recent best + 10 kg) is named outright first: a share of both reads badly. So is
    one that came from an effort, for there is nothing else to take a share of. What is named outright is
    rounded to what the kit shows: nobody can put on a share of a load.
    """

    def named(position: int, group: SetGroup) -> SetGroup:
        mass = as_mass(loads[position], state)
        if group.load is None or group.load.plus is None or group.load.base == "top set" or mass is None:
            return group
        return replace(group, load=LoadTarget("load", plus=mass))

    def settled(position: int, group: SetGroup) -> SetGroup:
        if group.load is None or group.load.base != "load" or group.load.plus is None or state is None:
            return group
        mass = as_mass(_round(group.load.plus.grams, loads_of(state.kit)), state)
        return replace(group, load=LoadTarget("load", plus=mass))

    whole = map_groups(prescription, named) if change.load_factor != 1 else prescription
    return map_groups(advance(whole, change, lambda i: as_mass(loads[i], state)), settled)


def as_mass(grams: int | None, state: ExerciseState | None) -> Mass | None:
    """A load as it is written in the lifter's unit."""
    if grams is None or state is None:
        return None
    return _mass(grams, state.unit)


@lru_cache(maxsize=8192)
def _mass(grams: int, unit: Unit) -> Mass:
    return Mass(Decimal(mass_number(grams, unit)), unit)


def _with_loads(
    prescription: Prescription, loads: Sequence[int | None], state: ExerciseState
) -> Prescription:
    """The same prescription with the first group's load given outright."""

    def one(position: int, group: SetGroup) -> SetGroup:
        mass = as_mass(loads[position], state)
        follows = group.load is not None and group.load.base == "top set"
        if mass is None or follows or (group.load is None and group.effort is None):
            return group
        return replace(group, load=LoadTarget("load", plus=mass), effort=group.effort if group.load else None)

    return map_groups(prescription, one)


def _step_grams(step: Step, grams: float) -> float:
    return grams * float(step.value) / 100 if isinstance(step, Percent) else step.grams


@lru_cache(maxsize=512)
def loads_of(kit: Kit) -> list[int]:
    found: list[int] = loadable_set(kit).tolist()
    return found


def _round(grams: float, loads: Sequence[int]) -> int:
    """``loading.loadable`` to the nearest, for one number."""
    above = min(bisect_left(loads, grams - 0.5), len(loads) - 1)
    below = max(bisect_right(loads, grams + 0.5) - 1, 0)
    return loads[below] if grams - loads[below] <= loads[above] - grams else loads[above]


def round_down(grams: float, loads: Sequence[int]) -> int:
    return loads[max(bisect_right(loads, grams + 0.5) - 1, 0)]


def _recent(state: ExerciseState) -> dict[str, Mark]:
    return {line.rep_range: line.recent_best for line in state.exposures if line.recent_best is not None}


def _curve(reps: float, state: ExerciseState) -> float:
    return state.steepness / (state.steepness + max(reps, 1) - 1)


def _shown(kg: float, state: ExerciseState) -> str:
    return _printed(round(kg * 1000), state.unit)


@lru_cache(maxsize=8192)
def _printed(grams: int, unit: Unit) -> str:
    return format_mass(grams, unit)


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
    planned: bool = False


@dataclass(slots=True)
class Leap:
    """Which group of a cell leaps, and the load from which it no longer would. [g]"""

    position: int
    limit_grams: int


def finish(
    works: list[Work], lifter: LifterState, start_day: int
) -> tuple[tuple[ResolvedCell, ...], dict[tuple[str, int], Leap]]:
    ranges = lifter.settings.rep_ranges
    labels = [exposure.label(pair) for pair in ranges]
    loads = {name: loads_of(state.kit) for name, state in lifter.exercises.items()}
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
    leaps: dict[tuple[str, int], Leap] = {}
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


def _sets(work: Work) -> tuple[ResolvedSet, ...]:
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


def _stress(work: Work, state: ExerciseState | None) -> tuple[float, float, float, float]:
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
    work: Work,
    state: ExerciseState,
    lifter: LifterState,
    today: int,
    seen: dict[tuple[str, int], list[_Seen]],
    last_day: dict[tuple[str, int], int],
    labels: Sequence[str],
    loads: Sequence[int],
) -> tuple[CellNovelty | None, Leap | None]:
    """``exposure.novelty`` for every group of a cell; the newest speaks for it. Then the cell is seen."""
    window = lifter.settings.recent_window_days
    share = state.body_mass_share_kg
    usual = state.usual_step_pct
    bound = LEAP_PCT if usual != usual else min(max(usual, REPEAT_TOLERANCE_PCT), LEAP_PCT)
    newest: CellNovelty | None = None
    leap: Leap | None = None
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
        added.append((where, _Seen(today, value, load_kg, reps, rpe, planned=True)))
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
            best = recent[0]
            for one in recent[1:]:
                if (one.value_kg, one.day) > (best.value_kg, best.day):
                    best = one
            step = 100 * (value / best.value_kg - 1) if best.value_kg > 0 else math.nan
            change = load_kg - best.load_kg
            increment = increment_at(best.load_kg * 1000, loads) / 1000
            smallest = reps <= best.reps and change <= increment + 1e-6
            kind: NoveltyKind
            if step != step:
                kind = "repeats" if load_kg == 0 else "step"
            elif step < -REPEAT_TOLERANCE_PCT:
                kind = "below"
            elif step <= REPEAT_TOLERANCE_PCT:
                kind = "below" if rpe < best.rpe - 1 else "repeats"
            elif step <= bound + 1e-9 or smallest or _climbed(value, where, seen, bound):
                kind = "step"
            else:
                kind = "leap"
                limit = 1000 * (best.value_kg * (1 + bound / 100) * _FRACTION[reps - 1] - share)
                allowed = round_down(limit, loads)
                if reps <= best.reps:
                    allowed = max(allowed, round((best.load_kg + increment) * 1000))
                leap = leap or Leap(position, allowed)
            if newest is not None and _RANK[kind] <= _RANK[newest.kind]:
                continue
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


def _climbed(
    value_kg: float, where: tuple[str, int], seen: Mapping[tuple[str, int], list[_Seen]], bound: float
) -> bool:
    """Whether the block itself has come close in a neighbouring range: six repetitions lead to seven."""
    exercise, at = where
    near = [
        one.value_kg
        for neighbour in (at - 1, at + 1)
        for one in seen.get((exercise, neighbour), ())
        if one.planned
    ]
    return bool(near) and value_kg <= max(near) * (1 + bound / 100)


def _novelty_sentence(
    kind: NoveltyKind, change_kg: float, step: float, same_reps: bool, against: str, state: ExerciseState
) -> str:
    if kind == "repeats":
        return f"Repeats {against}"
    if kind == "below":
        return f"Below {against}"
    how = f"{_shown(change_kg, state)} more" if same_reps and change_kg > 0 else f"{step:.1f} % more"
    return f"{'Leap' if kind == 'leap' else 'Step'}: {how} than {against}"


def increment_at(grams: float, loads: Sequence[int]) -> int:
    """``loading.smallest_increment``, for one number."""
    at = bisect_right(loads, grams + 0.5)
    return 0 if at >= len(loads) else loads[at] - loads[max(at - 1, 0)]


# --- weeks and rows ---------------------------------------------------------------------------------


def weeks_of(
    plan: PlanDocument, cells: Sequence[ResolvedCell], lifter: LifterState
) -> tuple[ResolvedWeek, ...]:
    totals = [[0.0] * len(MEASURES) for _ in range(plan.weeks)]
    for cell in cells:
        for i, amount in enumerate(cell.stress):
            totals[cell.week][i] += amount
    emphases = next((rule for _, row in plan.lines if (rule := rule_of(row, Emphases)) is not None), None)
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


def outlooks_of(
    plan: PlanDocument,
    works: Sequence[Work],
    lifter: LifterState,
    start_day: int,
) -> tuple[RowOutlook, ...]:
    by_row: dict[str, list[Work]] = {}
    for work in works:
        by_row.setdefault(work.row.id, []).append(work)
    return tuple(
        _outlook(row, by_row.get(row.id, []), lifter.exercises.get(row.exercise), lifter, start_day)
        for _, row in plan.lines
    )


def _outlook(
    row: Row, works: Sequence[Work], state: ExerciseState | None, lifter: LifterState, start_day: int
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


def _by_load(work: Work) -> list[tuple[float, float] | None]:
    """Reserves of the groups whose load is given: sets prescribed by effort follow the day by themselves."""
    return [
        rir if group.load is not None else None
        for group, rir in zip(work.prescription.groups, work.rir, strict=True)
    ]


def _group_kg(work: Work, position: int) -> float:
    grams = work.loads[position]
    return grams / 1000 if grams is not None else 0.0


def _group_reps(work: Work, position: int) -> float:
    return max((a.low + a.high) / 2 for a in work.prescription.groups[position].sets)


def _sets_until(work: Work, position: int) -> int:
    return sum(len(group.sets) for group in work.prescription.groups[: position + 1])
