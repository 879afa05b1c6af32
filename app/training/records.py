"""What goes into the core and what comes out: parallel arrays in, small frozen dataclasses out.

Days are proleptic Gregorian ordinals (``datetime.date.toordinal``) on the lifter's own calendar, so
that a difference of two days is a number of days. Masses are kilograms. Missing numbers are NaN.
Every algorithm of ``app.training`` reads these records and none of them reads a database or a clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

BlockKind = Literal["volume", "strength", "peak", "low-stress", "maintenance", "re-entry", "test"]
BLOCK_KINDS: tuple[BlockKind, ...] = (
    "volume",
    "strength",
    "peak",
    "low-stress",
    "maintenance",
    "re-entry",
    "test",
)

Severity = Literal["act", "watch", "notice"]
FlagKind = Literal[
    "stall",
    "regression",
    "low_headroom",
    "load_spike",
    "effort_drift",
    "stale_stimulus",
    "detraining",
    "missed_work",
    "silent",
    "readiness_drop",
    "pain",
    "data_error",
    "expected_dip",
    "ready_to_progress",
]
ExposureStatus = Literal["unexposed", "rusty", "current", "saturated"]


@dataclass(frozen=True, slots=True)
class Exercise:
    """An exercise as the core sees it.

    ``main_lift`` names the lift it trains (its own name if it is a main lift, None if it trains none);
    ``body_mass_share`` is the moved share of body mass. [1]
    """

    name: str
    main_lift: str | None = None
    body_mass_share: float = 0.0


@dataclass(frozen=True, slots=True)
class SetLog:
    """One lifter's logged sets, one array element a set, in any order.

    ``exercise`` indexes ``exercises``. ``session`` numbers the sessions (sets of one session share day
    form). ``rpe`` is on the repetitions-in-reserve scale, NaN when not given. ``row`` is whatever the
    caller needs to find the set again (CSV line, database position).
    """

    exercises: tuple[Exercise, ...]
    exercise: Ints  # (n,) index into exercises
    day: Ints  # (n,) [d] ordinal
    session: Ints  # (n,)
    set_number: Ints  # (n,)
    load_kg: Floats  # (n,) [kg] external load, without body mass
    reps: Ints  # (n,)
    rpe: Floats  # (n,) [1] NaN when not reported
    warm_up: Bools  # (n,)
    failed: Bools  # (n,) the last repetition was tried and missed
    row: Ints  # (n,)
    body_mass_kg: float = float("nan")  # [kg] latest known, NaN when unknown
    session_load: Mapping[int, tuple[float, float]] = field(default_factory=dict)
    """session number -> (session RPE [0-10], minutes [min]); absent when not rated."""
    prescribed_rpe: Floats | None = None  # (n,) [1] target of the set it answers, NaN when none


@dataclass(frozen=True, slots=True)
class BlockSpan:
    """A block on the calendar. ``start`` and ``end`` are inclusive ordinals. [d]"""

    name: str
    kind: BlockKind
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number with its 90 % interval, in the unit its owner states."""

    mean: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Mark:
    """One exposure worth remembering."""

    load_kg: float
    reps: int
    rpe: float  # NaN when not reported
    day: int
    e1rm_kg: float


@dataclass(frozen=True, slots=True)
class Exposure:
    """The ledger's line for one exercise and one rep range on the as-of day."""

    rep_range: str  # "3-4", "15+"
    last_day: int | None
    days_since: int | None
    working_sets: int  # inside the recent window
    hard_sets: int  # inside the recent window
    working_sets_per_week: float
    status: ExposureStatus
    recent_best: Mark | None
    all_time_best: Mark | None


