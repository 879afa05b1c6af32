"""What a coach should look at in a computed plan, each with an edit that would put it right.

A warning states what was computed and proposes; the coach decides.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import pairwise
from typing import Literal

from app.training import plan as plans
from app.training.exposure import LEAP_PCT
from app.training.plan import Edit, PlanDocument, Row
from app.training.prescription import (
    Amount,
    Effort,
    LoadTarget,
    Prescription,
    SetGroup,
    map_groups,
    print_amount,
    print_prescription,
)
from app.training.progression import (
    DELOAD_EVERY_WEEKS,
    RANGES_OF,
    RESIDUAL_DAYS,
    STRENGTH_REPS,
    ExerciseState,
    LifterState,
)
from app.training.records import BlockKind
from app.training.resolving import (
    Leap,
    ResolvedCell,
    RowOutlook,
    as_mass,
    increment_at,
    loads_of,
    rule_of,
    share_of,
)
from app.training.rules import (
    AddLoad,
    AddSets,
    Change,
    DayOf,
    Emphases,
    EveryNthWeek,
    Hold,
    StepBack,
    Taper,
    Wave,
)

WarningKind = Literal[
    "not_understood", "no_load", "pain", "leap", "no_step_back", "same_stress", "too_close", "under_exposed"
]
HEAVY_FRACTION = 0.80
"""[1] From here on an exposure is heavy: common practice, and the upper bands of the lift-count table."""
SAME_WEEKS = math.ceil(DELOAD_EVERY_WEEKS[1])
"""[weeks] As long as lifters usually go between easier weeks."""
MOST_SPACED_WEEKS = 3
"""[weeks] Advanced lifters face a limit-level exposure every two or three weeks: common practice."""


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


# --- warnings ---------------------------------------------------------------------------------------


class Warnings:
    def __init__(
        self,
        plan: PlanDocument,
        lifter: LifterState,
        start_day: int,
        cells: Sequence[ResolvedCell],
        leaps: Mapping[tuple[str, int], Leap],
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
            mass = as_mass(leap.limit_grams, state)
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
        if derived and climbed and rule_of(row, Emphases) is None:
            kept = tuple(rule for rule in row.rules if not isinstance(rule, StepBack))
            rule = StepBack(every=climbed)
            edit = plans.SetRow(row.id, row.exercise, (*kept, rule), row.note)
            return Remedy(f"Step back after {climbed} week{'s' if climbed > 1 else ''}", (edit,))
        lighter = Change(load_factor=Decimal("0.9"), sets_factor=0.6)
        state = self.lifter.exercises[row.exercise]
        loads = _group_loads(cell)
        text = print_prescription(share_of(cell.prescription, loads, state, lighter))
        return Remedy(f"Step back in week {cell.week + 1}", (plans.SetCells(((row.id, cell.week, text),)),))

    def same_stress(
        self, row: Row, cells: list[ResolvedCell], outlook: RowOutlook, state: ExerciseState | None
    ) -> PlanWarning | None:
        if (
            self.plan.kind in ("maintenance", "low-stress", "test")
            or rule_of(row, Hold)
            or rule_of(row, DayOf)
        ):
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
        grams = increment_at(cell.top_grams or 0, loads_of(state.kit))
        advice = outlook.spacing
        mass = as_mass(grams, state)
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
            follows = rule_of(self.plan.row(at), DayOf)
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
        if advice is None or advice.increment_g <= 0 or self.plan.kind in ("peak", "test"):
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
