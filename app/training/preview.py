"""A plan for one lifter while it is being written: everything computed, and what an edit would change.

:func:`resolve` is deterministic and knows no clock: the same plan, state and first day give the same result.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from app.training import plan as plans
from app.training.advice import PlanWarning, Remedy, Warnings
from app.training.plan import Edit, PlanDocument
from app.training.progression import (
    Z90,
    LifterState,
    strength_at,
)
from app.training.records import BlockKind, Estimate
from app.training.resolving import (
    MEASURES,
    CellNovelty,
    ResolvedCell,
    ResolvedSet,
    ResolvedWeek,
    Resolver,
    RowOutlook,
    finish,
    outlooks_of,
    weeks_of,
)

__all__ = [
    "MEASURES",
    "CellChange",
    "CellNovelty",
    "PlanWarning",
    "Preview",
    "Remedy",
    "ResolvedCell",
    "ResolvedPlan",
    "ResolvedSet",
    "ResolvedWeek",
    "RowOutlook",
    "Variant",
    "preview_edits",
    "resolve",
    "what_if",
]


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
    resolver = Resolver(plan, lifter, start_day)
    works = resolver.works()
    cells, leaps = finish(works, lifter, start_day)
    weeks = weeks_of(plan, cells, lifter)
    rows = outlooks_of(plan, works, lifter, start_day)
    strengths = {(work.row.id, work.week): work.strength for work in works}
    found = Warnings(plan, lifter, start_day, cells, leaps, rows, strengths, next_kind).all()
    return ResolvedPlan(cells, weeks, rows, found)


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
    """A plan with some edits applied, computed, and what they change.

    ``texts`` are the typed cells that differ: (row id, week, before, after).
    """

    plan: PlanDocument
    resolved: ResolvedPlan
    changes: tuple[CellChange, ...]
    texts: tuple[tuple[str, int, str, str], ...]


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
    return Preview(after, now, tuple(changes), plans.changed_cells(plan, after))


@dataclass(frozen=True, slots=True)
class Variant:
    """One way a block could go, to be laid beside the others.

    ``stress`` is by measure and week. ``least_rir`` is the predicted reserve of the hardest set of the whole
    block, None where nothing can be predicted [reps]; ``end_e1rm`` the trend carried to the last day by the
    lifter's own slope, by exercise [kg]: it does not depend on the plan, and is there to be replaced by a
    response model where that has shown skill.
    """

    name: str
    plan: PlanDocument
    resolved: ResolvedPlan
    stress: Mapping[str, tuple[float, ...]]
    least_rir: Estimate | None
    end_e1rm: Mapping[str, Estimate]


def what_if(
    plan: PlanDocument,
    variants: Mapping[str, Sequence[Edit]],
    lifter: LifterState,
    *,
    start_day: int,
    next_kind: BlockKind | None = None,
) -> tuple[Variant, ...]:
    """The same block under different edits (steps, spacings, step backs), each computed.

    Parameters
    ----------
    plan : PlanDocument
    variants : mapping of str to sequence of Edit
        Name of each way and what it changes; an empty sequence is the plan as it is.
    lifter : LifterState
    start_day : int
        [d]
    next_kind : BlockKind, optional
        See :func:`resolve`.

    Raises
    ------
    PlanError
        If an edit does not fit the plan.
    """
    weeks = (start_day + 7 * plan.weeks - 1 - lifter.as_of) / 7
    ends = {}
    for exercise in {row.exercise for _, row in plan.lines}:
        state = lifter.exercises.get(exercise)
        if state is not None and state.e1rm is not None:
            mean, sd = strength_at(state, max(weeks, 0.0))
            ends[exercise] = Estimate(mean, mean - Z90 * sd, mean + Z90 * sd)
    found = []
    for name, edits in variants.items():
        changed, _ = plans.apply_all(plan, edits)
        now = resolve(changed, lifter, start_day=start_day, next_kind=next_kind)
        known = [cell.rir for cell in now.cells if cell.rir is not None]
        found.append(
            Variant(
                name,
                changed,
                now,
                {measure: tuple(week.stress[measure] for week in now.weeks) for measure in MEASURES},
                min(known, key=lambda rir: rir.mean, default=None),
                dict(sorted(ends.items())),
            )
        )
    return tuple(found)
