"""The next dose: how heavy, how much more each time, for how long, how far apart, and what after that.

Everything here is arithmetic on four things known of a lifter and a lift: the e1RM with its interval, its
slope with its interval, the steepness of the load-repetition curve, and what was recently done. The e1RM is
of the mass moved, as in ``trend``; loads are what hangs on the bar. Reserves are as the lifter would report
them.

The scalar functions repeat ``repmax.fraction_at`` and ``reps_at`` in closed form: a plan asks for hundreds of
single numbers, each depending on the one before, and an array of one is twenty times slower.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from app.training import exposure, repmax
from app.training.loading import Kit, loadable, loadable_set, smallest_increment
from app.training.records import AnalysisSettings, BlockKind, Estimate, Exposure, Floats, Mark
from app.training.units import Unit, format_mass

Z90 = 1.6448536269514722  # two-sided 90 % of the normal distribution

# What published tables say, with their row in shared/progression_steps.csv and shared/residual_effects.csv.
STEP_PERCENT = (2.0, 10.0)
"""[%] Raise of load once it is done for one or two repetitions over target (ACSM 2009)."""
TWO_FOR_TWO = (2, 2)
"""Repetitions over target in the last set, in so many sessions running, before load is raised (NSCA)."""
DELOAD_EVERY_WEEKS = (3.3, 5.6, 7.9)
"""[weeks] Mean -+ SD between easier weeks, 246 lifters (Rogerson et al. 2024)."""
DELOAD_DAYS = (4.7, 6.4, 8.1)
"""[d] Mean -+ SD length of an easier spell (Rogerson et al. 2024)."""
VOLUME_PEAK_WEEKS_OUT = (3.5, 5.2, 6.9)
"""[weeks] Mean -+ SD before a meet (Pritchard et al. 2016)."""
INTENSITY_PEAK_WEEKS_OUT = (1.1, 1.9, 2.7)
"""[weeks] Mean -+ SD before a meet (Pritchard et al. 2016)."""

RESIDUAL_DAYS: Mapping[str, tuple[float, float]] = {
    "maximal strength": (30.0, 5.0),
    "strength endurance": (15.0, 5.0),
}
"""[d] How long an ability outlasts its training, +- spread: an expert table (Issurin 2008)."""
STRENGTH_REPS = 6
"""[reps] Ranges that begin at or below this keep maximal strength, the others strength endurance; common
practice."""

RECOVERY_DAYS = 2.0
"""[d] Between two heavy exposures of a lift, until a lifter's own time is known. Three days a week at most is
common practice for novices."""
MOST_EXPOSURES = 200  # Headroom beyond this is called endless.
DEFAULT_FLOOR_RIR = 1.0  # [reps]
POPULATION_CURVE_LOG_SD = repmax.STEEPNESS_LOG_SD
LOSS_PER_SET = 0.008
"""[1] Strength lost from one set to the next, the trend model's prior."""


@dataclass(frozen=True, slots=True)
class ExerciseState:
    """One lifter's one exercise, as a plan sees it.

    Attributes
    ----------
    e1rm : Estimate or None
        Of the mass moved, on the as-of day. [kg] None: too little data.
    slope : Estimate or None
        [% / week]
    steepness, steepness_log_sd : float
        Curve, and the SD of its logarithm: the population's until the lifter's own is known. [reps], [1]
    usual_reps : float
        Repetitions to failure at which the lifter is mostly seen: there the curve adds no doubt. [reps]
    exposures : tuple of Exposure
        The ledger, one line a rep range.
    baseline : mapping of str to Mark
        Frozen recent bests by rep range; empty while a block is not assigned, when the ledger's own stand in.
    usual_step_pct : float
        NaN if unknown. [%]
    rpe_bias : float
        True reserve less the reported one. [reps]
    body_mass_share_kg : float
        Mass moved without being on the bar. [kg]
    """

    exercise: str
    kit: Kit
    unit: Unit = "kg"
    e1rm: Estimate | None = None
    slope: Estimate | None = None
    steepness: float = repmax.POPULATION_STEEPNESS
    steepness_log_sd: float = POPULATION_CURVE_LOG_SD
    usual_reps: float = 6.0
    exposures: tuple[Exposure, ...] = ()
    baseline: Mapping[str, Mark] = field(default_factory=dict)
    usual_step_pct: float = math.nan
    rpe_bias: float = 0.0
    loss_per_set: float = LOSS_PER_SET
    body_mass_share_kg: float = 0.0
    recovery_days: float = RECOVERY_DAYS
    main_lift: str | None = None
    painful: bool = False


