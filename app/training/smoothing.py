"""Exact filtering and smoothing of one series on irregular days, and partial pooling over groups.

A local level (random walk) or a local linear trend (random walk with a slope that is a random walk itself),
observed with noise [1]_. Days are whole; days without an observation are missing steps of the daily model, so
that any spacing gives what the daily filter would. The start is exactly diffuse: the first observation (or
the first two) define the state, and their constants are left out of the likelihood.

References
----------
.. [1] Durbin J, Koopman SJ (2012) Time Series Analysis by State Space Methods, 2nd ed. Oxford UP, ch. 2-5.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from app.training.records import Floats, Ints

_STEADY = 1e-13  # relative change under which a variance has converged


@dataclass(frozen=True, slots=True)
class Smoothed:
    """A smoothed series, one element an observation. ``slope`` is zero for a local level."""

    day: Ints  # (n,) [d]
    level: Floats  # (n,) smoothed
    level_var: Floats  # (n,)
    slope: Floats  # (n,) [1/d]
    slope_var: Floats  # (n,)
    filtered: Floats  # (n,) level given observations up to each
    filtered_var: Floats  # (n,)
    log_likelihood: float

    def forecast(self, days_ahead: float) -> float:
        """Level plus slope carried on from the last observation."""
        return float(self.level[-1] + days_ahead * self.slope[-1])


def _checked(day: Ints, y: Floats, least: int) -> tuple[list[int], list[float]]:
    told = np.isfinite(y)
    days, values = np.asarray(day)[told], np.asarray(y, dtype=float)[told]
    if values.size < least or np.any(np.diff(days) <= 0):
        raise ValueError(f"need at least {least} observations on ascending days, got {values.size}")
    return days.tolist(), values.tolist()


def local_level(day: Ints, y: Floats, *, noise_var: float, level_var: float) -> Smoothed:
    """Filter and smooth a random walk observed with noise [1]_.

    Parameters
    ----------
    day : ndarray, shape (m,)
        Ascending. [d]
    y : ndarray, shape (m,)
        Observations, NaN where missing. [any unit]
    noise_var, level_var : float
        Variance of an observation, and of the walk's step in a day. [unit of y squared]

    Returns
    -------
    Smoothed
        One element for each observation that is not missing. The log-likelihood leaves out the first
        observation's constant.

    Raises
    ------
    ValueError
        If there is no observation, days do not ascend or a variance is not positive.

    References
    ----------
    .. [1] Durbin & Koopman (2012), section 2.2 (filter), 2.4 (smoother), 2.9 (diffuse start).
    """
    if noise_var <= 0 or level_var < 0:
        raise ValueError(f"need a positive noise variance and a level variance, got {noise_var}, {level_var}")
    days, values = _checked(day, y, 1)
    a, p, total = values[0], noise_var, 0.0
    level, variance, predicted = [a], [p], [math.inf]
    for i in range(1, len(values)):
        p += level_var * (days[i] - days[i - 1])
        f, v = p + noise_var, values[i] - a
        gain = p / f
        predicted.append(p)
        a, p = a + gain * v, p - gain * p
        total -= 0.5 * (math.log(2 * math.pi * f) + v * v / f)
        level.append(a)
        variance.append(p)
    smooth, smooth_var = level[:], variance[:]
    for i in range(len(values) - 2, -1, -1):
        back = variance[i] / predicted[i + 1]
        smooth[i] += back * (smooth[i + 1] - level[i])
        smooth_var[i] += back * back * (smooth_var[i + 1] - predicted[i + 1])
    flat = np.zeros(len(values))
    return Smoothed(
        np.array(days),
        np.array(smooth),
        np.array(smooth_var),
        flat,
        flat,
        np.array(level),
        np.array(variance),
        total,
    )


def _steps(d: int, level_var: float, slope_var: float) -> tuple[float, float, float]:
    """Covariance of d days' moves of level and slope: sums over the days of the daily model."""
    return (
        d * level_var + slope_var * d * (d - 1) * (2 * d - 1) / 6,
        slope_var * d * (d - 1) / 2,
        slope_var * d,
    )


