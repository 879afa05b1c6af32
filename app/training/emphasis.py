"""Blocks read from the log where nobody wrote a calendar: where the repetitions trained change for good."""

from __future__ import annotations

import math

import numpy as np

from app.training.records import BlockKind, BlockSpan, SetLog

BEFORE_WEEKS, AFTER_WEEKS = 3, 2
CHANGE = math.log(1.4)
"""[1] of mean ln repetitions: eights to fives are a change, fives to fours are not."""


def inferred(log: SetLog) -> tuple[BlockSpan, ...]:
    """Runs of weeks of like repetitions, all lifts together, from the first day of the log to the last.

    A week counts by each lift's departure from its own usual repetitions, so that accessories of fifteen say
    nothing by being fifteens. Lifters who change within every week have one long run.
    """
    counts = ~log.warm_up & (log.reps > 0)
    if not counts.any():
        return ()
    first = int(log.day.min())
    week, lift, told = (log.day[counts] - first) // 7, log.exercise[counts], np.log(log.reps[counts])
    sets_of = np.maximum(np.bincount(lift, minlength=len(log.exercises)), 1)
    usual = np.bincount(lift, told, len(log.exercises)) / sets_of
    weeks = int(week.max()) + 1
    sets = np.concatenate([[0.0], np.cumsum(np.bincount(week, minlength=weeks))])
    total = np.concatenate([[0.0], np.cumsum(np.bincount(week, told - usual[lift], weeks))])

    def mean(low: int, high: int) -> float:
        some = sets[min(high, weeks)] - sets[low]
        return float((total[min(high, weeks)] - total[low]) / some) if some else math.nan

    edges = [0]
    for w in range(2, weeks):
        before = mean(max(edges[-1], w - BEFORE_WEEKS), w)
        # The week itself has changed, and the one after has not changed back.
        if min(abs(mean(w, w + 1) - before), abs(mean(w, w + AFTER_WEEKS) - before)) > CHANGE:
            edges.append(w)
    spans = []
    for number, (low, high) in enumerate(zip(edges, [*edges[1:], weeks], strict=True), start=1):
        here = (week >= low) & (week < high)
        reps = math.exp(float(told[here].mean())) if here.any() else 5.0
        kind: BlockKind = "volume" if reps >= 6.5 else "peak" if reps < 2.5 else "strength"
        spans.append(BlockSpan(f"as logged {number}", kind, first + 7 * low, first + 7 * high - 1))
    return tuple(spans)
