"""Logged sets that cannot be what they say: found before anything is estimated, held out, never dropped.

Each set is read under five hypotheses: as logged, pounds logged as kilograms, decimal point slipped right
or left, load and repetitions swapped. Under each, load and repetitions stand for a 1RM on the population
curve, and that is compared with what the same lifter showed at the same exercise in the sessions before
*and* after. Above that level hardly anything natural happens; below it almost everything does (warm-ups,
back-off sets, easy weeks, returns from a layoff). So the comparison is lopsided, and a hypothesis wins
only by a wide margin.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from app.training import repmax
from app.training.records import AnalysisSettings, Bools, DataError, Floats, Ints, SetLog
from app.training.units import KG_PER_LB, MAX_MASS_KG

AS_LOGGED, POUNDS, TENFOLD, TENTH, SWAPPED = range(5)
OTHERS = (AS_LOGGED, TENFOLD, TENTH, SWAPPED)
REASONS: Final = ("", "pounds_as_kilograms", "slipped_decimal", "slipped_decimal", "swapped_columns")

# Chances before looking, natural log. Mistyped sets are rare; whole sessions in the other unit rarer still.
LOG_PRIOR = np.log([1.0, 1e-3, 1e-3, 1e-3, 1e-3])
LOG_PRIOR_SESSION_IN_POUNDS = np.log(1e-3)
DECISIVE = 3.0  # log odds at which a set is held out: twenty to one after the priors.

NEIGHBOURS = 16  # [sessions] of the exercise, on either side
LEVEL_QUANTILE = 0.75  # easy weeks and returns pull a median down, mistaken sessions a maximum up.
SESSIONS_NEEDED = 3  # other sessions of the exercise before they can speak against a set

BASE_SD = 0.08  # [1] of ln(1RM) between a lifter's good sets: day form, reserve, half a plate
FEW_SESSIONS_SD = 0.30  # [1] divided by the root of the number of sessions compared with
EDGE_SD = 0.05  # [1] more where there is nothing after the set (or nothing before it) to compare with
EDGE_SD_PER_DAY = 0.0015  # [1/d] room for progress since the nearest session
UNRATED_RESERVE = 2.0  # [reps] taken as left where nothing was reported
HARD_EDGE = 3.0  # standard deviations above the level after which more surprise grows only linearly

# [1] How quickly sets below the level become surprising, as a scale of ln(1RM).
LOW_SCALE_RATED, LOW_SCALE_EASY, LOW_SCALE_WARM_UP = 0.15, 0.35, 1.0
WARM_UP_JUMP = 4.0  # a warm-up is followed by at most this multiple of its load

LOW_FLOOR, LOW_SCALE_BEYOND = 1.0, 0.1  # [1] a third of the level: below it only warm-ups lie
SIBLING_COST = 4.0  # most that being unlike the sets around it can count against a hypothesis
SESSION_VOICE = 8.0  # most that one exercise can say about the unit of its session
SESSION_DISSENT = 4.0  # how loudly a set must speak for kilograms to be left alone in a session in pounds
EMPTY_BARS_KG = np.array([15.0, 20.0, 35 * KG_PER_LB, 45 * KG_PER_LB])  # federation bars and pound bars
RECURRING = 3  # other sessions with the very same load: then a light load is a warm-up and no slip

# Loads of each roundness (whole steps of 2.5, of 0.5, of 0.25 kg, others) within 2.5 kg, and how often
# pounds typed into a kilogram field are as round: plate sums, whole pounds, converted numbers.
LOADS_IN_A_STEP = np.array([1.0, 4.0, 5.0, 40.0])
POUNDS_ROUNDNESS = np.array([0.4, 0.3, 0.05, 0.25])

MOST_REPS = 100
USUAL_LOG_REPS, USUAL_LOG_REPS_SD = np.log(6.0), 0.8  # of anybody's sets
USUALLY_DAILY = 0.2  # share of training days after one: from here on the same work on both is a habit
ASSUMED_BODY_MASS_KG = 75.0  # [kg] only for judging loads of bodyweight exercises, where it is unknown
ASSUMED_SHARE = 0.9  # of exercises often logged with no load at all, so evidently moving body mass
UNEXPLAINED = 1.0  # [1] ln(1RM) above the level that no hypothesis explains and nobody lifts


@dataclass(frozen=True, slots=True)
class _Sorted:
    """The log in order of exercise, day, session and set, with its exercise-sessions numbered."""

    load: Floats
    reps: Floats
    rated: Floats  # stated reserve, NaN without one
    base: Floats  # moved share of body mass
    warm_up: Bools
    exercise: Ints
    day: Ints
    session: Ints
    group: Ints  # number of the exercise-session
    start: Ints  # (g,) first set of each
    group_exercise: Ints  # (g,)
    group_day: Ints  # (g,)


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
    A new exercise is judged by nothing until it has ``SESSIONS_NEEDED`` other sessions, except by the other
    sets of the same session where these agree among themselves.
    """
    if log.day.size == 0:
        return ()
    order = np.lexsort((log.row, log.set_number, log.session, log.day, log.exercise))
    sets = _sorted(log, order)
    decisive = DECISIVE / (settings.sensitivity if settings is not None else 1.0)

    impossible = ~np.isfinite(sets.load) | (sets.load < 0) | (sets.load > MAX_MASS_KG)
    verdict = np.zeros(order.size, dtype=np.int64)
    unexplained = np.zeros(order.size, dtype=bool)
    doubted = impossible.copy()
    for _ in range(3):
        # What is held out must not be what the rest is judged by, so look again without it.
        verdict, unexplained = _judge(sets, ~doubted, decisive)
        again = impossible | unexplained | (verdict != AS_LOGGED)
        if np.array_equal(again, doubted):
            break
        doubted = again
    implausible = (impossible | unexplained) & (verdict == AS_LOGGED)
    duplicate = _duplicates(log, order) & ~doubted

    found: list[DataError] = []
    for place in np.flatnonzero(doubted | duplicate):
        at = order[place]
        if duplicate[place] or implausible[place]:
            reason, load, reps = "duplicate" if duplicate[place] else "implausible", np.nan, int(log.reps[at])
        else:
            reason = REASONS[verdict[place]]
            load, reps = _correction(float(log.load_kg[at]), int(log.reps[at]), int(verdict[place]))
        found.append(DataError(int(log.row[at]), int(log.day[at]), int(log.exercise[at]), reason, load, reps))
    return tuple(sorted(found, key=lambda error: (error.day, error.row)))