def local_linear_trend(
    day: Ints, y: Floats, *, noise_var: float, level_var: float, slope_var: float
) -> Smoothed:
    """Filter and smooth a level with a wandering slope, observed with noise [1]_.

    Parameters
    ----------
    day, y : ndarray, shape (m,)
        As :func:`local_level`; at least two observations.
    noise_var, level_var, slope_var : float
        Variance of an observation and, by day, of the level's and the slope's steps; positive.

    Returns
    -------
    Smoothed
        The log-likelihood leaves out the constants of the first two observations.

    Raises
    ------
    ValueError
        If there are fewer than two observations, days do not ascend or a variance is not positive.

    Notes
    -----
    Written out in scalars. Where observations are evenly spaced the variances converge; from there only the
    means are carried on.

    References
    ----------
    .. [1] Durbin & Koopman (2012), section 3.2.1; fixed-interval smoothing by Rauch, Tung and Striebel.
    """
    if min(noise_var, level_var, slope_var) <= 0:
        raise ValueError(f"variances must be positive, got {noise_var}, {level_var}, {slope_var}")
    days, values = _checked(day, y, 2)
    n, gap = len(values), days[1] - days[0]
    # Two observations and nothing before them.
    q11, q12, q22 = _steps(gap, level_var, slope_var)
    a, b = values[1], (values[1] - values[0]) / gap
    p11, p12 = noise_var, noise_var / gap
    p22 = (2 * noise_var + q11) / gap**2 + q22 - 2 * q12 / gap
    means, spreads = [(a, b)], [(p11, p12, p22)]
    gains: list[tuple[float, ...]] = []  # of the smoother, one between two observations
    total, steady, last_gap = 0.0, False, 0
    f = k1 = k2 = log_f = 0.0
    for i in range(2, n):
        gap = days[i] - days[i - 1]
        if gap != last_gap:
            q11, q12, q22 = _steps(gap, level_var, slope_var)
            steady, last_gap = False, gap
        if not steady:
            old = p11
            r11, r12, r22 = p11 + gap * (2 * p12 + gap * p22) + q11, p12 + gap * p22 + q12, p22 + q22
            det = r11 * r22 - r12 * r12
            c11, c12, c21, c22 = p11 + gap * p12, p12, p12 + gap * p22, p22
            g11, g12 = (c11 * r22 - c12 * r12) / det, (c12 * r11 - c11 * r12) / det
            g21, g22 = (c21 * r22 - c22 * r12) / det, (c22 * r11 - c21 * r12) / det
            f = r11 + noise_var
            k1, k2 = r11 / f, r12 / f
            p11, p12, p22 = r11 - k1 * r11, r12 - k1 * r12, r22 - k2 * r12
            log_f = math.log(2 * math.pi * f)
            steady = abs(p11 - old) <= _STEADY * p11
            gain = (g11, g12, g21, g22, r11, r12, r22)
            spread = (p11, p12, p22)
        gains.append(gain)
        a += gap * b
        v = values[i] - a
        a += k1 * v
        b += k2 * v
        total -= 0.5 * (log_f + v * v / f)
        means.append((a, b))
        spreads.append(spread)
    smooth, smooth_spread = _smooth(days, means, spreads, gains)
    first, first_spread = _first(
        values[0], days[1] - days[0], noise_var, level_var, slope_var, smooth[0], smooth_spread[0]
    )
    level = np.array([first, *smooth])
    spread_of = np.array([first_spread, *smooth_spread])
    filtered = np.array([(values[0], 0.0), *means])
    filtered_var = np.array([noise_var, *(s[0] for s in spreads)])
    return Smoothed(
        np.array(days),
        level[:, 0],
        spread_of[:, 0],
        level[:, 1],
        spread_of[:, 2],
        filtered[:, 0],
        filtered_var,
        total,
    )


