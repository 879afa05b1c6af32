"""Local level and local linear trend of many series at once: filter, smoother, likelihood and fit.

The level moves by a slope that itself moves; both move once a day by independent steps, so that a gap of
``g`` days is ``g`` of them and irregular days, days without a value and days to come are all the same thing
[1]_. Nothing is assumed about the start (exact diffuse).

How it is computed. A recursion over the days costs a step of the interpreter a day, so the only one here is
the filter, which has to be causal. The smoother solves the states' banded precision matrix, all series in one
factorisation; the covariances between neighbouring days follow from that factor by a linear recursion
backwards, which is a triangular banded system too. The likelihood is that of the second differences, from
which the unknown start has dropped out; it needs no inverse of the steps' variances and is exact where one is
zero. On evenly spaced days the differences' covariance is diagonal in sines but for its two corners, which
makes a whole grid of variances one matrix product.

References
----------
.. [1] Durbin J, Koopman SJ (2012) Time Series Analysis by State Space Methods, 2nd ed. Oxford UP,
   sections 2 (local level), 3.2 (trend), 4.4 (smoothing), 5.2 (exact diffuse start).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike
from scipy.fft import dst
from scipy.linalg.lapack import dpbtrf, dpbtrs, dtbtrs

from app.training.records import Bools, Floats, Ints

LOG_2PI = math.log(2 * math.pi)
LEAST_SHARE = 1e-7
"""[1] A variance below this share of what the series varies by is taken as that share by the smoother, whose
matrix has the variances' inverses. The likelihood and the filter take zero as zero."""


class NotEnoughValues(ValueError):
    """A series has too few values for what was asked."""


@dataclass(frozen=True, slots=True)
class Variances:
    """Variances of each series, shape (s,). A local level has no ``slope``."""

    observation: Floats  # [unit²]
    level: Floats  # [unit²/d]
    slope: Floats | None = None  # [unit²/d³]

    @property
    def is_common(self) -> bool:
        """True if all series have the same."""
        given = (self.observation, self.level, self.slope)
        return all(v is None or v.size == 1 or bool((v == v[0]).all()) for v in given)

    @classmethod
    def of(cls, observation: ArrayLike, level: ArrayLike, slope: ArrayLike | None = None) -> Variances:
        """The same from single numbers.

        Raises
        ------
        ValueError
            If one is negative or not finite, or nothing varies at all.
        """
        given = [np.atleast_1d(np.asarray(v, float)) for v in (observation, level, slope) if v is not None]
        if any(not np.isfinite(v).all() or (v < 0).any() for v in given):
            raise ValueError("variances must be finite and zero or more")
        if (np.sum(np.broadcast_arrays(*given), axis=0) <= 0).any():
            raise ValueError("at least one variance of a series must be above zero")
        return cls(*given)


@dataclass(frozen=True, slots=True)
class Course:
    """Levels and slopes of every series on every day, shape (s, t); a local level has slope zero.

    From the filter they know the days up to their own, from the smoother all days. A filtered state that is
    not known yet has infinite variance.
    """

    time: Floats  # (t,) [d]
    level: Floats  # [unit]
    slope: Floats  # [unit/d]
    level_variance: Floats  # [unit²]
    covariance: Floats  # [unit²/d]
    slope_variance: Floats  # [unit²/d²]


@dataclass(frozen=True, slots=True)
class Filtered(Course):
    """The filter's course with its one-step predictions and the diffuse log-likelihood of each series."""

    predicted_level: Floats  # [unit] of each day, from the days before
    predicted_variance: Floats  # [unit²] of the level, inf while unknown
    log_likelihood: Floats  # (s,) without the constant of the one or two values that fix the start


@dataclass(frozen=True, slots=True)
class Fit:
    """Variances of largest diffuse likelihood."""

    variances: Variances
    log_likelihood: Floats  # (s,) counted like :class:`Filtered`


# The filter ---------------------------------------------------------------------------------------


