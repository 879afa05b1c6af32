"""What was said about a lifter on a day, whoever said it: the form in which answers are judged."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

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