def _smooth(
    days: Sequence[int],
    means: Sequence[tuple[float, float]],
    spreads: Sequence[tuple[float, float, float]],
    gains: Sequence[tuple[float, ...]],
) -> tuple[list[tuple[float, float]], list[tuple[float, float, float]]]:
    """Backward pass over filtered states, whose first belongs to the second day."""
    (a, b), (s11, s12, s22) = means[-1], spreads[-1]
    smooth, smooth_spread = [(a, b)], [(s11, s12, s22)]
    held: tuple[float, ...] | None = None
    steady = False
    for i in range(len(gains) - 1, -1, -1):
        gain, gap = gains[i], days[i + 2] - days[i + 1]
        g11, g12, g21, g22, r11, r12, r22 = gain
        fa, fb = means[i]
        da, db = a - fa - gap * fb, b - fb
        a, b = fa + g11 * da + g12 * db, fb + g21 * da + g22 * db
        if gain is not held or not steady:
            d11, d12, d22 = s11 - r11, s12 - r12, s22 - r22
            p11, p12, p22 = spreads[i]
            old = s11
            s11 = p11 + g11 * (g11 * d11 + 2 * g12 * d12) + g12 * g12 * d22
            s12 = p12 + g11 * (g21 * d11 + g22 * d12) + g12 * (g21 * d12 + g22 * d22)
            s22 = p22 + g21 * (g21 * d11 + 2 * g22 * d12) + g22 * g22 * d22
            steady, held = gain is held and abs(s11 - old) <= _STEADY * s11, gain
        smooth.append((a, b))
        smooth_spread.append((s11, s12, s22))
    return smooth[::-1], smooth_spread[::-1]


def _first(
    y: float,
    gap: int,
    noise_var: float,
    level_var: float,
    slope_var: float,
    after: tuple[float, float],
    after_spread: tuple[float, float, float],
) -> tuple[tuple[float, float], tuple[float, float, float]]:
    """State at the first observation, before which nothing was known, from the smoothed second."""
    q11, q12, q22 = _steps(gap, level_var, slope_var)
    move, carry = np.array([[q11, q12], [q12, q22]]), np.array([[1.0, gap], [0.0, 1.0]])
    information = np.linalg.inv(move)
    own = carry.T @ information @ carry
    own[0, 0] += 1 / noise_var
    cov = np.linalg.inv(own)
    back = cov @ carry.T @ information
    mean = back @ np.array(after) + cov[:, 0] * y / noise_var
    s11, s12, s22 = after_spread
    cov = cov + back @ np.array([[s11, s12], [s12, s22]]) @ back.T
    return (float(mean[0]), float(mean[1])), (float(cov[0, 0]), float(cov[0, 1]), float(cov[1, 1]))


@dataclass(frozen=True, slots=True)
class Variances:
    """Maximum likelihood variances of a local linear trend. [unit of y squared, by day]"""

    noise_var: float
    level_var: float
    slope_var: float
    log_likelihood: float


# Ratios of the steps' variances to the noise's, by day, that are searched.
_LEVEL_RATIOS = np.geomspace(1e-5, 1e1, 7)
_SLOPE_RATIOS = np.geomspace(1e-9, 1e-2, 7)
_FINE = np.linspace(-0.75, 0.75, 7)  # of a step of those grids


