"""A log file analysed lifter by lifter, as the JSON of the interchange contract and as a table."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from typing import Any

import numpy as np

from app.exchange import exercise_names
from app.exchange.log_file import LogRows, sessions
from app.training.analysis import analyse_lifter
from app.training.records import (
    AnalysisSettings,
    BlockSpan,
    Exercise,
    ExerciseAnalysis,
    Exposure,
    Flag,
    LifterAnalysis,
    Mark,
    SetLog,
    Trend,
)


def exercises_of(names: Sequence[str], sets: Mapping[str, int]) -> tuple[Exercise, ...]:
    """The exercises with the main lift each trains, by the names one lifter uses.

    A main lift is called what the lifter calls it: the exercise that is the lift itself, the most trained
    of them, or the lift's plain name where only variants were logged.
    """
    own: dict[str, str] = {}
    for name in sorted(names, key=lambda name: -sets[name]):
        lift = exercise_names.main_lift(name)
        if lift is not None and exercise_names.is_main(name):
            own.setdefault(lift, name)
    return tuple(
        Exercise(
            name,
            None if lift is None else own.get(lift, lift),
            exercise_names.body_mass_share(name),
        )
        for name, lift in ((name, exercise_names.main_lift(name)) for name in names)
    )


def set_logs(rows: LogRows) -> Iterator[tuple[str, SetLog]]:
    """Each lifter's sets, lifters in the order of their first row."""
    session, ratings = sessions(rows)
    order = np.argsort(rows.lifter, kind="stable")
    borders = np.searchsorted(rows.lifter[order], np.arange(len(rows.lifters) + 1))
    load_kg = rows.load_g / 1000.0
    for lifter, name in enumerate(rows.lifters):
        at = order[borders[lifter] : borders[lifter + 1]]
        if not at.size:
            continue
        used, exercise, sets = np.unique(rows.exercise[at], return_inverse=True, return_counts=True)
        names = [rows.exercises[index] for index in used.tolist()]
        own = np.unique(session[at]).tolist()
        yield (
            name,
            SetLog(
                exercises=exercises_of(names, dict(zip(names, sets.tolist(), strict=True))),
                exercise=exercise.astype(np.int64),
                day=rows.day[at],
                session=session[at],
                set_number=rows.set_number[at],
                load_kg=load_kg[at],
                reps=rows.reps[at],
                rpe=rows.rpe[at],
                warm_up=rows.warm_up[at],
                # No repetition at a load somebody set up for is a missed one.
                failed=rows.failed[at] | (rows.reps[at] == 0),
                row=rows.line[at],
                session_load={
                    one: ratings[one] for one in own if one in ratings and not math.isnan(sum(ratings[one]))
                },
            ),
        )


def analyse_log(
    rows: LogRows,
    blocks: Mapping[str, Sequence[BlockSpan]],
    *,
    as_of: int,
    settings: AnalysisSettings,
    progress: Callable[[int], object] | None = None,
) -> list[tuple[str, LifterAnalysis]]:
    """Analyse every lifter; ``progress`` is told the number of sets of each one done."""
    analyses = []
    for name, log in set_logs(rows):
        analyses.append((name, analyse_lifter(log, blocks.get(name, ()), as_of=as_of, settings=settings)))
        if progress is not None:
            progress(len(log.row))
    return analyses


def report(analyses: Sequence[tuple[str, LifterAnalysis]], *, as_of: int, version: str) -> dict[str, Any]:
    """The contract's object; what could not be said is null."""
    return {
        "as_of": _day(as_of),
        "version": version,
        "lifters": [_lifter(name, analysis) for name, analysis in analyses],
    }


def _lifter(name: str, analysis: LifterAnalysis) -> dict[str, Any]:
    load = analysis.load
    bearer = _flag_bearer(analysis.exercises)
    return {
        "lifter": name,
        "load": {
            "measure": load.measure,
            "last_7_days": _round(load.last_7_days, 2),
            "last_28_days": _round(load.last_28_days, 2),
            "monotony": _round(load.monotony, 3),
            "strain": _round(load.strain, 2),
        },
        "exercises": [
            {
                "exercise": one.exercise,
                "trend": None if one.trend is None else _trend(one.trend),
                "exposures": [_exposure(exposure) for exposure in one.exposures],
                "flags": [_flag(flag) for flag in one.flags]
                + ([_flag(flag, scope="lifter") for flag in analysis.flags] if one is bearer else []),
            }
            for one in analysis.exercises
        ],
    }


def _flag_bearer(exercises: Sequence[ExerciseAnalysis]) -> ExerciseAnalysis | None:
    """Where flags about the lifter stand: the main lift trained last, else the exercise trained last."""

    def rank(one: ExerciseAnalysis) -> tuple[bool, int, int]:
        days = [exposure.last_day or 0 for exposure in one.exposures]
        sets = sum(exposure.working_sets for exposure in one.exposures)
        return one.main_lift == one.exercise, max(days, default=0), sets

    return max(exercises, key=rank, default=None)


