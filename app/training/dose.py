"""What a set costs: the stress measures, per set, per day and per week.

Warm-ups cost nothing in any measure that counts sets, so logging them or not changes nothing.
Session-RPE load is rated once a session and counted once, on the session's day.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from app.training import effort, repmax
from app.training.records import Bools, Floats, Ints, SetLog, WeeklyStress

SET_MEASURES: Final = ("working_sets", "hard_sets", "volume_load", "relative_volume_load")
MEASURES: Final = (*SET_MEASURES, "session_rpe_load")

HARD_SET_RIR = 4.0
"""[reps] A working set with an estimated reserve of four or fewer is a hard set."""

REFERENCE_WINDOW_DAYS = 56  # [d] how long a set goes on saying what the lifter can do


def working(log: SetLog) -> Bools:
    """Sets that count: not a warm-up, with a repetition done or a failed attempt at one. Shape (n,)."""
    return ~log.warm_up & ((log.reps > 0) | log.failed)


def body_mass_kg(log: SetLog) -> Floats:
    """Moved share of body mass per set, shape (n,). [kg]

    Zero where the exercise moves none or the lifter's body mass is unknown: an unknown body mass must
    not make the whole week's load unknown.
    """
    if not log.exercises or not np.isfinite(log.body_mass_kg):
        return np.zeros(log.load_kg.shape)
    share = np.array([exercise.body_mass_share for exercise in log.exercises])
    return share[log.exercise] * log.body_mass_kg


def moved_kg(log: SetLog) -> Floats:
    """Mass moved by each set: external load plus the moved share of body mass, shape (n,). [kg]"""
    return log.load_kg + body_mass_kg(log)


def stated_rir(log: SetLog) -> Floats:
    """Reserve each set was rated at, shape (n,): zero where it failed, NaN where it was not rated. [reps]"""
    return np.where(log.failed, 0.0, effort.rir_from_rpe(log.rpe))


def reps_to_failure(log: SetLog) -> Floats:
    """Repetitions done plus stated reserve, shape (n,). [reps]

    Without a rating the repetitions done stand alone: the least that can be said. NaN where none was done.
    """
    total = log.reps + np.nan_to_num(stated_rir(log), nan=0.0)
    return np.where(log.reps > 0, total, np.nan)


def e1rm_kg(log: SetLog, equation: str = repmax.DEFAULT_EQUATION) -> Floats:
    """Each set's own e1RM of the mass moved, shape (n,), NaN where the equation has no answer. [kg]"""
    return repmax.e1rm(moved_kg(log), reps_to_failure(log), equation)


def reference_e1rm(
    log: SetLog,
    *,
    equation: str = repmax.DEFAULT_EQUATION,
    window_days: int = REFERENCE_WINDOW_DAYS,
) -> Floats:
    """What each set is a fraction of: the exercise's largest e1RM in the days up to and including its own.

    Parameters
    ----------
    log : SetLog
        n sets, in any order.
    equation : str
        A key of ``repmax.EQUATIONS``.
    window_days : int
        How far back a set counts. [d]

    Returns
    -------
    ndarray, shape (n,)
        e1RM of the mass moved. [kg] NaN where the exercise has no usable working set in the window.

    Raises
    ------
    ValueError
        If the window is shorter than a day.
    """
    if window_days < 1:
        raise ValueError(f"window_days must be at least 1, got {window_days}")
    reference = np.full(log.day.shape, np.nan)
    if log.day.size == 0:
        return reference
    own = np.where(working(log), e1rm_kg(log, equation), np.nan)
    first = int(log.day.min())
    span = int(log.day.max()) - first + 1
    # One row an exercise, one column a day, with room in front so that every window is whole.
    grid = np.full((len(log.exercises), span + window_days - 1), -np.inf)
    known = np.isfinite(own)
    np.maximum.at(grid, (log.exercise[known], log.day[known] - first + window_days - 1), own[known])
    best = _trailing_maximum(grid, window_days)
    reference = best[log.exercise, log.day - first]
    return np.where(np.isfinite(reference), reference, np.nan)


