"""Strength of a lifter over time, estimated from every set of every lift at once.

What a set says. Load and repetitions are exact; what errs is the reported reserve. With ``x`` the logarithm
of the 1RM of the day, a set of ``r`` repetitions at load ``w`` should leave ``N(x - ln w) - r`` repetitions,
where ``N`` is the lifter's own load-repetition curve; the lifter reports that, less a bias of their own, with
noise that grows with the reserve. All evidence is therefore linearised in repetitions, at the *predicted*
reserve: an e1RM computed from the reported reserve would carry the noise into the curve, and weights chosen
by the report would favour the sets that erred.

The curve. ``ln(1RM / w) = unit (r^q - 1) / q``: a logarithm of repetitions (Lombardi's form) at q = 0, an
exponential at q = 1, and close to the hyperbolae (Epley's, Brzycki's) between. The published equations
disagree in q as much as in steepness, so both are estimated.

What is between the sets. Day form is one draw a session and lift. The path of the level is a Gaussian
process: a start, the lifter's own long-run slope, a slope that wanders and forgets (integrated
Ornstein-Uhlenbeck process), a random walk, and one common offset for each block, because a change of
emphasis shifts what is expressed. What recent work does (:mod:`inputs`) is added with sizes to be estimated.
RPE bias, curve and the loss from set to set are constants, estimated jointly with all paths and pooled over
the lifter's lifts towards the population.

How it is computed. Sets are summed into sessions, and sessions into nodes of weeks, by exact
marginalisation, so that 12 500 sets become about a hundred nodes a lift; the covariance of the nodes is
factorised densely, all lifts in one call. Reports and bounds that are not Gaussian enter as Newton steps.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from app.training import inputs, pooling, repmax
from app.training.evidence import CEILING, EASY, FAILURE, FLOOR, MISS, RATED, SILENT, Evidence, gather
from app.training.records import BLOCK_KINDS, BlockSpan, Bools, Estimate, Floats, Ints, SetLog, Trend

Z90 = 1.6448536269514722  # two-sided 90 % of the normal distribution


@dataclass(frozen=True, slots=True)
class Priors:
    """Constants of the model. Logarithms of load are written as shares of strength. [1]"""

    # Effort: shared/effort_accuracy.csv (pooled under-prediction 0.95 repetitions, about one near failure).
    bias_mean: float = 0.8  # [reps] true reserve - stated
    bias_sd: float = 0.6  # [reps] lifter to lifter
    bias_lift_sd: float = 0.3  # [reps] lift to lift
    report_sd: float = 0.8  # [reps] noise of a report at no reserve
    report_slope: float = 0.3  # [1] growth of that noise by repetition in reserve
    failure_mean: float = (
        0.7  # [reps] a failure lies between two whole repetitions, and is chosen by bad luck
    )
    failure_sd: float = 1.2
    miss_mean: float = 0.55
    miss_sd: float = 0.6
    failing: float = 0.4  # [1] share of reports of nothing left that are true, and of
    failing_if_fewer: float = 0.9  # [1] those with fewer repetitions than the set before
    barrier_sd: float = 0.5  # [reps] nobody does more repetitions than are possible, within the set's luck
    silent_reserve: float = 1.6  # [reps] best set of a session without a report
    silent_lifter_sd: float = 1.0  # [reps] lifter to lifter
    silent_sd: float = 1.5  # [reps] session to session
    # Curve: between the published equations, which at six repetitions drop the load by 0.11 to 0.20
    # (shared/repetition_equations.csv), spread between lifters as in repmax.STEEPNESS_LOG_SD.
    drop: float = 0.17  # [1] ln(1RM / load) at six repetitions
    steepness_lifter_sd: float = 0.19  # [1] of its logarithm, shared by the lifter's lifts
    steepness_lift_sd: float = 0.15  # [1] lift to lift
    shape_mean: float = 0.68  # [1] q
    shape_sd: float = 0.14
    shape_tail: float = 3.0  # degrees of freedom: a lifter far from the usual form is soon believed
    single_sd: float = 0.005  # [1] of the level: from the fewest repetitions trained down to the single
    # Within and between sessions: a 1RM repeats to 4.2 % in the median study, better in many (Grgic 2020).
    loss_mean: float = 0.010  # [1] strength lost a set
    loss_sd: float = 0.003
    set_sd: float = 0.020  # [1] luck of a set
    day_sd: float = 0.020  # [1] form of the day
    # Recent work.
    unfamiliar: float = 0.040  # [1] lost in work not done for long
    unfamiliar_sd: float = 0.015
    fatigue: float = 0.012  # [1] lost at twice the usual fatigue
    fatigue_sd: float = 0.006
    away: float = 0.012  # [1] lost by week away
    away_sd: float = 0.006
    # Path: competing lifters gain 0.9 to 1.2 % in their first 30 days (shared/strength_gain_rates.csv).
    start_sd: float = 0.3
    slope_mean: float = 0.0015  # [1/week] long-run
    slope_sd: float = 0.003
    wander_sd: float = 0.003  # [1/week] slope that comes and goes
    wander_weeks: float = 8.0
    walk_sd: float = 0.003  # [1/sqrt(week)]
    block_sd: float = 0.012  # [1] offset of a block


PRIORS = Priors()
# Places of the constants in the joint estimate; after them each lift's own steepness, then each one's bias.
BIAS, STEEPNESS, LOSS, SHAPE, SILENCE, UNFAMILIAR, FATIGUE, AWAY = range(8)
COMMON, OF_SET = 8, 5  # constants of the lifter, and those among them that act on single sets
PIVOT_REPS = 6.0  # [reps] where the steepness is read, in the middle of what is trained
MOST_REPS = 40.0  # [reps]
SHAPE_BOUNDS = (0.05, 1.6)
SPREAD_THAT_TEACHES = 0.2  # [1] of ln(repetitions + 1): about fives and eights in equal parts
ROBUST_FROM = 2.5  # [SD]
RESTLESS = 4.0  # [1] times as fast as usual a lift's level moves where its sessions insist
RESTLESS_ODDS = 2.0  # [1] log of the likelihood ratio it takes: one lift in eight may be so
REPORT_HALF_STEP = 0.25  # [reps] reports come in halves
WEEKLY_WEEKS = 40  # back to here a node is a week, before it four: old work says little about now
ROUNDS = 3
TOGETHER = 4000  # [rows] of evidence computed at once
TAIL_STEPS = 6  # of the weight of the shape's prior, each by one small solution

FORECAST_WEEKS = 12
FORECAST_OWN = 0.5
"""[1] Share of the lifter's own departure from the usual gain that a forecast carries on: gains slow down,
and an estimated slope is in part noise."""
FORECAST_PLAN = 0.7  # [1] share of what the planned change of work would do: plans change too
SLOPE_WEEKS = 6
CHANGE_WEEKS = 54  # [weeks] back to which the error of a change of level is kept: a year, and the week begun
SLOPE_EVIDENCE_WEEKS = 16.0
SLOPE_WANDER_SD = 0.004  # [1/week] how fast a slope that is not known to be anything may change
SLOPE_BLOCK_SD = 0.005  # [1] and an offset of a block: a smaller one, for what is expressed is asked about
NO_NEWS = 1e6  # variance of what says nothing


@dataclass(frozen=True)
class Fit:
    """Joint posterior of all lifts: what the trend, the forecast and the signals are read from.

    Nodes are padded to the same number a lift, n; padded ones carry no information.
    """

    evidence: Evidence
    priors: Priors
    spans: tuple[BlockSpan, ...]
    origin: int  # [d] day zero of the nodes' clock
    count: Ints  # (L,) nodes of each lift
    time: Floats  # (L, n) [weeks]
    block: Ints  # (L, n) number of the block
    centre: Floats  # (L,) prior mean of the level at time zero
    level: Floats  # (L, n) node's log-level at the constants' posterior mean, inputs taken out
    noise: Floats  # (L, n) its variance
    design: Floats  # (L, n, 8) what the constants do to it
    precision: Floats  # (L, n, n) inverse of the nodes' covariance
    theta: Floats  # (p,)
    theta_cov: Floats  # (p, p)
    session_x: Floats  # (s,) session's own log-level by the lifter's curve
    restless: Floats  # (L,) times as fast as usual the level moves

    def constants(self, lift: int) -> tuple[Floats, Floats]:
        """The eight constants as they apply to one lift: mean, shape (8,), and covariance, shape (8, 8)."""
        mean, spread = self.each_constants
        return mean[lift], spread[lift]

    @cached_property
    def each_constants(self) -> tuple[Floats, Floats]:
        """The same of every lift: shapes (L, 8) and (L, 8, 8)."""
        own = _own(self.count.size)
        return own @ self.theta, own @ self.theta_cov @ np.swapaxes(own, 1, 2)

    @cached_property
    def told(self) -> Bools:
        """Which nodes are no padding, shape (L, n)."""
        return np.arange(self.time.shape[1]) < self.count[:, None]

    @cached_property
    def weights(self) -> Floats:
        """Precision times (level less prior mean, design), shape (L, n, 9)."""
        rest = np.where(
            self.told, self.level - self.centre[:, None] - self.priors.slope_mean * self.time, 0.0
        )
        return np.asarray(self.precision @ np.concatenate([rest[:, :, None], self.design], axis=2))


def _own(lifts: int) -> Floats:
    """Matrices that turn all constants into the eight of each lift, shape (L, 8, p)."""
    own = np.tile(np.eye(COMMON, COMMON + 2 * lifts), (lifts, 1, 1))
    each = np.arange(lifts)
    own[each, STEEPNESS, COMMON + each] = own[each, BIAS, COMMON + lifts + each] = 1.0
    return own


def block_of(day: Ints, spans: Sequence[BlockSpan]) -> Ints:
    """Number of the block a day lies in; days outside any block count to the gap they lie in. [1]"""
    if not spans:
        return np.zeros(np.shape(day), np.int64)
    edges = np.array(sorted({s.start for s in spans} | {s.end + 1 for s in spans}))
    return np.searchsorted(edges, day, side="right")


def kind_of(day: Ints, spans: Sequence[BlockSpan]) -> Ints:
    """Place in ``BLOCK_KINDS`` of the kind of block each day lies in, -1 outside of blocks.

    ``spans`` are in order of their start; of overlapping blocks the latest begun counts.
    """
    if not spans:
        return np.full(np.shape(day), -1)
    starts, ends = np.array([s.start for s in spans]), np.array([s.end for s in spans])
    kinds = np.array([BLOCK_KINDS.index(s.kind) for s in spans])
    at = np.searchsorted(starts, day, side="right") - 1
    return np.where((at >= 0) & (day <= ends[at]), kinds[at], -1)


def covariance(
    s: Floats, t: Floats, block_s: Ints, block_t: Ints, p: Priors, times: ArrayLike = 1.0
) -> Floats:
    """Prior covariance of the level between days, broadcast over the arguments. [1]

    ``s`` and ``t`` are weeks since the origin; ``times`` is how many times as fast as usual the level moves.
    """
    total = np.square(times) * _moves(s, t, p)
    if p.slope_sd:
        total += (p.slope_sd**2 * s) * t
    total += p.start_sd**2
    total += p.block_sd**2 * (block_s == block_t)
    return np.asarray(total)


def _moves(s: Floats, t: Floats, p: Priors) -> Floats:
    """What the random walk and the wandering slope make up of the covariance.

    The wandering slope is a stationary Ornstein-Uhlenbeck process of standard deviation ``wander_sd``,
    integrated (closed form of its covariance).
    """
    tau, size = p.wander_weeks, (p.wander_sd * p.wander_weeks) ** 2
    grown_s, grown_t = np.exp(s / tau), np.exp(t / tau)
    # exp(-|s - t| / tau) is the smaller of a ratio and its inverse: no exponential a pair.
    ratio = np.asarray(grown_s / grown_t)
    total = np.asarray(np.minimum(s, t))
    total *= 2 * size / tau + p.walk_sd**2
    total -= size * np.minimum(ratio, 1 / ratio)
    total += size * (1 / grown_s - 1)
    total += size / grown_t
    return total


def normal_cdf(z: ArrayLike) -> Floats:
    """Standard normal distribution function by Page's logistic form (1977), absolute error below 2e-4."""
    z = np.clip(z, -8.0, 8.0)
    return np.asarray(1 / (1 + np.exp(-z * (1.5976 + 0.070566 * z * z))))


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


