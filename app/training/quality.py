"""Logged sets that cannot be what they say: found before anything is estimated, held out, never dropped.

Each set is read under five hypotheses: as logged, pounds logged as kilograms, decimal point slipped right
or left, load and repetitions swapped. A reading costs as much as it surprises, in natural log units:

- against the level: what load and repetitions stand for, on the population curve, beside what the same
  lifter showed at the same exercise in the sessions before *and* after. Above that level hardly anything
  natural happens; below it almost everything does (warm-ups, back-off sets, easy weeks, returns from a
  layoff), so this is lopsided;
- by its repetitions, its roundness, and how light it is, beside the lifter's own sets of the exercise;
- beside the sets around it in the same session.

The cheapest reading wins, and only by a wide margin. A whole session in pounds is judged as a whole.
Copies of what was entered before are told by their sameness.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from app.training import repmax
from app.training.records import AnalysisSettings, Bools, DataError, Floats, Ints, SetLog
from app.training.units import KG_PER_LB, MAX_MASS_KG

AS_LOGGED, POUNDS, TENFOLD, TENTH, SWAPPED = range(5)
REASONS: Final = ("", "pounds_as_kilograms", "slipped_decimal", "slipped_decimal", "swapped_columns")

# Costs are natural logs of probabilities. None is published: they were set on simulated logs and are judged
# on others (benchmarks), where the figures beside them say what they trade.
RARITY = np.log(1000.0)  # a set mistyped in one given way, and a session in the wrong unit: one in a thousand
DECISIVE = 3.0  # how much cheaper than as logged a reading must be after that: twenty to one

NEIGHBOURS = 16  # [sessions] of the exercise, on either side
LEVEL_QUANTILE = 0.75  # easy weeks and returns pull a median down, mistaken sessions a maximum up
SESSIONS_NEEDED = 3  # other sessions of the exercise before they can speak against a set
SIBLINGS_NEEDED = 3  # other sets of the session that do instead, if they agree to within SIBLINGS_AGREE
SIBLINGS_AGREE = 0.15  # [1] of ln(1RM)

BASE_SD = 0.08  # [1] of ln(1RM) between a lifter's good sets: day form, reserve, half a plate
FEW_SESSIONS_SD = 0.30  # [1] divided by the root of the number of sessions compared with
EDGE_SD = 0.05  # [1] more where nothing comes after the set, or before it
EDGE_SD_PER_DAY = 0.0015  # [1/d] room for progress since the nearest session
UNRATED_RESERVE = 2.0  # [reps] taken as left where nothing was reported
HARD_EDGE = 3.0  # standard deviations above the level after which surprise grows only linearly

# [1] How quickly sets below the level become surprising, as a scale of ln(1RM), and where nothing natural
# is left: at a third of the level, but for warm-ups.
LOW_SCALE_RATED, LOW_SCALE_EASY, LOW_SCALE_WARM_UP, LOW_SCALE_BEYOND = 0.15, 0.35, 1.0, 0.1
LOW_FLOOR, LOW_FLOOR_WARM_UP = 1.0, 3.0
WARM_UP_JUMP = 4.0  # a warm-up is followed by at most this multiple of its load
EMPTY_BARS_KG = np.array([15.0, 20.0, 35 * KG_PER_LB, 45 * KG_PER_LB])  # federation bars and pound bars
RECURRING = 3  # other sessions with the very same load: then a light load is a warm-up and no slip

MOST_REPS = 100
ALIKE_REPS = 1.3  # repetitions within this factor of each other are about the same
USUAL_LOG_REPS, USUAL_LOG_REPS_SD = np.log(6.0), 0.8  # of anybody's sets, for counts new to the lifter
# Loads of each roundness (steps of 2.5, 0.5, 0.25 kg, others) within 2.5 kg, and how often pounds typed
# into a kilogram field are as round: plate sums, whole pounds, converted numbers.
STEPS_KG = (2.5, 0.5, 0.25)
LOADS_IN_A_STEP = np.array([1.0, 4.0, 5.0, 40.0])
POUNDS_ROUNDNESS = np.array([0.4, 0.3, 0.05, 0.25])

SIBLING_COST = 4.0  # most that being unlike the sets around it can count against a reading
SIBLING_LOAD, SIBLING_REPS = 0.1, 0.3  # [1] of ln(load) and ln(reps): what one unit of unlikeness is
SESSION_VOICE = 8.0  # most that one exercise can say about the unit of its session
SESSION_DISSENT = 7.0  # how loudly a set must speak for kilograms to be left alone in a session in pounds

USUALLY_DAILY = 0.2  # share of training days after one: from here on the same work on both is a habit
ASSUMED_BODY_MASS_KG = 75.0  # [kg] only for judging loads of bodyweight exercises, where it is unknown
ASSUMED_SHARE = 0.9  # of exercises often logged with no load at all, so evidently moving body mass
PLAUSIBLE = 12.0  # most that the winning reading may itself cost; beyond, none is believed

_K: Final = repmax.POPULATION_STEEPNESS


@dataclass(frozen=True, slots=True)
class _Sets:
    """Sets in order of exercise, day, session and number, with their exercise-sessions numbered."""

    load: Floats
    reps: Floats
    reserve: Floats  # [reps] stated, or what is taken for it
    rated: Bools
    base: Floats  # [kg] moved share of body mass
    warm_up: Bools
    exercise: Ints
    day: Ints
    session: Ints
    group: Ints  # number of the exercise-session

    def at(self, places: Ints) -> _Sets:
        return _Sets(*(getattr(self, name)[places] for name in self.__slots__))


@dataclass(frozen=True, slots=True)
class _Level:
    """What a lifter can be expected to show, one element an exercise-session or a set."""

    value: Floats  # ln(1RM), NaN where nothing is known
    sd: Floats  # of what lies above it
    low: Floats  # how far below it the lifter's sessions commonly are
    fraction: Floats  # mean load fraction of the repetitions it was shown with

    def at(self, places: Ints) -> _Level:
        return _Level(*(getattr(self, name)[places] for name in self.__slots__))


def screen(log: SetLog, *, settings: AnalysisSettings | None = None) -> tuple[DataError, ...]:
    """Find the sets of one lifter that cannot be what they say.

    Parameters
    ----------
    log : SetLog
        n sets, in any order. What happened after a set helps to judge it, so the later sessions of the
        log count too; leave out what must not be known yet.
    settings : AnalysisSettings, optional
        A sensitivity above 1 asks for less evidence.

    Returns
    -------
    tuple of DataError
        One for each set held out, in order of day and row. ``reason`` is ``pounds_as_kilograms``,
        ``slipped_decimal``, ``swapped_columns`` (each with the load and repetitions it proposes),
        ``duplicate`` or ``implausible`` (proposed: leave it out, so NaN and the repetitions logged).

    Notes
    -----
    A new exercise is judged by nothing until it has three other sessions, except by the other sets of the
    same session where these agree among themselves.
    """
    if log.day.size == 0:
        return ()
    order = in_order(log)
    sets, start = _sorted(log, order)
    decisive = DECISIVE / (settings.sensitivity if settings is not None else 1.0)

    impossible = ~np.isfinite(sets.load) | (sets.load < 0) | (sets.load > MAX_MASS_KG)
    doubted = impossible
    for _ in range(3):
        # What is held out must not be what the rest is judged by, so look again without it.
        verdict, unexplained = _judge(sets, start, ~doubted, decisive)
        before, doubted = doubted, impossible | unexplained | (verdict != AS_LOGGED)
        if np.array_equal(before, doubted):
            break
    copied = _copies(log, order, sets, start) & ~doubted

    found: list[DataError] = []
    for place in np.flatnonzero(doubted | copied).tolist():
        at = order[place]
        load, reps = float(log.load_kg[at]), int(log.reps[at])
        reason = "duplicate" if copied[place] else REASONS[verdict[place]] or "implausible"
        proposed = _correction(load, reps, int(verdict[place])) if doubted[place] else (float("nan"), reps)
        found.append(DataError(int(log.row[at]), int(log.day[at]), int(log.exercise[at]), reason, *proposed))
    return tuple(sorted(found, key=lambda error: (error.day, error.row)))


def in_order(log: SetLog) -> Ints:
    """Places of the sets in order of exercise, day, session, number and row, shape (n,)."""
    # Most logs are in order but for the exercise: short integers are sorted without comparisons.
    order = np.argsort(log.exercise.astype(np.int16), kind="stable")
    keys = [key[order] for key in (log.exercise, log.day, log.session, log.set_number, log.row)]
    after, equal = np.zeros(max(order.size - 1, 0), bool), np.ones(max(order.size - 1, 0), bool)
    for key in keys:
        after |= equal & (key[1:] > key[:-1])
        equal &= key[1:] == key[:-1]
    return order if (after | equal).all() else np.asarray(order[np.lexsort(keys[::-1])])


def without(log: SetLog, errors: tuple[DataError, ...]) -> SetLog:
    """The log without the rows held out."""
    if not errors:
        return log
    kept = ~np.isin(log.row, [error.row for error in errors])
    one_a_set = (
        "exercise",
        "day",
        "session",
        "set_number",
        "load_kg",
        "reps",
        "rpe",
        "warm_up",
        "failed",
        "row",
    )
    columns: dict[str, Any] = {name: getattr(log, name)[kept] for name in one_a_set}
    if log.prescribed_rpe is not None:
        columns["prescribed_rpe"] = log.prescribed_rpe[kept]
    return replace(log, **columns)


def _correction(load: float, reps: int, verdict: int) -> tuple[float, int]:
    if verdict == POUNDS:
        # Typed in pounds, or in kilograms and converted once too often: then a quarter kilogram fits.
        exact = load * KG_PER_LB
        nearest = round(exact * 4) / 4
        return (nearest if abs(nearest - exact) <= 0.06 else round(exact, 3)), reps
    if verdict == TENFOLD:
        return round(load / 10, 3), reps
    if verdict == TENTH:
        return round(load * 10, 3), reps
    if verdict == SWAPPED:
        return float(reps), round(load)
    return float("nan"), reps


def _starts(*sorted_columns: NDArray[Any]) -> Ints:
    """First places of runs of equal rows."""
    new = np.ones(sorted_columns[0].size, dtype=bool)
    new[1:] = np.logical_or.reduce([column[1:] != column[:-1] for column in sorted_columns])
    return np.flatnonzero(new)


def _sorted(log: SetLog, order: Ints) -> tuple[_Sets, Ints]:
    """The sets in order, and the first of each exercise-session."""
    exercise, day, session = log.exercise[order], log.day[order], log.session[order]
    load = log.load_kg[order].astype(float)
    start = _starts(exercise, day, session)
    size = np.diff(np.append(start, order.size))
    body_mass = log.body_mass_kg if np.isfinite(log.body_mass_kg) else ASSUMED_BODY_MASS_KG
    share = np.array([each.body_mass_share for each in log.exercises])
    count = np.bincount(exercise, minlength=share.size)
    unloaded = np.bincount(exercise, weights=load == 0, minlength=share.size)
    share = np.where((share == 0) & (unloaded > 0.05 * count), ASSUMED_SHARE, share)
    stated = np.where(log.failed[order], 0.0, np.minimum(10 - log.rpe[order], 5.0))
    sets = _Sets(
        load=load,
        reps=log.reps[order].astype(float),
        reserve=np.nan_to_num(stated, nan=UNRATED_RESERVE),
        rated=np.isfinite(stated),
        base=share[exercise] * body_mass,
        warm_up=log.warm_up[order],
        exercise=exercise,
        day=day,
        session=session,
        group=np.repeat(np.arange(start.size), size),
    )
    return sets, start


def _log_1rm(sets: _Sets, load: Floats, reps: Floats) -> Floats:
    """ln of the 1RM that a load and a count stand for, on the population curve; NaN if for none."""
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.log(load + sets.base) - np.log(_fraction(sets, reps))
    return np.where(np.isfinite(value) & (reps > 0), value, np.nan)


def _fraction(sets: _Sets, reps: Floats) -> Floats:
    return 1 / (1 + (np.maximum(reps, 1) + sets.reserve - 1) / _K)


# --- the level ---------------------------------------------------------------------------------------------


def _levels(sets: _Sets, start: Ints, shown: Floats, usable: Bools) -> _Level:
    """What the neighbouring sessions say about each exercise-session, shape (g,)."""
    seen = usable & np.isfinite(shown) & ~sets.warm_up
    best = np.maximum.reduceat(np.where(seen, shown, -np.inf), start)
    fraction = np.add.reduceat(np.where(seen, _fraction(sets, sets.reps), 0.0), start)
    fraction /= np.maximum(np.add.reduceat(seen.astype(float), start), 1)
    exercise, day = sets.exercise[start], sets.day[start]
    known = np.isfinite(best)

    # Known sessions in one row, with room for a whole window between one exercise and the next. One that
    # is not known has its successor in its place.
    place = np.cumsum(known) - known + NEIGHBOURS * (exercise + 1)
    length = int(known.sum()) + NEIGHBOURS * (int(exercise.max()) + 3)
    row = np.full((2, length), np.inf)
    row[:, place[known]] = best[known], day[known]
    after = place + known
    values = sliding_window_view(row[0], 2 * NEIGHBOURS + 1)[place - NEIGHBOURS]
    # A session says nothing about itself.
    values[np.arange(start.size), np.where(known, NEIGHBOURS, 2 * NEIGHBOURS)] = np.inf
    values.sort(axis=1)
    upto = np.zeros((2, length + 1))
    upto[0, place[known] + 1], upto[1, place[known] + 1] = 1.0, fraction[known]
    upto = upto.cumsum(axis=1)
    around = (
        upto[:, after + NEIGHBOURS]
        - upto[:, place - NEIGHBOURS]
        - np.where(known, (np.ones(start.size), fraction), 0.0)
    )
    count = around[0].round().astype(np.int64)
    typical = around[1] / np.maximum(count, 1)

    last, each = np.maximum(count - 1, 0), np.arange(start.size)

    def quantile(q: float) -> Floats:
        position = q * last
        low = position.astype(np.int64)
        lower, upper = values[each, low], values[each, np.minimum(low + 1, last)]
        with np.errstate(invalid="ignore"):
            return np.asarray(lower + (position - low) * (upper - lower))

    enough = count >= SESSIONS_NEEDED
    level = np.where(enough, quantile(LEVEL_QUANTILE), np.nan)
    with np.errstate(invalid="ignore"):
        spread = np.where(enough, level - quantile(0.4), 0.0)
        low = np.where(enough, level - quantile(0.1), 0.0)
    earlier, later = row[1, place - 1], row[1, after]
    away = np.minimum(np.minimum(np.abs(earlier - day), np.abs(later - day)), 180.0)
    edge = ~np.isfinite(earlier) | ~np.isfinite(later)
    drift = np.where(edge, EDGE_SD, 0.0) + EDGE_SD_PER_DAY * away
    sd = np.sqrt(BASE_SD**2 + (spread / 2) ** 2 + FEW_SESSIONS_SD**2 / np.maximum(count, 1) + drift**2)
    return _Level(level, sd, low, typical)


def _level_of_each(sets: _Sets, start: Ints, shown: Floats, usable: Bools) -> _Level:
    """The level of each set: of its exercise-session, or where that has none, of at least three agreeing
    sets beside it."""
    level = _levels(sets, start, shown, usable).at(sets.group)
    end = np.append(start[1:], sets.load.size)
    for group in np.flatnonzero(np.isnan(level.value[start])).tolist():
        mine = np.arange(start[group], end[group])
        for place in mine.tolist():
            beside = mine[(mine != place) & usable[mine] & ~sets.warm_up[mine] & np.isfinite(shown[mine])]
            if beside.size < SIBLINGS_NEEDED:
                continue
            middle = float(np.median(shown[beside]))
            if np.abs(shown[beside] - middle).max() < SIBLINGS_AGREE:
                level.value[place], level.sd[place] = middle, SIBLINGS_AGREE
                level.fraction[place] = float(_fraction(sets.at(beside), sets.reps[beside]).mean())
    return level


# --- what a reading costs ----------------------------------------------------------------------------------
# Each of these takes the sets looked at, of shape (m,), and readings of them, of shape (m,) or (5, m).


def _level_cost(
    sets: _Sets, level: _Level, lenient: Bools, load: Floats, reps: Floats
) -> tuple[Floats, Floats]:
    """Cost of lying above the level, and cost of lying below it."""
    deviation = _log_1rm(sets, load, reps) - level.value
    apart = _fraction(sets, np.clip(reps, 1, MOST_REPS)) - level.fraction
    z = np.maximum(deviation, 0) / np.sqrt(level.sd**2 + (repmax.STEEPNESS_LOG_SD * apart) ** 2)
    above = np.where(z <= HARD_EDGE, z**2 / 2, HARD_EDGE * z - HARD_EDGE**2 / 2)
    hard = sets.rated & (sets.reserve <= 4)
    scale = np.where(hard, LOW_SCALE_RATED, LOW_SCALE_EASY)
    # A lifter whose sessions differ much may have another that does.
    scale = np.where(lenient, LOW_SCALE_WARM_UP, np.maximum(scale, level.low / 2))
    floor = np.where(lenient, LOW_FLOOR_WARM_UP, np.maximum(LOW_FLOOR, 1.5 * level.low))
    under = np.maximum(-deviation, 0)
    below = under / scale + np.maximum(under - floor, 0) / LOW_SCALE_BEYOND
    return above, below


def _lenient(sets: _Sets) -> Bools:
    """Warm-ups, said to be so or evident: not rated hard, and led up from in steps. Shape (n,)."""
    following = np.zeros(sets.load.size)
    following[:-1] = np.where(sets.group[1:] == sets.group[:-1], sets.load[1:], 0.0)
    leads_up = (following > sets.load) & (following <= WARM_UP_JUMP * sets.load)
    return np.asarray(sets.warm_up | (leads_up & ~(sets.rated & (sets.reserve <= 4))))


@dataclass(frozen=True, slots=True)
class _Habits:
    """The lifter's own counts, roundness and lightest loads, of usable sets."""

    upto: Ints  # (exercises, reps) sets with fewer repetitions
    roundness: Floats  # (4,) cost of a load of each roundness
    light: Floats  # (exercises,) [kg] moved: nothing lighter is done; zero where too little is known