def filtered(time: ArrayLike, y: ArrayLike, variances: Variances) -> Filtered:
    """Levels and slopes as they were known on each day, exact diffuse filter [1]_.

    Parameters
    ----------
    time : array_like, shape (t,)
        Days, strictly increasing whole numbers. [d]
    y : array_like, shape (t,) or (s, t)
        Values, NaN where a day has none. [any unit]
    variances : Variances
        Of each series, or one for all.

    Returns
    -------
    Filtered

    Raises
    ------
    ValueError
        If days do not increase or shapes do not fit.
    """
    days, values = _arranged(time, y)
    count, length = values.shape
    r, ql, qs = _spread(variances, count)
    trend = variances.slope is not None
    # State, its variance (star) and the part of it that is still unbounded (inf).
    at, v = np.zeros(count), np.zeros(count)
    p, c, s = np.zeros(count), np.zeros(count), np.zeros(count)
    pi, ci, si = np.ones(count), np.zeros(count), np.full(count, float(trend))
    likelihood = np.zeros(count)
    level, slope, p_out, c_out, s_out, expected, expected_p = np.empty((7, count, length))
    gaps = np.diff(days, prepend=days[0])
    for t in range(length):
        g = float(gaps[t])
        if g:
            at = at + g * v
            p = p + 2 * g * c + g * g * s + g * ql + qs * (g - 1) * g * (2 * g - 1) / 6
            c = c + g * s + qs * g * (g - 1) / 2
            s = s + g * qs
            pi, ci = pi + 2 * g * ci + g * g * si, ci + g * si
        unknown = pi > 1e-9
        expected[:, t], expected_p[:, t] = at, np.where(unknown, np.inf, p)
        seen = ~np.isnan(values[:, t])
        error = np.where(seen, values[:, t] - at, 0.0)
        start, known = seen & unknown, seen & ~unknown
        f, fi = np.where(seen, p + r, 1.0), np.where(start, pi, 1.0)
        # Gains: from the bounded part where the start is known, from the unbounded where it is not.
        k, ks = (
            np.where(start, pi / fi, np.where(known, p / f, 0.0)),
            np.where(start, ci / fi, np.where(known, c / f, 0.0)),
        )
        at, v = at + k * error, v + ks * error
        # One formula for both: P - K M' - M K' + K F K', which is P - K M' where K = M / F.
        p, c, s = (
            p - 2 * k * p + k * k * np.where(seen, f, 0.0),
            c - k * c - ks * p + k * ks * np.where(seen, f, 0.0),
            s - 2 * ks * c + ks * ks * np.where(seen, f, 0.0),
        )
        si, ci, pi = (
            np.where(start, si - ci * ci / fi, si),
            np.where(start, 0.0, ci),
            np.where(start, 0.0, pi),
        )
        likelihood -= 0.5 * np.where(
            start, np.log(fi), np.where(known, LOG_2PI + np.log(f) + error**2 / f, 0.0)
        )
        level[:, t], slope[:, t] = at, v
        p_out[:, t] = np.where(pi > 1e-9, np.inf, p)
        c_out[:, t] = c
        s_out[:, t] = np.where(si > 1e-9, np.inf, s)
    return Filtered(days, level, slope, p_out, c_out, s_out, expected, expected_p, likelihood)


# The smoother -------------------------------------------------------------------------------------


