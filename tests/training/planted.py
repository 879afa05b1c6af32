"""A lifter whose strength is known, for the estimator's tests: what a test plants, and the usual for the "
"rest."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from app.training import repmax
from app.training.records import BlockKind, BlockSpan, Exercise, SetLog
from tests.training.logs import MONDAY, make_log

STEEPNESS = 28.0  # repetitions beyond the first at half of the 1RM


def steady(week: float) -> float:
    """A fifth of a percent a week from 150 kg."""
    return 150.0 * 1.002**week


def eights_and_fours(week: int) -> tuple[int, float]:
    """Repetitions and reserve: four weeks of eights, four of fours."""
    return (8, 2.0) if week // 4 % 2 == 0 else (4, 1.5)


def plant(
    weeks: int = 32,
    *,
    strength: Callable[[float], float] = steady,
    plan: Callable[[int], tuple[int, float]] = eights_and_fours,
    sets: Callable[[int], int] = lambda week: 3,
    days: Sequence[int] = (0, 3),
    exercises: Sequence[str] = ("squat",),
    drift: Callable[[int], float] = lambda week: 0.0,
    bias: float = 0.8,
    noise: float = 0.5,
    form: float = 0.012,
    seed: int = 1,
    rate: bool = True,
    equation: str = "",
    **changes: Any,
) -> SetLog:
    """Log of a lifter who loads for the planned reserve and reports what is left, less a bias and a drift.

    Reps possible at a load follow a hyperbola, or a published equation; the load is the plan's, rounded to
    2.5 kg; the report errs by ``noise`` repetitions, the day by ``form`` of strength.
    """
    rng = np.random.default_rng(seed)
    count = np.linspace(1.0, 30.0, 291)
    if equation:
        share = np.minimum.accumulate(repmax.load_fraction(count, equation))
    else:
        share = repmax.fraction_at(count, STEEPNESS)
    last = (share[1] - share[0]) / (count[1] - count[0])  # above the single the curve goes on straight
    rows: list[dict[str, Any]] = []
    for week in range(weeks):
        reps, reserve = plan(week)
        for day in days:
            for number in range(len(exercises)):
                today = strength(week + day / 7) * (1 - 0.25 * number)
                load = round(today * np.interp(reps + reserve, count, share) / 2.5) * 2.5
                able = today * np.exp(rng.normal(0, form))
                for _ in range(sets(week)):
                    if load < able:
                        left = float(np.interp(-load / able, -share, count)) - reps
                    else:
                        left = 1 + (load / able - 1) / last - reps
                    stated = max(left - bias + rng.normal(0, noise) - drift(week), 0.0)
                    rpe = float(np.clip(round(20 - 2 * stated) / 2, 5, 10)) if rate else float("nan")
                    rows.append(
                        {
                            "exercise": number,
                            "day": MONDAY + 7 * week + day,
                            "load_kg": load,
                            "reps": reps,
                            "rpe": rpe,
                        }
                    )
    kinds = tuple(Exercise(name, name) for name in exercises)
    return make_log(rows, exercises=kinds, **changes)


def blocks(*parts: tuple[BlockKind, int], start: int = MONDAY) -> tuple[BlockSpan, ...]:
    """Blocks of so many weeks, one after the other."""
    spans = []
    for number, (kind, weeks) in enumerate(parts, start=1):
        spans.append(BlockSpan(f"{kind} {number}", kind, start, start + 7 * weeks - 1))
        start += 7 * weeks
    return tuple(spans)


def fours(week: int) -> tuple[int, float]:
    return 4, 1.5


def end_of(weeks: int) -> int:
    """Sunday of the last of so many weeks. [d]"""
    return MONDAY + 7 * weeks - 1


def without(log: SetLog, first: int, last: int) -> SetLog:
    """The log without the sets of some days."""
    keep = (log.day < first) | (log.day > last)
    arrays = {name: getattr(log, name)[keep] for name in ARRAYS}
    return replace(log, **arrays)


ARRAYS = ("exercise", "day", "session", "set_number", "load_kg", "reps", "rpe", "warm_up", "failed", "row")