def _trailing_maximum(grid: Floats, window: int) -> Floats:
    """Maximum of every ``window`` columns ending at a column, by doubling: log2(window) passes."""
    covered = 1
    while covered < window:
        step = min(covered, window - covered)
        grid = np.maximum(grid[:, step:], grid[:, :-step])
        covered += step
    return grid


def per_set(
    log: SetLog,
    *,
    e1rm_kg: Floats | None = None,
    equation: str = repmax.DEFAULT_EQUATION,
) -> dict[str, Floats]:
    """Stress of every set, by measure.

    Parameters
    ----------
    log : SetLog
        n sets, in any order.
    e1rm_kg : ndarray, shape (n,), optional
        1RM of the mass moved on the set's day. [kg] Default: :func:`reference_e1rm`.
    equation : str
        A key of ``repmax.EQUATIONS``, for the default and for the reserve of sets without a rating.

    Returns
    -------
    dict of ndarray, shape (n,)
        ``working_sets`` [1]; ``hard_sets`` [1], working sets with an estimated reserve of at most four
        repetitions: as rated, else repetitions possible at this fraction less those done, else (nothing
        known) taken as hard; ``volume_load`` [kg], repetitions x mass moved; ``relative_volume_load``
        [1], repetitions x fraction of the 1RM, zero where the 1RM is unknown.
    """
    counts = working(log)
    moved = moved_kg(log)
    reference = reference_e1rm(log, equation=equation) if e1rm_kg is None else e1rm_kg
    with np.errstate(invalid="ignore", divide="ignore"):
        fraction = np.where(reference > 0, moved / reference, np.nan)
    possible = repmax.reps_at_load_fraction(np.minimum(fraction, 1.0), equation)
    rated = stated_rir(log)
    reserve = np.where(np.isfinite(rated), rated, possible - log.reps)
    hard = counts & ~(reserve > HARD_SET_RIR)  # NaN compares false: unknown counts as hard.
    return {
        "working_sets": counts.astype(float),
        "hard_sets": hard.astype(float),
        "volume_load": np.where(counts, log.reps * moved, 0.0),
        "relative_volume_load": np.where(counts, np.nan_to_num(log.reps * fraction, nan=0.0), 0.0),
    }


def session_rpe_load(log: SetLog) -> tuple[Ints, Floats]:
    """Session rating x minutes of every rated session [1]_.

    Returns
    -------
    day : ndarray, shape (k,)
        Day of the session's first set. [d]
    load : ndarray, shape (k,)
        Rating (0-10) x duration. [min]

    References
    ----------
    .. [1] Foster C (1998) Med Sci Sports Exerc 30(7):1164-1168.
    """
    rated = np.array(sorted(log.session_load), dtype=np.int64)
    order = np.lexsort((log.day, log.session))
    numbers, first = np.unique(log.session[order], return_index=True)
    here = np.isin(rated, numbers)
    rated = rated[here]
    days = log.day[order][first][np.searchsorted(numbers, rated)]
    load = np.array(
        [rating * minutes for rating, minutes in map(log.session_load.__getitem__, rated.tolist())]
    )
    return days, load.astype(float)


def daily_totals(day: Ints, value: Floats, first: int, last: int) -> Floats:
    """Sum of a value by calendar day.

    Parameters
    ----------
    day : ndarray, shape (n,)
        Day of each value, in any order; days outside ``first..last`` are left out. [d]
    value : ndarray, shape (n,)
        [any unit]
    first, last : int
        First and last day, both included. [d]

    Returns
    -------
    ndarray, shape (last - first + 1,)
        One total a day, zero on days without any. [unit of value]

    Raises
    ------
    ValueError
        If ``last`` is before ``first``.
    """
    if last < first:
        raise ValueError(f"the last day ({last}) is before the first ({first})")
    inside = _between(day, first, last)
    return np.bincount(day[inside] - first, weights=value[inside], minlength=last - first + 1).astype(float)


def _between(day: Ints, first: int, last: int) -> Bools | slice:
    """Which days lie between two, both included; all of them, as usual, without a copy."""
    if not day.size or (day.min() >= first and day.max() <= last):
        return slice(None)
    return (day >= first) & (day <= last)