@dataclass(frozen=True, slots=True)
class LoadSummary:
    """Rolling load of one stress measure on the as-of day."""

    measure: str
    last_7_days: float
    last_28_days: float
    ewma_7: float
    ewma_28: float
    week_on_week: float  # this 7 days over the 7 before, NaN when those were zero [1]
    usual_week_low: float  # the lifter's own recent weeks: 20th and 80th percentile
    usual_week_high: float
    monotony: float  # NaN when undefined (no load, or the same load every day)
    strain: float


@dataclass(frozen=True, slots=True)
class Trend:
    """The filtered e1RM of one lift on the as-of day, and its course for drawing."""

    e1rm: Estimate  # [kg]
    slope_pct_per_week: Estimate  # [% / week] over the last six weeks
    probability_rising: float
    day: Ints  # (m,) [d] one point a week or a session, oldest first
    level_kg: Floats  # (m,) [kg] smoothed
    sd_kg: Floats  # (m,) [kg] standard deviation of the smoothed level
    point_day: Ints  # (p,) [d] one point a session
    point_kg: Floats  # (p,) [kg] the session's own e1RM by the lifter's curve
    forecast_day: Ints  # (f,) [d]
    forecast_kg: Floats  # (f,) [kg]
    forecast_sd_kg: Floats  # (f,) [kg]
    sets_used: int
    sessions_used: int
    curve_reps_per_fraction: float  # steepness of the lifter's own load-repetition curve, see repmax
    curve_known: bool  # False: too narrow a range of reps to learn the curve, population's is used
    change_sd_pct: Floats = field(default_factory=lambda: np.zeros(0))
    """(c,) [%] SD of the change of level from each of the last c of ``day`` to the as-of day."""


@dataclass(frozen=True, slots=True)
class Flag:
    """Something that asks for a decision (act, watch) or is worth knowing (notice)."""

    kind: FlagKind
    severity: Severity
    since: int  # [d] day the condition began
    probability: float  # that the condition is real, NaN where it is a plain fact
    evidence: Mapping[str, float | int | str]
    advice: str
    clears_when: str


@dataclass(frozen=True, slots=True)
class DataError:
    """A logged set that cannot be what it says, with a proposed correction."""

    row: int
    day: int
    exercise: int
    reason: str  # "pounds_as_kilograms", "slipped_decimal", "swapped_columns", "duplicate", "implausible"
    proposed_load_kg: float  # NaN when the proposal is to leave the set out
    proposed_reps: int


@dataclass(frozen=True, slots=True)
class WeeklyStress:
    """Stress by calendar week (Monday to Sunday) for drawing, all measures."""

    week_start: Ints  # (w,) [d]
    measures: Mapping[str, Floats]  # name -> (w,)


@dataclass(frozen=True, slots=True)
class ExerciseAnalysis:
    exercise: str
    main_lift: str | None
    trend: Trend | None  # None: too little data
    trend_missing_because: str  # "" when there is a trend; else e.g. "needs 3 more sessions"
    exposures: tuple[Exposure, ...]
    stress: WeeklyStress
    flags: tuple[Flag, ...]


@dataclass(frozen=True, slots=True)
class LifterAnalysis:
    as_of: int
    load: LoadSummary
    loads: tuple[LoadSummary, ...]  # every stress measure
    stress: WeeklyStress  # all exercises together
    exercises: tuple[ExerciseAnalysis, ...]
    flags: tuple[Flag, ...]  # about the lifter, not one lift: silent, missed_work
    held_out: tuple[DataError, ...]


@dataclass(frozen=True, slots=True)
class AnalysisSettings:
    """What a coach may set for a lifter. Defaults are the design's."""

    recent_window_days: int = 56  # 28 to 112
    rep_ranges: tuple[tuple[int, int], ...] = ((1, 2), (3, 4), (5, 6), (7, 9), (10, 14), (15, 999))
    stress_measure: str = "relative_volume_load"
    sensitivity: float = 1.0  # above 1 raises flags earlier and more often
    equation: str = "epley"
    accepted_rows: frozenset[int] = frozenset()  # odd sets the coach said are right, by SetLog.row
