"""Simulated lifters whose true state is known, so that the analysis can be judged.

The world here is written apart from ``app.training`` and shares none of its formulas: it imports the
records and nothing else. What it is made of, day by day and lift by lift:

* a load-repetition curve per lifter and lift, a mixture of an exponential and a power of the repetitions;
* adaptation: a set's dose saturates within the session, counts for less the longer its rep range has been
  trained (habituation), waits in a pool and turns into strength over some days, under a ceiling;
* specificity: familiarity with a rep zone fades while it is unexposed and comes back with sessions, so a
  change of emphasis costs a few percent for some weeks (the expected dip);
* fatigue with a short and a long time constant, partly carried over to the other lifts;
* detraining after a week without the lift, paid back quickly on return;
* a form of the day shared by all sets of a session, a loss from set to set, and a tester's noise on tests;
* reported effort: reserve under-reported by most, noisier the further from failure, with a mood per
  session; and the ways in which logs are bad: missed sessions, missing effort, wrong units, slips.

Events that a coach wants to hear about are planted and kept in the truth: problems (a lift that stands
still or falls although the work goes on), load spikes, layoffs, shifts in effort reporting, data errors.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Literal

import numpy as np

from app.training.records import BlockKind, BlockSpan, Bools, Exercise, Floats, Ints, SetLog

Scenario = Literal["novice", "intermediate", "advanced", "one_range", "no_rpe", "few_data", "messy"]
SCENARIOS: tuple[Scenario, ...] = (
    "novice",
    "intermediate",
    "advanced",
    "one_range",
    "no_rpe",
    "few_data",
    "messy",
)
State = Literal[
    "progressing",
    "stalled",
    "regressing",
    "expected_dip",
    "load_spike",
    "layoff",
    "maintenance",
]
EpisodeKind = Literal["stalled", "regressing", "load_spike", "layoff", "effort_drift", "expected_dip"]

SEED_SETS = {"tuning": 1_001, "held-out": 90_007}
KG_PER_LB = 0.45359237  # exact
FIRST_MONDAY = date(2023, 1, 2).toordinal()
LIFTS = ("Back squat", "Bench press", "Deadlift", "Overhead press")
LOG_COLUMNS = (
    "lifter",
    "date",
    "exercise",
    "set_number",
    "load_kg",
    "reps",
    "rpe",
    "session_rpe",
    "session_minutes",
    "note",
)
ZONES = ((1, 3), (4, 6), (7, 9), (10, 999))
EMPHASES = ("volume", "strength", "peak")

# Each value with what it leans on. "shared" names a table of published numbers with its own sources.
ZONE_RESIDUAL_DAYS = (30.0, 30.0, 20.0, 15.0)  # shared residual_effects: maximal strength 30, endurance 15
EFFORT_BIAS_REPS = (0.95, 0.6)  # shared effort_accuracy: pooled 0.95 under-predicted, I2 97.9 %
TEST_LOG_SD = 0.042  # shared reliability: median CV of a one-repetition maximum 4.2 %
DAY_LOG_SD = 0.018  # shared reliability: SEM of maximal repetitions 1.1 at 70 %, 0.7 at 90 % (Mitter 2022)
TEST_SD_SHARE = {"novice": 1.0, "advanced": 0.5}  # range over studies 0.5-12.1 %; practised lifters vary less
WEEKLY_GAIN = {  # [1/week] shared strength_gain_rates: 0.88 % a month competing, 30-50 % in a first year
    "novice": 0.0125,
    "intermediate": 0.0028,
    "advanced": 0.0013,
    "one_range": 0.0028,
    "no_rpe": 0.0028,
    "few_data": 0.0040,
    "messy": 0.0028,
}
SET_REPS_SD = 0.55  # within a session, on top of the form of the day; both are in the SEM above
STRETCH_SD = 0.20  # shared repetitions_at_load: 16 +- 4 repetitions at 70 %
CURVE_STRETCH = {"Back squat": 1.2, "Bench press": 0.95, "Deadlift": 1.0, "Overhead press": 0.95}
START_KG = {"Back squat": 1.0, "Bench press": 0.68, "Deadlift": 1.18, "Overhead press": 0.42}


@dataclass(frozen=True, slots=True)
class Curve:
    """Fraction of the one-repetition maximum at which ``reps`` repetitions end in failure.

    ``mix * exp(-(r-1)/(scale*stretch)) + (1-mix) * (1+(r-1)/stretch)**-power``; 1 at one repetition.
    """

    mix: float
    scale: float
    power: float
    stretch: float
    grid: tuple[Floats, Floats] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        reps = np.linspace(1.0, 80.0, 317)
        fraction = np.array([self.fraction(float(r)) for r in reps])
        object.__setattr__(self, "grid", (fraction[::-1].copy(), reps[::-1].copy()))

    def fraction(self, reps: float) -> float:
        beyond = (reps - 1.0) / self.stretch
        if beyond < 0:  # less than one repetition: the load is above the maximum
            return 1.0 - beyond * (self.mix / self.scale + (1.0 - self.mix) * self.power)
        power = math.exp(-self.power * math.log1p(beyond))
        return self.mix * math.exp(-beyond / self.scale) + (1.0 - self.mix) * power

    def reps(self, fraction: float) -> float:
        """Repetitions to failure at a fraction of the maximum, under 1 when the load is above it."""
        if fraction > 1.0:
            steepness = (self.mix / self.scale + (1.0 - self.mix) * self.power) / self.stretch
            return 1.0 - (fraction - 1.0) / steepness
        return float(np.interp(fraction, self.grid[0], self.grid[1]))


@dataclass(frozen=True, slots=True)
class Episode:
    """Something that truly happened. ``lift`` None: all lifts. Days are inclusive ordinals."""

    kind: EpisodeKind
    lift: int | None
    start: int
    end: int
    size: float  # [1/week] of a problem, [1] sets multiplied, [RPE] shift, [1] depth of a dip

    def touches(self, lift: int) -> bool:
        return self.lift is None or self.lift == lift


@dataclass(frozen=True, slots=True)
class Truth:
    """What nobody outside the simulator can know. Day ``i`` of an array is ordinal ``first_day + i``."""

    scenario: Scenario
    quiet: bool  # nothing was planted
    first_day: int
    strength_kg: Floats  # (lifts, days) [kg] rested, familiar with the work
    expressed_kg: Floats  # (lifts, days) [kg] as expressed in the work now being done, fatigue included
    states: tuple[tuple[State, ...], ...]  # (lifts)(weeks)
    episodes: tuple[Episode, ...]
    flat: Bools  # (lifts, days) strength did not rise over the last six trained weeks, planted or not
    changes: tuple[int, ...]  # planned changes of emphasis, first day
    curves: tuple[Curve, ...]  # by lift
    effort_bias_reps: float
    error_rows: frozenset[int]
    duplicate_of: dict[int, int]  # a duplicate's row -> the row it repeats
    true_reserve: Floats  # (rows,) [reps] left after the set, before any typing error

    def days(self) -> int:
        return int(self.strength_kg.shape[1])


@dataclass(frozen=True, slots=True)
class SimulatedLifter:
    name: str
    log: SetLog
    blocks: tuple[BlockSpan, ...]
    truth: Truth
    session_notes: dict[int, str]  # row -> note


@dataclass(slots=True)
class _Week:
    """One planned week: what the block asks for."""

    kind: BlockKind
    reps: tuple[int, ...]  # by session of the week
    sets: int
    reserve: float
    number: int  # inside its block, from 0


@dataclass(slots=True)
class _Lift:
    """The body as far as one lift goes."""

    curve: Curve
    gain: float
    ceiling: float
    level: float = 0.0  # log of strength over the starting strength
    pool: float = 0.0
    debt: float = 0.0
    wander: float = 0.0
    quick: float = 0.0
    slow: float = 0.0
    habituation: list[float] = field(default_factory=lambda: [0.3, 0.5, 0.4, 0.2])
    familiar: list[float] = field(default_factory=lambda: [0.5, 0.8, 0.7, 0.5])
    cost: list[float] = field(default_factory=list)
    residual: list[float] = field(default_factory=list)
    in_use: list[float] = field(default_factory=lambda: [0.0, 0.5, 0.5, 0.0])
    last_trained: int = -1
    belief: float = 0.0
    hope: float = 0.0
    humbled: bool = False
    weekly_sets: list[int] = field(default_factory=list)


def zone_of(reps: int) -> int:
    """Zone of a set's repetitions, the heaviest first."""
    return next(z for z, (_, high) in enumerate(ZONES) if reps <= high)


