"""Everything the core can say about one lifter on one day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from app.training import dose, emphasis, evidence, exposure, quality, rolling, signals, trend
from app.training.records import (
    AnalysisSettings,
    BlockSpan,
    Bools,
    ExerciseAnalysis,
    LifterAnalysis,
    SetLog,
)

LONGEST_REST_DAYS = 182
"""[d] After half a year without a lift nothing is said about its strength."""


def take(log: SetLog, keep: Bools) -> SetLog:
    """The log's rows where ``keep`` is true, shape (n,)."""
    return replace(
        log,
        exercise=log.exercise[keep],
        day=log.day[keep],
        session=log.session[keep],
        set_number=log.set_number[keep],
        load_kg=log.load_kg[keep],
        reps=log.reps[keep],
        rpe=log.rpe[keep],
        warm_up=log.warm_up[keep],
        failed=log.failed[keep],
        row=log.row[keep],
        prescribed_rpe=None if log.prescribed_rpe is None else log.prescribed_rpe[keep],
    )


def analyse_lifter(
    log: SetLog,
    blocks: Sequence[BlockSpan],
    *,
    as_of: int,
    settings: AnalysisSettings = AnalysisSettings(),
    planned: Sequence[int] = (),
) -> LifterAnalysis:
    """Analyse one lifter's log as it stood at the end of a day.

    Parameters
    ----------
    log : SetLog
        Sets in any order; those after ``as_of`` are not looked at.
    blocks : sequence of BlockSpan
        Past and planned blocks, in any order; may be empty.
    as_of : int
        Ordinal of the day. [d]
    settings : AnalysisSettings
    planned : sequence of int
        Days of planned sessions, for the work that was missed. [d]

    Returns
    -------
    LifterAnalysis
        Exercises in the order of ``log.exercises``, those with a set on or before the day.
    """
    log = take(log, log.day <= as_of)
    errors = tuple(e for e in quality.screen(log) if e.row not in settings.accepted_rows)
    clean = take(log, ~np.isin(log.row, [e.row for e in errors])) if errors else log
    spans = tuple(sorted(blocks, key=lambda s: (s.start, s.end, s.name)))
    # Without a calendar of blocks what was trained is the calendar; nothing in it was planned.
    work = spans or emphasis.inferred(clean)
    fit = trend.fit(clean, work)
    stress = dose.per_set(clean, equation=settings.equation)
    first = int(clean.day.min()) if clean.day.size else as_of
    last_day = np.zeros(len(log.exercises), np.int64)
    np.maximum.at(last_day, clean.exercise, clean.day)
    daily = dose.daily_stress(clean, first, as_of, stress=stress)
    loads = tuple(rolling.summary(name, daily[name]) for name in dose.MEASURES)
    ledgers = exposure.ledgers(clean, as_of=as_of, settings=settings, hard=stress["hard_sets"])
    wrong = signals.data_errors(errors, log.exercises)
    number = {int(e): i for i, e in enumerate(fit.evidence.exercises)} if fit is not None else {}
    trends, progress = (trend.read(fit, as_of), signals.progress(fit)) if fit is not None else ((), ())
    weekly = dose.weekly_by_exercise(clean, first, as_of, stress=stress)
    exercises = []
    for index in np.flatnonzero(np.bincount(log.exercise)).tolist():
        lift = number.get(index, -1)
        rested = as_of - int(last_day[index])
        known = fit is not None and lift >= 0 and rested <= LONGEST_REST_DAYS
        view = signals.LiftView(
            log=clean,
            exercise=index,
            as_of=as_of,
            spans=work,
            calendar=bool(spans),
            attended=np.unique(log.day[(log.exercise == index) & ~log.warm_up]) if errors else None,
            stress=stress["relative_volume_load"],
            settings=settings,
            fit=fit,
            lift=lift,
            progress=progress[lift] if lift >= 0 else None,
        )
        exercises.append(
            ExerciseAnalysis(
                exercise=log.exercises[index].name,
                main_lift=log.exercises[index].main_lift,
                trend=trends[lift] if known else None,
                trend_missing_because=""
                if known
                else f"not trained for {rested} days"
                if lift >= 0
                else evidence.missing_because(clean, index),
                exposures=ledgers.get(index, ()),
                stress=weekly[index],
                flags=signals.lift_flags(view) + wrong.get(index, ()),
            )
        )
    about = [
        signals.silent(log, as_of),
        signals.missed_work(log, planned, as_of),
        None if fit is None else signals.reporting_shift(fit, as_of, settings.sensitivity),
    ]
    return LifterAnalysis(
        as_of=as_of,
        load=next(load for load in loads if load.measure == settings.stress_measure),
        loads=loads,
        stress=dose.weekly_stress(clean, first, as_of, stress=stress),
        exercises=tuple(exercises),
        flags=tuple(flag for flag in about if flag is not None),
        held_out=errors,
    )