@dataclass(frozen=True, slots=True)
class LifterState:
    """Everything a plan needs to know of a lifter. ``usual_week`` is (low, high) by stress measure."""

    as_of: int
    exercises: Mapping[str, ExerciseState]
    usual_week: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    settings: AnalysisSettings = field(default_factory=AnalysisSettings)
    floor_rir: float = DEFAULT_FLOOR_RIR


# --- one set ----------------------------------------------------------------------------------------


def fraction(reps: float, steepness: float) -> float:
    """``repmax.fraction_at`` for one number. [1]"""
    return steepness / (steepness + reps - 1)


def reps_possible(share: float, steepness: float) -> float:
    """``repmax.reps_at`` for one number. [reps]"""
    return 1 + steepness * (1 / share - 1)


def strength_at(state: ExerciseState, weeks: float) -> tuple[float, float]:
    """Predicted e1RM and its SD some weeks after the as-of day: level and the lifter's own slope. [kg]

    Raises
    ------
    ValueError
        If the e1RM is unknown.
    """
    if state.e1rm is None:
        raise ValueError(f"the e1RM of {state.exercise} is unknown")
    level, sd = state.e1rm.mean, (state.e1rm.high - state.e1rm.low) / (2 * Z90)
    if state.slope is None:
        return level, sd
    slope_sd = (state.slope.high - state.slope.low) / (2 * Z90)
    drift = level / 100 * weeks
    # A forecast far out may not fall below a tenth of today's strength: no slope is known that well.
    return max(level + drift * state.slope.mean, level / 10), math.hypot(sd, drift * slope_sd)


def reserve(
    state: ExerciseState, load_kg: float, reps: float, weeks: float, sets_before: int = 0
) -> tuple[float, float]:
    """Predicted reported reserve after a set, and its SD. [reps]

    Parameters
    ----------
    state : ExerciseState
        With a known e1RM.
    load_kg : float
        On the bar. [kg]
    reps : float
    weeks : float
        After the as-of day. [weeks]
    sets_before : int
        Working sets of the exercise done earlier in the session.

    Notes
    -----
    With mass moved L, strength E and steepness k, repetitions to failure are 1 + k (E / L - 1). Their SD
    joins that of E and that of ln k, the latter only by the distance from where the lifter is usually seen:
    at those repetitions the curve was used both to find E and to leave it again.
    """
    strength, sd = strength_at(state, weeks)
    return set_reserve(state, load_kg, reps, strength, sd, sets_before)


def set_reserve(
    state: ExerciseState, load_kg: float, reps: float, strength: float, sd: float, sets_before: int
) -> tuple[float, float]:
    moved = max(load_kg + state.body_mass_share_kg, 1e-9)
    fresh = 1 - state.loss_per_set * sets_before
    possible = 1 + state.steepness * (strength * fresh / moved - 1)
    spread = math.hypot(
        state.steepness * sd * fresh / moved, (possible - state.usual_reps) * state.steepness_log_sd
    )
    return possible - reps - state.rpe_bias, spread


def predicted_rir(
    state: ExerciseState, load_kg: float, reps: float, weeks: float = 0.0, sets_before: int = 0
) -> Estimate:
    """:func:`reserve` as an estimate with its 90 % interval. [reps]"""
    mean, sd = reserve(state, load_kg, reps, weeks, sets_before)
    return Estimate(mean, mean - Z90 * sd, mean + Z90 * sd)


def load_for(
    state: ExerciseState, reps: float, rir: float, weeks: float = 0.0, sets_before: int = 0
) -> float:
    """Load on the bar at which a set is expected to end with this reported reserve. [kg], unrounded

    Raises
    ------
    ValueError
        If the e1RM is unknown.
    """
    strength, _ = strength_at(state, weeks)
    return set_load(state, reps, rir, strength, sets_before)


