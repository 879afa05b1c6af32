"""Sets before the first working set: a few, heavier each time, fewer repetitions each time."""

from __future__ import annotations

from app.training.loading import BarKit, Kit, loadable, loadable_set

# Share of the working load and repetitions. Common practice, written from memory: no study fixes these
# numbers. Low repetitions near the top, so that the ramp prepares without costing the working sets.
STEPS: tuple[tuple[float, int], ...] = ((0.4, 5), (0.6, 3), (0.75, 2), (0.88, 1))
MANY_REPS = 8
STEPS_FOR_MANY: tuple[tuple[float, int], ...] = ((0.5, 6), (0.75, 3))
BAR_REPS = 8


def ramp(work_grams: int, reps: int, kit: Kit) -> tuple[tuple[int, int], ...]:
    """Warm-up sets up to a working set.

    Parameters
    ----------
    work_grams : int
        Load of the first working set. [g]
    reps : int
        Its repetitions. [reps]
    kit : BarKit or RackKit
        What the loads are rounded down to.

    Returns
    -------
    tuple of (int, int)
        Load [g] and repetitions of each set, strictly rising and below the working load. Empty if there is
        nothing lighter to lift.
    """
    lightest = int(loadable_set(kit)[0])
    found: list[tuple[int, int]] = []
    if isinstance(kit, BarKit) and lightest < work_grams:
        found.append((lightest, BAR_REPS))
    for share, count in STEPS_FOR_MANY if reps >= MANY_REPS else STEPS:
        grams = loadable(share * work_grams, kit, "down")
        if grams < work_grams and grams > (found[-1][0] if found else 0):
            found.append((grams, min(count, max(reps, 1)) if share > 0.5 else count))
    return tuple(found)
