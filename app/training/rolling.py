"""Rolling load: what the last days and weeks added up to, against the lifter's own.

Series here hold one value a calendar day, oldest first, zero on days of rest.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from app.training.records import Floats, LoadSummary

ACUTE_DAYS = 7
CHRONIC_DAYS = 28
USUAL_WEEKS = 8  # [weeks] the lifter's own recent weeks that this one is compared with
USUAL_WEEKS_NEEDED = 3  # [weeks] fewer say nothing about what is usual
USUAL_PERCENTILES = (20.0, 80.0)

ACUTE_CHRONIC_WARNING = (
    "The ratio of recent to longer-term load describes how this week compares with the weeks before. "
    "It does not predict injury: it is the recent load rescaled by a denominator that adds noise, and a "
    "made-up constant in its place does nearly as well (odds ratio 1.95 against 2.45, c-statistic 0.574 "
    "where 0.5 is no information). Impellizzeri et al. 2021."
)

_NOTHING = 1e-18  # [1] share of a value below which it no longer shows in a double


def _daily(x: Floats) -> Floats:
    series = np.asarray(x, dtype=float)
    if series.ndim != 1 or not np.isfinite(series).all():
        raise ValueError(f"need a finite 1-D series with one value a day, got {x!r}")
    return series


def rolling_sum(x: Floats, days: int) -> Floats:
    """Sum of each day and the ``days - 1`` before it; days before the first count as rest.

    Parameters
    ----------
    x : ndarray, shape (n,)
        One value per calendar day, oldest first. [any unit]
    days : int
        Length of the window. [d]

    Returns
    -------
    ndarray, shape (n,)
        [unit of x]

    Raises
    ------
    ValueError
        If the window is shorter than a day, or x is not one-dimensional and finite.
    """
    series = _daily(x)
    if days < 1:
        raise ValueError(f"the window must be at least one day, got {days}")
    if series.size == 0:
        return series.copy()
    # A convolution and not a difference of running totals: those leave 1e-12 of load on days of rest.
    return np.convolve(series, np.ones(min(days, series.size)))[: series.size]


def span_weight(days: float) -> float:
    """Weight of the newest day for an average that reaches back about N days, 2 / (N + 1) [1]_. [1]

    References
    ----------
    .. [1] Williams S, West S, Cross MJ, Stokes KA (2017) Br J Sports Med 51(3):209-210.
    """
    if days < 1:
        raise ValueError(f"the span must be at least one day, got {days}")
    return 2.0 / (days + 1.0)


def ewma(x: Floats, *, weight: float, start: float) -> Floats:
    """Exponentially weighted moving average of a daily series [1]_.

    Parameters
    ----------
    x : ndarray, shape (n,)
        One value per calendar day, oldest first. [any unit]
    weight : float
        Share of the newest day, 0 < weight <= 1. [1]
    start : float
        Average before the first day. [unit of x]

    Returns
    -------
    ndarray, shape (n,)
        Average at the end of each day. [unit of x]

    Raises
    ------
    ValueError
        If weight is outside (0, 1], or x is not one-dimensional and finite.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.4.
    """
    series = _daily(x)
    if not 0 < weight <= 1 or not np.isfinite(start):
        raise ValueError(f"need weight in (0, 1] and a finite start, got weight={weight}, start={start}")
    # The recursion level += weight * (x - level), unrolled by doubling: once a sum reaches k days back, its
    # own value of k days ago, decayed, makes it reach twice as far. What is decayed to nothing is left out.
    left = 1 - weight
    average = weight * series
    average[:1] += left * start
    reach = 1
    while reach < series.size and (share := left**reach) > _NOTHING:
        average[reach:] += share * average[:-reach]
        reach *= 2
    return average


def start_level(x: Floats, days: int) -> float:
    """Where a moving average starts: the mean of the series' first days, as many as it reaches back.

    A first day of training is never a day of rest, so starting from its load alone reads high for about
    four weeks.
    """
    head = _daily(x)[:days]
    return float(head.mean()) if head.size else 0.0


def monotony(week: Floats, *, ddof: int = 1) -> float:
    """Mean daily load over its standard deviation [1]_.

    Parameters
    ----------
    week : ndarray, shape (n,)
        One value a day, days of rest as zero; Foster's n is 7. [any unit]
    ddof : int
        1 divides the squares by n - 1, 0 by n. The source does not say which; 1 is used, and for seven
        days reads 0.926 of the other. [1]

    Returns
    -------
    float
        [1] NaN where it is undefined: fewer than two days, no load at all, or the same load every day.

    References
    ----------
    .. [1] Foster C (1998) Med Sci Sports Exerc 30(7):1164-1168.
    """
    series = _daily(week)
    spread = float(series.std(ddof=ddof)) if series.size > 1 else 0.0
    # Equal days differ by rounding once they are sums; that much is no variation.
    if spread <= 1e-12 * np.abs(series).max(initial=0.0):
        return float("nan")
    return float(series.mean()) / spread


def strain(week: Floats, *, ddof: int = 1) -> float:
    """Week's load times its monotony [1]_; NaN where the monotony is. [unit of week]

    References
    ----------
    .. [1] Foster C (1998) Med Sci Sports Exerc 30(7):1164-1168.
    """
    return float(_daily(week).sum() * monotony(week, ddof=ddof))


def week_on_week(x: Floats) -> Floats:
    """Each day's last seven days over the seven before, shape (n,). [1] NaN where those were zero."""
    acute = rolling_sum(x, ACUTE_DAYS)
    before = np.concatenate((np.zeros(min(ACUTE_DAYS, acute.size)), acute[:-ACUTE_DAYS]))
    return _ratio(acute, before)


