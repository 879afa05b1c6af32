"""The exposure ledger: what a lifter has recently done, lift by lift and rep range by rep range.

An exposure is one working set. Exposures of one rep range are ordered by what was *done*: the 1RM that the
load and the completed repetitions stand for on the population curve, no credit given for a reported
reserve, because a reserve can be misjudged by more than the step between two good sets. Of equals the
easier rating is the better exposure (an unrated one counts as hardest), then the later day.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from app.training import dose, effort, repmax
from app.training.records import (
    AnalysisSettings,
    Bools,
    Exposure,
    ExposureStatus,
    Floats,
    Ints,
    Mark,
    SetLog,
)

OPEN_ENDED = 999  # upper end of the last rep range: "and more"

RUSTY_AFTER_DAYS = 21
"""[d] Older than this, inside the recent window, is rusty; never more than half of the window.

Three weekly exposures missed. Strength itself lasts longer (30 +- 5 days) and strength endurance less
(15 +- 5 days, Issurin 2008, ``shared/residual_effects.csv``, an expert table).
"""

SATURATED_WEEKS = 6
"""[weeks] Lifters ease off after 5.6 +- 2.3 weeks of hard work (Rogerson et al. 2024)."""

SATURATED_SETS_PER_WEEK = 10.0
"""[sets/week] Where "high" weekly volume begins (Ralston et al. 2017, limit from memory)."""

REPEAT_TOLERANCE_PCT = 0.5  # [%] below the smallest plate on any bar that matters
LEAP_PCT = 5.0
"""[%] A step beyond this is a leap for anybody: one test repeats to 4.2 % (Grgic et al. 2020), so a larger
step asks for more than the lifter can be known to have."""

STEP_HISTORY_DAYS = 364  # [d] how far back the lifter's own steps are read
STEPS_NEEDED = 4
USUAL_STEP_PERCENTILE = 80.0

NoveltyKind = Literal["below", "repeats", "step", "leap", "first"]


@dataclass(frozen=True, slots=True)
class Baseline:
    """A recent best to be frozen when a block is assigned."""

    exercise: int  # index into the log's exercises
    rep_range: str
    mark: Mark


@dataclass(frozen=True, slots=True)
class Novelty:
    """A prescribed set against the recent best of its rep range.

    ``step_pct`` is the change of the 1RM that load and repetitions stand for, NaN for a ``first``.
    ``against`` is the exposure it was compared with: None for a ``first``.
    """

    kind: NoveltyKind
    step_pct: float  # [%]
    load_step_kg: float  # [kg]
    rep_range: str
    against: Mark | None


def label(rep_range: tuple[int, int]) -> str:
    """A rep range in print: ``"3-4"``, ``"15+"``, ``"1"``."""
    low, high = rep_range
    if high >= OPEN_ENDED:
        return f"{low}+"
    return str(low) if low == high else f"{low}-{high}"


def rep_range_index(reps: Ints, rep_ranges: tuple[tuple[int, int], ...]) -> Ints:
    """Position of the rep range each count falls in, same shape; -1 where none does.

    Raises
    ------
    ValueError
        If the ranges are empty, upside down, or not in ascending order without overlap.
    """
    ends = [end for pair in rep_ranges for end in pair]
    upside_down = any(low > high for low, high in rep_ranges)
    overlapping = any(a[1] >= b[0] for a, b in pairwise(rep_ranges))
    if not ends or upside_down or overlapping:
        raise ValueError(f"rep ranges must ascend without overlap, got {rep_ranges}")
    low = np.array([pair[0] for pair in rep_ranges])
    high = np.array([pair[1] for pair in rep_ranges])
    index = np.searchsorted(low, reps, side="right") - 1
    inside = (index >= 0) & ((reps <= high[index]) | (high[index] >= OPEN_ENDED))
    return np.where(inside, index, -1)


def demonstrated_kg(log: SetLog) -> Floats:
    """1RM each set stands for by what was done alone, the order of exposures. Shape (n,). [kg]

    Mass moved and completed repetitions on the population curve, less the moved share of body mass, so that
    it compares with a load on the bar. NaN where no repetition was completed.
    """
    done = np.where(log.reps > 0, log.reps, np.nan)
    return repmax.e1rm_at(dose.moved_kg(log), done) - dose.body_mass_kg(log)


def ledgers(
    log: SetLog,
    *,
    as_of: int,
    settings: AnalysisSettings,
    e1rm_kg: Floats | None = None,
    hard: Floats | None = None,
) -> dict[int, tuple[Exposure, ...]]:
    """The ledger of every exercise that has a set on or before the as-of day, see :func:`ledger`."""
    used = np.flatnonzero(np.bincount(log.exercise[log.day <= as_of], minlength=len(log.exercises)))
    lines = _lines(log, used, as_of=as_of, settings=settings, e1rm_kg=e1rm_kg, hard=hard)
    width = len(settings.rep_ranges)
    return {int(exercise): tuple(lines[row * width : (row + 1) * width]) for row, exercise in enumerate(used)}


def ledger(
    log: SetLog,
    exercise: int,
    *,
    as_of: int,
    settings: AnalysisSettings,
    e1rm_kg: Floats | None = None,
    hard: Floats | None = None,
) -> tuple[Exposure, ...]:
    """One exercise's exposures, a line for each rep range of the settings.

    Parameters
    ----------
    log : SetLog
        n sets, in any order; those after ``as_of`` are left out.
    exercise : int
        Index into ``log.exercises``.
    as_of : int
        [d] The recent window ends with this day.
    settings : AnalysisSettings
        Recent window, rep ranges, and the equation of the marks' e1RM.
    e1rm_kg : ndarray, shape (n,), optional
        e1RM to print beside each set, as a load on the bar. [kg] Default: repetitions done plus stated
        reserve through the settings' equation. It plays no part in what counts as best.
    hard : ndarray, shape (n,), optional
        What ``dose.per_set`` returned as ``hard_sets``, if it is at hand.

    Returns
    -------
    tuple of Exposure
        In the order of the rep ranges. ``working_sets_per_week`` is over the recent window, or the begun
        weeks since the first exposure if those are fewer.

        ``status`` is ``unexposed`` with no working set in the recent window; ``rusty`` if the last one is
        more than ``RUSTY_AFTER_DAYS`` old (or half the window); ``saturated`` if each of the last
        ``SATURATED_WEEKS`` weeks holds a hard set of this range and they average at least
        ``SATURATED_SETS_PER_WEEK``; else ``current``.

    Raises
    ------
    ValueError
        If there is no such exercise or the rep ranges are not in order.
    """
    if not 0 <= exercise < len(log.exercises):
        raise ValueError(f"there is no exercise {exercise} among {len(log.exercises)}")
    return tuple(
        _lines(log, np.array([exercise]), as_of=as_of, settings=settings, e1rm_kg=e1rm_kg, hard=hard)
    )


def baselines(
    log: SetLog,
    *,
    as_of: int,
    settings: AnalysisSettings,
    e1rm_kg: Floats | None = None,
) -> tuple[Baseline, ...]:
    """Every recent best on the as-of day, to be frozen when a block is assigned.

    Parameters as :func:`ledger`. Exercises and rep ranges without an exposure in the recent window have no
    baseline; a block's first dose for them has nothing to be measured against.
    """
    return tuple(
        Baseline(exercise=exercise, rep_range=line.rep_range, mark=line.recent_best)
        for exercise, lines in ledgers(log, as_of=as_of, settings=settings, e1rm_kg=e1rm_kg).items()
        for line in lines
        if line.recent_best is not None
    )


def usual_step_pct(log: SetLog, exercise: int, *, as_of: int, settings: AnalysisSettings) -> float:
    """The lifter's own usual step at one exercise: a large but ordinary one. [%]

    The 80th percentile of the rises from one recent best to the next of the same rep range, over the last
    year. A rise is a day's best exposure above everything in that range in the recent window before it.
    NaN with fewer than four rises.
    """
    chosen = _counted(log, as_of) & (log.exercise == exercise) & (log.day > as_of - STEP_HISTORY_DAYS)
    index = rep_range_index(log.reps, settings.rep_ranges)
    value = demonstrated_kg(log)
    rises: list[float] = []
    for position in range(len(settings.rep_ranges)):
        mine = chosen & (index == position) & (value > 0)
        if not mine.any():
            continue
        day, where = np.unique(log.day[mine], return_inverse=True)
        best = np.zeros(day.size)
        np.maximum.at(best, where, value[mine])
        age = day[:, None] - day
        recent = (age > 0) & (age < settings.recent_window_days)
        before = np.where(recent, best, 0.0).max(axis=1)
        risen = (before > 0) & (best > before * (1 + REPEAT_TOLERANCE_PCT / 100))
        rises.extend((100 * (best[risen] / before[risen] - 1)).tolist())
    return float(np.percentile(rises, USUAL_STEP_PERCENTILE)) if len(rises) >= STEPS_NEEDED else float("nan")


def novelty(
    load_kg: float,
    reps: int,
    rpe: float,
    exposures: tuple[Exposure, ...],
    *,
    settings: AnalysisSettings,
    usual_step: float = float("nan"),
    smallest_increment_kg: float = 2.5,
    body_mass_share_kg: float = 0.0,
) -> Novelty:
    """Judge a prescribed set against what the lifter was recently exposed to.

    Parameters
    ----------
    load_kg : float
        Prescribed external load. [kg]
    reps : int
        Prescribed repetitions. [reps]
    rpe : float
        Prescribed rating, NaN if none. Of two sets that repeat the recent best, one asked for at more
        than one point below its rating is ``below``. [1]
    exposures : tuple of Exposure
        The exercise's ledger, or lines made from the frozen baseline.
    settings : AnalysisSettings
        Rep ranges of that ledger.
    usual_step : float
        :func:`usual_step_pct`, NaN if unknown. [%]
    smallest_increment_kg : float
        Smallest change the lifter's plates can show. [kg] A rise by it at the same repetitions is a step
        however many per cent it makes: nothing smaller can be prescribed.
    body_mass_share_kg : float
        Moved share of body mass. [kg]

    Returns
    -------
    Novelty
        ``below``, ``repeats`` (within half a per cent), ``step``; ``leap`` beyond the usual step or, if
        that is unknown, beyond ``LEAP_PCT``, and beyond ``LEAP_PCT`` in any case; ``first`` where the rep
        range has no exposure in the recent window.

    Raises
    ------
    ValueError
        If load or repetitions are not what a set can have.
    """
    if not (np.isfinite(load_kg) and load_kg >= 0) or reps < 1:
        raise ValueError(f"a set needs a load of zero or more and a repetition, got {load_kg} kg x {reps}")
    position = int(rep_range_index(np.array([reps]), settings.rep_ranges)[0])
    if position < 0:
        raise ValueError(f"{reps} repetitions fall in none of the rep ranges {settings.rep_ranges}")
    name = label(settings.rep_ranges[position])
    best = next((line.recent_best for line in exposures if line.rep_range == name), None)
    if best is None:
        return Novelty("first", float("nan"), float("nan"), name, None)
    asked = (load_kg + body_mass_share_kg) / _population_fraction(reps)
    done = (best.load_kg + body_mass_share_kg) / _population_fraction(best.reps)
    load_step = load_kg - best.load_kg
    if done <= 0:
        # An unloaded set with unknown body mass: any load is more, by no percentage that means anything.
        kind: NoveltyKind = "repeats" if load_kg == 0 else "step"
        return Novelty(kind, float("nan"), load_step, name, best)
    step = 100 * (asked / done - 1)
    bound = LEAP_PCT if np.isnan(usual_step) else min(max(usual_step, REPEAT_TOLERANCE_PCT), LEAP_PCT)
    smallest_rise = reps <= best.reps and load_step <= smallest_increment_kg + 1e-9
    if step < -REPEAT_TOLERANCE_PCT:
        kind = "below"
    elif step <= REPEAT_TOLERANCE_PCT:
        kind = "below" if rpe < best.rpe - 1 else "repeats"
    elif step <= bound + 1e-9 or smallest_rise:
        kind = "step"
    else:
        kind = "leap"
    return Novelty(kind, step, load_step, name, best)


def _population_fraction(reps: int) -> float:
    return float(repmax.fraction_at(reps))


def _counted(log: SetLog, as_of: int) -> Bools:
    return dose.working(log) & (log.day <= as_of)


def _lines(
    log: SetLog,
    exercises: Ints,
    *,
    as_of: int,
    settings: AnalysisSettings,
    e1rm_kg: Floats | None,
    hard: Floats | None,
) -> list[Exposure]:
    """One line for each (exercise, rep range), exercises outermost, in one pass over the log."""
    window, width = settings.recent_window_days, len(settings.rep_ranges)
    position = rep_range_index(log.reps, settings.rep_ranges)
    row = np.searchsorted(exercises, log.exercise)
    row = np.where(row < exercises.size, row, 0)
    chosen = _counted(log, as_of) & (position >= 0)
    chosen &= (exercises[row] == log.exercise) if exercises.size else False
    rows = np.flatnonzero(chosen)
    cell = row[rows] * width + position[rows]
    cells = exercises.size * width

    day, rpe = log.day[rows], log.rpe[rows]
    value = demonstrated_kg(log)[rows]
    age = as_of - day
    recent = age < window
    if hard is None:
        hard = dose.per_set(log, equation=settings.equation)["hard_sets"]
    counts = np.bincount(cell[recent], minlength=cells)
    hard_counts = np.bincount(cell[recent], weights=hard[rows][recent], minlength=cells)
    first_day = np.full(cells, as_of + 1, dtype=np.int64)
    last_day = np.zeros(cells, dtype=np.int64)
    np.minimum.at(first_day, cell, day)
    np.maximum.at(last_day, cell, day)

    inside = age < 7 * SATURATED_WEEKS
    by_week = np.bincount(
        cell[inside] * SATURATED_WEEKS + age[inside] // 7,
        weights=hard[rows][inside],
        minlength=cells * SATURATED_WEEKS,
    ).reshape(cells, SATURATED_WEEKS)
    saturated = (by_week.min(axis=1) > 0) & (by_week.mean(axis=1) >= SATURATED_SETS_PER_WEEK)

    all_best = _best(cell, value, rpe, day, log.row[rows], cells)
    among = np.flatnonzero(recent)
    inside_best = _best(cell[among], value[among], rpe[among], day[among], log.row[rows][among], cells)
    recent_best = np.where(inside_best >= 0, among[inside_best] if among.size else -1, -1)

    if e1rm_kg is None:
        places = rows[np.concatenate((all_best[all_best >= 0], recent_best[recent_best >= 0]))]
        e1rm_kg = np.full(log.day.size, np.nan)
        e1rm_kg[places] = _e1rm_of(log, places, settings.equation)
    rusty_after = min(RUSTY_AFTER_DAYS, window // 2)

    def mark(place: int) -> Mark | None:
        if place < 0:
            return None
        at = rows[place]
        return Mark(
            load_kg=float(log.load_kg[at]),
            reps=int(log.reps[at]),
            rpe=float(log.rpe[at]),
            day=int(log.day[at]),
            e1rm_kg=float(e1rm_kg[at]),
        )

    lines = []
    for number in range(cells):
        seen = all_best[number] >= 0
        since = int(as_of - last_day[number]) if seen else None
        status: ExposureStatus = "unexposed"
        if since is not None and since < window:
            status = "rusty" if since > rusty_after else "saturated" if saturated[number] else "current"
        days = min(window, as_of - int(first_day[number]) + 1) if seen else window
        lines.append(
            Exposure(
                rep_range=label(settings.rep_ranges[number % width]),
                last_day=int(last_day[number]) if seen else None,
                days_since=since,
                working_sets=int(counts[number]),
                hard_sets=round(float(hard_counts[number])),
                working_sets_per_week=float(counts[number]) / -(-days // 7),
                status=status,
                recent_best=mark(int(recent_best[number])),
                all_time_best=mark(int(all_best[number])),
            )
        )
    return lines


def _best(cell: Ints, value: Floats, rpe: Floats, day: Ints, row: Ints, cells: int) -> Ints:
    """Place of the best exposure of every cell, shape (cells,), -1 for cells without one.

    By value; of equals the easier rating (unrated as hardest), then the later day. The row settles what is
    left, so that the order of the input cannot.
    """
    peak = np.full(cells, -np.inf)
    np.maximum.at(peak, cell, value)
    top = np.flatnonzero(value == peak[cell])
    rating = np.nan_to_num(rpe[top], nan=10.5)
    top = top[np.lexsort((row[top], day[top], -rating, cell[top]))]
    best = np.full(cells, -1, dtype=np.int64)
    best[cell[top]] = top  # Repeated indices: numpy keeps the last assignment, the best.
    return best


def _e1rm_of(log: SetLog, places: Ints, equation: str) -> Floats:
    """e1RM of some sets by a published equation, as a load on the bar. [kg]"""
    share = dose.body_mass_kg(log)[places]
    reserve = np.where(log.failed[places], 0.0, effort.rir_from_rpe(log.rpe[places]))
    reps = log.reps[places] + np.nan_to_num(reserve, nan=0.0)
    return repmax.e1rm(log.load_kg[places] + share, reps, equation) - share