def _habits(sets: _Sets, usable: Bools, kind: Ints) -> _Habits:
    exercises, width = int(sets.exercise.max()) + 1, 2 * MOST_REPS + 2
    counts = np.clip(sets.reps[usable], 0, 2 * MOST_REPS).astype(np.int64)
    cells = np.bincount(sets.exercise[usable] * width + counts + 1, minlength=exercises * width)
    kinds = np.bincount(kind[usable & (sets.load > 0)], minlength=4)
    moved = np.where(usable, sets.load + sets.base, 0.0)
    light = np.zeros(exercises)
    for exercise in range(exercises):
        mine = moved[sets.exercise == exercise]
        mine = mine[mine > 0]
        if mine.size >= 20:
            # The fiftieth part may be slips itself. As far below the lightest as that is below the middle,
            # half of it at most: loads hung from a belt range from almost nothing upwards.
            lightest, middle = np.partition(mine, (mine.size // 50, mine.size // 2))[
                [mine.size // 50, mine.size // 2]
            ]
            light[exercise] = lightest * min(0.5, lightest / middle)
    return _Habits(
        upto=cells.reshape(exercises, width).cumsum(axis=1),
        roundness=-np.log((kinds + 0.5) / (kinds.sum() + 2.0) / LOADS_IN_A_STEP),
        light=light,
    )


def _roundness(load: Floats) -> Ints:
    value = np.nan_to_num(load, posinf=0.0)
    kind = np.full(value.shape, len(STEPS_KG))
    for which, step in reversed(list(enumerate(STEPS_KG))):
        steps = value / step
        kind[np.abs(steps - np.round(steps)) * step < 1e-6] = which
    return kind


def _reps_cost(sets: _Sets, habits: _Habits, reps: Floats, beside: Ints) -> Floats:
    """-ln of the share of the exercise's sets with about so many repetitions, other sessions' sets only."""
    bounded = np.clip(reps, 0, 2 * MOST_REPS)
    low = np.ceil(bounded / ALIKE_REPS).astype(np.int64)
    high = np.minimum(bounded * ALIKE_REPS, 2 * MOST_REPS).astype(np.int64)
    alike = habits.upto[sets.exercise, high + 1] - habits.upto[sets.exercise, low]
    own = (sets.reps >= low) & (sets.reps <= high)
    alike = np.maximum(alike - np.where(own, beside, 0), 0)
    cost = -np.log((alike + 0.5) / (habits.upto[sets.exercise, -1] + 1.0))
    # A count this lifter never did is judged by what people do.
    away = (np.log(np.maximum(reps, 1)) - USUAL_LOG_REPS) / USUAL_LOG_REPS_SD
    return np.asarray(cost + np.where(alike == 0, np.minimum(away**2 / 2, 12.0), 0.0))


def _alike_beside(sets: _Sets, usable: Bools) -> Ints:
    """The set itself and how many of four on either side in the session have about its repetitions."""
    count = usable.astype(np.int64)
    for shift in range(1, min(5, sets.reps.size)):
        one, other = sets.reps[:-shift], sets.reps[shift:]
        alike = sets.group[:-shift] == sets.group[shift:]
        alike &= (one <= ALIKE_REPS * other) & (other <= ALIKE_REPS * one)
        count[:-shift] += alike & usable[shift:]
        count[shift:] += alike & usable[:-shift]
    return count


def _light_cost(sets: _Sets, habits: _Habits, load: Floats) -> Floats:
    """Surprise at a mass moved that is far under the lightest the exercise is done with."""
    with np.errstate(divide="ignore", invalid="ignore"):
        times = np.log(habits.light[sets.exercise]) - np.log(load + sets.base)
    return np.where(times > 0, np.minimum(3.0 + 6.0 * times, 12.0), 0.0)


def _sibling_cost(sets: _Sets, at: Ints, loads: Floats, reps: Floats, usable: Bools, gain: Floats) -> Floats:
    """Unlikeness to the most alike of the two sets before and after in the session, shape (5, m).

    A neighbour stands as logged, and also as each reading has it where that is the cheaper one, so that
    sets that went wrong together do not speak against one another.
    """
    unlike = np.full(loads.shape, SIBLING_COST)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_load, log_reps = np.log(loads), np.log(np.maximum(reps, 1))
        all_load, all_reps = np.log(sets.load), np.log(np.maximum(sets.reps, 1))
    position = np.full(sets.load.size, -1)
    position[at] = np.arange(at.size)
    for shift in (-2, -1, 1, 2):
        there = np.clip(at + shift, 0, sets.load.size - 1)
        beside = (sets.group[there] == sets.group[at]) & (there != at)
        also = position[there]
        for other_load, other_reps, stands in (
            (all_load[there], all_reps[there], beside & usable[there]),
            (log_load[:, also], log_reps[:, also], beside & (also >= 0) & (gain[:, also] > 0)),
        ):
            with np.errstate(invalid="ignore"):
                apart = (
                    np.abs(log_load - other_load) / SIBLING_LOAD
                    + np.abs(log_reps - other_reps) / SIBLING_REPS
                )
            unlike = np.where(stands & (apart < unlike), apart, unlike)
    return unlike


# --- the verdict -------------------------------------------------------------------------------------------


def _judge(sets: _Sets, start: Ints, usable: Bools, decisive: float) -> tuple[Ints, Bools]:
    """The winning reading of each set, and which sets none explains. Shape (n,)."""
    n = sets.load.size
    verdict, unexplained = np.zeros(n, dtype=np.int64), np.zeros(n, dtype=bool)
    shown = _log_1rm(sets, sets.load, sets.reps)
    level = _level_of_each(sets, start, shown, usable)
    known = np.isfinite(level.value) & np.isfinite(shown)
    kind, lenient, beside = _roundness(sets.load), _lenient(sets), _alike_beside(sets, usable)
    habits = _habits(sets, usable, kind)

    # Most sets are what they say, and need no other reading: cost nothing to speak of as logged.
    above, below = _level_cost(sets, level, lenient, sets.load, sets.reps)
    round_ = habits.roundness[kind]
    as_logged = above + below + _reps_cost(sets, habits, sets.reps, beside) + round_
    as_logged = np.where(known, as_logged + _light_cost(sets, habits, sets.load), 0.0)
    pounds_round = -np.log(POUNDS_ROUNDNESS / LOADS_IN_A_STEP)
    voice = np.where(known, above + np.maximum(round_ - pounds_round.min(), 0.0), 0.0)
    suspect = as_logged + SIBLING_COST > RARITY + decisive
    suspect |= _session_total(sets, start, np.minimum(voice, SESSION_VOICE)) > RARITY + DECISIVE
    at = np.flatnonzero(suspect)
    if at.size == 0:
        return verdict, unexplained

    few, few_known = sets.at(at), known[at]
    loads = np.vstack((few.load, few.load * KG_PER_LB, few.load / 10, few.load * 10, few.reps))
    reps: Floats = np.repeat(few.reps[None, :], 5, axis=0)
    reps[SWAPPED] = np.round(np.nan_to_num(few.load, posinf=0.0))
    high, low = _level_cost(few, level.at(at), lenient[at], loads, reps)
    cost = high + low + _reps_cost(few, habits, reps, beside[at]) + _light_cost(few, habits, loads)
    cost[[AS_LOGGED, TENFOLD, TENTH]] += habits.roundness[_roundness(loads[[AS_LOGGED, TENFOLD, TENTH]])]
    cost[POUNDS] += pounds_round[kind[at]]
    # Swapping puts the load where only whole numbers fit, so it may come back rounded.
    cost[SWAPPED] += np.minimum(habits.roundness[_roundness(few.reps)], -np.log(0.5 / LOADS_IN_A_STEP[1]))

    whole = np.abs(few.load - reps[SWAPPED]) < 1e-6
    cost[SWAPPED, ~whole | (few.load < 1) | (few.load > MOST_REPS) | (few.load == few.reps)] = np.inf
    cost[TENTH, (few.load * 10 > MAX_MASS_KG) | _recurs(sets, at) | _empty_bar(sets, start)[at]] = np.inf
    cost[POUNDS : TENTH + 1, few.load == 0] = np.inf
    cost = np.where(np.isnan(cost), np.inf, cost)
    cost[AS_LOGGED, ~few_known] = 0.0

    # Only what pounds explain better than anything else speaks for a session in pounds.
    rival = np.minimum(cost[AS_LOGGED], cost[TENFOLD:].min(axis=0))
    in_pounds = _in_pounds(sets, start, at, shown, rival, cost[POUNDS], few_known)
    with np.errstate(invalid="ignore"):
        gain = cost[AS_LOGGED] - cost
    cost += _sibling_cost(sets, at, loads, reps, usable, gain)
    best = np.argmin(cost[1:], axis=0) + 1
    winner = cost[best, np.arange(at.size)]
    wrong = few_known & (cost[AS_LOGGED] - winner - RARITY > decisive)
    verdict[at] = np.where(wrong & (winner <= PLAUSIBLE), best, np.where(in_pounds, POUNDS, AS_LOGGED))
    unexplained[at] = wrong & (verdict[at] == AS_LOGGED)
    return verdict, unexplained


def _session_total(sets: _Sets, start: Ints, value: Floats) -> Floats:
    """Sum over the exercises of each set's session of their largest value if they have one, shape (n,)."""
    largest = np.maximum.reduceat(value, start)
    largest = np.where(np.isfinite(largest), largest, 0.0)
    _, place = np.unique(sets.session[start], return_inverse=True)
    return np.asarray(np.bincount(place, weights=largest)[place][sets.group], dtype=float)


def _in_pounds(
    sets: _Sets, start: Ints, at: Ints, shown: Floats, rival: Floats, pounds: Floats, known: Bools
) -> Bools:
    """Which of the suspects are in a session that was logged in pounds from the first set to the last.

    One voice an exercise, that of its top set, because sets of one exercise err together and warm-ups say
    little. Within such a session a set is left as logged only if it alone speaks clearly for kilograms.
    """
    with np.errstate(invalid="ignore"):
        gain = np.nan_to_num(np.clip(rival - pounds, -SESSION_VOICE, SESSION_VOICE), nan=0.0)
    speaks = np.full(sets.load.size, -np.inf)
    speaks[at] = np.where(known, shown[at], -np.inf)
    top = np.maximum.reduceat(speaks, start)[sets.group[at]]
    voice = np.full(sets.load.size, -np.inf)
    voice[at] = np.where(known & (speaks[at] == top), gain, -np.inf)
    total = _session_total(sets, start, voice)[at]
    return np.asarray(
        (total > RARITY + DECISIVE) & (sets.load[at] > 0) & (~known | (gain > -SESSION_DISSENT))
    )


def _recurs(sets: _Sets, at: Ints) -> Bools:
    """Which of the suspects have a load that stands in at least three other sessions of the exercise."""
    most = MAX_MASS_KG * 1000 + 1
    grams = np.round(np.clip(np.nan_to_num(sets.load), 0, MAX_MASS_KG) * 1000).astype(np.int64)
    cell = sets.exercise * most + grams
    kinds = np.unique(cell[at])
    place = np.minimum(np.searchsorted(kinds, cell), kinds.size - 1)
    there = kinds[place] == cell
    visits = np.unique(place[there] * (int(sets.group[-1]) + 1) + sets.group[there])
    sessions = np.bincount(visits // (int(sets.group[-1]) + 1), minlength=kinds.size)
    return np.asarray(sessions[place[at]] > RECURRING)


def _empty_bar(sets: _Sets, start: Ints) -> Bools:
    """First sets of an exercise with the bar alone and no rating: warm-ups, though ten times as much fits."""
    bar = np.zeros(sets.load.size, dtype=bool)
    bar[start] = (np.abs(sets.load[start, None] - EMPTY_BARS_KG) < 0.1).any(axis=1) & ~sets.rated[start]
    return bar


# --- copies ------------------------------------------------------------------------------------------------


def _copies(log: SetLog, order: Ints, sets: _Sets, start: Ints) -> Bools:
    """Sets entered a second time, in sorted order; of two copies the later row is the copy.

    Three ways of doing it are told from training. Set numbers that repeat with the same load, repetitions
    and rating. Where numbers say nothing: an exercise's sets of one day twice over in the same order, more
    than the lifter ever does of it. A whole session once more on the same day or the next. Straight sets
    in a session and the same prescription a week later are training.
    """
    rating = np.nan_to_num(log.rpe[order] * 2, nan=-1.0)
    grams = np.round(np.nan_to_num(sets.load, posinf=0.0) * 1000)
    value = _mixed(grams, sets.reps, rating, sets.warm_up, sets.exercise)
    copied = _repeated_numbers(sets, start, log.set_number[order], value)
    copied |= _twice_over(sets, value, copied)
    copied |= _sessions_again(sets, start, value)
    return copied


def _mixed(*columns: NDArray[Any]) -> NDArray[np.uint64]:
    """One 64-bit fingerprint a row; equal rows have equal ones, and unequal ones practically never."""
    mixed = np.zeros(columns[0].size, dtype=np.uint64)
    for column in columns:
        mixed ^= column.astype(np.int64).astype(np.uint64) + np.uint64(0x9E3779B97F4A7C15)
        mixed *= np.uint64(0xBF58476D1CE4E5B9)
        mixed ^= mixed >> np.uint64(31)
    return mixed


def _repeated_numbers(sets: _Sets, start: Ints, number: Ints, value: NDArray[np.uint64]) -> Bools:
    again = np.zeros(value.size, dtype=bool)
    # Sets of one number lie side by side in the order of sets.
    again[1:] = (number[1:] == number[:-1]) & (value[1:] == value[:-1]) & (sets.group[1:] == sets.group[:-1])
    if not again.any():
        return again
    size = np.diff(np.append(start, value.size))
    fresh = np.ones(value.size, dtype=np.int64)
    fresh[1:] = (number[1:] != number[:-1]) | (sets.group[1:] != sets.group[:-1])
    numbers = np.add.reduceat(fresh, start)
    copies = np.add.reduceat(again.astype(np.int64), start)
    # Numbers are numbers only if they tell a group's sets apart; half of them must come again.
    certain = ((numbers > 1) | (size == 2)) & (2 * copies >= numbers)
    return np.asarray(again & certain[sets.group])


def _twice_over(sets: _Sets, value: NDArray[np.uint64], told_by_number: Bools) -> Bools:
    start = _starts(sets.exercise, sets.day)
    size = np.diff(np.append(start, value.size))
    half = np.repeat(size // 2, size)
    within = np.arange(value.size) - np.repeat(start, size)
    partner = np.minimum(np.arange(value.size) + half, value.size - 1)
    differs = (within < half) & (value != value[partner])
    twice = (size % 2 == 0) & (size >= 4) & ~np.logical_or.reduceat(differs | told_by_number, start)
    for group in np.flatnonzero(twice):
        others = size[
            (sets.exercise[start] == sets.exercise[start[group]]) & (np.arange(start.size) != group)
        ]
        first = value[start[group] : start[group] + size[group] // 2]
        varied = (first != first[0]).any()
        twice[group] = varied and others.size >= 5 and size[group] > 1.5 * np.percentile(others, 95)
    return np.asarray(np.repeat(twice, size) & (within >= half))


def _sessions_again(sets: _Sets, start: Ints, value: NDArray[np.uint64]) -> Bools:
    size = np.diff(np.append(start, value.size))
    within = np.arange(value.size) - np.repeat(start, size)
    # An exercise-session's fingerprint is the sum of its sets', each with its place; a session's likewise.
    whole = np.add.reduceat(_mixed(value, within), start)
    day, session = sets.day[start], sets.session[start]
    order = np.lexsort((session, day))
    first = _starts(day[order], session[order])
    whole = np.add.reduceat(_mixed(whole[order]), first)
    length = np.add.reduceat(size[order], first)
    on = day[order][first]
    alike = np.lexsort((on, whole))
    pair = (whole[alike][1:] == whole[alike][:-1]) & (np.diff(on[alike]) <= 1) & (length[alike][1:] >= 3)
    copied = np.zeros(value.size, dtype=bool)
    for second in alike[1:][pair].tolist():
        group = order[first[second]]
        these = (sets.day == on[second]) & (sets.session == session[group])
        kinds = np.unique(value[these]).size
        # Ratings that come out the same set by set are a copy; a prescription that does may be a habit.
        rated_alike = kinds >= 3 and 2 * sets.rated[these].sum() >= length[second]
        daily = np.isin(on - 1, on).mean() > USUALLY_DAILY
        copied |= these & bool(kinds >= 2 and (rated_alike or not daily))
    return copied