def set_load(state: ExerciseState, reps: float, rir: float, strength: float, sets_before: int) -> float:
    fresh = 1 - state.loss_per_set * sets_before
    to_failure = max(reps + rir + state.rpe_bias, 1.0)
    return max(fraction(to_failure, state.steepness) * strength * fresh - state.body_mass_share_kg, 0.0)


def heaviest_load(
    state: ExerciseState, reps: float, floor_rir: float, weeks: float = 0.0, sets_before: int = 0
) -> Estimate:
    """The load whose predicted reserve just stays at the floor, with its 90 % interval. [kg]"""
    strength, sd = strength_at(state, weeks)
    fresh = 1 - state.loss_per_set * sets_before
    k, s = state.steepness, state.steepness_log_sd
    # With x = 1 / L, reserve less floor is A x + B and its SD the root of (C x)^2 + s^2 (A x + D)^2. Where
    # the one is 1.645 times the other, either way, is a quadratic in x; its roots lie around the mean.
    A, B = k * strength * fresh, 1 - k - reps - state.rpe_bias - floor_rir
    C, D = k * sd * fresh, 1 - k - state.usual_reps
    square = Z90 * Z90
    a = A * A - square * (C * C + s * s * A * A)
    b = A * B - square * s * s * A * D
    c = B * B - square * s * s * D * D
    mean = set_load(state, reps, floor_rir, strength, sets_before)
    if a <= 0:  # So little is known that no load is safely light enough, nor surely too heavy.
        return Estimate(mean, 0.0, math.inf)
    root = math.sqrt(max(b * b - a * c, 0.0))
    light, heavy = (-b + root) / a, (-b - root) / a
    share = state.body_mass_share_kg
    low = max(1 / light - share, 0.0) if light > 0 else math.inf
    high = max(1 / heavy - share, 0.0) if heavy > 0 else math.inf
    return Estimate(mean, min(low, mean), max(high, mean))


# --- a run of exposures -----------------------------------------------------------------------------


def largest_sustainable_step(
    state: ExerciseState,
    *,
    reps: float,
    first_load_kg: float,
    exposures: int,
    days_between: float,
    floor_rir: float = DEFAULT_FLOOR_RIR,
    first_in_days: float = 0.0,
    sets: int = 1,
) -> Estimate:
    """The most that can be added at each exposure and still leave the floor at the last one.

    Parameters
    ----------
    state : ExerciseState
        With a known e1RM.
    reps : float
        Repetitions of each set. [reps]
    first_load_kg : float
        On the bar at the first exposure. [kg]
    exposures : int
        How many there are, two or more.
    days_between : float
        [d]
    floor_rir : float
        Least predicted reserve at the end of the last set. [reps]
    first_in_days : float
        Days from the as-of day to the first exposure. [d]
    sets : int
        Sets of each exposure.

    Returns
    -------
    Estimate
        [kg / exposure] Negative where even holding the first load would not leave the floor.

    Raises
    ------
    ValueError
        If there are fewer than two exposures, or the e1RM is unknown.
    """
    if exposures < 2:
        raise ValueError(f"a step needs two exposures or more, got {exposures}")
    weeks = (first_in_days + (exposures - 1) * days_between) / 7
    last = heaviest_load(state, reps, floor_rir, weeks, sets - 1)
    gaps = exposures - 1
    return Estimate(*((load - first_load_kg) / gaps for load in (last.mean, last.low, last.high)))


def loadable_step(step_kg: float, load_kg: float, kit: Kit) -> int:
    """The largest step the kit can show at this load that is not more than a wanted one. [g] Zero if none."""
    increment = smallest_increment(load_kg * 1000, kit)
    if increment <= 0:
        return 0
    return max(int(step_kg * 1000 / increment + 1e-9), 0) * increment