def smoothed(time: ArrayLike, y: ArrayLike, variances: Variances) -> Course:
    """Levels and slopes on each day, given all days.

    Days without a value are asked for by NaN, days to come by days after the last value.

    Parameters
    ----------
    time, y, variances
        As for :func:`filtered`.

    Returns
    -------
    Course

    Raises
    ------
    NotEnoughValues
        If a series has fewer values than the start has unknowns: one for a level, two with a slope.
    ValueError
        If days do not increase or shapes do not fit.
    """
    days, values = _arranged(time, y)
    r, ql, qs = _spread(variances, values.shape[0])
    seen = ~np.isnan(values)
    _need(seen, 1 if variances.slope is None else 2)
    # Values near zero lose no digits to the level they stand on.
    whole = bool(seen.all())
    known = values if whole else np.where(seen, values, 0.0)
    centre = known.sum(axis=1, keepdims=True) / (days.size if whole else seen.sum(axis=1, keepdims=True))
    told = known - centre if whole else np.where(seen, known - centre, 0.0)
    if variances.is_common and (whole or (seen == seen[0]).all()):
        # Series that differ in their values alone have one matrix.
        r, ql, qs, seen = r[:1], ql[:1], qs[:1], seen[:1]
    everything = r + ql + qs
    span = max(float(days[-1] - days[0]), 1.0)
    r = np.maximum(r, LEAST_SHARE * everything)[:, None]
    ql = np.maximum(ql, LEAST_SHARE * everything / span)[:, None]
    told /= r
    weight = seen / r
    g = days[1:] - days[:-1]
    if variances.slope is None:
        level, variance = _smoothed_level(g, weight, told, ql)
        variance, zero = _for_all(variance, level), np.zeros_like(level)
        return Course(days, level + centre, zero, variance, zero, zero)
    qs = np.maximum(qs, LEAST_SHARE * everything / span**3)[:, None]
    level, slope, *spread = _smoothed_trend(g, weight, told, ql, qs)
    p, c, s = (_for_all(one, level) for one in spread)
    return Course(days, level + centre, slope, p, c, s)


def _for_all(variance: Floats, level: Floats) -> Floats:
    """Variances that all series have in common, for each of them."""
    return variance if variance.shape == level.shape else variance.repeat(level.shape[0], axis=0)