def fit_local_linear_trend(day: Ints, y: Floats) -> tuple[Variances, ...]:
    """Maximum likelihood variances of several series on the same days.

    The noise variance is concentrated out; the two ratios are searched on a grid for all series in one pass,
    then twice on a finer grid around each series' best. Evenly spaced series are judged in their sine
    transform, see :func:`smooth_evenly`, others by the filter.

    Parameters
    ----------
    day : ndarray, shape (n,)
        Ascending. [d]
    y : ndarray, shape (s, n)
        Complete series, at least four observations. [any unit]

    Returns
    -------
    tuple of Variances
        One a series. The log-likelihood is that of :func:`local_linear_trend`.

    Raises
    ------
    ValueError
        If there are fewer than four observations, some are missing or days do not ascend.
    """
    series = np.atleast_2d(np.asarray(y, dtype=float))
    gaps = np.diff(day)
    if series.shape[1] < 4 or not np.isfinite(series).all() or np.any(gaps <= 0):
        raise ValueError(f"need complete series of at least four observations on ascending days, got {y!r}")
    even = bool((gaps == gaps[0]).all())
    level, slope = (g.ravel() for g in np.meshgrid(_LEVEL_RATIOS, _SLOPE_RATIOS, indexing="ij"))
    level, slope = np.tile(level, (len(series), 1)), np.tile(slope, (len(series), 1))
    each = np.arange(len(series))
    step = np.array([_LEVEL_RATIOS[1] / _LEVEL_RATIOS[0], _SLOPE_RATIOS[1] / _SLOPE_RATIOS[0]])
    powers = [g.ravel() for g in np.meshgrid(_FINE, _FINE, indexing="ij")]
    for _ in range(3):
        if even:
            likelihood, noise = _concentrated_evenly(int(gaps[0]), series, level, slope)
        else:
            likelihood, noise = _concentrated(day, series, level, slope)
        best = np.argmax(likelihood, axis=1)
        found = (noise[each, best], level[each, best], slope[each, best], likelihood[each, best])
        level = found[1][:, None] * step[0] ** powers[0]
        slope = found[2][:, None] * step[1] ** powers[1]
        step **= 0.25
    return tuple(
        Variances(float(s2), float(s2 * a), float(s2 * b), float(value))
        for s2, a, b, value in zip(*found, strict=True)
    )


@lru_cache(maxsize=8)
def _sines(m: int) -> tuple[Floats, Floats]:
    """Eigenvalues of the second-difference matrix tridiag(-1, 2, -1) of order m, and its eigenvectors' ends.

    Shapes (m,) and (m, 2); element j of eigenvector k is proportional to sin(pi j k / (m + 1)).
    """
    k = np.arange(1, m + 1)
    ends = math.sqrt(2 / (m + 1)) * np.sin(np.pi * np.outer(k, (1, m)) / (m + 1))
    return 2 - 2 * np.cos(np.pi * k / (m + 1)), ends


def _sine_transform(x: Floats) -> Floats:
    """Last axis in the basis of those eigenvectors; it is its own inverse."""
    m = x.shape[-1]
    spread = np.zeros((*x.shape[:-1], 2 * (m + 1)))
    spread[..., 1 : m + 1] = x
    return np.asarray(np.fft.rfft(spread).imag[..., 1 : m + 1] * -math.sqrt(2 / (m + 1)))


def _diagonals(d: Floats) -> Floats:
    """Diagonals 0, 1 and 2 of V diag(d) V' for the eigenvectors V, shape (3, s, m).

    A product of two sines is a difference of cosines, so that one Fourier transform gives all sums.
    """
    s, m = d.shape
    spread = np.zeros((s, 2 * (m + 1)))
    spread[:, 1 : m + 1] = d
    sums = np.fft.rfft(spread).real / (m + 1)
    # Sums of cosines at 2 i + offset, i = 1 ... m; they are the same backwards.
    around = np.concatenate([sums[:, 2:], sums[:, -2::-1], sums[:, 1:2]], axis=1)
    out = np.empty((3, s, m))
    for offset in range(3):
        out[offset] = sums[:, offset, None] - around[:, offset : offset + 2 * m : 2]
    return out


def _evenly(gap: int, level: Floats, slope: Floats, values: Floats) -> Floats:
    """Variances of the sine transform of second differences, in units of the noise's, but for the corners.

    With steps u of the level and v of the slope over a gap d, a second difference is d v + u' - u + noise'' -
    2 noise' + noise: its covariance is d^2 var(v) I + (var(u) - d cov(u, v)) A + A^2 and one more in the two
    corners, A the second-difference matrix.
    """
    walk = gap * level - slope * (gap * (gap - 1) * (gap + 1) / 6)
    return np.asarray((gap**3 * slope)[..., None] + walk[..., None] * values + values**2)