def headroom(
    state: ExerciseState,
    *,
    reps: float,
    first_load_kg: float,
    step_kg: float,
    days_between: float,
    floor_rir: float = DEFAULT_FLOOR_RIR,
    first_in_days: float = 0.0,
    sets: int = 1,
) -> Estimate:
    """How many exposures are predicted to be completed before the reserve falls under the floor.

    Parameters as :func:`largest_sustainable_step`; ``step_kg`` is added at each exposure. [kg]

    Returns
    -------
    Estimate
        [exposures] Infinite beyond ``MOST_EXPOSURES``. The interval is where the two ends of the reserve's
        interval fall under the floor: level, slope and curve err the same way all along.
    """
    mean, sd = course(
        state,
        reps=reps,
        first_load_kg=first_load_kg,
        step_kg=step_kg,
        days_between=days_between,
        first_in_days=first_in_days,
        sets=sets,
        exposures=MOST_EXPOSURES,
    )
    return headroom_of(mean, sd, floor_rir)


def course(
    state: ExerciseState,
    *,
    reps: float,
    first_load_kg: float,
    step_kg: float,
    days_between: float,
    exposures: int,
    first_in_days: float = 0.0,
    sets: int = 1,
) -> tuple[Floats, Floats]:
    """:func:`reserve` of the last set of each exposure in a run, mean and SD, shape (exposures,). [reps]"""
    if state.e1rm is None:
        raise ValueError(f"the e1RM of {state.exercise} is unknown")
    i = np.arange(exposures)
    weeks = (first_in_days + i * days_between) / 7
    slope = state.slope or Estimate(0.0, 0.0, 0.0)
    level, sd = state.e1rm.mean, (state.e1rm.high - state.e1rm.low) / (2 * Z90)
    drift = level / 100 * weeks
    strength = np.maximum(level + drift * slope.mean, level / 10)
    spread = np.hypot(sd, drift * (slope.high - slope.low) / (2 * Z90))
    moved = np.maximum(first_load_kg + i * step_kg + state.body_mass_share_kg, 1e-9)
    fresh = 1 - state.loss_per_set * (sets - 1)
    possible = 1 + state.steepness * (strength * fresh / moved - 1)
    curve = (possible - state.usual_reps) * state.steepness_log_sd
    return possible - reps - state.rpe_bias, np.hypot(state.steepness * spread * fresh / moved, curve)


def headroom_of(mean: ArrayLike, sd: ArrayLike, floor_rir: float) -> Estimate:
    """Exposures before a course of predicted reserves falls under the floor; infinite if it never does."""
    mean_rir, spread = np.asarray(mean, dtype=float), np.asarray(sd, dtype=float)

    def count(rir: Floats) -> float:
        under = np.flatnonzero(rir < floor_rir)
        return float(under[0]) if under.size else math.inf

    return Estimate(count(mean_rir), count(mean_rir - Z90 * spread), count(mean_rir + Z90 * spread))


@dataclass(frozen=True, slots=True)
class Spacing:
    """Days between two exposures at which a step is earned. [d] Infinite where nothing is being gained.

    ``increment_g`` is the smallest step the kit can show [g], ``gain_kg_per_week`` what the lift gains at
    this load [kg / week].
    """

    days: Estimate
    increment_g: int
    gain_kg_per_week: Estimate
    sentence: str


def spacing(state: ExerciseState, *, load_kg: float) -> Spacing:
    """The spacing at which the smallest loadable increment is earned, never under the recovery time.

    Parameters
    ----------
    state : ExerciseState
        With a known e1RM.
    load_kg : float
        Load of the exposures to be spaced. [kg]

    Returns
    -------
    Spacing
        Increment over rate of gain; the interval is the slope's.
    """
    increment = smallest_increment(load_kg * 1000, state.kit)
    slope = state.slope or Estimate(0.0, 0.0, 0.0)
    moved = load_kg + state.body_mass_share_kg
    gain = Estimate(*(moved * s / 100 for s in (slope.mean, slope.low, slope.high)))

    def days(rate: float) -> float:
        if increment <= 0 or rate <= 0:
            return math.inf
        return max(7 * increment / 1000 / rate, state.recovery_days)

    # The fast end of the slope gives the short end of the spacing.
    advice = Estimate(days(gain.mean), days(gain.high), days(gain.low))
    shown = format_mass(increment, state.unit)
    if increment <= 0:
        sentence = "The heaviest load of the kit is reached; progress in repetitions or sets."
    elif math.isinf(advice.mean):
        sentence = f"The lift is not gaining now, so no spacing earns another {shown} yet."
    elif advice.mean <= state.recovery_days:
        sentence = f"Recovery sets the pace: {shown} is earned every {_days(advice.mean)}."
    else:
        sentence = f"At this rate {shown} is earned every {_days(advice.mean)}."
    return Spacing(advice, increment, gain, sentence)