def _bend(reps: float, q: float) -> float:
    """(r^q - 1) / q, the curve's shape."""
    return float((reps**q - 1) / q)


def _log_bend_by_shape(log_reps: Floats, power: Floats, q: float) -> Floats:
    """Derivative of ln((r^q - 1) / q) by q, given ln r and r^q."""
    return np.asarray(power * log_reps / (power - 1) - 1 / q)


def _first_guess(e: Evidence, p: Priors) -> Floats:
    """Robust start of each session's level, shape (s,): medians over many sets and never one set."""
    typical = np.zeros(7)
    typical[[RATED, FAILURE, SILENT, CEILING, FLOOR, EASY, MISS]] = (
        p.bias_mean, p.failure_mean, p.silent_reserve, p.miss_mean, p.miss_mean, p.bias_mean, p.miss_mean
    )  # fmt: skip
    x = e.log_load - np.log(repmax.fraction_at(e.reps + e.stated + typical[e.kind]))
    mean = np.bincount(e.session, x) / np.bincount(e.session)
    guess = np.empty_like(mean)
    edges = np.searchsorted(e.session_lift, np.arange(e.exercises.size + 1))
    for low, high in pairwise(edges.tolist()):
        half = min(4, (high - low - 1) // 2)
        padded = np.concatenate([[mean[low]] * half, mean[low:high], [mean[high - 1]] * half])
        windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
        guess[low:high] = np.partition(windows, half, axis=1)[:, half]  # An odd count: this is the median.
    return guess


@dataclass(frozen=True, slots=True)
class _Nodes:
    """Sessions put into nodes: which node of which lift each session belongs to."""

    lift: Ints  # (m,)
    column: Ints  # (m,)
    of_session: Ints  # (s,)
    count: Ints  # (L,)
    time: Floats  # (L, n)
    block: Ints  # (L, n)
    edges: Ints  # (L + 1,) first node of each lift


def _nodes(e: Evidence, spans: Sequence[BlockSpan], origin: int) -> _Nodes:
    """One node a lift and week, four weeks in earlier years, cut where a block begins.

    Weeks are the lifter's own, counted from the first day; where the long nodes end moves in steps, so that
    nodes do not change from week to week.
    """
    lifts = e.exercises.size
    week, block = (e.session_day - origin) // 7, block_of(e.session_day, spans)
    early = max(0, (int(week.max()) - WEEKLY_WEEKS) // 8 * 8)
    span = np.where(week < early, week - week % 4, week)
    key = (e.session_lift * 4096 + span) * 4096 + block
    keys, of_session = np.unique(key, return_inverse=True)
    lift = keys // 4096**2
    count = np.bincount(lift, minlength=lifts)
    edges = np.concatenate([[0], np.cumsum(count)])
    column = np.arange(keys.size) - edges[lift]
    mean_day = np.bincount(of_session, e.session_day - origin) / np.bincount(of_session)
    time, blocks = np.zeros((lifts, int(count.max()))), np.full((lifts, int(count.max())), -1)
    time[lift, column], blocks[lift, column] = mean_day / 7, keys % 4096
    # Padding repeats the last day.
    told = np.arange(time.shape[1]) < count[:, None]
    return _Nodes(
        lift, column, of_session, count, np.where(told, time, time.max(axis=1, keepdims=True)), blocks, edges
    )


def fit(log: SetLog, spans: Sequence[BlockSpan], priors: Priors = PRIORS) -> Fit | None:
    """Joint maximum a posteriori fit of all lifts with enough data.

    Parameters
    ----------
    log : SetLog
        Screened sets, in any order.
    spans : sequence of BlockSpan
        Blocks in order of their start.
    priors : Priors

    Returns
    -------
    Fit or None
        None when no lift has :data:`evidence.MINIMUM_SESSIONS` sessions.
    """
    e = gather(log)
    if e is None:
        return None
    p, lifts = priors, e.exercises.size
    first_day = int(log.day.min())
    # Weeks are counted from the lifter's first day ever, so that they do not move as time goes on.
    origin = first_day + 7 * int((e.session_day.min() - first_day) // 7)
    nodes = _nodes(e, spans, origin)
    sessions, width = e.session_day.size, nodes.time.shape[1]
    told = np.arange(width) < nodes.count[:, None]
    own = _own(lifts)
    mean = np.zeros(COMMON + 2 * lifts)
    mean[:COMMON] = (
        p.bias_mean, 0.0, p.loss_mean, p.shape_mean, p.silent_reserve, -p.unfamiliar, -p.fatigue, -p.away
    )  # fmt: skip
    sd = (p.bias_sd, p.steepness_lifter_sd, p.loss_sd, p.shape_sd, p.silent_lifter_sd, p.unfamiliar_sd)
    each = np.repeat([p.steepness_lift_sd, p.bias_lift_sd], lifts)
    prior = np.diag(np.concatenate([sd, (p.fatigue_sd, p.away_sd), each]) ** -2.0)

    groups = _groups(e, p)
    cov, moves = _node_covariance(nodes, p)
    restless = np.ones(lifts)
    theta, x, trust = mean.copy(), _first_guess(e, p), np.ones(sessions)
    # Sessions lie by node, and nodes by lift: sums run over stretches of them.
    sessions_of = np.bincount(nodes.of_session)
    first_session = np.cumsum(sessions_of) - sessions_of
    session_edges = np.searchsorted(e.session_lift, np.arange(lifts + 1))
    for turn in range(ROUNDS):
        of_group = [group.summed(x, theta) for group in groups]
        info, ys, inner = (np.concatenate(each, axis=-1) for each in zip(*of_group, strict=True))
        # Sessions into nodes: day form is drawn once a session.
        weight = trust / (1 / info + p.day_sd**2)
        told_session = np.concatenate([ys, e.session_input.T])
        node_info = np.add.reduceat(weight, first_session)
        yn = np.add.reduceat(told_session * weight, first_session, axis=1) / node_info
        rest_session = told_session - np.repeat(yn, sessions_of, axis=1)
        weighed_session = rest_session * weight

        told_node = np.zeros((lifts, width, 1 + COMMON))
        noise = np.full((lifts, width), NO_NEWS)
        told_node[nodes.lift, nodes.column], noise[nodes.lift, nodes.column] = yn.T, 1 / node_info
        end = nodes.time[:, -1]
        centre = np.bincount(e.session_lift, x) / np.bincount(e.session_lift)
        centre -= p.slope_mean * end / 2
        prior_level = np.where(told, centre[:, None] + p.slope_mean * nodes.time, 0.0)
        told_node[:, :, 0] -= prior_level
        total = cov.copy()
        total[:, np.arange(width), np.arange(width)] += noise
        solved = np.linalg.solve(total, told_node)
        normal = np.swapaxes(told_node, 1, 2) @ solved
        for lift in range(lifts):
            some = slice(*session_edges[lift : lift + 2])
            normal[lift] += rest_session[:, some] @ weighed_session[:, some].T
        normal[:, : 1 + OF_SET, : 1 + OF_SET] += np.moveaxis(inner, -1, 0)
        theta, theta_cov = pooling.partial_pool(mean, prior, normal, own)
        theta, theta_cov, prior[SHAPE, SHAPE] = _tailed(theta, theta_cov, prior[SHAPE, SHAPE], p)
        theta[SHAPE] = min(max(theta[SHAPE], SHAPE_BOUNDS[0]), SHAPE_BOUNDS[1])
        # Smoothed level at the nodes, back to the sessions for the next linearisation.
        mine = own @ theta
        alpha = solved[:, :, 0] - (solved[:, :, 1:] @ mine[:, :, None])[:, :, 0]
        path = prior_level + (cov @ alpha[:, :, None])[:, :, 0]
        # What the inputs take out of a session is in what it shows, not in the path.
        of_session = np.repeat(mine, np.diff(session_edges), axis=0)
        shown = (e.session_input * of_session[:, UNFAMILIAR:]).sum(axis=1)
        at_node = path[nodes.lift, nodes.column][nodes.of_session] + shown
        session_x = ys[0] - (ys[1:] * of_session[:, :OF_SET].T).sum(axis=0)
        departure = session_x - at_node
        # The session's own draw, shrunk by the information it carries, is where its sets are linearised.
        x = at_node + departure * p.day_sd**2 / (p.day_sd**2 + 1 / info)
        if turn == ROUNDS - 2:
            seen = told_node[:, :, 0] - (told_node[:, :, 1:] @ mine[:, :, None])[:, :, 0]
            restless, cov = _restlessness(seen, noise, cov, moves)
        u = np.abs(departure) / np.sqrt(1 / info + p.day_sd**2)
        trust = np.where(u > ROBUST_FROM, (ROBUST_FROM / np.maximum(u, 1e-9)) ** 2, 1.0)
    # One rep range alone cannot tell a steep curve from a strong lifter, whatever the algebra says: the
    # reports within it differ by noise and mood. What is not learnt there is not claimed.
    place = COMMON + np.arange(lifts)
    theta_cov[place, place] += _unlearnt(e, p)
    level = told_node[:, :, 0] + prior_level - (told_node[:, :, 1:] @ mine[:, :, None])[:, :, 0]
    return Fit(
        evidence=e,
        priors=p,
        spans=tuple(spans),
        origin=origin,
        count=nodes.count,
        time=nodes.time,
        block=nodes.block,
        centre=centre,
        level=level,
        noise=noise,
        design=told_node[:, :, 1:],
        precision=np.asarray(np.linalg.inv(total), dtype=float),
        theta=theta,
        theta_cov=theta_cov,
        session_x=session_x,
        restless=restless,
    )


def _node_covariance(nodes: _Nodes, p: Priors) -> tuple[Floats, Floats]:
    """Prior covariance of each lift's nodes, and the part of it that the level's movements make up."""
    s, t = nodes.time[:, :, None], nodes.time[:, None, :]
    return covariance(s, t, nodes.block[:, :, None], nodes.block[:, None, :], p), _moves(s, t, p)


def _restlessness(seen: Floats, noise: Floats, cov: Floats, moves: Floats) -> tuple[Floats, Floats]:
    """How much faster than usual each lift's level moves, (L,), and the nodes' covariance under that.

    The usual lifter's path is stiff, and a level that truly turns would be read as a run of bad days. So a
    lift's path is let loose where its own sessions say so beyond doubt: by marginal likelihood, against prior
    odds.
    """
    both = np.stack([cov, cov + (RESTLESS**2 - 1) * moves])
    each = np.arange(cov.shape[-1])
    # The factor of the covariance with what was seen as a last row ends in what whitening makes of it.
    total = np.full((2, cov.shape[0], each.size + 1, each.size + 1), 1e12)
    total[..., :-1, :-1] = both
    total[..., each, each] += noise
    total[..., -1, :-1] = total[..., :-1, -1] = seen
    factor = np.linalg.cholesky(total)
    z = factor[..., -1, :-1]
    logdet = np.log(np.diagonal(factor, axis1=-2, axis2=-1)[..., :-1]).sum(axis=-1)
    usual, loose = -logdet - (z**2).sum(axis=-1) / 2
    moved = loose - usual > RESTLESS_ODDS
    return np.where(moved, RESTLESS, 1.0), np.where(moved[:, None, None], both[1], cov)


def _tailed(theta: Floats, cov: Floats, prior: float, p: Priors) -> tuple[Floats, Floats, float]:
    """The constants when the shape's prior has the tails of Student's t, from those under a normal one.

    The t is a mixture of normals: what lies far out is drawn back less, by a weight that a few steps find.
    What another weight makes of the constants is an update of rank one. The precision to go on with is last.
    """
    change, new = 0.0, prior
    for _ in range(TAIL_STEPS):
        change = new - prior
        pull = change * (theta[SHAPE] - p.shape_mean) / (1 + change * cov[SHAPE, SHAPE])
        far = ((theta[SHAPE] - cov[SHAPE, SHAPE] * pull - p.shape_mean) / p.shape_sd) ** 2
        new = min((p.shape_tail + 1) / (p.shape_tail + far), 1.0) / p.shape_sd**2
    along = cov[SHAPE]
    narrowed = cov - np.outer(along, along) * change / (1 + change * cov[SHAPE, SHAPE])
    return theta - along * pull, narrowed, new


def _groups(e: Evidence, p: Priors) -> list[_Sets]:
    """All rows, in groups of lifts so small that what is computed of one stays in the processor's cache."""
    edges, begun = np.searchsorted(e.lift, np.arange(e.exercises.size + 1)).tolist(), [0]
    begun += [
        lift for lift in range(1, e.exercises.size) if edges[lift] // TOGETHER > edges[lift - 1] // TOGETHER
    ]
    return [_Sets(e, p, first, stop) for first, stop in pairwise([*begun, e.exercises.size])]


class _Sets:
    """The rows of evidence of some neighbouring lifts, and what they say about a session's level."""

    def __init__(self, e: Evidence, p: Priors, first: int, stop: int) -> None:
        rows = slice(*np.searchsorted(e.lift, (first, stop)))
        self.p, self.first, self.lifts, self.stop = p, first, e.exercises.size, stop
        self.log_load, self.reps, self.stated = e.log_load[rows], e.reps[rows], e.stated[rows]
        self.position, kind = e.position[rows], e.kind[rows]
        self.sessions = slice(*np.searchsorted(e.session_lift, (first, stop)))
        self.rows_of_session = np.bincount(e.session[rows] - self.sessions.start)
        self.rows_of_lift = np.bincount(e.lift[rows] - first)
        self.reported = (kind == RATED) | (kind == CEILING) | (kind == EASY)
        self.silent = kind == SILENT
        shift, spread = np.zeros(7), np.ones(7)
        shift[[FAILURE, MISS]] = p.failure_mean, p.miss_mean
        spread[[FAILURE, SILENT, FLOOR, MISS]] = p.failure_sd, p.silent_sd, p.barrier_sd, p.miss_sd
        self.shift, self.spread = shift[kind], spread[kind]
        self.bound = np.flatnonzero((kind == CEILING) | (kind == FLOOR) | (kind == EASY))
        # The side on which nothing is lost, and the half step to which reports are rounded.
        bound_kind = kind[self.bound]
        self.sign = np.where(bound_kind == CEILING, 1.0, -1.0)
        self.step = np.select(
            [bound_kind == CEILING, bound_kind == EASY], [REPORT_HALF_STEP, -REPORT_HALF_STEP], 0.0
        )
        self.ceiling, self.miss = np.flatnonzero(kind == CEILING), np.flatnonzero(kind == MISS)
        self.failing = np.where(e.fewer[rows][self.ceiling], p.failing_if_fewer, p.failing)

    def summed(self, x: Floats, theta: Floats) -> tuple[Floats, Floats, Floats]:
        """Sets into sessions, linearised around the level of every session of the fit.

        Returns
        -------
        info : ndarray, shape (s,)
            Precision of what each session's sets say.
        told : ndarray, shape (6, s)
            That itself, as ``linearise`` gives it for a set.
        inner : ndarray, shape (6, 6, l)
            What is left within the sessions of each lift, which speaks about the constants alone.
        """
        told, precision = self.linearise(np.repeat(x[self.sessions], self.rows_of_session), theta)
        first = np.cumsum(self.rows_of_session) - self.rows_of_session
        info = np.add.reduceat(precision, first)
        of_session = np.add.reduceat(told * precision, first, axis=1) / info
        told -= np.repeat(of_session, self.rows_of_session, axis=1)
        weighed, edges = told * precision, np.cumsum([0, *self.rows_of_lift])
        inner = [told[:, low:high] @ weighed[:, low:high].T for low, high in pairwise(edges.tolist())]
        return info, of_session, np.stack(inner, axis=-1)

    def linearise(self, x: Floats, theta: Floats) -> tuple[Floats, Floats]:
        """Each row as an observation of the session's level.

        Returns
        -------
        told : ndarray, shape (6, n)
            First the observed level, linear in the constants: it is level + lever @ constants + noise. Then
            the lever: what bias, steepness, loss, shape and silence do to it.
        precision : ndarray, shape (n,)
        """
        p, q, own = self.p, float(theta[SHAPE]), slice(COMMON + self.first, COMMON + self.stop)
        own_steep, own_bias = theta[own], theta[BIAS] + theta[COMMON + self.lifts :][self.first : self.stop]
        unit = p.drop / _bend(PIVOT_REPS, q) * np.exp(theta[STEEPNESS] + own_steep)
        unit, own_steep, own_bias = np.repeat([unit, own_steep, own_bias], self.rows_of_lift, axis=1)
        drop = x - theta[LOSS] * self.position - self.log_load  # ln(1RM / load)
        straight = drop / unit
        power = np.clip(1 + q * straight, 1.0, MOST_REPS**q)  # N^q
        log_reps = np.log(power) / q
        curved = np.exp(log_reps)
        left = np.where(drop > 0, curved, 1 + straight) - self.reps
        per_rep = unit * power / curved  # dx / d(left)
        # The noise is chosen by the predicted reserve, never by the reported one.
        report_sd = p.report_sd + p.report_slope * np.clip(left - own_bias, 0.0, 8.0)
        slope_squared = per_rep**-2
        variance = np.where(self.reported, report_sd, self.spread) ** 2 + slope_squared * p.set_sd**2
        expected = left - np.where(self.reported, own_bias, self.shift + self.silent * theta[SILENCE])
        r = self.stated - expected
        spread = (variance + slope_squared * p.day_sd**2) * ROBUST_FROM**2
        curvature = 1 / (variance * np.maximum(r * r / spread, 1.0) ** 2)
        # Bounds enter as the Newton step of their normal probability.
        b = self.bound
        sd = np.sqrt(variance[b])
        room = self.sign * (r[b] + self.step)
        step, curvature[b] = _bounded(room, sd)
        curvature[b] /= np.maximum(np.minimum(room, 0.0) ** 2 / spread[b], 1.0) ** 2
        r[b] = self.sign * step
        # Nothing left was either felt too early or true: share each such set between the two readings.
        c = self.ceiling
        failed = self.failing * normal_cdf((1.0 - left[c]) / 0.5)
        early = (REPORT_HALF_STEP - left[c] + own_bias[c]) / np.sqrt(variance[c])
        felt = (1 - failed) * normal_cdf(early)
        felt /= felt + failed
        curvature[c] *= felt
        curvature[self.miss] *= 1 - felt
        told = np.empty((1 + OF_SET, x.size))
        lever = told[1:]
        lever[BIAS] = -per_rep * self.reported
        lever[STEEPNESS] = -drop
        lever[LOSS] = -self.position
        bent = _log_bend_by_shape(np.maximum(log_reps, 1e-6), np.maximum(power, 1 + 1e-6 * q), q)
        pivot = np.log([PIVOT_REPS])
        lever[SHAPE] = -drop * (bent - _log_bend_by_shape(pivot, np.exp(q * pivot), q))
        lever[SILENCE] = -per_rep * self.silent
        told[0] = x + r * per_rep + theta[:OF_SET] @ lever - drop * own_steep
        told[0] += lever[BIAS] * (own_bias - theta[BIAS])
        return told, slope_squared * curvature


def _unlearnt(e: Evidence, p: Priors) -> Floats:
    """Variance of each lift's log steepness that must remain for want of different rep ranges, shape (L,)."""
    lifts, told = e.exercises.size, np.log(e.reps + 1.0)
    count = np.bincount(e.lift, minlength=lifts)
    mean = np.bincount(e.lift, told, lifts) / count
    spread = np.sqrt(np.bincount(e.lift, (told - mean[e.lift]) ** 2, lifts) / count)
    share = np.clip(1 - spread / SPREAD_THAT_TEACHES, 0.0, 1.0)
    return np.asarray((0.7 * share) ** 2 * (p.steepness_lifter_sd**2 + p.steepness_lift_sd**2))


@dataclass(frozen=True, slots=True)
class Path:
    """Posterior of the log-level of each lift as expressed on given days, before it is asked for pairs."""

    mean: Floats  # (L, m)
    variance: Floats  # (L, m)
    lever: Floats  # (L, m, 8) what an error of the constants does to it
    cross: Floats  # (L, m, n) prior covariance with the nodes


def paths(f: Fit, day: Ints, told: Floats) -> Path:
    """Posterior of every lift's log-level on given days.

    Parameters
    ----------
    f : Fit
    day : ndarray, shape (m,)
        [d]
    told : ndarray, shape (L, m, 3)
        Inputs of each lift on those days, see ``inputs.at_days``.
    """
    p, t, b, times = f.priors, (day - f.origin) / 7, block_of(day, f.spans), f.restless[:, None]
    cross = covariance(t[:, None], f.time[:, None], b[:, None], f.block[:, None], p, times[:, :, None])
    cross *= f.told[:, None]
    constants, spread = f.each_constants
    weighed = cross @ f.weights
    mean = f.centre[:, None] + p.slope_mean * t + weighed[:, :, 0]
    mean += (told @ constants[:, UNFAMILIAR:, None])[:, :, 0]
    lever = -weighed[:, :, 1:]
    lever[:, :, UNFAMILIAR:] += told
    variance = covariance(t, t, b, b, p, times) - ((cross @ f.precision) * cross).sum(axis=2)
    variance += ((lever @ spread) * lever).sum(axis=2) + p.single_sd**2
    return Path(mean, variance, lever, cross)


def _with_one(f: Fit, path: Path, day: Ints, one: int, some: slice) -> Floats:
    """Covariance of some days of a path with one of them, shape (L, k)."""
    t, b = (day - f.origin) / 7, block_of(day, f.spans)
    both = covariance(t[some], t[one], b[some], b[one], f.priors, f.restless[:, None])
    both -= (path.cross[:, some] @ (f.precision @ path.cross[:, one, :, None]))[:, :, 0]
    both += (path.lever[:, some] @ (f.each_constants[1] @ path.lever[:, one, :, None]))[:, :, 0]
    return both + f.priors.single_sd**2


def predict(f: Fit, lift: int, day: Ints) -> tuple[Floats, Floats]:
    """Posterior of one lift's log-level as expressed on given days, none of them to come.

    Parameters
    ----------
    f : Fit
    lift : int
        Number of the lift in the fit.
    day : ndarray, shape (m,)
        [d]

    Returns
    -------
    mean : ndarray, shape (m,)
    covariance : ndarray, shape (m, m)
    """
    p, n, times = f.priors, int(f.count[lift]), float(f.restless[lift])
    t, b = (day - f.origin) / 7, block_of(day, f.spans)
    cross = covariance(t[:, None], f.time[lift, None, :n], b[:, None], f.block[lift, None, :n], p, times)
    told = inputs.at_days(f.evidence.inputs, lift, day)
    constants, spread = f.constants(lift)
    weighed = cross @ f.weights[lift, :n]
    mean = f.centre[lift] + p.slope_mean * t + weighed[:, 0] + told @ constants[UNFAMILIAR:]
    lever = -weighed[:, 1:]
    lever[:, UNFAMILIAR:] += told
    own = covariance(t[:, None], t[None, :], b[:, None], b[None, :], p, times)
    return mean, own - cross @ f.precision[lift, :n, :n] @ cross.T + lever @ spread @ lever.T + p.single_sd**2


def read(f: Fit, as_of: int) -> tuple[Trend, ...]:
    """The trend of each lift as records, on a weekly grid that ends on the as-of day.

    The forecast is the level plus the lifter's own slope, shrunk towards the usual gain, plus a share of what
    the planned blocks do to the strength expressed.
    """
    e, lifts = f.evidence, f.count.size
    edges = np.searchsorted(e.session_lift, np.arange(lifts + 1))
    weeks_of = (as_of - e.session_day[edges[:-1]]) // 7 + 1
    weeks, now = int(weeks_of.max()), int(weeks_of.max()) - 1
    day = as_of + 7 * np.arange(1 - weeks, 1 + FORECAST_WEEKS, dtype=np.int64)
    future = day[weeks:]
    trained_on = inputs.extend(e.inputs, as_of, int(future[-1]) + 1, lambda days: kind_of(days, f.spans))
    told = np.zeros((lifts, day.size, inputs.COUNT))
    lift, column = np.nonzero(np.arange(weeks) >= weeks - weeks_of[:, None])
    told[lift, column] = inputs.at_days(e.inputs, lift, day[column])
    lift, column = np.indices((lifts, FORECAST_WEEKS)).reshape(2, -1)
    told[lift, weeks + column] = inputs.at_days(trained_on, lift, future[column])

    path = paths(f, day, told)
    mean, variance = path.mean, path.variance
    at, to_come = mean[:, now, None], slice(weeks, None)
    planned = told[:, to_come] - told[:, now, None]
    expected = (planned @ f.each_constants[0][:, UNFAMILIAR:, None])[:, :, 0]
    usual = f.priors.slope_mean * np.arange(1, FORECAST_WEEKS + 1)
    own = mean[:, to_come] - at - expected
    mean[:, to_come] = at + usual + FORECAST_OWN * (own - usual) + FORECAST_PLAN * expected
    # The same shares of what may still happen on the way.
    known = variance[:, now, None]
    variance[:, to_come] = known + FORECAST_OWN * (variance[:, to_come] - known)
    kg, sd = np.exp(mean), np.sqrt(np.maximum(variance, 1e-12))
    # Of a change from each day to the last: bias and curve are shared by both ends and cancel.
    lately = slice(max(weeks - CHANGE_WEEKS, 0), weeks)
    change = variance[:, lately] + known - 2 * _with_one(f, path, day, now, lately)
    change[:, -1] = 0.0  # From the last day to itself.
    change_sd_pct = 100 * np.sqrt(np.maximum(change, 0.0))
    low, high = kg[:, now] * np.exp(-Z90 * sd[:, now]), kg[:, now] * np.exp(Z90 * sd[:, now])
    slope, slope_sd = recent_slopes(f, as_of)
    rising = normal_cdf(slope / slope_sd)
    counts = np.bincount(e.lift[(e.kind != FLOOR) & (e.kind != MISS)], minlength=lifts)
    point_kg, sd_kg = np.exp(f.session_x), kg * sd

    def of(lift: int) -> Trend:
        mine, past = slice(*edges[lift : lift + 2].tolist()), slice(weeks - int(weeks_of[lift]), weeks)
        return Trend(
            e1rm=Estimate(kg[lift, now].item(), low[lift].item(), high[lift].item()),
            slope_pct_per_week=Estimate(
                *(100 * (slope[lift] + slope_sd[lift] * np.array([0.0, -Z90, Z90]))).tolist()
            ),
            probability_rising=rising[lift].item(),
            day=day[past],
            level_kg=kg[lift, past],
            sd_kg=sd_kg[lift, past],
            point_day=e.session_day[mine],
            point_kg=point_kg[mine],
            forecast_day=future,
            forecast_kg=kg[lift, to_come],
            forecast_sd_kg=sd_kg[lift, to_come],
            sets_used=counts[lift].item(),
            sessions_used=mine.stop - mine.start,
            curve_reps_per_fraction=reps_per_fraction(f, lift),
            curve_known=curve_known(f, lift),
            change_sd_pct=change_sd_pct[lift, max(past.start - lately.start, 0) :],
        )

    return tuple(of(lift) for lift in range(lifts))


def recent_slopes(f: Fit, as_of: int) -> tuple[Floats, Floats]:
    """Slope of the strength expressed of each lift, a line through the last six weeks, and its SD. [1/week]

    It is estimated from the last sixteen weeks alone and shrunk towards no change, not towards the lifter's
    own long-run gain, so that years of progress do not hide a standstill.
    """
    p = replace(f.priors, slope_sd=0.0, wander_sd=SLOPE_WANDER_SD, block_sd=SLOPE_BLOCK_SD)
    now, lifts = (as_of - f.origin) / 7, f.count.size
    recent = (f.time >= now - SLOPE_EVIDENCE_WEEKS) & f.told
    size = np.minimum(np.maximum(recent.sum(axis=1), 3), f.count)
    low, each = f.count - size, np.arange(lifts)[:, None]
    along = np.arange(int(size.max()))
    place = np.minimum(low[:, None] + along, f.time.shape[1] - 1)
    told = along < size[:, None]
    day = as_of - 7 * np.arange(SLOPE_WEEKS, -1, -1, dtype=np.int64)
    # Nodes and asked days together: one covariance serves all.
    start = f.time[each, low[:, None]]
    asked = np.maximum((day - f.origin) / 7 - start, 0.0)
    t = np.concatenate([f.time[each, place] - start, asked], axis=1)
    own_block = np.broadcast_to(block_of(day, f.spans), asked.shape)
    b = np.concatenate([f.block[each, place], own_block], axis=1)
    times = f.restless[:, None, None]
    both = covariance(t[:, :, None], t[:, None], b[:, :, None], b[:, None], p, times)
    width = along.size
    seen = both[:, :width, :width].copy()
    seen[:, along, along] += np.where(told, f.noise[each, place], NO_NEWS)
    rest = both[:, width:, :width]
    solved = np.swapaxes(np.linalg.solve(seen, np.swapaxes(rest, 1, 2)), 1, 2)
    state = inputs.at_days(f.evidence.inputs, np.repeat(each, day.size), np.tile(day, lifts))
    state = state.reshape(lifts, day.size, inputs.COUNT)
    constants, spread = f.each_constants
    lever = -solved @ np.where(told[:, :, None], f.design[each, place], 0.0)
    lever[:, :, UNFAMILIAR:] += state
    level = f.level[each, place]
    level = np.where(told, level - np.sum(level, axis=1, where=told, keepdims=True) / size[:, None], 0.0)
    mean = (solved @ level[:, :, None] + state @ constants[:, UNFAMILIAR:, None])[:, :, 0]
    cov = both[:, width:, width:] - solved @ np.swapaxes(rest, 1, 2)
    cov += lever @ spread @ np.swapaxes(lever, 1, 2)
    line = np.arange(day.size) - (day.size - 1) / 2
    line /= line @ line
    return mean @ line, np.sqrt(np.maximum(line @ cov @ line, 1e-12))


def reps_per_fraction(f: Fit, lift: int) -> float:
    """Steepness of the hyperbola that meets the lifter's curve where the lift is trained. [reps]"""
    e = f.evidence
    rows = slice(*np.searchsorted(e.lift, (lift, lift + 1)))
    reps = e.reps[rows] + e.stated[rows]
    middle = [(reps.size - 1) // 2, reps.size // 2]  # np.median, without what makes it slow
    typical = min(max(float(np.partition(reps, middle)[middle].mean()) + 1, 3.0), 12.0)
    constants = f.constants(lift)[0]
    q = float(constants[SHAPE])
    drop = math.exp(constants[STEEPNESS]) * f.priors.drop * _bend(typical, q) / _bend(PIVOT_REPS, q)
    return float(repmax.steepness_from(math.exp(-drop), typical))


def curve_known(f: Fit, lift: int) -> bool:
    """True when the lift's own sets narrowed the curve to at most 0.7 of the prior spread of its "
    "steepness."""
    p = f.priors
    spread = math.sqrt(float(f.constants(lift)[1][STEEPNESS, STEEPNESS]))
    return spread <= 0.7 * math.hypot(p.steepness_lifter_sd, p.steepness_lift_sd)