def draw_curve(rng: np.random.Generator, lift: str, lifter_stretch: float) -> Curve:
    """A lifter's curve on a lift, around the textbook table and what trained squatters do at 70 %."""
    return Curve(
        mix=rng.uniform(0.65, 0.95),
        scale=31.0 * math.exp(rng.normal(0, 0.06)),
        power=max(0.07, rng.normal(0.119, 0.012)),
        stretch=CURVE_STRETCH[lift] * lifter_stretch * math.exp(rng.normal(0, 0.10)),
    )


def reported_reserve(
    rng: np.random.Generator, true_reserve: float, reps: int, *, bias: float, shift: float, mood: float
) -> float:
    """Reserve as the lifter believes it: at failure there is nothing to misjudge, further off there is."""
    sd = 0.35 + 0.20 * true_reserve + 0.03 * max(reps - 6, 0)
    sure = 1.0 - math.exp(-true_reserve / 1.5)
    return true_reserve - (bias + shift + mood) * sure + sd * rng.normal() * (0.4 + 0.6 * sure)


def plan_weeks(
    rng: np.random.Generator, scenario: Scenario, weeks: int
) -> tuple[list[_Week], list[BlockSpan]]:
    """The season: a week-by-week plan and the block calendar (weeks from 0, spans in weeks)."""
    plan: list[_Week] = []
    spans: list[BlockSpan] = []

    def block(kind: BlockKind, length: int, reps: tuple[int, ...], sets: int, reserve: float) -> None:
        start = len(plan)
        for number in range(length):
            ramp = number / max(length - 1, 1)
            plan.append(
                _Week(kind, reps, sets + (ramp > 0.6 and kind in EMPHASES), reserve - 1.6 * ramp, number)
            )
        spans.append(BlockSpan(f"{kind} {len(spans) + 1}", kind, start, len(plan) - 1))

    fixed = int(rng.choice([5, 5, 8]))
    with_maintenance = rng.random() < 0.35
    cycle = 0
    while len(plan) < weeks:
        cycle += 1
        if scenario == "novice":
            block("strength", int(rng.integers(9, 13)), (5, 8) if rng.random() < 0.5 else (5, 5), 3, 3.0)
            block("low-stress", 1, (5, 5), 2, 4.5)
        elif scenario == "one_range":
            block("strength", int(rng.integers(5, 8)), (fixed, fixed), 4, 3.2)
            block("low-stress", 1, (fixed, fixed), 2, 4.5)
        elif scenario == "few_data":
            block("volume" if cycle % 2 else "strength", 7, ((8,) if cycle % 2 else (5,)) * 2, 3, 3.0)
        elif scenario == "advanced":
            block("volume", int(rng.integers(3, 5)), (7, int(rng.choice([8, 10]))), 4, 3.0)
            block("low-stress", 1, (6, 6), 2, 4.5)
            block("strength", int(rng.integers(3, 5)), (4, 6), 4, 2.8)
            block("low-stress", 1, (4, 6), 2, 4.5)
            block("peak", 3, (2, 4), 4, 2.4)
            block("test", 1, (1,), 1, 0.5)
        else:
            high = int(rng.choice([8, 9, 10, 12]))
            block("volume", int(rng.integers(4, 7)), (high, high - int(rng.integers(0, 3))), 4, 3.2)
            block("low-stress", 1, (8, 8), 2, 4.5)
            block("strength", int(rng.integers(4, 6)), (5, int(rng.choice([4, 5, 6]))), 4, 3.0)
            if rng.random() < 0.7:
                block("peak", 3, (2, int(rng.choice([3, 4]))), 4, 2.5)
            block("low-stress", 1, (5, 5), 2, 4.5)
            if with_maintenance and cycle == 2:
                block("maintenance", int(rng.integers(4, 7)), (6, 6), 2, 3.5)
    return plan, spans