def _days(days: float) -> str:
    if days >= 17.5:
        return f"{days / 7:.0f} weeks"
    return f"{days:.0f} day{'s' if round(days) != 1 else ''}"


def loads_within_step_window(load_kg: float, kit: Kit) -> tuple[int, ...]:
    """Loads that the kit can show 2 to 10 % above this one (ACSM 2009). [g]"""
    low, high = (load_kg * 1000 * (1 + percent / 100) for percent in STEP_PERCENT)
    loads = loadable_set(kit)
    return tuple(loads[(loads >= low - 1e-6) & (loads <= high + 1e-6)].tolist())


def earns_more_load(target_reps: int, last_set_reps: Sequence[int]) -> bool:
    """Two repetitions over target in the last set, in two sessions running (the 2-for-2 rule, NSCA).

    Parameters
    ----------
    target_reps : int
    last_set_reps : sequence of int
        Repetitions of the last set, session by session, newest last.
    """
    over, sessions = TWO_FOR_TWO
    recent = list(last_set_reps)[-sessions:]
    return len(recent) == sessions and all(reps >= target_reps + over for reps in recent)


# --- lift counts ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LiftZone:
    """A band of intensity and how many lifts in a session it bears. [% of 1RM], [reps]"""

    low_percent: float
    high_percent: float
    reps_per_set: tuple[int, int]
    total: tuple[int, int]
    optimal: int


# Prilepin's table as reprinted in Medvedyev (1986/1989), shared/lift_count_zones.csv. Reprints disagree about
# the borders of the bands; the one without overlap is used.
LIFT_ZONES: tuple[LiftZone, ...] = (
    LiftZone(55, 70, (3, 6), (18, 30), 24),
    LiftZone(70, 80, (3, 6), (12, 24), 18),
    LiftZone(80, 90, (2, 4), (10, 20), 15),
    LiftZone(90, math.inf, (1, 2), (4, 10), 7),
)


def lift_zone(percent: float) -> LiftZone | None:
    """The band an intensity falls in; None below 55 %."""
    return next((zone for zone in LIFT_ZONES if zone.low_percent <= percent < zone.high_percent), None)


@dataclass(frozen=True, slots=True)
class LiftCount:
    """Lifts of one session in one band, against the table. ``verdict`` is few, within or many."""

    zone: LiftZone
    reps: int
    verdict: Literal["few", "within", "many"]


def lift_counts(percents: Sequence[float], reps: Sequence[int]) -> tuple[LiftCount, ...]:
    """Lifts of a session by band; the bands it does not touch are left out.

    Parameters
    ----------
    percents : sequence of float, length n
        Intensity of each set. [% of 1RM]
    reps : sequence of int, length n
        Repetitions of each set.
    """
    totals: dict[LiftZone, int] = {}
    for percent, count in zip(percents, reps, strict=True):
        zone = lift_zone(percent)
        if zone is not None:
            totals[zone] = totals.get(zone, 0) + count
    verdicts = []
    for zone in LIFT_ZONES:
        if zone in totals:
            low, high = zone.total
            verdict: Literal["few", "within", "many"] = (
                "few" if totals[zone] < low else "many" if totals[zone] > high else "within"
            )
            verdicts.append(LiftCount(zone, totals[zone], verdict))
    return tuple(verdicts)