def _smoothed_level(g: Floats, weight: Floats, told: Floats, ql: Floats) -> tuple[Floats, Floats]:
    count, length = weight.shape
    band = np.zeros((count, length, 2))
    between = 1 / (ql * g)
    band[:, :, 0] = weight
    band[:, :-1, 0] += between
    band[:, 1:, 0] += between
    band[:, :-1, 1] = -between
    factor, mean = _solve(band.reshape(-1, 2), told.reshape(told.shape[0] // count, -1))
    own, below = factor[0], factor[1]
    back = np.zeros((count * length, 2))
    back[1:, 0] = -((below / own) ** 2)[:-1]
    variance = _back(back, 1 / own**2)
    return mean.reshape(told.shape), variance.reshape(count, length)


def _smoothed_trend(
    g: Floats, weight: Floats, told: Floats, ql: Floats, qs: Floats
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    count, length = weight.shape
    size = count * length
    # Inverse of the variance of a gap's steps, [[i, j], [j, k]].
    a = ql * g + qs * ((g - 1) * g * (2 * g - 1) / 6)
    b = qs * (g * (g - 1) / 2)
    d = qs * g
    determinant = a * d - b * b
    i, j, k = d / determinant, -b / determinant, a / determinant
    cross = i * g + j
    band = np.zeros((count, length, 2, 4))  # by state, then by how far below the diagonal
    band[:, :, 0, 0] = weight
    band[:, :-1, 0, 0] += i
    band[:, 1:, 0, 0] += i
    band[:, 1:, 1, 0] = k
    band[:, :-1, 1, 0] += (cross + j) * g + k
    band[:, 1:, 0, 1] = j
    band[:, :-1, 0, 1] += cross
    band[:, :-1, 1, 1] = -cross
    band[:, :-1, 0, 2] = -i
    band[:, :-1, 1, 2] = -(j * g + k)
    band[:, :-1, 0, 3] = -j
    right = np.zeros((*told.shape, 2))
    right[:, :, 0] = told
    factor, mean = _solve(band.reshape(-1, 4), right.reshape(told.shape[0] // count, -1))
    # The factor's blocks: L = [[x, 0], [y, z]] on the day, M = [[m, n], [o, q]] to the day after.
    x, y, m, o = factor[:, 0::2]
    z, n, q, _ = factor[:, 1::2]
    u, w, yz = 1 / x, 1 / z, y / z
    # State of a day given the next one: gain G = -L'^-1 M', variance (L L')^-1.
    g11, g12, g21, g22 = u * (yz * n - m), u * (yz * q - o), -w * n, -w * q
    # Variances of a day are linear in those of the next: (P11, P12, P22) = own + K (P11, P12, P22)'.
    back = np.zeros((size, 3, 6))  # by unknown, then by how far above the diagonal, from 5 down to 0
    later = back[1:]
    g11, g12, g21, g22 = g11[:-1], g12[:-1], g21[:-1], g22[:-1]
    later[:, 0, 2], later[:, 1, 1], later[:, 2, 0] = -g11 * g11, -2 * g11 * g12, -g12 * g12
    later[:, 0, 3], later[:, 1, 2], later[:, 2, 1] = -g11 * g21, -g11 * g22 - g12 * g21, -g12 * g22
    later[:, 0, 4], later[:, 1, 3], later[:, 2, 2] = -g21 * g21, -2 * g21 * g22, -g22 * g22
    own = np.empty((size, 3))
    own[:, 0] = u * u * (1 + yz * yz)
    own[:, 1] = -u * yz * w
    own[:, 2] = w * w
    spread = _back(back.reshape(-1, 6), own.reshape(-1)).reshape(count, length, 3)
    state = mean.reshape(*told.shape, 2)
    return state[:, :, 0], state[:, :, 1], spread[:, :, 0], spread[:, :, 1], spread[:, :, 2]


def _solve(band: Floats, right: Floats) -> tuple[Floats, Floats]:
    """Cholesky factor of a banded matrix, by rows from the diagonal down, and its solutions, one a row."""
    factor, wrong = dpbtrf(band.T, lower=1, overwrite_ab=1)
    if wrong:
        raise ValueError("the variances differ by too much to be solved for; leave the smallest out")
    solution, _ = dpbtrs(factor, right.T, lower=1, overwrite_b=1)
    return factor, np.ascontiguousarray(solution.T)


def _back(band: Floats, right: Floats) -> Floats:
    """Solve a unit upper triangular banded system: a linear recursion from the last day to the first."""
    solution, _ = dtbtrs(band.T, right[:, None], uplo="U", diag="U")
    return np.asarray(solution[:, 0])


# Likelihood and fit -------------------------------------------------------------------------------


class _Profile(Protocol):
    """Likelihood of one or more series as a function of the ratios of variances to the observation's."""

    size: int  # of the differences

    def __call__(self, level: Floats, slope: Floats) -> tuple[Floats, Floats]:
        """Weighted sum of squares and log-determinant, shapes (s, k), of ratios of shapes (1 or s, k)."""


class _Even:
    """Evenly spaced days without gaps: the differences' covariance is diagonal in sines but for corners."""

    def __init__(self, g: float, y: Floats, slope: bool) -> None:
        difference = np.diff(y, n=2, axis=1) / g if slope else np.diff(y, axis=1)
        self.size = difference.shape[1]
        order, self.by_observation, self.by_level, self.by_slope, corner = _even_parts(self.size, g, slope)
        told = dst(difference, type=1, norm="ortho", axis=1)[:, order]
        self.slope = slope
        self.columns = (told * told)[:, :, None]
        if slope:
            # A corner couples the sines of odd number with each other, and those of even number.
            self.columns = np.concatenate([self.columns, told[:, :, None] * corner], axis=2)
            self.corner_squares = corner * corner

    def __call__(self, level: Floats, slope: Floats) -> tuple[Floats, Floats]:
        d = level[:, :, None] * self.by_level
        d += self.by_observation
        if self.slope:
            d += slope[:, :, None] * self.by_slope
        determinant = np.log(d).sum(axis=2)
        np.divide(1.0, d, out=d)
        found = d @ self.columns
        squares = found[:, :, 0]
        if self.slope:
            more = 1 + d @ self.corner_squares
            squares = squares - (found[:, :, 1:] ** 2 / more).sum(axis=2)
            determinant = determinant + np.log(more[:, :, 0] * more[:, :, 1])
        return squares, determinant


@lru_cache(maxsize=16)
def _even_parts(size: int, g: float, slope: bool) -> tuple[Ints, Floats, Floats, Floats, Floats]:
    """Sines in order (those of odd number first), what observation, level and slope do to each, a corner.

    The sines are the eigenvectors of the second-difference matrix and of its square, which is what noise does
    but for the two corners.
    """
    order = np.r_[0:size:2, 1:size:2]
    angle = np.pi * (order + 1) / (size + 1)
    wave = 2 - 2 * np.cos(angle)
    corner = np.zeros((size, 2))
    odd = (size + 1) // 2
    sine = np.sqrt(4 / (size + 1)) * np.sin(angle) / g
    corner[:odd, 0], corner[odd:, 1] = sine[:odd], sine[odd:]
    if not slope:
        return order, wave, np.full(size, g), np.zeros(size), corner
    return order, (wave / g) ** 2, wave / g, g - (g * g - 1) / (6 * g) * wave, corner


class _Uneven:
    """One series on any days: the differences' covariance is a band of two."""

    def __init__(self, time: Floats, y: Floats, slope: bool) -> None:
        g = np.diff(time)
        rate = np.diff(y)
        if not slope:
            self.difference = rate
            self.parts = [_band(2.0, -1.0, size=g.size), _band(g), _band(0.0, size=g.size)]
        else:
            self.difference = np.diff(rate / g)
            a, b = g[:-1], g[1:]
            self.parts = [
                _band(
                    a**-2.0 + (1 / a + 1 / b) ** 2 + b**-2.0,
                    -(1 / b[:-1]) * (1 / a[:-1] + 2 / b[:-1] + 1 / b[1:]),
                    1 / (b[:-2] * a[2:]),
                ),
                _band(1 / a + 1 / b, -1 / b[:-1]),
                _band(
                    (a + 1) * (2 * a + 1) / (6 * a) + (b - 1) * (2 * b - 1) / (6 * b),
                    (b[:-1] ** 2 - 1) / (6 * b[:-1]),
                ),
            ]
        self.size = self.difference.size

    def __call__(self, level: Floats, slope: Floats) -> tuple[Floats, Floats]:
        first, by_level, by_slope = self.parts
        ratios = level[0][:, None, None], slope[0][:, None, None]
        band = first + ratios[0] * by_level + ratios[1] * by_slope
        factor, wrong = dpbtrf(band.reshape(-1, 3).T, lower=1, overwrite_ab=1)
        if wrong:
            raise ValueError("the series cannot be told from rounding; give it in a smaller unit")
        white, _ = dtbtrs(factor, np.tile(self.difference, level.shape[1])[:, None], uplo="L")
        shape = (level.shape[1], self.size)
        squares = (white.reshape(shape) ** 2).sum(axis=1)
        return squares[None], 2 * np.log(factor[0].reshape(shape)).sum(axis=1)[None]


def _band(own: ArrayLike, next_: ArrayLike = 0.0, second: ArrayLike = 0.0, *, size: int = 0) -> Floats:
    made = np.zeros((size or np.size(own), 3))
    made[:, 0], made[:-1, 1], made[:-2, 2] = own, next_, second
    return made


LEVEL_RANGE = (1e-4, 1e3)
"""[1] Ratios of the level's variance over a usual gap to the observation's that are tried, besides zero."""
SLOPE_RANGE = (1e-2, 1e1)
"""[1] The same of the slope's. The lower end is what the slope would add to the level over all values."""
GRID = (10, 13)
ROUNDS = (0.5, 0.17, 0.05, 0.015)
"""[1] Width of each search round the best so far, in steps of the grid."""


def fit(time: ArrayLike, y: ArrayLike, *, slope: bool = True) -> Fit:
    """Variances of largest diffuse likelihood, of every series on its own.

    The observation's variance is known once the ratios are, which leaves one or two numbers: a grid of their
    logarithms, then parabolas through nine points round the best, narrowed four times, all series at once.
    Zero is tried for each.

    Parameters
    ----------
    time : array_like, shape (t,)
        Days, strictly increasing whole numbers. [d]
    y : array_like, shape (t,) or (s, t)
        Values, NaN where a day has none. [any unit]
    slope : bool
        Fit a local linear trend; otherwise a local level.

    Raises
    ------
    NotEnoughValues
        If a series has fewer than six values, or they do not vary.
    """
    days, values = _arranged(time, y)
    seen = ~np.isnan(values)
    _need(seen, 6)
    gaps = np.diff(days)
    if seen.all() and (gaps == gaps[0]).all():
        return _fitted(_Even(float(gaps[0]), values, slope), gaps[None], slope)
    fits = [
        _fitted(_Uneven(days[here], one[here], slope), np.diff(days[here])[None], slope)
        for here, one in zip(seen, values, strict=True)
    ]
    variances = [one.variances for one in fits]
    return Fit(
        Variances(
            np.concatenate([v.observation for v in variances]),
            np.concatenate([v.level for v in variances]),
            np.concatenate([v.slope for v in variances if v.slope is not None]) if slope else None,
        ),
        np.concatenate([one.log_likelihood for one in fits]),
    )


def log_likelihood(time: ArrayLike, y: ArrayLike, variances: Variances) -> Floats:
    """Diffuse log-likelihood of each series, shape (s,), counted like the filter's.

    Raises
    ------
    NotEnoughValues
        If a series has no more values than the start has unknowns.
    """
    days, values = _arranged(time, y)
    r, ql, qs = _spread(variances, values.shape[0])
    slope = variances.slope is not None
    seen = ~np.isnan(values)
    _need(seen, 3 if slope else 2)
    if (r <= 0).any():
        raise ValueError("the likelihood needs an observation variance above zero")
    found = np.empty(values.shape[0])
    for n, here in enumerate(seen):
        profile = _Uneven(days[here], values[n, here], slope)
        squares, determinant = profile(np.array([[ql[n] / r[n]]]), np.array([[qs[n] / r[n]]]))
        size = profile.size
        found[n] = -0.5 * (
            size * (LOG_2PI + math.log(r[n])) + determinant[0, 0] + squares[0, 0] / r[n]
        ) - slope * float(np.log(np.diff(days[here])).sum())
    return found


@lru_cache(maxsize=16)
def _grid(slope: bool, gap: float, steps: int) -> tuple[Floats, Floats]:
    """Logarithms of the ratios at the grid's points, (2, k), and their spacing, (2,)."""
    first = np.log(np.geomspace(LEVEL_RANGE[0] / gap, LEVEL_RANGE[1] / gap, GRID[0]))
    if not slope:
        return np.stack([first, np.full(first.size, -np.inf)]), np.array([first[1] - first[0], 0.0])
    # A gap's share of the slope goes with its cube, the whole series' with that of all gaps.
    least = 3 * SLOPE_RANGE[0] / (steps * gap) ** 3
    second = np.log(np.geomspace(least, SLOPE_RANGE[1] / gap**3, GRID[1]))
    points = np.stack([np.repeat(first, second.size), np.tile(second, first.size)])
    return points, np.array([first[1] - first[0], second[1] - second[0]])


# Nine points round a centre, and the matrix that reads a parabola's coefficients off their values.
_NINE = np.array([[a, b] for a in (-1.0, 0.0, 1.0) for b in (-1.0, 0.0, 1.0)]).T
_THREE = np.array([[-1.0, 0.0, 1.0], [0.0, 0.0, 0.0]])


def _reader(points: Floats) -> Floats:
    a, b = points
    columns = [np.ones_like(a), a, b, a * a / 2, a * b, b * b / 2]
    return np.linalg.pinv(np.stack(columns, axis=1))


_READ_NINE, _READ_THREE = _reader(_NINE), _reader(_THREE)


def _fitted(profile: _Profile, gaps: Floats, slope: bool) -> Fit:
    size = profile.size

    def score(log_ratios: Floats) -> tuple[Floats, Floats]:
        squares, determinant = profile(*np.exp(log_ratios))
        if not (squares > 0).all():
            raise NotEnoughValues("equal values, or values on one line, have no variances; needs others")
        return size * np.log(squares) + determinant, squares

    grid, spacing = _grid(slope, float(np.median(gaps)), size + 2)
    stencil, read = (_NINE, _READ_NINE) if slope else (_THREE, _READ_THREE)
    cost, _ = score(grid[:, None, :])
    best = grid[:, cost.argmin(axis=1)]  # (2, s)
    low, high = grid.min(axis=1)[:, None], grid.max(axis=1)[:, None]
    for share in ROUNDS:
        width = (share * spacing)[:, None]
        cost, _ = score(best[:, :, None] + width[:, :, None] * stencil[:, None, :])
        _, a, b, aa, ab, bb = read @ cost.T
        # The parabola's own minimum where it has one within a few widths, else the best of the points.
        determinant = aa * bb - ab * ab if slope else aa
        bowl = (aa > 0) & (determinant > 0)
        safe = np.where(bowl, determinant, 1.0)
        step = np.stack([b * ab - a * bb, a * ab - b * aa] if slope else [-a, 0 * a]) / safe
        inside = bowl & (np.abs(step) < 3).all(axis=0)
        best = best + width * np.where(inside, step, stencil[:, cost.argmin(axis=1)])
        best = np.clip(best, low, high)
    found = best[:, :, None]
    if slope:
        found = np.concatenate([found, _edges(best, score, 0.5 * spacing)], axis=2)
    found = np.concatenate([found, np.full_like(found[:, :, :1], -np.inf)], axis=2)
    cost, squares = score(found)
    pick = np.arange(cost.shape[0]), cost.argmin(axis=1)
    observation = squares[pick] / size
    ratios = np.exp(found[:, pick[0], pick[1]])
    steady = slope * float(np.log(gaps).sum())
    return Fit(
        Variances(observation, ratios[0] * observation, ratios[1] * observation if slope else None),
        -0.5 * (size * (LOG_2PI + 1 - math.log(size)) + cost[pick]) - steady,
    )


def _edges(best: Floats, score: Callable[[Floats], tuple[Floats, Floats]], width: Floats) -> Floats:
    """The best where one of the two does not move at all: logarithms of the ratios, (2, s, 2)."""
    still = np.repeat(best[:, :, None], 6, axis=2)
    reach = np.array([-1.0, 0.0, 1.0])
    still[0, :, :3] += width[0] * reach
    still[1, :, 3:] += width[1] * reach
    still[1, :, :3] = still[0, :, 3:] = -np.inf
    cost, _ = score(still)
    left, middle, right = cost.reshape(-1, 2, 3).transpose(2, 0, 1)
    bend = left - 2 * middle + right
    step = np.where(bend > 0, 0.5 * (left - right) / np.where(bend > 0, bend, 1.0), np.sign(left - right))
    found = still[:, :, [1, 4]]
    found[0, :, 0] += width[0] * np.clip(step[:, 0], -2, 2)
    found[1, :, 1] += width[1] * np.clip(step[:, 1], -2, 2)
    return found


# What every function is given ---------------------------------------------------------------------


def _arranged(time: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
    days, values = np.asarray(time, float), np.atleast_2d(np.asarray(y, float))
    if days.ndim != 1 or values.ndim != 2 or values.shape[1] != days.size or not days.size:
        raise ValueError(f"need one value a day and series, got {np.shape(time)} days, {np.shape(y)} values")
    if not (np.diff(days) >= 1).all() or (days != np.rint(days)).any():
        raise ValueError("days must be whole numbers, each after the one before")
    if np.isinf(values).any():
        raise ValueError("values must be finite, or NaN where there is none")
    return days, values


def _spread(variances: Variances, count: int) -> tuple[Floats, Floats, Floats]:
    given = (variances.observation, variances.level, variances.slope)
    parts = [np.zeros(1) if one is None else np.asarray(one, float) for one in given]
    if any(one.size not in (1, count) for one in parts):
        raise ValueError(f"need variances of one or of {count} series")
    r, ql, qs = (one if one.size == count else np.repeat(one, count) for one in parts)
    return r, ql, qs


def _need(seen: Bools, values: int) -> None:
    fewest = int(seen.sum(axis=1).min())
    if fewest < values:
        raise NotEnoughValues(f"needs {values} values, has {fewest}")
