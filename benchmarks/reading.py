"""What was said about a lifter on a day, whoever said it: the form in which answers are judged."""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from app.training.records import AnalysisSettings, BlockSpan, LifterAnalysis, SetLog

Z90 = 1.6448536269514722  # two-sided 90 % of the normal distribution


@dataclass(frozen=True, slots=True)
class LiftReading:
    """One lift. ``forecast``: days ahead -> (value, half width of the 90 % interval). [kg]"""

    level: float
    low: float
    high: float
    slope: float  # [% / week]
    forecast: Mapping[int, tuple[float, float]] = field(default_factory=dict)
    alternative: float = math.nan  # a second opinion on the level, for the record


@dataclass(frozen=True, slots=True)
class Reading:
    """``flags``: (kind, lift or -1 for the whole lifter, is only a notice). ``held_out``: rows."""

    as_of: int
    lifts: tuple[LiftReading | None, ...]
    flags: frozenset[tuple[str, int, bool]]
    held_out: frozenset[int]


def of_product(
    log: SetLog, blocks: Sequence[BlockSpan], as_of: int, settings: AnalysisSettings | None = None
) -> Reading:
    """The product's view of a lifter on a day, through the one function every way into it calls."""
    from app.training.analysis import analyse_lifter

    return from_analysis(
        log, analyse_lifter(log, blocks, as_of=as_of, settings=settings or AnalysisSettings())
    )


def with_sensitivity(sensitivity: float) -> AnalysisSettings:
    return replace(AnalysisSettings(), sensitivity=sensitivity)


def from_analysis(log: SetLog, analysis: LifterAnalysis) -> Reading:
    by_name = {e.exercise: e for e in analysis.exercises}
    lifts: list[LiftReading | None] = []
    flags = {(f.kind, -1, f.severity == "notice") for f in analysis.flags}
    for i, exercise in enumerate(log.exercises):
        found = by_name.get(exercise.name)
        trend = found.trend if found else None
        if found:
            flags |= {(f.kind, i, f.severity == "notice") for f in found.flags}
        if trend is None:
            lifts.append(None)
            continue
        ahead = {}
        for day, mean, sd in zip(trend.forecast_day, trend.forecast_kg, trend.forecast_sd_kg, strict=True):
            ahead[int(day) - analysis.as_of] = (float(mean), Z90 * float(sd))
        lifts.append(
            LiftReading(
                trend.e1rm.mean, trend.e1rm.low, trend.e1rm.high, trend.slope_pct_per_week.mean, ahead
            )
        )
    held = frozenset(error.row for error in analysis.held_out)
    return Reading(analysis.as_of, tuple(lifts), frozenset(flags), held)


def terrace() -> str:
    """The installed command beside this interpreter."""
    return str(Path(sys.executable).with_name("terrace"))


def from_report(log: SetLog, wrong: frozenset[int], as_of: int, said: Mapping[str, Any]) -> Reading:
    """One lifter of `terrace analyse --format json`.

    A ``data_error`` there stands for one exercise on one day. It is taken to mean the wrong rows of that
    day, or any one row if none of them is wrong.
    """
    by_name = {one["exercise"]: one for one in said["exercises"]}
    lifts: list[LiftReading | None] = []
    flags, held = set(), set()
    for i, exercise in enumerate(log.exercises):
        found = by_name.get(exercise.name, {"trend": None, "flags": []})
        trend = found["trend"]
        for flag in found["flags"]:
            whole = flag["kind"] in ("silent", "missed_work", "readiness_drop", "effort_drift")
            flags.add((flag["kind"], -1 if whole else i, flag["severity"] == "notice"))
            if flag["kind"] == "data_error":
                day = date.fromisoformat(flag["since"]).toordinal()
                rows = log.row[(log.exercise == i) & (log.day == day)].tolist()
                held |= set(rows) & wrong or set(rows[:1])
        if trend is None or trend["e1rm_kg"] is None:
            lifts.append(None)
            continue
        level, low, high, slope = (
            math.nan if trend[k] is None else float(trend[k])
            for k in ("e1rm_kg", "low_kg", "high_kg", "slope_pct_per_week")
        )
        lifts.append(LiftReading(level, low, high, slope))
    return Reading(as_of, tuple(lifts), frozenset(flags), frozenset(held))


def until(log: SetLog, as_of: int) -> SetLog:
    """The log as it was on a day: nothing later. Rows must be in the order of their days."""
    n = int(np.searchsorted(log.day, as_of, side="right"))
    last = int(log.session[n - 1]) if n else -1
    return replace(
        log,
        exercise=log.exercise[:n],
        day=log.day[:n],
        session=log.session[:n],
        set_number=log.set_number[:n],
        load_kg=log.load_kg[:n],
        reps=log.reps[:n],
        rpe=log.rpe[:n],
        warm_up=log.warm_up[:n],
        failed=log.failed[:n],
        row=log.row[:n],
        session_load={s: v for s, v in log.session_load.items() if s <= last},
    )
