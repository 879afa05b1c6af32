"""A plan for one lifter while it is being written: everything computed, and what an edit would change.

:func:`resolve` is deterministic and knows no clock: the same plan, state and first day give the same result.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from app.training import plan as plans
from app.training.advice import PlanWarning, Remedy, Warnings
from app.training.plan import Edit, PlanDocument
from app.training.progression import (
    LifterState,
)
from app.training.records import BlockKind
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
    "preview_edits",
    "resolve",
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