@dataclass(frozen=True, slots=True)
class AcuteChronic:
    """Recent over longer-term load, three ways, one element a day. [1]

    To be shown, if at all, beside ``ACUTE_CHRONIC_WARNING``. ``coupled`` has the acute week in its
    denominator too and cannot pass 4; ``uncoupled`` compares with the three weeks before the week;
    ``decaying`` is the ratio of the 7- and 28-day EWMA. NaN where the denominator is zero.
    """

    coupled: Floats
    uncoupled: Floats
    decaying: Floats
    warning: str = ACUTE_CHRONIC_WARNING


def acute_chronic(x: Floats, *, start: float | None = None) -> AcuteChronic:
    """Ratios of 7-day to 28-day load on each day of a daily series.

    Parameters
    ----------
    x : ndarray, shape (n,)
        One value per calendar day, oldest first. [any unit]
    start : float, optional
        Level of both moving averages before the first day; the first day's own load if not given, the
        convention of the published examples. [unit of x]

    References
    ----------
    Williams et al. (2017) Br J Sports Med 51(3):209-210; Windt & Gabbett (2019) Br J Sports Med
    53(16):988-990; Impellizzeri et al. (2021) Sports Med 51(3):581-592.
    """
    series = _daily(x)
    acute = rolling_sum(series, ACUTE_DAYS)
    chronic = rolling_sum(series, CHRONIC_DAYS)
    weeks = CHRONIC_DAYS // ACUTE_DAYS
    seed = (float(series[0]) if series.size else 0.0) if start is None else start
    fast, slow = (ewma(series, weight=span_weight(n), start=seed) for n in (ACUTE_DAYS, CHRONIC_DAYS))
    return AcuteChronic(
        coupled=_ratio(acute, chronic / weeks),
        uncoupled=_ratio(acute, (chronic - acute) / (weeks - 1)),
        decaying=_ratio(fast, slow),
    )


def usual_week(x: Floats) -> tuple[float, float]:
    """20th and 80th percentile of the weeks before this one, at most eight. [unit of x]

    Weeks are runs of seven days counted back from the day before the last seven, so that today's part
    of the calendar week plays no role. NaN with fewer than three whole weeks.
    """
    series = _daily(x)
    earlier = series[: max(series.size - ACUTE_DAYS, 0)]
    weeks = min(earlier.size // ACUTE_DAYS, USUAL_WEEKS)
    if weeks < USUAL_WEEKS_NEEDED:
        return float("nan"), float("nan")
    totals = earlier[earlier.size - weeks * ACUTE_DAYS :].reshape(weeks, ACUTE_DAYS).sum(axis=1)
    # np.percentile's linear interpolation, without what makes it slow on eight numbers.
    places = np.array(USUAL_PERCENTILES) / 100 * (weeks - 1)
    low, high = np.interp(places, np.arange(weeks), np.sort(totals)).tolist()
    return low, high


def summary(measure: str, daily: Floats) -> LoadSummary:
    """Rolling load of one measure on the last day of its daily series.

    Parameters
    ----------
    measure : str
        One of ``dose.MEASURES``.
    daily : ndarray, shape (n,)
        One value per calendar day from the lifter's first day to the as-of day. [unit of measure]

    Returns
    -------
    LoadSummary
        Sums, averages (7- and 28-day span, started from the mean of the first days), week-on-week change,
        the usual week, Foster's monotony (n - 1) and strain of the last seven days. Days before the
        series count as rest; an empty series is a lifter who has done nothing.

    Raises
    ------
    ValueError
        If the series is not one-dimensional and finite.
    """
    series = _daily(daily)
    week = np.zeros(ACUTE_DAYS)
    tail = series[-ACUTE_DAYS:]
    week[ACUTE_DAYS - tail.size :] = tail
    before = float(series[-2 * ACUTE_DAYS : -ACUTE_DAYS].sum())
    low, high = usual_week(series)
    sameness, total = monotony(week), float(week.sum())
    return LoadSummary(
        measure=measure,
        last_7_days=total,
        last_28_days=float(series[-CHRONIC_DAYS:].sum()),
        ewma_7=_last_average(series, ACUTE_DAYS),
        ewma_28=_last_average(series, CHRONIC_DAYS),
        week_on_week=total / before if before > 0 else float("nan"),
        usual_week_low=low,
        usual_week_high=high,
        monotony=sameness,
        strain=total * sameness,
    )


def _last_average(series: Floats, days: int) -> float:
    """The last value of :func:`ewma` alone: one product instead of the whole series."""
    if series.size == 0:
        return 0.0
    kept = 1 - span_weight(days)
    fading = kept ** np.arange(series.size - 1, -1, -1.0)
    return float((1 - kept) * (fading @ series) + kept * fading[0] * start_level(series, days))


def _ratio(numerator: Floats, denominator: Floats) -> Floats:
    # Rolling sums of many days differ in the last digits; a denominator of pure rounding is no load.
    real = denominator > 1e-9 * np.max(np.abs(numerator), initial=0.0)
    ratio = np.full(numerator.shape, np.nan)
    np.divide(numerator, denominator, out=ratio, where=real)
    return ratio
