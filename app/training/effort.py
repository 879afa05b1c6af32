"""Reported effort (RPE on the repetitions-in-reserve scale) and what it says about the true reserve.

The scale is read as RIR = 10 - RPE down to RPE 5. Below that the published scale gives no count of
repetitions, so a lower rating says only "at least five left" [1]_. Lifters mostly stop earlier than they
think: the true reserve is the stated one plus about one repetition [2]_, and the error grows with the
distance from failure [3]_.

References
----------
.. [1] Zourdos MC, Klemp A, Dolan C et al. (2016) J Strength Cond Res 30(1):267-275.
.. [2] Halperin I, Malleron T, Har-Nir I et al. (2022) Sports Med 52(2):377-390.
.. [3] Zourdos MC, Goldsmith JA, Helms ER et al. (2021) J Strength Cond Res 35(2S):S158-S165.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from app.training.records import Bools, Floats

RPE_GRID: Floats = np.arange(2, 21) / 2.0
"""The ratings a form offers: 1 to 10 in halves. [1]"""

LOWEST_COUNTED_RPE = 5.0  # below it the scale carries no count of repetitions [1]
MOST_COUNTED_RIR = 10.0 - LOWEST_COUNTED_RPE

# Pooled under-prediction 0.95 repetitions, 95 % CI 0.17 to 1.73 [2]; shared/effort_accuracy.csv.
BIAS_REPS = 0.95
BIAS_SE_REPS = 0.398
# SD about one at failure (Hackett et al. 2017: about one repetition off at 0-5 left), and below the
# long-set figures 1.73, 2.46 and 2.92 at one, three and five left [3], which are an upper bound.
SD_AT_FAILURE_REPS = 1.0
SD_PER_STATED_REP = 0.38


@dataclass(frozen=True, slots=True)
class ReservePrior:
    """What a rating says before anything is known about the lifter who gave it.

    True reserve = ``stated`` + ``bias`` +- ``sd``, one element a rating; where ``at_least`` is true the
    rating is a floor only. NaN where no rating was given.
    """

    stated: Floats  # [reps]
    bias: Floats  # [reps]
    sd: Floats  # [reps]
    at_least: Bools


def is_valid_rpe(rpe: ArrayLike) -> Bools:
    """True where a rating is one of 1, 1.5, ..., 10. NaN (not reported) is not a rating."""
    values = np.asarray(rpe, dtype=float)
    return np.asarray((values >= 1) & (values <= 10) & (values * 2 == np.round(values * 2)))


def rir_from_rpe(rpe: ArrayLike) -> Floats:
    """Stated repetitions in reserve, RIR = 10 - RPE [1]_.

    Parameters
    ----------
    rpe : array_like, any shape
        Rating, 1 to 10; NaN when not reported. [1]

    Returns
    -------
    ndarray, same shape
        [reps] Five for every rating below 5: the scale says "at least five" there, see
        :func:`reserve_is_at_least`. NaN stays NaN.

    Raises
    ------
    ValueError
        If a rating is outside 1 to 10.

    References
    ----------
    .. [1] Zourdos et al. (2016) J Strength Cond Res 30(1):267-275, scale figure.
    """
    values = np.asarray(rpe, dtype=float)
    if np.any((values < 1) | (values > 10)):
        raise ValueError(f"RPE runs from 1 to 10, got {values[(values < 1) | (values > 10)][:5].tolist()}")
    return np.minimum(10.0 - values, MOST_COUNTED_RIR)


def reserve_is_at_least(rpe: ArrayLike) -> Bools:
    """True where a rating is below 5, so that its reserve is a floor and not a count."""
    return np.asarray(np.asarray(rpe, dtype=float) < LOWEST_COUNTED_RPE)


def rpe_from_rir(rir: ArrayLike) -> Floats:
    """Rating a lifter would give at a true count of repetitions in reserve, RPE = 10 - RIR.

    Parameters
    ----------
    rir : array_like, any shape
        [reps] Less than zero means failure before the last repetition and rates 10.

    Returns
    -------
    ndarray, same shape
        [1] Not rounded to halves. Five stands for "5 or less" where more than five are left.
    """
    return np.clip(10.0 - np.asarray(rir, dtype=float), LOWEST_COUNTED_RPE, 10.0)


def nearest_rpe(rpe: ArrayLike) -> Floats:
    """The rating on the grid of halves nearest to a computed one; halves of halves go up, the safer side."""
    return np.clip(np.floor(np.asarray(rpe, dtype=float) * 2 + 0.5) / 2, 1.0, 10.0)


def describe_rpe(rpe: float) -> str:
    """The rating in words, for a tooltip or a report."""
    if not is_valid_rpe(rpe):
        raise ValueError(f"RPE is one of 1, 1.5, ..., 10, got {rpe!r}")
    if rpe == 10:
        return "no repetitions left"
    if rpe == 9.5:
        return "no repetitions left, perhaps a little more load"
    if rpe < LOWEST_COUNTED_RPE:
        return "at least 5 repetitions left"
    left = 10 - rpe
    if left != int(left):
        return f"{int(left)} or {int(left) + 1} repetitions left"
    return "1 repetition left" if left == 1 else f"{int(left)} repetitions left"


def rir_prior(rpe: ArrayLike, failed: ArrayLike | None = None) -> ReservePrior:
    """Bias and spread of the true reserve around the stated one.

    Parameters
    ----------
    rpe : array_like, any shape
        Rating, 1 to 10; NaN when not reported. [1]
    failed : array_like of bool, same shape, optional
        A set whose next repetition was tried and missed has no reserve, whatever it was rated.

    Returns
    -------
    ReservePrior
        Bias 0.95 repetitions (people stop earlier than they think) and SD 1 at failure growing by 0.38 a
        stated repetition, to 2.9 five repetitions out; zero bias and SD for failed sets. [reps]

    References
    ----------
    Halperin et al. (2022), Zourdos et al. (2021), Hackett et al. (2017): ``shared/effort_accuracy.csv``.
    """
    values = np.asarray(rpe, dtype=float)
    stated = rir_from_rpe(values)
    known = np.isfinite(stated)
    bias = np.where(known, BIAS_REPS, np.nan)
    sd = SD_AT_FAILURE_REPS + SD_PER_STATED_REP * stated
    at_least = np.atleast_1d(reserve_is_at_least(values)).reshape(values.shape)
    if failed is not None:
        at_failure = np.asarray(failed, dtype=bool)
        stated = np.where(at_failure, 0.0, stated)
        bias = np.where(at_failure, 0.0, bias)
        sd = np.where(at_failure, 0.0, sd)
        at_least = at_least & ~at_failure
    return ReservePrior(stated=stated, bias=bias, sd=sd, at_least=at_least)
