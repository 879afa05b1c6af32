"""Strength of a lifter over time, estimated from every set of every lift at once.

What a set says. Load and repetitions are exact; what errs is the reported reserve. With ``x`` the logarithm
of the 1RM of the day and ``k`` the steepness of the lifter's own curve (:func:`repmax.fraction_at`), a set of
``r`` repetitions at load ``w`` should leave ``1 + k (exp(x) / w - 1) - r`` repetitions; the lifter reports
that, less a bias of their own, with noise that grows with the reserve. All evidence is therefore linearised
in repetitions, at the *predicted* reserve: an e1RM computed from the reported reserve would carry the noise
into the curve, and weights chosen by the report would favour the sets that erred.

What is between the sets. Day form is one draw a session and lift. The path of the level is a Gaussian
process: a start, the lifter's own long-run slope, a slope that wanders and forgets (integrated
Ornstein-Uhlenbeck process), a random walk, and one common offset for each block, because a change of
emphasis shifts what is expressed. RPE bias, curve steepness (pooled over the lifter's lifts towards the
population) and the loss from set to set are constants, estimated jointly with all paths.

How it is computed. Sets are summed into sessions and weeks by exact marginalisation, so that 12 500 sets
become about 160 nodes a lift. The covariance of the nodes is factorised densely, all lifts in one call. The
factor is causal (row t only knows nodes up to t), which is what lets ``signals`` replay every past week.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import ArrayLike

from app.training import effort, inputs, repmax
from app.training.records import BlockSpan, Bools, Estimate, Floats, Ints, SetLog, Trend

Z90 = 1.6448536269514722  # two-sided 90 % of the normal distribution


@dataclass(frozen=True, slots=True)
class Priors:
    """Constants of the model. Logarithms of load are written as shares of strength. [1]"""

    bias_mean: float = 0.8  # [reps] true reserve - stated
    bias_sd: float = 0.6  # [reps] lifter to lifter
    bias_per_rep: float = 0.0  # [1] by repetition of the set, up to twelve
    bias_growth: float = 0.0  # [1] by stated repetition in reserve
    bias_lift_sd: float = 0.3  # [reps] lift to lift
    steepness_lifter_sd: float = 0.20  # [1] of ln k, shared by the lifter's lifts
    steepness_lift_sd: float = 0.18  # [1] of ln k, lift to lift
    drop: float = 0.17  # [1] ln(1RM / load) at six repetitions, see CURVE
    shape_mean: float = 0.68  # [1] q of the curve
    shape_sd: float = 0.13
    unfamiliar: float = 0.04  # [1] lost in work not done for long
    unfamiliar_sd: float = 0.015
    fatigue: float = 0.012  # [1] lost at twice the usual fatigue
    fatigue_sd: float = 0.006
    away: float = 0.012  # [1] lost by week away
    away_sd: float = 0.006
    single_sd: float = 0.012  # [1] of the level: from the fewest repetitions trained down to the single
    loss_mean: float = 0.01  # [1] strength lost a set
    loss_sd: float = 0.004
    report_sd: float = 0.8  # [reps] noise of a report at no reserve
    report_slope: float = 0.3  # [1] growth of that noise by repetition in reserve
    failure_mean: float = 0.6  # [reps] a set to failure lies between two whole repetitions
    failure_sd: float = 1.2
    barrier_sd: float = (
        0.4  # [reps] nobody does more repetitions than are possible, within the set's own form
    )
    miss_mean: float = 0.45
    miss_sd: float = 0.5
    failing: float = 0.6  # [1] share of reports of nothing left that are true, and of
    failing_if_fewer: float = 0.9  # [1] those with fewer repetitions than the set before
    set_sd: float = 0.016  # [1] luck of a set
    silent_reserve: float = 1.3  # [reps] a set without a report
    silent_lifter_sd: float = 1.0  # [reps] lifter to lifter
    silent_sd: float = 1.5  # [reps] session to session
    day_sd: float = 0.02  # [1] form of the day
    slope_mean: float = 0.0015  # [1/week] long-run
    slope_sd: float = 0.003
    wander_sd: float = 0.003  # [1/week] slope that comes and goes
    wander_weeks: float = 8.0
    walk_sd: float = 0.003  # [1/sqrt(week)]
    block_sd: float = 0.012  # [1] offset of a block
    start_sd: float = 0.3


PRIORS = Priors()


# Places of the constants in the joint estimate; the lifts' own steepness follows from LIFT on.
BIAS, STEEPNESS, LOSS, SHAPE, SILENCE, UNFAMILIAR, FATIGUE, AWAY, LIFT = range(9)
PIVOT_REPS = 6.0  # [reps] where the steepness is read, in the middle of what is trained
MOST_REPS = 40.0  # [reps]
SHAPE_BOUNDS = (0.05, 1.6)
MINIMUM_SESSIONS = 4
SPREAD_THAT_TEACHES = 0.2  # [1] of ln(repetitions + 1): about fives and eights in equal parts
WINDOW_DAYS = 1461  # [d] four years say all that can be said about today
ROBUST_FROM = 2.5  # [SD]
REPORT_HALF_STEP = 0.25  # [reps] reports come in halves


# What a row of evidence says about the reserve.
RATED = 0  # a count of repetitions, less the lifter's bias
FAILURE = 1  # the next repetition was tried and missed: the reserve lies between none and one
SILENT = 2  # nothing was reported
MISS = 6  # looks like a failure, but may be a lifter who stopped at what felt like one
CEILING = 3  # reported as nothing left: the report would have been zero or less
FLOOR = 4  # second row of the same set: nobody does more repetitions than are possible
EASY = 5  # so easy that the scale gives no count, only "at least"


@dataclass(frozen=True, slots=True)
class Evidence:
    """The sets that speak about strength, lifts numbered 0..L-1 in the order of ``exercises``."""

    exercises: Ints  # (L,) index into log.exercises
    lift: Ints  # (n,)
    day: Ints  # (n,)
    session: Ints  # (n,) dense number of the (lift, session) pair
    log_load: Floats  # (n,)
    reps: Floats  # (n,)
    stated: Floats  # (n,) [reps] reported reserve
    kind: Ints  # (n,) one of RATED, FAILURE, SILENT, CEILING, FLOOR, EASY, MISS
    fewer: Bools  # (n,) nothing left, and fewer repetitions than the set before at the same load
    inputs: tuple[inputs.LiftInputs, ...]  # (L,)
    session_input: Floats  # (s, 3)
    position: Floats  # (n,) working sets of this lift before this one in the session
    session_day: Ints  # (s,)
    session_lift: Ints  # (s,)


def moved_load(log: SetLog) -> Floats:
    """Load with the moved share of body mass. [kg], shape (n,)"""
    share = np.array([e.body_mass_share for e in log.exercises] or [0.0])[log.exercise]
    mass = log.body_mass_kg if math.isfinite(log.body_mass_kg) else 0.0
    return np.asarray(log.load_kg + share * mass)


def gather(log: SetLog, use: Bools) -> Evidence | None:
    """Sets that carry evidence on strength: working sets with load, the best set only of a silent session."""
    load = moved_load(log)
    keep = use & ~log.warm_up & (load > 0) & (log.reps > 0)
    if keep.any():
        keep &= log.day > log.day[keep].max() - WINDOW_DAYS
    pick = np.flatnonzero(keep)
    if not pick.size:
        return None
    pick = pick[
        np.lexsort(
            (log.row[pick], log.set_number[pick], log.session[pick], log.day[pick], log.exercise[pick])
        )
    ]
    exercise, day, reps = log.exercise[pick], log.day[pick], log.reps[pick].astype(float)
    key = exercise * (np.int64(log.session.max()) + 1) + log.session[pick]
    first = np.r_[True, (key[1:] != key[:-1]) | (day[1:] != day[:-1])]
    session = np.cumsum(first) - 1
    position = np.arange(pick.size) - np.flatnonzero(first)[session]
    rpe = log.rpe[pick]
    # Fewer repetitions than the set before at the same load, and nothing left: perhaps a miss.
    load_of = load[pick]
    after = np.r_[
        False, (session[1:] == session[:-1]) & (load_of[1:] == load_of[:-1]) & (reps[1:] < reps[:-1])
    ]
    failure = log.failed[pick]
    miss = (rpe >= 10) & after & ~failure
    silent = np.isnan(rpe) & ~failure
    # A silent session speaks through its best set alone, and only where nothing in it was rated.
    spoken = np.bincount(session, ~silent, session[-1] + 1) > 0
    strength = np.log(load[pick]) - np.log(repmax.fraction_at(reps))
    best = np.full(session[-1] + 1, -np.inf)
    np.maximum.at(best, session, strength)
    keep = ~silent | (~spoken[session] & (strength >= best[session]))
    again = np.zeros(pick.size, bool)  # of equal best sets the first
    ties = np.flatnonzero(silent & keep)
    again[ties[1:]] = session[ties[1:]] == session[ties[:-1]]
    keep &= ~again
    sessions_a_lift = np.bincount(exercise[first], minlength=len(log.exercises))
    enough = np.flatnonzero(sessions_a_lift >= MINIMUM_SESSIONS)
    number = np.full(len(log.exercises), -1)
    number[enough] = np.arange(enough.size)
    keep &= number[exercise] >= 0
    if not keep.any():
        return None
    kind = np.select(
        [failure, rpe >= 10, silent, rpe < effort.LOWEST_COUNTED_RPE], [FAILURE, CEILING, SILENT, EASY], RATED
    )
    twice = np.flatnonzero(keep & (kind == CEILING))
    rows = np.r_[np.flatnonzero(keep), twice, twice]
    session_keep, dense = np.unique(session[rows], return_inverse=True)
    starts = np.flatnonzero(first)[session_keep]
    states, session_input = [], np.zeros((session_keep.size, inputs.COUNT))
    session_exercise = exercise[first]
    for exercise_index in enough:
        here = np.flatnonzero(session_exercise == exercise_index)
        low, high = here[0], here[-1] + 1
        sets = np.flatnonzero(exercise == exercise_index)
        state = inputs.prepare(
            day[first][low:high], session[sets] - low, reps[sets], (reps * load[pick])[sets]
        )
        states.append(state)
        told = (session_keep >= low) & (session_keep < high)
        session_input[told] = inputs.at_sessions(state)[session_keep[told] - low]
    return Evidence(
        exercises=enough,
        inputs=tuple(states),
        session_input=session_input,
        lift=number[exercise[rows]],
        day=day[rows],
        session=dense,
        log_load=np.log(load[pick][rows]),
        reps=reps[rows],
        stated=np.where(
            np.isin(kind, (RATED, EASY)), np.minimum(10 - rpe, 10 - effort.LOWEST_COUNTED_RPE), 0.0
        )[rows],
        kind=np.r_[kind[keep], np.full(twice.size, FLOOR), np.full(twice.size, MISS)],
        fewer=miss[rows],
        position=position[rows].astype(float),
        session_day=day[starts],
        session_lift=number[exercise[starts]],
    )


@dataclass(frozen=True, slots=True)
class Fit:
    """Joint posterior of all lifts: what the trend, the forecast and the signals are read from."""

    evidence: Evidence
    priors: Priors
    origin: int  # [d] day zero of the nodes' clock
    time: Floats  # (L, n) [weeks] nodes, padded
    used: Bools  # (L, n)
    block: Ints  # (L, n) number of the block
    y: Floats  # (L, n) node's log-level at the constants' posterior mean
    noise: Floats  # (L, n) its variance
    design: Floats  # (L, n, p)
    factor: Floats  # (L, n, n) inverse of the Cholesky factor of the nodes' covariance
    centre: Floats  # (L,) prior mean of the level at time zero
    theta: Floats  # (p,)
    theta_cov: Floats  # (p, p)
    session_x: Floats  # (s,) [1] session's own log e1RM
    residual: Floats  # (n_sets,) standardised
    log_likelihood: float
    spans: tuple[BlockSpan, ...]


def block_of(day: Ints, spans: Sequence[BlockSpan]) -> Ints:
    """Number of the block a day lies in; days outside any block count to the gap they lie in. [1]"""
    if not spans:
        return np.zeros(np.shape(day), np.int64)
    edges = np.array(sorted({s.start for s in spans} | {s.end + 1 for s in spans}))
    return np.searchsorted(edges, day, side="right")


def covariance(s: Floats, t: Floats, block_s: Ints, block_t: Ints, p: Priors) -> Floats:
    """Prior covariance of the level between two sets of times. [1]

    ``s`` is (L, n) and ``t`` (L, m), weeks since the origin; the result is (L, n, m). The wandering slope
    is a stationary Ornstein-Uhlenbeck process, integrated (closed form of its covariance).
    """
    a, b = s[:, :, None], t[:, None, :]
    low, tau = np.minimum(a, b), p.wander_weeks
    decay_s, decay_t = np.exp(-s / tau)[:, :, None], np.exp(-t / tau)[:, None, :]
    wander = 2 * low / tau - 1 + decay_s + decay_t - np.exp(-np.abs(a - b) / tau)
    total = p.start_sd**2 + p.slope_sd**2 * (a * b) + p.walk_sd**2 * low + (p.wander_sd * tau) ** 2 * wander
    total += p.block_sd**2 * (block_s[:, :, None] == block_t[:, None, :])
    return np.asarray(total)


def _first_guess(e: Evidence, lifts: int, week: Ints, p: Priors) -> Floats:
    """Robust start: the running median of e1RMs, from many sets and never from one."""
    typical = np.array([0.0, p.failure_mean, p.silent_reserve, 0.0, 0.0, 0.0, p.miss_mean])
    typical[[RATED, CEILING, FLOOR, EASY]] = p.bias_mean, p.failure_mean, p.failure_mean, p.bias_mean
    stated = e.stated + typical[e.kind]
    x = e.log_load - np.log(repmax.fraction_at(e.reps + stated))
    guess = np.empty_like(x)
    for lift in range(lifts):
        mine = np.flatnonzero(e.lift == lift)
        by_day = mine[np.argsort(e.day[mine], kind="stable")]
        size = max(9, min(41, by_day.size // 4)) | 1
        half = min(size, by_day.size) // 2
        padded = np.pad(x[by_day], half, mode="edge")
        windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
        guess[by_day] = np.median(windows[: by_day.size], axis=1)
    return guess


def normal_cdf(z: Floats) -> Floats:
    """Standard normal distribution function by Page's logistic form (1977), absolute error below 2e-4."""
    return np.asarray(1 / (1 + np.exp(-np.clip(1.5976 * z + 0.070566 * z**3, -700, 700))))