def _concentrated_evenly(gap: int, y: Floats, level: Floats, slope: Floats) -> tuple[Floats, Floats]:
    """Likelihood with the noise variance at its best, shape (s, g), and that variance."""
    m = y.shape[1] - 2
    values, corner = _sines(m)
    seen = _sine_transform(y[:, 2:] - 2 * y[:, 1:-1] + y[:, :-2])
    d = 1 / _evenly(gap, level, slope, values)  # (s, g, m)
    # The two corners by the matrix inversion lemma; by symmetry a 2 x 2 with equal diagonal.
    own, across = 1 + d @ corner[:, 0] ** 2, d @ (corner[:, 0] * corner[:, 1])
    left, right = ((d * (seen * corner[:, side])[:, None, :]).sum(axis=2) for side in (0, 1))
    det = own**2 - across**2
    quadratic = (d * (seen**2)[:, None, :]).sum(axis=2)
    quadratic -= (own * (left**2 + right**2) - 2 * across * left * right) / det
    noise = quadratic / m
    log_det = np.log(det) - np.log(d).sum(axis=2)
    return -0.5 * (m * (np.log(2 * math.pi * noise) + 1) + log_det), noise


def smooth_evenly(
    y: Floats, *, gap: int, noise_var: Floats, level_var: Floats, slope_var: Floats
) -> tuple[Floats, Floats]:
    """Smoothed levels of evenly spaced complete series, as :func:`local_linear_trend` gives them.

    Second differences of such a series have a covariance that the sine transform makes diagonal, but for two
    corners; the noise is their best linear prediction and the level what is left. All series at once.

    Parameters
    ----------
    y : ndarray, shape (s, n)
        [any unit]
    gap : int
        Days between observations. [d]
    noise_var, level_var, slope_var : ndarray, shape (s,)
        As in :func:`local_linear_trend`.

    Returns
    -------
    level, level_var : ndarray, shape (s, n)

    Raises
    ------
    ValueError
        If a series is shorter than four, incomplete, or a variance is not positive.
    """
    series = np.atleast_2d(np.asarray(y, dtype=float))
    noise, walk, slope = variances = np.array([noise_var, level_var, slope_var], dtype=float)
    if series.shape[1] < 4 or not np.isfinite(series).all() or variances.min() <= 0:
        raise ValueError("need complete series of at least four observations and positive variances")
    s, n = series.shape
    values, corner = _sines(n - 2)
    d = 1 / _evenly(gap, walk / noise, slope / noise, values)  # (s, m)
    seen = _sine_transform(series[:, 2:] - 2 * series[:, 1:-1] + series[:, :-2])
    # By symmetry the second corner is the first one read backwards.
    first, last = corner.T
    own, across = 1 + d @ (first * first), d @ (first * last)
    known_first, known_last = (d * seen) @ first, (d * seen) @ last
    det = own**2 - across**2
    on_first, on_last = (
        (own * known_first - across * known_last) / det,
        (own * known_last - across * known_first) / det,
    )
    solved = d * (seen - on_first[:, None] * first - on_last[:, None] * last)
    spectra = np.empty((2, s, n - 2))
    spectra[0], spectra[1] = solved, d * first
    weight, left = _sine_transform(spectra)
    right = left[:, ::-1]
    left_weighed = (own / det)[:, None] * left - (across / det)[:, None] * right
    right_weighed = left_weighed[:, ::-1]
    noise_seen = np.zeros((s, n))
    noise_seen[:, :-2] += weight
    noise_seen[:, 1:-1] -= 2 * weight
    noise_seen[:, 2:] += weight
    # Variances from the three diagonals of the inverse covariance, corrected for the corners.
    diagonals = _diagonals(d)
    for offset in range(3):
        reach = n - 2 - offset
        diagonals[offset, :, :reach] -= (
            left[:, :reach] * left_weighed[:, offset:] + right[:, :reach] * right_weighed[:, offset:]
        )
    known = np.zeros((s, n))
    known[:, :-2] = diagonals[0]
    known[:, 1:-1] += 4 * diagonals[0]
    known[:, 2:] += diagonals[0]
    pairs = 4 * diagonals[1, :, :-1]
    known[:, 1:-2] -= pairs
    known[:, 2:-1] -= pairs
    known[:, 2:-2] += 2 * diagonals[2, :, :-2]
    return series - noise_seen, noise[:, None] * (1 - known)


