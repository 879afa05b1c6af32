"""What a spreadsheet says today: the rules of thumb the analysis is compared with.

Level and interval from an exponentially weighted average of each session's best set through Epley's
equation (repetitions plus reported reserve), and the usual traffic lights. Nothing of ``app.training`` but
the records is used, so that the comparison cannot inherit the product's mistakes.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from app.training.records import BlockSpan, Floats, Ints, SetLog
from benchmarks.reading import Z90, LiftReading, Reading

WEIGHT = 0.3  # of the newest session in the average


def best_sets(log: SetLog, lift: int) -> tuple[Ints, Floats]:
    """Training days of a lift and each day's best e1RM by Epley (Epley 1985: load x (1 + reps / 30))."""
    use = (log.exercise == lift) & ~log.warm_up
    day = log.day[use]
    reserve = np.where(np.isnan(log.rpe[use]), 0.0, 10.0 - log.rpe[use])
    total = log.reps[use] + reserve
    e1rm = np.where(total <= 1, log.load_kg[use], log.load_kg[use] * (1 + total / 30))
    # Somebody would notice a bar of a ton: what is off by more than two fifths is left out.
    believable = np.abs(e1rm / np.median(e1rm) - 1) < 0.4 if len(e1rm) else np.zeros(0, bool)
    day, e1rm = day[believable], e1rm[believable]
    days, where = np.unique(day, return_inverse=True)
    best = np.zeros(len(days))
    np.maximum.at(best, where, e1rm)
    return days, best


def read(log: SetLog, blocks: Sequence[BlockSpan], as_of: int) -> Reading:
    """The spreadsheet's view of a lifter on a day."""
    lifts: list[LiftReading | None] = []
    flags: set[tuple[str, int, bool]] = set()
    changed = [b.start for a, b in pairwise(blocks) if a.kind != b.kind and b.start <= as_of]
    for i in range(len(log.exercises)):
        days, best = best_sets(log, i)
        if len(days) < 4:
            lifts.append(None)
            continue
        level, levels = best[0], []
        for value in best:
            level += WEIGHT * (value - level)
            levels.append(level)
        sd = float(np.std(best[-10:] - np.array(levels)[-10:], ddof=1))
        error = Z90 * sd / np.sqrt(1 / WEIGHT)
        lately = days > as_of - 42
        slope = 0.0
        if lately.sum() >= 3:
            slope = 100 * 7 * float(np.polyfit(days[lately] - as_of, best[lately] / level, 1)[0])
        week = best[days > as_of - 7]
        lifts.append(
            LiftReading(
                level=level,
                low=level - error,
                high=level + error,
                slope=slope,
                forecast={28: (level, Z90 * sd), 56: (level, Z90 * sd)},
                alternative=float(week.max()) if len(week) else float(best[-1]),
            )
        )
        recent, before = best[days > as_of - 21], best[days <= as_of - 21]
        if len(before) and len(recent) and recent.max() <= before.max():
            flags.add(("stall", i, False))
        if as_of - days[-1] >= 6:
            flags.add(("detraining", i, False))
        if changed and as_of - changed[-1] <= 21 and level < max(levels):
            flags.add(("expected_dip", i, True))
        use = log.exercise == i
        tonnage = (log.load_kg * log.reps)[use]
        acute = tonnage[log.day[use] > as_of - 7].sum()
        chronic = tonnage[log.day[use] > as_of - 28].sum() / 4
        if chronic > 0 and acute / chronic > 1.5:
            flags.add(("load_spike", i, False))
    new = log.rpe[(log.day > as_of - 14) & ~np.isnan(log.rpe)]
    old = log.rpe[(log.day <= as_of - 14) & (log.day > as_of - 42) & ~np.isnan(log.rpe)]
    if len(new) and len(old) and new.mean() > old.mean() + 0.5:
        flags.add(("effort_drift", -1, False))
    return Reading(as_of, tuple(lifts), frozenset(flags), frozenset())