def plan_events(
    rng: np.random.Generator,
    scenario: Scenario,
    plan: Sequence[_Week],
    weeks: int,
    lifts: int,
    weekdays: Sequence[Sequence[int]],
) -> list[Episode]:
    """Planted events in weeks that do not touch each other, days counted from 0."""
    kinds = ("problem", "layoff", "load_spike", "effort_drift", "nothing")
    odds = np.array([0.34, 0.22, 0.22, 0.0 if scenario == "no_rpe" else 0.22, 0.12])
    week = (10 if scenario == "few_data" else 14) + int(rng.integers(0, 5))
    events: list[Episode] = []
    while week < weeks - 8:
        kind = str(rng.choice(kinds, p=odds / odds.sum()))
        lift = None if rng.random() < 0.4 else int(rng.integers(lifts))
        length = 1
        if kind == "problem":
            length = int(rng.integers(6, 12))
            falls = rng.random() < (0.75 if scenario == "advanced" else 0.45)
            rate = -rng.uniform(0.004, 0.010) if falls else -rng.uniform(0.0, 0.0015)
            events.append(
                Episode("regressing" if falls else "stalled", lift, week * 7, (week + length) * 7 - 1, rate)
            )
        elif kind == "layoff":
            days = int(rng.integers(14, 31))
            length = -(-days // 7)
            last = week * 7 + days - 1
            events.append(Episode("layoff", lift if rng.random() < 0.3 else None, week * 7, last, 0.0))
        elif kind == "load_spike":
            # A single over-full week inside an ordinary one: easy and test weeks are no place for it.
            while week < weeks - 8 and (plan[week].kind not in EMPHASES or plan[week].number == 0):
                week += 1
            end = week * 7 + 6
            events.append(Episode("load_spike", lift, week * 7, end, rng.uniform(1.75, 2.4)))
        elif kind == "effort_drift":
            length = int(rng.integers(6, 13))
            shift = rng.uniform(1.0, 1.8) * (1.0 if rng.random() < 0.8 else -1.0)
            events.append(Episode("effort_drift", None, week * 7, (week + length) * 7 - 1, shift))
        week += length + int(rng.integers(6, 13))
    return [e for e in events if e.end < weeks * 7 - 7]


class _Log:
    """Rows as they are typed in, with what was true when they were."""

    def __init__(self) -> None:
        self.rows: list[tuple[int, int, int, float, int, float, bool, bool]] = []
        self.reserve: list[float] = []
        self.ratings: dict[int, tuple[float, float]] = {}

    def add(
        self,
        lift: int,
        day: int,
        number: int,
        load: float,
        reps: int,
        rpe: float,
        reserve: float,
        *,
        warm_up: bool = False,
        failed: bool = False,
    ) -> None:
        self.rows.append((lift, day, number, load, reps, rpe, warm_up, failed))
        self.reserve.append(reserve)


def simulate_lifter(rng: np.random.Generator, scenario: Scenario, name: str) -> SimulatedLifter:
    """One lifter from the first day of the log to the last."""
    weeks = int(rng.integers(30, 38)) if scenario == "few_data" else int(rng.integers(66, 80))
    n_days = weeks * 7
    first_day = FIRST_MONDAY + 7 * int(rng.integers(0, 26))
    n_lifts = 2 if scenario == "few_data" else int(rng.integers(2, 5))
    names = LIFTS[:n_lifts]
    plan, spans = plan_weeks(rng, scenario, weeks + 8)
    quiet = bool(rng.random() < 0.25)
    weekdays = _weekdays(rng, scenario, n_lifts)
    events = [] if quiet else plan_events(rng, scenario, plan, weeks, n_lifts, weekdays)

    # The person.
    start_total = math.exp(
        rng.normal(math.log({"novice": 75.0, "advanced": 185.0}.get(scenario, 125.0)), 0.18)
    )
    start_kg = np.array([start_total * START_KG[n] * math.exp(rng.normal(0, 0.08)) for n in names])
    stretch = math.exp(rng.normal(0, STRETCH_SD))
    rate = WEEKLY_GAIN[scenario] * math.exp(rng.normal(0, 0.25))
    wear = math.exp(rng.normal(0, 0.25))  # how much fatigue a set leaves
    bias = max(-0.5, rng.normal(*EFFORT_BIAS_REPS))
    day_sd = DAY_LOG_SD * math.exp(rng.normal(0, 0.25))
    test_sd = TEST_LOG_SD * TEST_SD_SHARE.get(scenario, 0.7) * math.exp(rng.normal(0, 0.25))
    missed = {"few_data": 0.22, "messy": 0.14}.get(scenario, rng.uniform(0.02, 0.09))
    no_rpe = {"no_rpe": 1.0, "messy": 0.35}.get(scenario, float(rng.choice([0.0, 0.05, 0.2])))
    only_last_rpe = scenario != "no_rpe" and rng.random() < 0.15
    to_failure = rng.choice([0.0, 0.1, 0.3])
    logs_warm_ups = rng.random() < 0.3
    in_pounds = rng.random() < 0.15
    rates_sessions = rng.random() < 0.7
    lifts = [
        _Lift(
            draw_curve(rng, n, stretch),
            gain=rate / (0.35 if scenario == "few_data" else 0.69) * math.exp(rng.normal(0, 0.15)),
            ceiling=rng.uniform(0.42, 0.62) if scenario == "novice" else rng.uniform(0.35, 0.6),
            cost=[c * math.exp(rng.normal(0, 0.25)) for c in (0.065, 0.035, 0.035, 0.06)],
            residual=[d * math.exp(rng.normal(0, 0.15)) for d in ZONE_RESIDUAL_DAYS],
        )
        for n in names
    ]
    for lift in lifts:
        # Where the lifter comes from: the first week's work is half familiar.
        for z in {zone_of(r) for r in plan[0].reps}:
            lift.familiar[z] = 0.85
        lift.belief = rng.normal(0, 0.03)

    log = _Log()
    strength = np.zeros((n_lifts, n_days))
    expressed = np.zeros((n_lifts, n_days))
    trained = np.zeros((n_lifts, n_days), bool)

    def ongoing(kind: str, lift: int, day: int) -> Episode | None:
        return next(
            (e for e in events if e.kind == kind and e.touches(lift) and e.start <= day <= e.end), None
        )

    for day in range(n_days):
        week = plan[day // 7]
        absent = rng.random() < missed
        mood = rng.normal(0, 0.3)
        form_of_day = rng.normal(0, day_sd * 0.75)
        session_dose = [0.0] * n_lifts
        before = [len(log.rows), 0]
        for i, lift in enumerate(lifts):
            tired = min(lift.quick + lift.slow, 0.2)
            strange = sum(
                w * c * (1 - f) for w, c, f in zip(lift.in_use, lift.cost, lift.familiar, strict=True)
            )
            strength[i, day] = start_kg[i] * math.exp(lift.level + lift.wander)
            expressed[i, day] = strength[i, day] * (1 - strange) * (1 - tired)
            if day % 7 == 0:
                lift.weekly_sets.append(0)
            slots = weekdays[i]
            if day % 7 not in slots or absent or ongoing("layoff", i, day):
                continue
            slot = slots.index(day % 7)
            spike = ongoing("load_spike", i, day)
            dose, sets_done = _train(
                rng,
                log,
                lift,
                i,
                day,
                week,
                week.reps[slot % len(week.reps)],
                start_kg[i],
                tired=tired,
                form=form_of_day + rng.normal(0, day_sd * 0.66),
                test_sd=test_sd,
                sessions_a_week=len(slots),
                spike=spike,
                bias=bias,
                shift=(drift.size if (drift := ongoing("effort_drift", i, day)) else 0.0),
                mood=mood,
                no_rpe=no_rpe,
                only_last_rpe=only_last_rpe,
                to_failure=float(to_failure),
                warm_ups=logs_warm_ups,
                in_pounds=in_pounds,
                rate=rate,
            )
            session_dose[i] = dose
            trained[i, day] = True
            lift.last_trained = day
            lift.weekly_sets[-1] += sets_done
            problem = ongoing("stalled", i, day) or ongoing("regressing", i, day)
            zone = zone_of(week.reps[slot % len(week.reps)])
            novelty = 1.0 - 0.6 * lift.habituation[zone]
            room = max(1.0 - lift.level / lift.ceiling, 0.02)
            if not problem:
                lift.pool += lift.gain * dose / (dose + 3.0) * novelty * room
            lift.level += 0.15 * lift.debt
            lift.debt *= 0.85
            for z in range(len(ZONES)):
                near = (1.0, 0.3, 0.05, 0.0)[abs(z - zone)]
                lift.familiar[z] += (1 - lift.familiar[z]) * 0.26 * near
                lift.habituation[z] += (1 - lift.habituation[z]) * 0.07 * near
                lift.in_use[z] *= 0.35
            lift.in_use[zone] += 0.65
        done = len(log.rows) - before[0]
        if done and rates_sessions:
            reserves = [max(r, 0.0) for r in log.reserve[-done:]]
            hardness = 10.0 - float(np.mean(reserves)) + rng.normal(0, 0.6)
            minutes = 14 + 3.2 * done + rng.normal(0, 6)
            log.ratings[day] = (
                round(min(max(hardness, 2.0), 10.0) * 2) / 2,
                max(15.0, round(minutes / 5) * 5.0),
            )
        _overnight(rng, lifts, session_dose, wear, day, events)

    truth_events = [
        Episode(e.kind, e.lift, first_day + e.start, first_day + e.end, e.size)
        for e in _real(events, trained, [lift.weekly_sets for lift in lifts])
    ]
    blocks = tuple(
        BlockSpan(s.name, s.kind, first_day + s.start * 7, first_day + s.end * 7 + 6)
        for s in spans
        if s.start < weeks + 8
    )
    if scenario in ("novice", "few_data") and rng.random() < 0.5:
        blocks = ()  # a lifter without a calendar
    changes = _changes(blocks, first_day + n_days - 1)
    flat = _flat(strength, trained, plan)
    dips = _dips(expressed, strength, changes, first_day, trained)
    states = _label(truth_events, dips, plan, n_lifts, weeks, first_day)
    set_log, error_rows, duplicate_of, notes, reserve = _type_in(
        rng, log, names, first_day, mess=1.0 if scenario == "messy" else 0.0 if quiet else 0.05
    )
    truth = Truth(
        scenario=scenario,
        quiet=quiet,
        first_day=first_day,
        strength_kg=strength,
        expressed_kg=expressed,
        states=states,
        episodes=tuple(truth_events + dips),
        flat=flat,
        changes=changes,
        curves=tuple(lift.curve for lift in lifts),
        effort_bias_reps=bias,
        error_rows=error_rows,
        duplicate_of=duplicate_of,
        true_reserve=reserve,
    )
    return SimulatedLifter(name, set_log, blocks, truth, notes)


def _weekdays(rng: np.random.Generator, scenario: Scenario, lifts: int) -> list[tuple[int, ...]]:
    """Training days of each lift in the week, Monday is 0."""
    if scenario == "few_data":
        return [(int(rng.choice([0, 2, 5])),)] * lifts
    if scenario == "novice":
        return [((0, 2, 4), (0, 2, 4), (0, 4), (2, 4))[i] for i in range(lifts)]
    layouts = (
        ((0, 3), (1, 4), (1, 4), (0, 3)),
        ((0, 4), (0, 2), (2, 4), (2, 4)),
        ((1, 5), (1, 3), (3, 6), (3, 5)),
    )
    return list(layouts[int(rng.integers(len(layouts)))][:lifts])


def _train(
    rng: np.random.Generator,
    log: _Log,
    lift: _Lift,
    index: int,
    day: int,
    week: _Week,
    reps: int,
    start_kg: float,
    *,
    tired: float,
    form: float,
    test_sd: float,
    sessions_a_week: int,
    spike: Episode | None,
    bias: float,
    shift: float,
    mood: float,
    no_rpe: float,
    only_last_rpe: bool,
    to_failure: float,
    warm_ups: bool,
    in_pounds: bool,
    rate: float,
) -> tuple[float, int]:
    """One lift in one session. Returns the dose taken and the working sets done."""
    zone = zone_of(reps)
    strange = lift.cost[zone] * (1 - lift.familiar[zone])
    noise = rng.normal(0, test_sd) if week.kind == "test" else form
    ability = lift.level + lift.wander + math.log((1 - strange) * (1 - tired)) + noise
    # What goes on the bar follows what the lifter believes, and the hope that the plan writes on top of it
    # until a missed repetition humbles it.
    if week.number == 0 or lift.humbled:
        lift.hope = lift.belief
    lift.hope = lift.belief if lift.humbled else max(lift.belief - 0.02, lift.hope + rate / sessions_a_week)
    aim = min(lift.hope, lift.belief + 0.05) + rng.normal(0, 0.008)
    sets, reserve_target = week.sets, max(week.reserve, 0.5)
    if spike is not None:
        recent = max(lift.weekly_sets[-17:-1] or [sets * sessions_a_week])
        sets = max(sets, math.ceil(spike.size * recent / sessions_a_week))
    fraction = lift.curve.fraction(reps + reserve_target)
    load = _loadable(start_kg * math.exp(aim) * fraction, in_pounds)
    number = 0
    if warm_ups:
        for share, warm_reps in ((0.5, 5), (0.75, 3)):
            number += 1
            warm_load = _loadable(load * share, in_pounds)
            log.add(index, day, number, warm_load, warm_reps, math.nan, 8.0, warm_up=True)
    lift.humbled = False
    dose, done, lost = 0.0, 0, 0.0
    for k in range(sets):
        capacity = start_kg * math.exp(ability - lost)
        possible = lift.curve.reps(load / capacity) + rng.normal(0, SET_REPS_SD)
        all_out = k == sets - 1 and week.kind in EMPHASES and rng.random() < to_failure
        wanted = 99 if all_out else reps
        performed = min(wanted, math.floor(possible))
        if performed < 1:  # nothing to log: take weight off and go on
            load = _loadable(load * 0.93, in_pounds)
            lift.humbled = True
            continue
        failed = performed < wanted and bool(rng.random() < (0.3 if all_out else 0.6))
        left = max(possible - performed, 0.0)
        if performed < reps:
            lift.humbled = True
        reported = reported_reserve(rng, left, performed, bias=bias, shift=shift, mood=mood)
        rpe = 10.0 if failed else round(2 * min(max(10.0 - reported, 3.0), 10.0)) / 2
        unsaid = (
            rng.random() < no_rpe
            or (only_last_rpe and k < sets - 1)
            or (reported > 5 and rng.random() < 0.4)  # easy sets often go unrated
        )
        number += 1
        log.add(index, day, number, load, performed, math.nan if unsaid else rpe, left, failed=failed)
        hard = math.exp(-left / 4.0)
        dose += 0.35 + 0.65 * hard
        lost += 0.004 + 0.010 * hard
        done += 1
        if performed < reps:
            load = _loadable(load * 0.96, in_pounds)
    # The session taught the lifter something about what is possible now, at this rep range.
    seen = lift.level + lift.wander + math.log((1 - strange) * (1 - tired)) + form + rng.normal(0, 0.012)
    lift.belief += 0.45 * (seen - lift.belief)
    return dose, done


def _loadable(kg: float, in_pounds: bool) -> float:
    if in_pounds:
        return max(45.0, round(kg / KG_PER_LB / 5) * 5) * KG_PER_LB
    return max(20.0, round(kg / 2.5) * 2.5)


def _overnight(
    rng: np.random.Generator,
    lifts: Sequence[_Lift],
    doses: Sequence[float],
    wear: float,
    day: int,
    events: Sequence[Episode],
) -> None:
    """Adaptation, recovery, forgetting: from the end of a day to the start of the next."""
    total = sum(doses)
    for i, lift in enumerate(lifts):
        dose = doses[i] + 0.25 * (total - doses[i])
        lift.quick = (lift.quick + 0.0012 * wear * dose) * math.exp(-1 / 2.5)
        lift.slow = (lift.slow + 0.0008 * wear * dose) * math.exp(-1 / 10.0)
        turned = lift.pool / 9.0
        lift.pool -= turned
        lift.level += turned
        for e in events:
            if e.kind in ("stalled", "regressing") and e.touches(i) and e.start <= day <= e.end:
                # A problem eats what was still to come, too: the lift stands still at once or falls.
                lift.level += e.size / 7.0 - turned
        lift.wander = lift.wander * (1 - 1 / 40.0) + rng.normal(0, 0.0005)
        if lift.last_trained >= 0 and day - lift.last_trained > 7:
            lift.level -= 0.0009
            lift.debt += 0.0009
        for z in range(len(ZONES)):
            lift.familiar[z] *= math.exp(-1 / lift.residual[z])
            lift.habituation[z] *= math.exp(-1 / 35.0)


def _real(
    events: Iterable[Episode], trained: Bools, weekly_sets: Sequence[Sequence[int]]
) -> Iterator[Episode]:
    """Events as the log has them: a layoff runs from the last day with the lift to the next one, and a
    spike of which the half was missed is none."""
    for e in events:
        if e.kind == "load_spike":
            week = e.start // 7
            done = [s for i, s in enumerate(weekly_sets) if e.touches(i)]
            if all(s[week] >= 1.5 * max(s[week - 4 : week]) for s in done):
                yield e
            continue
        if e.kind != "layoff":
            yield e
            continue
        rows = trained if e.lift is None else trained[[e.lift]]
        on = np.flatnonzero(rows.any(axis=0))
        before, after = on[on < e.start], on[on > e.end]
        if len(before) and len(after):
            yield Episode("layoff", e.lift, int(before[-1]) + 1, int(after[0]) - 1, e.size)


def _changes(blocks: Sequence[BlockSpan], last: int) -> tuple[int, ...]:
    """First days of blocks whose emphasis is another than the last emphasis before them."""
    emphases = [b for b in blocks if b.kind in EMPHASES and b.start <= last]
    return tuple(b.start for a, b in pairwise(emphases) if a.kind != b.kind)


def _flat(strength: Floats, trained: Bools, plan: Sequence[_Week], span: int = 42) -> Bools:
    """Days on which six weeks of ordinary training had brought nothing, whatever the cause."""
    lifts, days = strength.shape
    ordinary = np.array([plan[d // 7].kind != "maintenance" for d in range(days)])
    flat = np.zeros((lifts, days), bool)
    for i in range(lifts):
        for d in range(span, days):
            on = np.flatnonzero(trained[i, d - span : d])
            gap = np.diff(np.concatenate(([-1], on, [span]))).max() if len(on) else span
            flat[i, d] = (
                strength[i, d] <= strength[i, d - span] and gap <= 14 and ordinary[d - span : d].all()
            )
    return flat


def _dips(
    expressed: Floats, strength: Floats, changes: Sequence[int], first_day: int, trained: Bools
) -> list[Episode]:
    """Expected dips: after a planned change a lift expresses 1 % less, while its strength is kept."""
    dips = []
    for change in changes:
        c = change - first_day
        if c < 28 or c + 28 > strength.shape[1]:
            continue
        for i in range(strength.shape[0]):
            best = expressed[i, c - 28 : c].max()
            window = slice(c, c + 28)
            below = (expressed[i, window] < 0.99 * best) & (strength[i, window] > 0.99 * strength[i, c - 1])
            below &= np.maximum.accumulate(trained[i, window])
            if below.sum() >= 5:
                on = np.flatnonzero(below)
                depth = 1 - expressed[i, window].min() / best
                dips.append(
                    Episode("expected_dip", i, change + int(on[0]), change + int(on[-1]), float(depth))
                )
    return dips


def _label(
    events: Sequence[Episode],
    dips: Sequence[Episode],
    plan: Sequence[_Week],
    lifts: int,
    weeks: int,
    first_day: int,
) -> tuple[tuple[State, ...], ...]:
    """One word a lift and week; where several hold, the one a coach must hear first."""
    order = ("layoff", "load_spike", "regressing", "stalled", "expected_dip")

    def word(lift: int, week: int) -> State:
        low = first_day + week * 7
        holds = {
            e.kind
            for e in (*events, *dips)
            if e.touches(lift) and min(e.end, low + 6) - max(e.start, low) >= 3
        }
        for kind in order:
            if kind in holds:
                return kind  # type: ignore[return-value]
        return "maintenance" if plan[week].kind in ("maintenance", "low-stress", "test") else "progressing"

    return tuple(tuple(word(i, w) for w in range(weeks)) for i in range(lifts))


def _type_in(
    rng: np.random.Generator, log: _Log, names: Sequence[str], first_day: int, *, mess: float
) -> tuple[SetLog, frozenset[int], dict[int, int], dict[int, str], Floats]:
    """The rows as they arrive, with planted slips of unit, decimal, column and double entry."""
    out: list[tuple[int, int, int, float, int, float, bool, bool]] = []
    reserve: list[float] = []
    errors: set[int] = set()
    doubles: dict[int, int] = {}
    groups: dict[tuple[int, int], list[int]] = {}
    for k, row in enumerate(log.rows):
        groups.setdefault((row[1], row[0]), []).append(k)
    pounds_day = {d for d in {day for day, _ in groups} if rng.random() < 0.02 * mess}
    for (day, _), members in groups.items():
        first = len(out)
        swapped_group = rng.random() < 0.006 * mess
        for k in members:
            lift, _, number, load, reps, rpe, warm, failed = log.rows[k]
            slip = rng.random()
            if day in pounds_day:
                load, wrong = round(load / KG_PER_LB / 2.5) * 2.5, True
            elif swapped_group and round(load) != reps:
                load, reps, wrong = float(reps), round(load), True
            elif slip < 0.004 * mess:
                load, wrong = load * 10 if slip < 0.002 * mess else round(load / 10, 2), True
            elif slip < 0.006 * mess and round(load) != reps:
                load, reps, wrong = float(reps), round(load), True
            else:
                wrong = False
            if wrong:
                errors.add(len(out))
            out.append((lift, day, number, load, reps, rpe, warm, failed))
            reserve.append(log.reserve[k])
        if rng.random() < 0.012 * mess and day not in pounds_day and not errors & set(range(first, len(out))):
            for k in range(first, len(out)):
                doubles[len(out)] = k
                errors.add(len(out))
                out.append(out[k])
                reserve.append(reserve[k])
    columns = list(zip(*out, strict=True))
    day_numbers = np.array(columns[1], np.int64)
    warm_up, failed_ = np.array(columns[6], bool), np.array(columns[7], bool)
    notes = {int(k): "warm-up" for k in np.flatnonzero(warm_up)} | {
        int(k): "failed" for k in np.flatnonzero(failed_)
    }
    session: Ints = np.unique(day_numbers, return_inverse=True)[1].astype(np.int64)
    numbers = {int(d): int(s) for d, s in zip(day_numbers, session, strict=True)}
    set_log = SetLog(
        exercises=tuple(Exercise(n, n) for n in names),
        exercise=np.array(columns[0], np.int64),
        day=first_day + day_numbers,
        session=session,
        set_number=np.array(columns[2], np.int64),
        load_kg=np.array(columns[3], float),
        reps=np.array(columns[4], np.int64),
        rpe=np.array(columns[5], float),
        warm_up=warm_up,
        failed=failed_,
        row=np.arange(len(out), dtype=np.int64),
        body_mass_kg=float(np.round(rng.normal(82, 12), 1)),
        session_load={numbers[d]: v for d, v in log.ratings.items()},
    )
    return set_log, frozenset(errors), doubles, notes, np.array(reserve)


def roster(seeds: str, lifters: int, first: int = 0) -> Iterator[SimulatedLifter]:
    """Lifters of a named seed set, scenario kinds in turn; lifter k is the same whatever the number."""
    for k in range(first, first + lifters):
        rng = np.random.default_rng([SEED_SETS[seeds], k])
        scenario = SCENARIOS[k % len(SCENARIOS)]
        yield simulate_lifter(rng, scenario, f"{scenario}-{k:03d}")


def write_log(path: Path, lifters: Iterable[SimulatedLifter]) -> dict[str, int]:
    """Write LOG.csv in the interchange contract. Returns the file line of each lifter's row 0."""
    first_line: dict[str, int] = {}
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(LOG_COLUMNS)
        line = 2
        for lifter in lifters:
            log = lifter.log
            first_line[lifter.name] = line
            for k in range(len(log.day)):
                rated = log.session_load.get(int(log.session[k]))
                rpe = float(log.rpe[k])
                out.writerow(
                    (
                        lifter.name,
                        date.fromordinal(int(log.day[k])).isoformat(),
                        log.exercises[int(log.exercise[k])].name,
                        int(log.set_number[k]),
                        f"{log.load_kg[k]:.8g}",
                        int(log.reps[k]),
                        "" if math.isnan(rpe) else f"{rpe:g}",
                        *(("", "") if rated is None else (f"{rated[0]:g}", f"{rated[1]:g}")),
                        lifter.session_notes.get(k, ""),
                    )
                )
            line += len(log.day)
    return first_line


def write_blocks(path: Path, lifters: Iterable[SimulatedLifter]) -> None:
    """Write BLOCKS.csv in the interchange contract."""
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(("lifter", "block", "kind", "start", "end"))
        for lifter in lifters:
            for b in lifter.blocks:
                out.writerow(
                    (lifter.name, b.name, b.kind, date.fromordinal(b.start), date.fromordinal(b.end))
                )


def main() -> None:
    """Write a simulated roster to LOG.csv and BLOCKS.csv, for `terrace analyse`."""
    import argparse

    parser = argparse.ArgumentParser(prog="python -m benchmarks.simulate", description=main.__doc__)
    parser.add_argument("folder", type=Path, help="where LOG.csv and BLOCKS.csv go")
    parser.add_argument("--seeds", choices=SEED_SETS, default="tuning")
    parser.add_argument("--lifters", type=int, default=7)
    given = parser.parse_args()
    lifters = list(roster(given.seeds, given.lifters))
    given.folder.mkdir(parents=True, exist_ok=True)
    write_log(given.folder / "LOG.csv", lifters)
    write_blocks(given.folder / "BLOCKS.csv", lifters)
    last = max(int(x.log.day[-1]) for x in lifters)
    day = date.fromordinal(last) + timedelta(days=1)
    print(f"{len(lifters)} lifters, {sum(len(x.log.day) for x in lifters)} sets; as of {day}")


if __name__ == "__main__":
    main()