def _concentrated(day: Ints, y: Floats, level: Floats, slope: Floats) -> tuple[Floats, Floats]:
    """Likelihood with the noise variance at its best, shape (s, g), and that variance."""
    gaps = np.diff(day).tolist()
    gap = gaps[0]
    q11, q12, q22 = (
        gap * level + slope * gap * (gap - 1) * (2 * gap - 1) / 6,
        slope * gap * (gap - 1) / 2,
        slope * gap,
    )
    a = np.repeat(y[:, 1:2], level.shape[1], axis=1)
    b = np.repeat((y[:, 1:2] - y[:, :1]) / gap, level.shape[1], axis=1)
    p11, p12 = np.ones_like(level), np.full_like(level, 1 / gap)
    p22 = (2 + q11) / gap**2 + q22 - 2 * q12 / gap
    squares, logs = np.zeros_like(level), np.zeros_like(level)
    steady, last, f, k1, k2, log_f = False, 0, p11, p11, p11, p11
    for i, gap in enumerate(gaps[1:], start=2):
        if gap != last:
            q11 = gap * level + slope * (gap * (gap - 1) * (2 * gap - 1) / 6)
            q12, q22 = slope * (gap * (gap - 1) / 2), slope * gap
            steady, last = False, gap
        if not steady:
            r12 = p12 + gap * p22
            r11 = p11 + gap * (p12 + r12) + q11
            r12 += q12
            f = r11 + 1
            k1, k2 = r11 / f, r12 / f
            old, p11, p12, p22 = p11, k1, k2, p22 + q22 - k2 * r12
            log_f = np.log(f)
            steady = i % 8 == 0 and bool((np.abs(p11 - old) <= 1e-9).all())
        a = a + gap * b
        v = y[:, i : i + 1] - a
        a = a + k1 * v
        b = b + k2 * v
        squares += v * v / f
        logs += log_f
    n = y.shape[1] - 2
    noise = squares / n
    return -0.5 * (n * (np.log(2 * math.pi * noise) + 1) + logs), noise


def partial_pool(
    prior_mean: Floats, prior_precision: Floats, moments: Sequence[Floats], places: Sequence[Floats]
) -> tuple[Floats, Floats]:
    """Common and groups' own effects together: Henderson's mixed model equations [1]_.

    Parameters
    ----------
    prior_mean : ndarray, shape (p,)
    prior_precision : ndarray, shape (p, p)
        Zero where nothing is known beforehand.
    moments : sequence of ndarray, shape (k + 1, k + 1)
        Of each group: Z'WZ of the group's observations and design, Z = [y X], W the weights.
    places : sequence of ndarray, shape (k, p)
        Which effects make up each group's coefficients.

    Returns
    -------
    mean : ndarray, shape (p,)
        Estimates of fixed and predictions of random effects.
    covariance : ndarray, shape (p, p)

    References
    ----------
    .. [1] Henderson CR (1975) Biometrics 31(2):423-447.
    """
    information, score = prior_precision.copy(), prior_precision @ prior_mean
    for moment, place in zip(moments, places, strict=True):
        information += place.T @ moment[1:, 1:] @ place
        score += place.T @ moment[1:, 0]
    covariance = np.asarray(np.linalg.inv(information), dtype=float)
    return covariance @ score, covariance