def monday_of(day: Ints) -> Ints:
    """Monday of the week a day is in, same shape. [d] Ordinal 1 (1 January of year 1) is a Monday."""
    return np.asarray(day - (day - 1) % 7, dtype=np.int64)


def weekly(day: Ints, values: Mapping[str, Floats], first: int, last: int) -> WeeklyStress:
    """Totals by calendar week, Monday to Sunday.

    Parameters
    ----------
    day : ndarray, shape (n,)
        [d]
    values : mapping of str to ndarray, shape (n,)
        One array a measure.
    first, last : int
        Days whose weeks are wanted, both included; values outside them are left out. [d]

    Returns
    -------
    WeeklyStress
        Every week from that of ``first`` to that of ``last``, zero where nothing was done.

    Raises
    ------
    ValueError
        If ``last`` is before ``first``.
    """
    if last < first:
        raise ValueError(f"the last day ({last}) is before the first ({first})")
    start = first - (first - 1) % 7
    weeks = (last - start) // 7 + 1
    inside = _between(day, first, last)
    index = (day[inside] - start) // 7
    totals = {
        name: np.bincount(index, weights=value[inside], minlength=weeks).astype(float)
        for name, value in values.items()
    }
    return WeeklyStress(week_start=start + 7 * np.arange(weeks, dtype=np.int64), measures=totals)


def weekly_stress(
    log: SetLog,
    first: int,
    last: int,
    *,
    stress: Mapping[str, Floats] | None = None,
    exercise: int | None = None,
    equation: str = repmax.DEFAULT_EQUATION,
) -> WeeklyStress:
    """All measures by week: of one exercise, or of all together with session-RPE load.

    Parameters
    ----------
    log : SetLog
    first, last : int
        [d] both included.
    stress : mapping of str to ndarray, shape (n,), optional
        What :func:`per_set` returned for this log, if it is at hand.
    exercise : int, optional
        Index into ``log.exercises``. A session's rating belongs to no exercise, so session-RPE load is
        given only for all of them together.
    equation : str
        See :func:`per_set`.
    """
    measures = per_set(log, equation=equation) if stress is None else stress
    if exercise is not None:
        mine = log.exercise == exercise
        return weekly(log.day[mine], {name: value[mine] for name, value in measures.items()}, first, last)
    together = weekly(log.day, measures, first, last)
    rated = weekly(*_named_session_load(log), first, last)
    return WeeklyStress(together.week_start, {**together.measures, **rated.measures})


def weekly_by_exercise(
    log: SetLog, first: int, last: int, *, stress: Mapping[str, Floats]
) -> tuple[WeeklyStress, ...]:
    """:func:`weekly_stress` of each of ``log.exercises``, in one pass over the log."""
    start = first - (first - 1) % 7
    weeks, exercises = (last - start) // 7 + 1, len(log.exercises)
    inside = _between(log.day, first, last)
    cell = log.exercise[inside] * weeks + (log.day[inside] - start) // 7
    totals = {
        name: np.bincount(cell, value[inside], exercises * weeks).astype(float).reshape(exercises, weeks)
        for name, value in stress.items()
    }
    week_start = start + 7 * np.arange(weeks, dtype=np.int64)
    return tuple(
        WeeklyStress(week_start, {name: total[exercise] for name, total in totals.items()})
        for exercise in range(exercises)
    )


def daily_stress(
    log: SetLog,
    first: int,
    last: int,
    *,
    stress: Mapping[str, Floats] | None = None,
    equation: str = repmax.DEFAULT_EQUATION,
) -> dict[str, Floats]:
    """All measures by day, all exercises together; arguments as :func:`weekly_stress`."""
    measures = per_set(log, equation=equation) if stress is None else stress
    totals = {name: daily_totals(log.day, value, first, last) for name, value in measures.items()}
    totals["session_rpe_load"] = daily_totals(*session_rpe_load(log), first, last)
    return totals


def _named_session_load(log: SetLog) -> tuple[Ints, dict[str, Floats]]:
    day, load = session_rpe_load(log)
    return day, {"session_rpe_load": load}