def _bounded(room: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Newton step of log Phi(room / sd): residual and precision of the equivalent Gaussian observation.

    ``room`` is how far the prediction lies on the good side of the bound; the residual points away from it.
    """
    a = np.clip(room / sd, -8.0, 8.0)
    # Mills ratio; below -3 its asymptotic series, where the cheap distribution function is not good enough.
    density = np.exp(-0.5 * a * a) / math.sqrt(2 * math.pi)
    mills = np.where(a < -3.0, -a - 1 / np.minimum(a, -1.0), density / np.maximum(normal_cdf(a), 1e-9))
    curvature = np.clip(mills * (mills + a), 1e-6, 1.0)
    return -sd * mills / curvature, curvature / np.square(sd)


def _bend(reps: ArrayLike, q: float) -> Floats:
    """(r^q - 1) / q: linear at q = 1, a logarithm towards q = 0."""
    return np.asarray((np.power(reps, q) - 1) / q)


def _log_bend_by_shape(reps: ArrayLike, q: float) -> Floats:
    """Derivative of ln((r^q - 1) / q) by q; (ln r) / 2 is its limit at one repetition."""
    log_reps = np.log(np.maximum(reps, 1.0 + 1e-6))
    power = np.exp(q * log_reps)
    return np.asarray(power * log_reps / (power - 1) - 1 / q)


def fit(
    log: SetLog, use: Bools, spans: Sequence[BlockSpan], priors: Priors = PRIORS, rounds: int = 4
) -> Fit | None:
    """Joint maximum a posteriori fit of all lifts with enough data; None when there is none."""
    e = gather(log, use)
    if e is None:
        return None
    p, lifts = priors, e.exercises.size
    # Weeks are counted from the lifter's first day ever, so that they do not move as time goes on.
    first_day = int(log.day.min())
    origin = first_day + 7 * int((e.day.min() - first_day) // 7)
    # Nodes: one for a lift and week of the lifter's own clock, split where a block begins.
    sb = block_of(e.session_day, spans)
    week = (e.session_day - origin) // 7
    node_key = (e.session_lift * 4096 + week) * 4096 + sb
    keys, node_of_session = np.unique(node_key, return_inverse=True)
    node_lift = keys // (4096 * 4096)
    first_node = np.searchsorted(node_lift, np.arange(lifts))
    counts = np.bincount(node_lift, minlength=lifts)
    width = int(counts.max())
    column = np.arange(keys.size) - first_node[node_lift]
    used = np.zeros((lifts, width), bool)
    used[node_lift, column] = True
    node_time = np.bincount(node_of_session, e.session_day - origin) / np.bincount(node_of_session) / 7
    time = np.zeros((lifts, width))
    time[node_lift, column] = node_time
    time = np.where(used, time, time.max(axis=1, keepdims=True))
    block = np.full((lifts, width), -1)
    block[node_lift, column] = keys % 4096
    prior_mean = np.r_[
        p.bias_mean,
        0.0,
        p.loss_mean,
        p.shape_mean,
        p.silent_reserve,
        -p.unfamiliar,
        -p.fatigue,
        -p.away,
        np.zeros(2 * lifts),
    ]
    prior_sd = np.r_[
        p.bias_sd,
        p.steepness_lifter_sd,
        p.loss_sd,
        p.shape_sd,
        p.silent_lifter_sd,
        p.unfamiliar_sd,
        p.fatigue_sd,
        p.away_sd,
    ]
    own_sd = np.r_[np.full(lifts, p.steepness_lift_sd), np.full(lifts, p.bias_lift_sd)]
    prior_precision = np.r_[prior_sd, own_sd] ** -2.0
    size = LIFT + 2 * lifts
    theta = prior_mean.copy()
    sessions = e.session_day.size
    x = _first_guess(e, lifts, week, p)
    cov = covariance(time, time, block, block, p)
    session_weight = np.ones(sessions)
    reported = np.isin(e.kind, (RATED, CEILING, EASY))
    silent = e.kind == SILENT
    shift = np.array([0, p.failure_mean, p.silent_reserve, 0, 0, 0, p.miss_mean])[e.kind]
    spread = np.array([1, p.failure_sd, p.silent_sd, 1, p.barrier_sd, 1, p.miss_sd])[e.kind]
    bound = np.flatnonzero(np.isin(e.kind, (CEILING, FLOOR, EASY)))
    # The side on which nothing is lost, and the half step to which reports are rounded.
    sign = np.array([0, 0, 0, 1.0, -1.0, -1.0, 0])[e.kind]
    step = np.array([0, 0, 0, REPORT_HALF_STEP, 0, -REPORT_HALF_STEP, 0])[e.kind]
    ceiling, missed = np.flatnonzero(e.kind == CEILING), np.flatnonzero(e.kind == MISS)
    failing = np.where(e.fewer, p.failing_if_fewer, p.failing)[ceiling]
    longer = p.bias_per_rep * (np.minimum(e.reps, 12.0) - PIVOT_REPS)
    log_likelihood = math.nan
    for _ in range(rounds):
        q = float(theta[SHAPE])
        unit = np.exp(theta[STEEPNESS] + theta[LIFT + e.lift]) * p.drop / _bend(PIVOT_REPS, q)
        drop = x - theta[LOSS] * e.position - e.log_load  # ln(1RM / load)
        possible = np.where(
            drop > 0,
            np.minimum(np.maximum(1 + q * drop / unit, 1.0) ** (1 / q), MOST_REPS),
            1 + drop / unit,
        )
        left = possible - e.reps
        bias = theta[BIAS] + theta[LIFT + lifts + e.lift] + longer
        slope = np.maximum(possible, 1.0) ** (1 - q) / unit  # d(left) / dx
        # The noise is chosen by the predicted reserve, never by the reported one.
        stretch = np.where(reported & (left > bias), 1 + p.bias_growth, 1.0)
        expected = left - np.where(reported, bias, np.where(silent, theta[SILENCE], shift))
        report_sd = p.report_sd + p.report_slope * np.clip(left - bias, 0, 8)
        sd = np.hypot(np.where(reported, report_sd, spread), slope * p.set_sd)
        expected /= stretch
        slope /= stretch
        r = e.stated - expected
        u = r / np.sqrt(sd**2 + (slope * p.day_sd) ** 2)
        curvature = (
            np.where(np.abs(u) > ROBUST_FROM, (ROBUST_FROM / np.maximum(np.abs(u), 1e-9)) ** 2, 1.0) / sd**2
        )
        # Bounds enter as the Newton step of their normal probability.
        r[bound], curvature[bound] = _bounded(sign[bound] * (r[bound] + step[bound]), sd[bound])
        r[bound] *= sign[bound]
        # Nothing left was either felt too early or true: share each such set between the two readings.
        failed = failing * normal_cdf((1.0 - left[ceiling]) / 0.5)
        felt = (1 - failed) * normal_cdf((REPORT_HALF_STEP - left[ceiling] + bias[ceiling]) / sd[ceiling])
        felt /= felt + failed
        curvature[ceiling] *= felt
        curvature[missed] *= 1 - felt
        precision = slope**2 * curvature
        jac = np.zeros((e.day.size, size))
        jac[:, BIAS] = np.where(reported, -1 / (slope * stretch), 0.0)
        jac[:, SILENCE] = np.where(silent, -1 / slope, 0.0)
        jac[:, STEEPNESS] = -drop
        jac[:, LOSS] = -e.position
        jac[:, SHAPE] = -drop * (
            _log_bend_by_shape(np.maximum(possible, 1.0), q) - _log_bend_by_shape(PIVOT_REPS, q)
        )
        jac[np.arange(e.day.size), LIFT + e.lift] = jac[:, STEEPNESS]
        jac[np.arange(e.day.size), LIFT + lifts + e.lift] = jac[:, BIAS]
        # Pseudo-observation of the session's log-level, linear in the constants.
        y = x + r / slope + jac @ theta  # without the inputs, which belong to the level
        info = np.bincount(e.session, precision, sessions)
        ys = np.bincount(e.session, precision * y, sessions) / info
        ds = (
            np.stack([np.bincount(e.session, precision * jac[:, c], sessions) for c in range(size)], axis=1)
            / info[:, None]
        )
        ds[:, UNFAMILIAR : AWAY + 1] = e.session_input
        dy, dj = y - ys[e.session], jac - ds[e.session]
        dj[:, UNFAMILIAR : AWAY + 1] = 0.0
        hess = np.diag(prior_precision) + (dj * precision[:, None]).T @ dj
        grad = prior_precision * prior_mean + dj.T @ (precision * dy)
        # Sessions into nodes: day form is drawn once a session.
        session_precision = session_weight / (1 / info + p.day_sd**2)
        node_info = np.bincount(node_of_session, session_precision)
        yn = np.bincount(node_of_session, session_precision * ys) / node_info
        dn = (
            np.stack(
                [np.bincount(node_of_session, session_precision * ds[:, c]) for c in range(size)], axis=1
            )
            / node_info[:, None]
        )
        dy, dj = ys - yn[node_of_session], ds - dn[node_of_session]
        hess += (dj * session_precision[:, None]).T @ dj
        grad += dj.T @ (session_precision * dy)
        Y, D, R = np.zeros((lifts, width)), np.zeros((lifts, width, size)), np.full((lifts, width), 1e6)
        Y[node_lift, column], D[node_lift, column], R[node_lift, column] = yn, dn, 1 / node_info
        centre = (
            np.array([np.median(x[e.lift == lift]) for lift in range(lifts)])
            - p.slope_mean * time.max(axis=1) / 2
        )
        mean = np.where(used, centre[:, None] + p.slope_mean * time, 0.0)
        V = cov + np.eye(width) * R[:, None, :]
        chol = np.linalg.cholesky(V)
        factor = np.linalg.inv(chol)
        white = factor @ np.concatenate([(Y - mean)[:, :, None], D], axis=2)
        wy, wd = white[:, :, 0], white[:, :, 1:]
        hess += np.einsum("lnp,lnq->pq", wd, wd)
        grad += np.einsum("lnp,ln->p", wd, wy)
        theta_cov = np.linalg.inv(hess)
        theta = theta_cov @ grad
        theta[SHAPE] = np.clip(theta[SHAPE], *SHAPE_BOUNDS)
        # Smoothed level at the nodes, back to the sets for the next linearisation.
        resid = wy - wd @ theta
        alpha = np.swapaxes(factor, 1, 2) @ resid[:, :, None]
        level = mean + (cov @ alpha)[:, :, 0]
        node_level = level[node_lift, column]
        x_node = node_level[node_of_session] + e.session_input @ theta[UNFAMILIAR : AWAY + 1]
        own = ys - ds @ theta + e.session_input @ theta[UNFAMILIAR : AWAY + 1]
        own_resid = own - x_node
        # The session's own draw, shrunk by the information it carries, is where its sets are linearised.
        form = own_resid * p.day_sd**2 / (p.day_sd**2 + 1 / info)
        u_session = own_resid / np.sqrt(1 / info + p.day_sd**2)
        session_weight = np.where(
            np.abs(u_session) > ROBUST_FROM, (ROBUST_FROM / np.maximum(np.abs(u_session), 1e-9)) ** 2, 1.0
        )
        x = (x_node + form)[e.session]
        log_det = 2 * np.log(np.where(used, np.diagonal(chol, axis1=1, axis2=2), 1.0)).sum()
        log_likelihood = float(-0.5 * (log_det + (resid**2).sum()))
    # One rep range alone cannot tell a steep curve from a strong lifter, whatever the algebra says: the
    # reports within it differ by noise and mood. What is not learnt there is not claimed.
    theta_cov[np.arange(lifts) + LIFT, np.arange(lifts) + LIFT] += _unlearnt(e, p)
    return Fit(
        evidence=e,
        priors=p,
        origin=origin,
        time=time,
        used=used,
        block=block,
        y=Y - D @ theta,
        noise=R,
        design=D,
        factor=factor,
        centre=centre,
        theta=theta,
        theta_cov=theta_cov,
        session_x=own,
        residual=u,
        log_likelihood=log_likelihood,
        spans=tuple(spans),
    )


def _kind_at(spans: Sequence[BlockSpan], day: int) -> str:
    return next((span.kind for span in reversed(spans) if span.start <= day <= span.end), "")


def _unlearnt(e: Evidence, p: Priors) -> Floats:
    """Variance of each lift's ln steepness that must remain for want of different rep ranges, shape (L,)."""
    lifts, told = e.exercises.size, np.log(e.reps + 1.0)
    count = np.bincount(e.lift, minlength=lifts)
    mean = np.bincount(e.lift, told, lifts) / count
    spread = np.sqrt(np.bincount(e.lift, (told - mean[e.lift]) ** 2, lifts) / count)
    share = np.clip(1 - spread / SPREAD_THAT_TEACHES, 0.0, 1.0)
    return np.asarray((0.7 * share) ** 2 * (p.steepness_lifter_sd**2 + p.steepness_lift_sd**2))


def predict(
    f: Fit, lift: int, day: Ints, block: Ints | None = None, known: inputs.LiftInputs | None = None
) -> tuple[Floats, Floats]:
    """Posterior mean and covariance of one lift's log-level at given days. (m,), (m, m)

    ``known`` are the lift's sessions, with planned ones where days to come are asked for.
    """
    t = ((np.asarray(day, float) - f.origin) / 7)[None]
    b = block_of(np.asarray(day), f.spans)[None] if block is None else block[None]
    node = slice(lift, lift + 1)
    cross = covariance(t, f.time[node], b, f.block[node], f.priors)[0]
    own = covariance(t, t, b, b, f.priors)[0]
    factor = f.factor[lift]
    mean_n = np.where(f.used[lift], f.centre[lift] + f.priors.slope_mean * f.time[lift], 0.0)
    gain = cross @ factor.T  # (m, n)
    mean = (
        f.centre[lift]
        + f.priors.slope_mean * t[0]
        + gain @ (factor @ np.where(f.used[lift], f.y[lift] - mean_n, 0.0))
    )
    told = inputs.at_days(f.evidence.inputs[lift] if known is None else known, np.asarray(day))
    mean = mean + told @ f.theta[UNFAMILIAR : AWAY + 1]
    lever = -gain @ (factor @ f.design[lift])
    lever[:, UNFAMILIAR : AWAY + 1] += told
    return mean, own - gain @ gain.T + lever @ f.theta_cov @ lever.T + f.priors.single_sd**2


FORECAST_WEEKS = 12
FORECAST_OWN = 0.65
"""[1] Share of the lifter's own departure from the usual gain that a forecast carries on: gains slow down, and
an estimated slope is in part noise."""
FORECAST_PLAN = 0.5  # [1] share of what the planned change of work would do: plans change too
SLOPE_WEEKS = 6
SLOPE_EVIDENCE_WEEKS = 16.0
SLOPE_WANDER_SD = 0.005  # [1/week] how fast a slope that is not known to be anything may change


def read(f: Fit, lift: int, as_of: int) -> Trend:
    """The trend of one lift as records, on a weekly grid that ends on the as-of day."""
    e = f.evidence
    mine = e.session_lift == lift
    first = int(e.session_day[mine].min())
    past = np.arange(as_of, first - 1, -7, dtype=np.int64)[::-1]
    future = as_of + 7 * np.arange(1, FORECAST_WEEKS + 1, dtype=np.int64)
    day = np.r_[past, future]
    trained_on = inputs.extend(e.inputs[lift], int(future[-1]) + 1, partial(_kind_at, f.spans))
    mean, cov = predict(f, lift, day, block_of(day, f.spans), trained_on)
    sd = np.sqrt(np.maximum(np.diag(cov), 1e-12))
    now = past.size - 1
    told = inputs.at_days(trained_on, day[now:]) @ f.theta[UNFAMILIAR : AWAY + 1]
    planned = told[1:] - told[0]
    path = mean[now + 1 :] - mean[now] - planned
    usual = f.priors.slope_mean * np.arange(1, FORECAST_WEEKS + 1)
    mean[now + 1 :] = mean[now] + usual + FORECAST_OWN * (path - usual) + FORECAST_PLAN * planned
    kg = np.exp(mean)
    slope, slope_sd = recent_slope(f, lift, as_of)
    used = e.lift == lift
    k = reps_per_fraction(f, lift)
    return Trend(
        e1rm=Estimate(
            float(kg[now]),
            float(kg[now] * math.exp(-Z90 * sd[now])),
            float(kg[now] * math.exp(Z90 * sd[now])),
        ),
        slope_pct_per_week=Estimate(
            100 * slope, 100 * (slope - Z90 * slope_sd), 100 * (slope + Z90 * slope_sd)
        ),
        probability_rising=float(normal_cdf(np.array(slope / slope_sd))),
        day=past,
        level_kg=kg[: now + 1],
        sd_kg=(kg * sd)[: now + 1],
        point_day=e.session_day[mine],
        point_kg=np.exp(f.session_x[mine]),
        forecast_day=future,
        forecast_kg=kg[now + 1 :],
        forecast_sd_kg=(kg * sd)[now + 1 :],
        sets_used=int((used & ~np.isin(e.kind, (FLOOR, MISS))).sum()),
        sessions_used=int(mine.sum()),
        curve_reps_per_fraction=k,
        curve_known=curve_known(f, lift),
    )


def recent_slope(f: Fit, lift: int, as_of: int) -> tuple[float, float]:
    """Slope of the strength expressed, a line through the last six weeks, and its SD. [1/week]

    It is estimated from the last sixteen weeks alone and shrunk towards no change, not towards the lifter's
    own long-run gain, so that years of progress do not hide a standstill.
    """
    p = replace(f.priors, slope_mean=0.0, slope_sd=0.0, wander_sd=SLOPE_WANDER_SD)
    n = int(f.used[lift].sum())
    now = (as_of - f.origin) / 7
    low = min(int(np.searchsorted(f.time[lift, :n], now - SLOPE_EVIDENCE_WEEKS)), max(n - 3, 0))
    start = f.time[lift, low]
    t, block, noise = f.time[lift, low:n] - start, f.block[lift, low:n], f.noise[lift, low:n]
    day = as_of - 7 * np.arange(SLOPE_WEEKS, -1, -1, dtype=np.int64)
    asked, asked_block = np.maximum((day - f.origin) / 7 - start, 0.0), block_of(day, f.spans)
    factor = np.linalg.inv(
        np.linalg.cholesky(covariance(t[None], t[None], block[None], block[None], p)[0] + np.diag(noise))
    )
    y = f.y[lift, low:n]
    gain = covariance(asked[None], t[None], asked_block[None], block[None], p)[0] @ factor.T
    told = inputs.at_days(f.evidence.inputs[lift], day)
    lever = -gain @ (factor @ f.design[lift, low:n])
    lever[:, UNFAMILIAR : AWAY + 1] += told
    mean = gain @ (factor @ (y - np.median(y))) + told @ f.theta[UNFAMILIAR : AWAY + 1]
    cov = covariance(asked[None], asked[None], asked_block[None], asked_block[None], p)[0] - gain @ gain.T
    cov += lever @ f.theta_cov @ lever.T
    line = np.arange(day.size) - (day.size - 1) / 2
    line /= line @ line
    return float(line @ mean), math.sqrt(max(float(line @ cov @ line), 1e-12))


def reps_per_fraction(f: Fit, lift: int) -> float:
    """Steepness of the hyperbola that meets the lifter's curve where the lift is trained. [reps]"""
    e = f.evidence
    typical = float(np.clip(np.median((e.reps + e.stated)[e.lift == lift]) + 1, 3.0, 12.0))
    q = float(f.theta[SHAPE])
    drop = math.exp(f.theta[STEEPNESS] + f.theta[LIFT + lift]) * f.priors.drop
    fraction = math.exp(-drop * float(_bend(typical, q) / _bend(PIVOT_REPS, q)))
    return float(repmax.steepness_from(fraction, typical))


def curve_known(f: Fit, lift: int) -> bool:
    """True when the lift's own sets narrowed the curve to at most 0.7 of the prior spread of ln k."""
    p = f.priors
    pick = np.zeros(f.theta.size)
    pick[STEEPNESS] = pick[LIFT + lift] = 1.0
    spread = math.sqrt(float(pick @ f.theta_cov @ pick))
    return spread <= 0.7 * math.hypot(p.steepness_lifter_sd, p.steepness_lift_sd)


def missing_because(log: SetLog, exercise: int) -> str:
    """Why a lift has no trend, as a sentence's end."""
    mine = (log.exercise == exercise) & ~log.warm_up
    if not (moved_load(log)[mine] > 0).any():
        return "needs a load, or the lifter's body mass"
    more = max(MINIMUM_SESSIONS - np.unique(log.session[mine]).size, 1)
    return f"needs {more} more session{'s' if more > 1 else ''}"