# --- what comes next --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A rep range of a lift worth the next block's attention, most pressing first.

    ``overdue`` is days since the last exposure over the residual time of the ability it keeps. [1]
    """

    exercise: str
    rep_range: str
    kind: BlockKind
    overdue: float
    days_since: int | None
    residual_days: Estimate
    sentence: str


@dataclass(frozen=True, slots=True)
class NextBlock:
    """The kind of block that fits the time to the goal, why, and what it should bring back first."""

    kind: BlockKind
    reason: str
    suggestions: tuple[Suggestion, ...]


RANGES_OF: Mapping[BlockKind, tuple[int, int]] = {
    "volume": (7, 14),
    "strength": (3, 6),
    "peak": (1, 3),
    "test": (1, 2),
    "maintenance": (3, 6),
    "re-entry": (5, 12),
    "low-stress": (5, 10),
}
"""[reps] What a kind of block mostly trains: common practice."""


def kind_for(days_to_goal: int | None) -> tuple[BlockKind, str]:
    """The emphasis that fits the time left. [d]

    Volume peaks 5.2 +- 1.7 weeks before a meet and intensity 1.9 +- 0.8 weeks (Pritchard et al. 2016): up to
    one SD before the volume peak volume is built, up to one before the intensity peak strength.
    """
    if days_to_goal is None:
        return "volume", "There is no goal date, so what was left longest comes first."
    weeks = days_to_goal / 7
    if weeks > VOLUME_PEAK_WEEKS_OUT[2]:
        return "volume", f"With {weeks:.0f} weeks to go there is time to build volume before its peak."
    if weeks > INTENSITY_PEAK_WEEKS_OUT[2]:
        return "strength", f"With {weeks:.0f} weeks to go volume has peaked or is about to; load comes next."
    return "peak", f"With {weeks:.0f} weeks to go intensity peaks and volume falls."


def next_block(
    states: Sequence[ExerciseState],
    *,
    as_of: int,
    days_to_goal: int | None,
    settings: AnalysisSettings | None = None,
) -> NextBlock:
    """What the next block should bring back first.

    Parameters
    ----------
    states : sequence of ExerciseState
        The lifts that matter for the goal.
    as_of : int
        [d]
    days_to_goal : int or None
        [d] None if there is no date.
    settings : AnalysisSettings, optional
        Rep ranges of the ledger.

    Returns
    -------
    NextBlock
        One suggestion for each range of each lift, those that fit the time left before the others, and
        within them by how far the days since the last exposure outrun the residual time.
    """
    ranges = (settings or AnalysisSettings()).rep_ranges
    kind, reason = kind_for(days_to_goal)
    lines = [line for state in states for line in state.exposures]
    saturated = [line for line in lines if line.status == "saturated"]
    current = [line for line in lines if line.status in ("saturated", "current")]
    if current and 2 * len(saturated) > len(current) and kind != "peak":
        kind, reason = (
            "low-stress",
            "Most of what is being trained has been trained hard for weeks; ease off first.",
        )
    wanted = RANGES_OF[kind]
    found = []
    for state in states:
        by_range = {line.rep_range: line for line in state.exposures}
        for low, high in ranges:
            name = exposure.label((low, high))
            line = by_range.get(name)
            days = line.days_since if line is not None else None
            ability = "maximal strength" if low <= STRENGTH_REPS else "strength endurance"
            residual, spread = RESIDUAL_DAYS[ability]
            overdue = days / residual if days is not None else math.inf
            matters = low <= wanted[1] and high >= wanted[0]
            fits: BlockKind = kind if matters else _kind_of(low)
            since = "never trained"
            if days is not None:
                beyond = "beyond" if days > residual else "inside"
                since = (
                    f"last trained {days} day{'s' * (days != 1)} ago, {beyond} the {residual:.0f} days that "
                )
                since += f"{ability} lasts"
            found.append(
                (
                    (not matters, -overdue, state.exercise, low),
                    Suggestion(
                        state.exercise,
                        name,
                        fits,
                        overdue,
                        days,
                        Estimate(residual, residual - spread, residual + spread),
                        f"{state.exercise} {name}: {since}{'' if matters else '; it does not press now'}.",
                    ),
                )
            )
    found.sort(key=lambda pair: pair[0])
    return NextBlock(kind, reason, tuple(suggestion for _, suggestion in found))


def _kind_of(reps: int) -> BlockKind:
    return "peak" if reps < 3 else "strength" if reps <= STRENGTH_REPS else "volume"


def first_dose(state: ExerciseState, *, reps: int, rir: float, sets: int = 1, weeks: float = 0.0) -> int:
    """A first load for sets x reps leaving a reserve, rounded down to what the kit can show. [g]"""
    return loadable(load_for(state, reps, rir, weeks, sets - 1) * 1000, state.kit, "down")