def _trend(trend: Trend) -> dict[str, float | None]:
    return {
        "e1rm_kg": _round(trend.e1rm.mean, 2),
        "low_kg": _round(trend.e1rm.low, 2),
        "high_kg": _round(trend.e1rm.high, 2),
        "slope_pct_per_week": _round(trend.slope_pct_per_week.mean, 3),
        "probability_rising": _round(trend.probability_rising, 3),
    }


def _exposure(exposure: Exposure) -> dict[str, Any]:
    return {
        "rep_range": exposure.rep_range,
        "last_date": None if exposure.last_day is None else _day(exposure.last_day),
        "working_sets": exposure.working_sets,
        "status": exposure.status,
        "recent_best": _mark(exposure.recent_best),
        "all_time_best": _mark(exposure.all_time_best),
    }


def _mark(mark: Mark | None) -> dict[str, Any] | None:
    if mark is None:
        return None
    return {
        "load_kg": _round(mark.load_kg, 3),
        "reps": int(mark.reps),
        "rpe": _round(mark.rpe, 2),
        "date": _day(mark.day),
    }


def _flag(flag: Flag, *, scope: str = "") -> dict[str, Any]:
    evidence = {key: _plain(value) for key, value in flag.evidence.items()}
    if not math.isnan(flag.probability):
        evidence.setdefault("probability", _round(flag.probability, 2))
    if scope:
        evidence["scope"] = scope
    return {
        "kind": flag.kind,
        "severity": flag.severity,
        "since": _day(flag.since),
        "evidence": evidence,
        "advice": flag.advice,
        "clears_when": flag.clears_when,
    }


def _plain(value: float | int | str) -> float | int | str | None:
    if isinstance(value, str):
        return value
    if isinstance(value, int | np.integer):
        return int(value)
    return _round(float(value), 4)


def _day(ordinal: int) -> str:
    return date.fromordinal(int(ordinal)).isoformat()


def _round(value: float, digits: int) -> float | None:
    return round(float(value), digits) if math.isfinite(value) else None


# The same for reading


def text_table(result: Mapping[str, Any]) -> str:
    """The contract's object as aligned text."""
    lines = [f"As of {result['as_of']}"]
    for lifter in result["lifters"]:
        load = lifter["load"]
        lines += [
            "",
            f"{lifter['lifter']}",
            f"  {load['measure'].replace('_', ' ')}: {_cell(load['last_7_days'])} in 7 days, "
            f"{_cell(load['last_28_days'])} in 28 days, monotony {_cell(load['monotony'])}, "
            f"strain {_cell(load['strain'])}",
        ]
        trends = [_trend_row(one) for one in lifter["exercises"]]
        lines += _aligned([("exercise", "e1RM kg", "90 % interval", "% a week", "P(rising)"), *trends])
        ledger: list[tuple[str, ...]] = [
            ("exercise", "reps", "status", "sets", "last", "recent best", "all-time best")
        ]
        ledger += [
            (
                one["exercise"],
                exposure["rep_range"],
                exposure["status"],
                str(exposure["working_sets"]),
                exposure["last_date"] or "-",
                _mark_text(exposure["recent_best"]),
                _mark_text(exposure["all_time_best"]),
            )
            for one in lifter["exercises"]
            for exposure in one["exposures"]
            if exposure["last_date"]
        ]
        lines += ["", *_aligned(ledger)] if len(ledger) > 1 else []
        lines += [
            f"  {flag['severity']}: {one['exercise']}, {flag['kind'].replace('_', ' ')} since "
            f"{flag['since']}. {flag['advice']}"
            for one in lifter["exercises"]
            for flag in one["flags"]
        ]
    return "\n".join(lines) + "\n"


def _trend_row(one: Mapping[str, Any]) -> tuple[str, ...]:
    trend = one["trend"]
    if trend is None:
        return one["exercise"], "-", "too little data", "-", "-"
    return (
        one["exercise"],
        f"{trend['e1rm_kg']:.1f}",
        f"{trend['low_kg']:.1f} to {trend['high_kg']:.1f}",
        f"{trend['slope_pct_per_week']:+.2f}" if trend["slope_pct_per_week"] is not None else "-",
        f"{trend['probability_rising']:.2f}" if trend["probability_rising"] is not None else "-",
    )


def _mark_text(mark: Mapping[str, Any] | None) -> str:
    if mark is None:
        return "-"
    rpe = f" RPE {mark['rpe']:g}" if mark["rpe"] is not None else ""
    return f"{mark['load_kg']:g} kg x {mark['reps']}{rpe}, {mark['date']}"


def _cell(value: float | None) -> str:
    return "-" if value is None else f"{value:g}"


def _aligned(rows: Sequence[tuple[str, ...]]) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]