def without(log: SetLog, errors: tuple[DataError, ...]) -> SetLog:
    """The log without the rows held out."""
    if not errors:
        return log
    kept = ~np.isin(log.row, [error.row for error in errors])
    return replace(
        log,
        **{
            name: getattr(log, name)[kept]
            for name in (
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
        },
        prescribed_rpe=None if log.prescribed_rpe is None else log.prescribed_rpe[kept],
    )


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
    return float(reps), round(load)


def _sorted(log: SetLog, order: Ints) -> _Sorted:
    exercise, day, session = log.exercise[order], log.day[order], log.session[order]
    load = log.load_kg[order].astype(float)
    new = np.ones(order.size, dtype=bool)
    new[1:] = (np.diff(exercise) != 0) | (np.diff(day) != 0) | (np.diff(session) != 0)
    start = np.flatnonzero(new)
    body_mass = log.body_mass_kg if np.isfinite(log.body_mass_kg) else ASSUMED_BODY_MASS_KG
    share = np.array([each.body_mass_share for each in log.exercises])
    count = np.bincount(exercise, minlength=share.size)
    unloaded = np.bincount(exercise, weights=load == 0, minlength=share.size)
    share = np.where((share == 0) & (unloaded > 0.05 * count), ASSUMED_SHARE, share)
    rpe = log.rpe[order]
    return _Sorted(
        load=load,
        reps=log.reps[order].astype(float),
        rated=np.where(log.failed[order], 0.0, np.minimum(10 - rpe, 5.0)),
        base=share[exercise] * body_mass,
        warm_up=log.warm_up[order],
        exercise=exercise,
        day=day,
        session=session,
        group=np.cumsum(new) - 1,
        start=start,
        group_exercise=exercise[start],
        group_day=day[start],
    )


def _log_1rm(sets: _Sorted, load: Floats, reps: Floats) -> Floats:
    """ln of the 1RM that a load and a count stand for, on the population curve. NaN without any load."""
    reserve = np.nan_to_num(sets.rated, nan=UNRATED_RESERVE)
    k = repmax.POPULATION_STEEPNESS
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.log(load + sets.base) + np.log1p((np.maximum(reps, 1) + reserve - 1) / k)
    return np.where(np.isfinite(value) & (reps > 0), value, np.nan)


@dataclass(frozen=True, slots=True)
class _Level:
    """What the neighbouring sessions say about each exercise-session, shape (g,)."""

    value: Floats  # ln(1RM), NaN where nothing is known
    sd: Floats
    fraction: Floats  # load fraction of the repetitions they were done for


def _levels(sets: _Sorted, y: Floats, usable: Bools) -> _Level:
    groups = sets.start.size
    seen = usable & np.isfinite(y) & ~sets.warm_up
    best = np.maximum.reduceat(np.where(seen, y, -np.inf), sets.start)
    best = np.where(np.isfinite(best), best, np.nan)
    reserve = np.nan_to_num(sets.rated, nan=UNRATED_RESERVE)
    k = repmax.POPULATION_STEEPNESS
    fraction = 1 / (1 + (np.clip(sets.reps, 1, MOST_REPS) + reserve - 1) / k)
    mean_fraction = np.add.reduceat(np.where(seen, fraction, 0.0), sets.start) / np.maximum(
        np.add.reduceat(seen.astype(float), sets.start), 1
    )
    # The exercise's own nearest sessions that hold a usable set, up to sixteen on either side.
    known = np.flatnonzero(np.isfinite(best))
    rank = np.searchsorted(known, np.arange(groups))
    itself = np.isfinite(best)
    offset = np.concatenate((np.arange(-NEIGHBOURS, 0), np.arange(NEIGHBOURS)))
    place = rank[:, None] + offset + np.where(offset >= 0, itself[:, None], 0)
    inside = (place >= 0) & (place < known.size)
    near = known[np.clip(place, 0, max(known.size - 1, 0))] if known.size else np.zeros_like(place)
    inside &= sets.group_exercise[near] == sets.group_exercise[:, None]
    values = np.where(inside, best[near], np.inf)
    count = inside.sum(axis=1)
    values.sort(axis=1)
    row = np.arange(groups)
    last = np.maximum(count - 1, 0)

    def quantile(q: float) -> Floats:
        position = q * last
        low = np.floor(position).astype(np.int64)
        high = np.minimum(low + 1, last)
        return np.asarray(
            values[row, low] + (position - low) * np.nan_to_num(values[row, high] - values[row, low])
        )

    enough = count >= SESSIONS_NEEDED
    with np.errstate(invalid="ignore"):
        level = np.where(enough, quantile(LEVEL_QUANTILE), np.nan)
        spread = np.where(enough, (level - quantile(0.4)) / 0.93, 0.0)
    gap = np.abs(sets.group_day[near] - sets.group_day[:, None])
    before = np.where(inside & (offset < 0), gap, 10_000).min(axis=1)
    after = np.where(inside & (offset >= 0), gap, 10_000).min(axis=1)
    edge = (before == 10_000) | (after == 10_000)
    away = np.minimum(np.minimum(before, after), 180)
    drift = np.where(edge, EDGE_SD, 0.0) + EDGE_SD_PER_DAY * away
    sd = np.sqrt(BASE_SD**2 + spread**2 / 4 + FEW_SESSIONS_SD**2 / np.maximum(count, 1) + drift**2)
    typical = np.where(inside, mean_fraction[near], 0.0).sum(axis=1) / np.maximum(count, 1)
    return _Level(level, sd, typical)


def _judge(sets: _Sorted, usable: Bools, decisive: float) -> tuple[Ints, Bools]:
    """The winning hypothesis of each set, and which sets none explains."""
    n = sets.load.size
    loads = np.vstack((sets.load, sets.load * KG_PER_LB, sets.load / 10, sets.load * 10, sets.reps))
    reps = np.broadcast_to(sets.reps, (5, n)).copy()
    reps[SWAPPED] = np.round(sets.load)
    logged = _log_1rm(sets, loads[AS_LOGGED], reps[AS_LOGGED])
    level = _levels(sets, logged, usable)
    centre, sd, fraction = level.value[sets.group], level.sd[sets.group], level.fraction[sets.group]
    centre, sd, fraction = _from_siblings(sets, logged, usable, centre, sd, fraction)
    low_scale, low_floor = _low_side(sets)

    reserve = np.nan_to_num(sets.rated, nan=UNRATED_RESERVE)
    deviation = _log_1rm(sets, loads, reps) - centre
    share = 1 / (1 + (np.clip(reps, 1, MOST_REPS) + reserve - 1) / repmax.POPULATION_STEEPNESS)
    spread = np.sqrt(sd**2 + (repmax.STEEPNESS_LOG_SD * (share - fraction)) ** 2)
    z = np.maximum(deviation, 0) / spread
    below = np.maximum(-deviation, 0)
    cost = np.where(z <= HARD_EDGE, z**2 / 2, HARD_EDGE * z - HARD_EDGE**2 / 2)
    cost += below / low_scale + np.maximum(below - low_floor, 0) / LOW_SCALE_BEYOND
    cost += _reps_cost(sets, reps, usable) + _grid_cost(sets, loads, usable)
    cost += _lightness_cost(sets, loads, usable)

    typed = sets.load
    whole = np.abs(typed - np.round(typed)) < 1e-6
    cost[SWAPPED, ~whole | (typed < 1) | (typed > MOST_REPS) | (typed == sets.reps)] = np.inf
    cost[TENTH, (typed * 10 > MAX_MASS_KG) | _recurs(sets) | _empty_bar(sets)] = np.inf
    cost[1:4, typed == 0] = np.inf
    known = np.isfinite(centre) & np.isfinite(logged)
    cost = np.where(np.isnan(cost), np.inf, cost)
    cost[AS_LOGGED, ~known] = 0.0

    with np.errstate(invalid="ignore"):
        gain = cost[AS_LOGGED] - cost
    # Only what pounds explain better than anything else speaks for a session in pounds.
    in_pounds = _sessions_in_pounds(sets, cost.take(OTHERS, axis=0).min(axis=0) - cost[POUNDS], known)
    cost += _sibling_cost(sets, loads, reps, usable, gain) - LOG_PRIOR[:, None]
    best = np.argmin(cost[1:], axis=0) + 1
    won = cost[AS_LOGGED] - cost[best, np.arange(n)]
    verdict = np.where(known & (won > decisive), best, AS_LOGGED)
    verdict = np.where(in_pounds & (verdict == AS_LOGGED), POUNDS, verdict)
    excess = deviation[AS_LOGGED]
    unexplained = known & (verdict == AS_LOGGED) & (excess > UNEXPLAINED) & (z[AS_LOGGED] > 5)
    return verdict, unexplained


def _reps_cost(sets: _Sorted, reps: Floats, usable: Bools) -> Floats:
    """-ln of the share of the exercise's other sets with about so many repetitions, shape (5, n)."""
    exercises, most = int(sets.exercise.max()) + 1, 2 * MOST_REPS
    own = np.clip(sets.reps, 0, most).astype(np.int64)
    cell = sets.exercise * (most + 1) + own
    count = np.bincount(cell[usable], minlength=exercises * (most + 1)).reshape(exercises, most + 1)
    upto = np.concatenate((np.zeros((exercises, 1), dtype=np.int64), count.cumsum(axis=1)), axis=1)
    whole = np.clip(reps, 0, most)
    low = np.ceil(whole / 1.3).astype(np.int64)
    high = np.floor(whole * 1.3).astype(np.int64).clip(max=most)
    alike = upto[sets.exercise, high + 1] - upto[sets.exercise, low]
    alike = np.maximum(alike - (usable & (own >= low) & (own <= high)) - _alike_beside(sets, usable), 0)
    cost = -np.log((alike + 0.5) / (upto[sets.exercise, -1] + 1.0))
    # A count this lifter never did is judged by what people do.
    away = (np.log(np.maximum(reps, 1)) - USUAL_LOG_REPS) / USUAL_LOG_REPS_SD
    return np.asarray(cost + np.where(alike == 0, np.minimum(away**2 / 2, 12.0), 0.0))


def _alike_beside(sets: _Sorted, usable: Bools) -> Ints:
    """How many of the four sets before and after in the session have about the same repetitions."""
    count = np.zeros(sets.reps.size, dtype=np.int64)
    for shift in range(1, min(5, sets.reps.size)):
        one, other = sets.reps[:-shift], sets.reps[shift:]
        alike = (sets.group[:-shift] == sets.group[shift:]) & (one <= 1.3 * other) & (other <= 1.3 * one)
        count[:-shift] += alike & usable[shift:]
        count[shift:] += alike & usable[:-shift]
    return count


def _lightness_cost(sets: _Sorted, loads: Floats, usable: Bools) -> Floats:
    """Surprise at a mass moved under half of the lightest the exercise is done with, shape (5, n)."""
    lightest = np.zeros(int(sets.exercise.max()) + 1)
    moved = sets.load + sets.base
    for exercise in np.unique(sets.exercise):
        mine = moved[(sets.exercise == exercise) & usable & (moved > 0)]
        if mine.size >= 20:
            lightest[exercise] = np.percentile(mine, 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        times = np.log(0.5 * lightest[sets.exercise]) - np.log(loads + sets.base)
    return np.where(times > 0, np.minimum(3.0 + 6.0 * times, 12.0), 0.0)


def _grid_cost(sets: _Sorted, loads: Floats, usable: Bools) -> Floats:
    """-ln of how often the lifter's loads are as round as this one, shape (5, n).

    Loads come in steps of the plates at hand. A value between the steps is rare for a lifter who logs in
    kilograms, and everyday for pounds that were converted, so the lifter's own log says what round means.
    """

    def roundness(load: Floats) -> Ints:
        value = np.where(np.isfinite(load), load, 0.0)
        place = np.full(value.shape, 3)
        for which, step in ((2, 0.25), (1, 0.5), (0, 2.5)):
            place = np.where(np.abs(value / step - np.round(value / step)) * step < 1e-6, which, place)
        return place

    logged = roundness(sets.load)
    share = (np.bincount(logged[usable & (sets.load > 0)], minlength=4) + 0.5) / (
        (usable & (sets.load > 0)).sum() + 2.0
    )
    cost = -np.log(share / LOADS_IN_A_STEP)[roundness(loads)]
    # Swapping puts the load where only whole numbers fit, so it comes back rounded.
    cost[SWAPPED] = np.minimum(cost[SWAPPED], -np.log(0.5 / LOADS_IN_A_STEP[1]))
    cost[POUNDS] = -np.log(POUNDS_ROUNDNESS / LOADS_IN_A_STEP)[logged]
    return np.asarray(cost)


def _sibling_cost(sets: _Sorted, loads: Floats, reps: Floats, usable: Bools, gain: Floats) -> Floats:
    """Distance from the most alike of the two sets before and after in the session, shape (5, n).

    A neighbour stands as logged, and also as each hypothesis reads it if that fits it better, so that sets
    that went wrong together do not speak for one another.
    """
    n = sets.load.size
    nearest = np.full((5, n), SIBLING_COST)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_load, log_reps = np.log(loads), np.log(np.maximum(reps, 1))
    for shift in (-2, -1, 1, 2):
        if abs(shift) >= n:
            continue
        here = slice(max(-shift, 0), n - max(shift, 0))
        there = slice(max(shift, 0), n - max(-shift, 0))
        beside = sets.group[here] == sets.group[there]
        for other in (slice(0, 1), slice(None)):
            with np.errstate(invalid="ignore"):
                apart = np.abs(log_load[:, here] - log_load[other, there]) / 0.1
                apart += np.abs(log_reps[:, here] - log_reps[other, there]) / 0.3
            stands = beside & np.isfinite(apart)
            stands &= usable[there] if other.stop == 1 else gain[:, there] > 0
            nearest[:, here] = np.where(stands, np.minimum(nearest[:, here], apart), nearest[:, here])
    return nearest


def _sessions_in_pounds(sets: _Sorted, gain: Floats, known: Bools) -> Bools:
    """Sets of sessions that were logged in pounds from the first to the last.

    One voice an exercise, that of its most telling set, because sets of one exercise err together and
    warm-ups say little. Within such a session a set is left as logged only if it alone speaks clearly for
    kilograms.
    """
    voices = known & np.isfinite(gain)
    clipped = np.where(voices, np.clip(gain, -SESSION_VOICE, SESSION_VOICE), -SESSION_VOICE)
    voice = np.maximum.reduceat(clipped, sets.start)
    voice = np.where(np.logical_or.reduceat(voices, sets.start), voice, 0.0)
    session, place = np.unique(sets.session, return_inverse=True)
    total = np.bincount(place[sets.start], weights=voice, minlength=session.size)
    probable = LOG_PRIOR_SESSION_IN_POUNDS + total > DECISIVE
    return np.asarray(probable[place] & (sets.load > 0) & (~voices | (clipped > -SESSION_DISSENT)))


def _recurs(sets: _Sorted) -> Bools:
    """Sets whose very load stands in at least ``RECURRING`` other sessions of the exercise."""
    grams = np.round(np.nan_to_num(sets.load) * 1000).astype(np.int64).clip(0, 10**7)
    cell = sets.exercise * (10**7 + 1) + grams
    _, kind = np.unique(cell, return_inverse=True)
    visits = np.unique(kind * sets.start.size + sets.group) // sets.start.size
    return np.asarray(np.bincount(visits)[kind] > RECURRING)


def _empty_bar(sets: _Sorted) -> Bools:
    """First sets of an exercise with the bar alone and no rating: warm-ups, though ten times as much fits."""
    first = np.zeros(sets.load.size, dtype=bool)
    first[sets.start] = True
    bar = np.isclose(sets.load[:, None], EMPTY_BARS_KG, rtol=0, atol=0.1).any(axis=1)
    return np.asarray(first & bar & np.isnan(sets.rated))


def _low_side(sets: _Sorted) -> tuple[Floats, Floats]:
    """Scale of how far below its level each set may naturally lie, and where nothing natural is left."""
    hard = sets.rated <= 4
    scale = np.where(hard, LOW_SCALE_RATED, LOW_SCALE_EASY)
    following = np.zeros(sets.load.size)
    following[:-1] = np.where(np.diff(sets.group) == 0, sets.load[1:], 0.0)
    warming = ~hard & (following > sets.load) & (following <= WARM_UP_JUMP * sets.load)
    lenient = sets.warm_up | warming
    return np.where(lenient, LOW_SCALE_WARM_UP, scale), np.where(lenient, 3.0, LOW_FLOOR)


def _from_siblings(
    sets: _Sorted, logged: Floats, usable: Bools, centre: Floats, sd: Floats, fraction: Floats
) -> tuple[Floats, Floats, Floats]:
    """Where other sessions say nothing, at least three agreeing sets of the same session do."""
    orphans = np.unique(sets.group[np.isnan(centre)])
    if orphans.size == 0:
        return centre, sd, fraction
    centre, sd, fraction = centre.copy(), sd.copy(), fraction.copy()
    ends = np.append(sets.start[1:], sets.load.size)
    k = repmax.POPULATION_STEEPNESS
    for group in orphans:
        mine = slice(int(sets.start[group]), int(ends[group]))
        values = np.where(usable[mine] & ~sets.warm_up[mine], logged[mine], np.nan)
        for place in range(values.size):
            others = np.delete(values, place)
            others = others[np.isfinite(others)]
            middle = np.median(others) if others.size >= 3 else np.nan
            if others.size >= 3 and np.abs(others - middle).max() < 0.15:
                at = mine.start + place
                centre[at], sd[at] = middle, 0.15
                fraction[at] = 1 / (1 + (np.median(sets.reps[mine]) - 1) / k)
    return centre, sd, fraction


def _duplicates(log: SetLog, order: Ints) -> Bools:
    """Sets entered a second time, in the sorted order; of two copies the later row is the copy.

    Three ways of doing it are told from training. Set numbers that repeat with the same load, repetitions
    and rating. Where numbers say nothing: an exercise's sets of one day twice over in the same order, more
    than the lifter ever does of it. A whole session once more on the same day or the next. Straight sets
    in a session and the same prescription a week later are training.
    """
    by_row = np.lexsort((log.row, log.session, log.day, log.exercise))
    exercise, day, session = log.exercise[by_row], log.day[by_row], log.session[by_row]
    number = log.set_number[by_row]
    value = _mixed(
        np.round(np.nan_to_num(log.load_kg[by_row]) * 1000),
        log.reps[by_row],
        np.nan_to_num(log.rpe[by_row] * 2, nan=-1.0),
        log.warm_up[by_row],
        exercise,
    )
    copied = _repeated_numbers(_mixed(day, session), exercise, number, value)
    copied |= _twice_over(day, exercise, value)
    copied |= _sessions_again(day, session, value, np.isfinite(log.rpe[by_row]))
    result = np.zeros(day.size, dtype=bool)
    result[by_row] = copied
    return result[order]


def _mixed(*columns: NDArray[Any]) -> NDArray[np.uint64]:
    """One 64-bit fingerprint a row; equal rows have equal ones, and unequal ones practically never."""
    mixed = np.zeros(columns[0].size, dtype=np.uint64)
    for column in columns:
        mixed ^= column.astype(np.int64).astype(np.uint64) + np.uint64(0x9E3779B97F4A7C15)
        mixed *= np.uint64(0xBF58476D1CE4E5B9)
        mixed ^= mixed >> np.uint64(31)
    return mixed


def _starts(*sorted_columns: NDArray[Any]) -> Ints:
    new = np.ones(sorted_columns[0].size, dtype=bool)
    new[1:] = np.logical_or.reduce([column[1:] != column[:-1] for column in sorted_columns])
    return np.flatnonzero(new)


def _repeated_numbers(
    sitting: NDArray[np.uint64], exercise: Ints, number: Ints, value: NDArray[np.uint64]
) -> Bools:
    same = _mixed(sitting, number, value)
    _, first, place = np.unique(same, return_index=True, return_inverse=True)
    again: Bools = first[place] != np.arange(same.size)
    if not again.any():
        return again
    start = _starts(sitting, exercise)
    size = np.diff(np.append(start, same.size))
    # Numbers are numbers only if they tell a group's sets apart; half of them must come again.
    numbers = np.array([np.unique(number[s : s + n]).size for s, n in zip(start, size, strict=True)])
    copies = np.add.reduceat(again.astype(np.int64), start)
    certain = ((numbers > 1) | (size == 2)) & (2 * copies >= numbers)
    return np.asarray(again & np.repeat(certain, size))


def _twice_over(day: Ints, exercise: Ints, value: NDArray[np.uint64]) -> Bools:
    start = _starts(exercise, day)
    size = np.diff(np.append(start, day.size))
    half = size // 2
    within = np.arange(day.size) - np.repeat(start, size)
    long_half = np.repeat(half, size)
    partner = np.minimum(np.arange(day.size) + long_half, day.size - 1)
    differs = (within < long_half) & (value != value[partner])
    twice = (size % 2 == 0) & (half >= 2) & ~np.logical_or.reduceat(differs, start)
    for group in np.flatnonzero(twice):
        others = size[(exercise[start] == exercise[start[group]]) & (np.arange(start.size) != group)]
        varied = np.unique(value[start[group] : start[group] + half[group]]).size > 1
        twice[group] = varied and others.size >= 5 and size[group] > 1.5 * np.percentile(others, 95)
    second: Bools = np.repeat(twice, size) & (within >= long_half)
    return second


def _sessions_again(day: Ints, session: Ints, value: NDArray[np.uint64], rated: Bools) -> Bools:
    by_session = np.lexsort((np.arange(day.size), session, day))
    start = _starts(day[by_session], session[by_session])
    size = np.diff(np.append(start, day.size))
    within = np.arange(day.size) - np.repeat(start, size)
    print_ = np.add.reduceat(_mixed(value[by_session], within), start)
    on = day[by_session][start]
    alike = np.lexsort((on, print_))
    pair = (print_[alike][1:] == print_[alike][:-1]) & (np.diff(on[alike]) <= 1) & (size[alike][1:] >= 3)
    daily = bool(np.mean(np.isin(on - 1, on)) > USUALLY_DAILY)
    again = np.zeros(start.size, dtype=bool)
    for second in alike[1:][pair]:
        sets = by_session[start[second] : start[second] + size[second]]
        kinds = np.unique(value[sets]).size
        # Ratings that come out the same set by set are a copy; a prescription that does is a habit.
        rating_tells = kinds >= 3 and 2 * rated[sets].sum() >= size[second]
        again[second] = kinds >= 2 and (rating_tells or not daily)
    result = np.zeros(day.size, dtype=bool)
    result[by_session] = np.repeat(again, size)
    return result
