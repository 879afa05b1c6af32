"""Which weeks a block gets when it is made longer: its work goes on, and an easier end stays the end."""

from __future__ import annotations

from dataclasses import dataclass

from app.training import plan as plans
from app.training.plan import Edit, InsertWeek, PlanDocument
from app.training.preview import resolve
from app.training.progression import LifterState

LESS = 0.77
"""[1] Of the mean week before, at most: so much less is meant. Half way to what a step back leaves by itself,
10 % less load and 40 % fewer sets."""


@dataclass(frozen=True, slots=True)
class Longer:
    """Edits that make a plan longer. ``words`` say which week is repeated where, unless it is the last."""

    edits: tuple[Edit, ...]
    words: str = ""


def lengthened(plan: PlanDocument, more: int, state: LifterState, *, start_day: int, settled: int) -> Longer:
    """How a plan gets more weeks. Nothing goes before the first ``settled``: they have begun or were trained.

    Raises
    ------
    PlanError
        If the plan would be longer than one can be.
    """
    work = _work_weeks(plan, state, start_day)
    less = plan.weeks - work
    if not less:
        return Longer(tuple(plans.duplicate_week(plan, plan.weeks - 1)) * more)
    repeated = f"week {work} repeated" + (f" {more} times" if more > 1 else "")
    if work >= settled:
        texts = tuple((row.id, row.cells[work - 1].text) for _, row in plan.lines)
        edits: tuple[Edit, ...] = (InsertWeek(work, texts),) * more
        if _work_weeks(plans.apply_all(plan, edits)[0], state, start_day) == work + more:
            ends = "its last, which asks" if less == 1 else f"its last {less}, which ask"
            return Longer(edits, f"{repeated} before {ends} for less")
    # The weeks that ask for less have begun, or rules keep them where they are: the work goes on after them.
    texts = tuple(
        (row.id, "" if row.rules and not row.cells[-1].text else row.cells[work - 1].text)
        for _, row in plan.lines
    )
    by_rules = not any(text for _, text in texts)
    words = "its rules going on after the week that asks for less" if by_rules else f"{repeated} at its end"
    return Longer((InsertWeek(plan.weeks, texts),) * more, words)


def _work_weeks(plan: PlanDocument, state: LifterState, start_day: int) -> int:
    """How many weeks there are before those at the end that ask for less."""
    found = [one.stress for one in resolve(plan, state, start_day=start_day).weeks]
    # Relative volume load knows load and sets; where no load can be computed, the sets have to do.
    measure = next(
        (one for one in ("relative_volume_load", "working_sets") if all(week[one] > 0 for week in found)),
        "working_sets",
    )
    stress = [week[measure] for week in found]

    def asks_for_less(week: int) -> bool:
        before = sum(stress[:week])
        return before > 0 and stress[week] <= LESS * before / week

    weeks = plan.weeks
    while weeks > 1 and asks_for_less(weeks - 1):
        weeks -= 1
    return weeks
