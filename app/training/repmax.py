"""Load, repetitions to failure and the one-repetition maximum.

Two ways to say the same thing. The seven published equations, by name, for a number with a pedigree; and
one smooth family of curves with a single parameter, for a number that is the lifter's own.
Repetitions here are always repetitions *to failure*: done plus in reserve.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from app.training.records import Floats


@dataclass(frozen=True, slots=True)
class Equation:
    """A published equation as the factor between load and 1RM.

    ``multiple`` maps repetitions to 1RM / load, ``reps`` is its inverse. ``below_reps`` is where the
    equation blows up (infinite if nowhere). ``source`` is the reference to print.
    """

    title: str
    multiple: Callable[[Floats], Floats]
    reps: Callable[[Floats], Floats]
    below_reps: float
    source: str


# Constants as in shared/repetition_equations.csv; each was found alike in two independent public lists.
EQUATIONS: Mapping[str, Equation] = {
    "epley": Equation(
        "Epley", lambda r: 1 + r / 30, lambda m: 30 * (m - 1), np.inf, "Epley (1985) Poundage chart, p. 86"
    ),
    "brzycki": Equation(
        "Brzycki",
        lambda r: 36 / (37 - r),
        lambda m: 37 - 36 / m,
        37.0,
        "Brzycki (1993) J Phys Educ Recreat Dance 64(1):88-90",
    ),
    "lander": Equation(
        "Lander",
        lambda r: 100 / (101.3 - 2.67123 * r),
        lambda m: (101.3 - 100 / m) / 2.67123,
        101.3 / 2.67123,
        "Lander (1985) NSCA Journal 6(6):60-61",
    ),
    "lombardi": Equation(
        "Lombardi",
        lambda r: r**0.10,
        lambda m: m**10,
        np.inf,
        "Lombardi (1989) Beginning Weight Training",
    ),
    "mayhew": Equation(
        "Mayhew",
        lambda r: 100 / (52.2 + 41.9 * np.exp(-0.055 * r)),
        lambda m: -np.log((100 / m - 52.2) / 41.9) / 0.055,
        np.inf,
        "Mayhew et al. (1992) J Appl Sport Sci Res 6(4):200-206",
    ),
    "oconner": Equation(
        "O'Conner",
        lambda r: 1 + 0.025 * r,
        lambda m: (m - 1) / 0.025,
        np.inf,
        "O'Conner et al. (1989) Weight Training Today",
    ),
    "wathan": Equation(
        "Wathan",
        lambda r: 100 / (48.8 + 53.8 * np.exp(-0.075 * r)),
        lambda m: -np.log((100 / m - 48.8) / 53.8) / 0.075,
        np.inf,
        "Wathan (1994) Load assignment, in Essentials of Strength Training and Conditioning",
    ),
}

DEFAULT_EQUATION = "epley"

TRUSTED_REPS = 10.0
"""[reps] Equations were made for sets of one to ten; beyond, half of them read high and half low
(Mayhew et al. 1995, J Sports Med Phys Fitness 35:108-113)."""

POPULATION_STEEPNESS = 29.0
"""[reps] Steepness before anything is known of the lifter: see :func:`fraction_at`."""

STEEPNESS_LOG_SD = 0.27
"""[1] Spread of ln(steepness) between lifters at one exercise.

Published repetitions at a load, mean and SD between people, read through the curve: back squat at 70 %
16 +- 4 gives a relative spread of 4 / 15 = 0.27; leg press of weightlifters at 80 % 11.8 +- 2.7 gives
2.7 / 10.8 = 0.25, of runners 19.8 +- 6.4 gives 0.34 (``shared/repetitions_at_load.csv``, kind measured).
"""


def _equation(name: str) -> Equation:
    try:
        return EQUATIONS[name]
    except KeyError:
        raise ValueError(f"no equation is named {name!r}: choose one of {', '.join(EQUATIONS)}") from None


def load_fraction(reps_to_failure: ArrayLike, equation: str = DEFAULT_EQUATION) -> Floats:
    """Load that allows so many repetitions, as a fraction of the 1RM.

    Parameters
    ----------
    reps_to_failure : array_like, any shape
        Repetitions done plus in reserve, not necessarily whole. [reps]
    equation : str
        A key of ``EQUATIONS``.

    Returns
    -------
    ndarray, same shape
        [1] Exactly 1 at one repetition: five of the seven equations do not give a single back, so a single
        to failure bypasses them and is its own 1RM. NaN where the equation has no answer: below one
        repetition, and from 37 (Brzycki) or 37.92 (Lander) repetitions on.

    Raises
    ------
    ValueError
        If the equation is not one of the seven.
    """
    published = _equation(equation)
    reps = np.asarray(reps_to_failure, dtype=float)
    inside = (reps >= 1) & (reps < published.below_reps)
    multiple = published.multiple(np.where(inside, reps, 2.0))
    return np.where(inside, np.where(reps == 1, 1.0, 1 / multiple), np.nan)


def reps_at_load_fraction(fraction: ArrayLike, equation: str = DEFAULT_EQUATION) -> Floats:
    """Repetitions to failure that a fraction of the 1RM allows; the inverse of :func:`load_fraction`.

    Parameters
    ----------
    fraction : array_like, any shape
        Load over 1RM. [1]
    equation : str
        A key of ``EQUATIONS``.

    Returns
    -------
    ndarray, same shape
        [reps] One from the equation's own value at one repetition up to a fraction of 1. NaN at zero or
        less, above 1, and where the equation never comes down that far (Mayhew stops at 0.522 and Wathan
        at 0.488 of the 1RM).

    Raises
    ------
    ValueError
        If the equation is not one of the seven.
    """
    published = _equation(equation)
    share = np.asarray(fraction, dtype=float)
    inside = (share > 0) & (share <= 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        reps = published.reps(1 / np.where(inside, share, 1.0))
    return np.where(inside & np.isfinite(reps), np.maximum(reps, 1.0), np.nan)


def e1rm(load: ArrayLike, reps_to_failure: ArrayLike, equation: str = DEFAULT_EQUATION) -> Floats:
    """One-repetition maximum by a published equation.

    Parameters
    ----------
    load : array_like
        Mass moved, body mass share included where the exercise has one. [kg]
    reps_to_failure : array_like, broadcastable with load
        Repetitions done plus in reserve. [reps]
    equation : str
        A key of ``EQUATIONS``.

    Returns
    -------
    ndarray, broadcast shape
        [kg] NaN outside the equation's domain, see :func:`load_fraction`.

    Raises
    ------
    ValueError
        If the equation is not one of the seven.

    References
    ----------
    ``shared/repetition_equations.csv`` names the source of each.
    """
    return np.asarray(load, dtype=float) / load_fraction(reps_to_failure, equation)


def fraction_at(reps_to_failure: ArrayLike, steepness: ArrayLike = POPULATION_STEEPNESS) -> Floats:
    r"""Load fraction on the individual curve.

    .. math:: f(r) = \frac{1}{1 + (r - 1) / k}

    Parameters
    ----------
    reps_to_failure : array_like
        Repetitions :math:`r`; any number above ``1 - steepness``, so that a filter may pass through loads
        above the maximum. [reps]
    steepness : array_like, broadcastable
        :math:`k`: repetitions beyond the first at half of the 1RM. A large value belongs to a lifter who
        can do many repetitions at a given fraction. [reps]

    Returns
    -------
    ndarray, broadcast shape
        Load over 1RM; 1 at one repetition for every lifter. [1]

    Raises
    ------
    ValueError
        If a steepness is not positive.

    Notes
    -----
    The hyperbola is Epley's and O'Conner's form made to pass through the single: repetitions are linear in
    the steepness *and* in 1RM / load, which is what a linear filter wants. Fitted to the textbook table
    (``shared/repetitions_at_load.csv``) for 2 to 10 repetitions k is 27; the seven equations at 10
    repetitions lie between 25.9 (Wathan) and 36 (O'Conner); trained men's back squat at 70 % gives 35.
    The population value 29 sits between. Between lifters ln k spreads by about 0.27.
    """
    k = np.asarray(steepness, dtype=float)
    if np.any(k <= 0):
        raise ValueError("steepness must be positive: it is a number of repetitions")
    return np.asarray(1 / (1 + (np.asarray(reps_to_failure, dtype=float) - 1) / k))


def reps_at(fraction: ArrayLike, steepness: ArrayLike = POPULATION_STEEPNESS) -> Floats:
    """Repetitions to failure at a load fraction on the individual curve; inverse of :func:`fraction_at`.

    Parameters
    ----------
    fraction : array_like
        Load over 1RM, positive; above 1 gives less than one repetition. [1]
    steepness : array_like, broadcastable
        See :func:`fraction_at`. [reps]

    Returns
    -------
    ndarray, broadcast shape
        [reps]

    Raises
    ------
    ValueError
        If a fraction or a steepness is not positive.
    """
    share, k = np.asarray(fraction, dtype=float), np.asarray(steepness, dtype=float)
    if np.any(share <= 0) or np.any(k <= 0):
        raise ValueError("load fraction and steepness must be positive")
    return np.asarray(1 + k * (1 / share - 1))


def e1rm_at(
    load: ArrayLike, reps_to_failure: ArrayLike, steepness: ArrayLike = POPULATION_STEEPNESS
) -> Floats:
    """One-repetition maximum on the individual curve. [kg]

    Parameters and errors as in :func:`fraction_at`; ``load`` is the mass moved. [kg]
    """
    return np.asarray(load, dtype=float) / fraction_at(reps_to_failure, steepness)


def steepness_from(fraction: ArrayLike, reps_to_failure: ArrayLike) -> Floats:
    """Steepness of the curve through one point: so many repetitions at such a fraction. [reps]

    Raises
    ------
    ValueError
        If a fraction is not strictly between 0 and 1, or the repetitions are not above one: the point
        (1 repetition, the whole 1RM) lies on every curve and says nothing.
    """
    share, reps = np.asarray(fraction, dtype=float), np.asarray(reps_to_failure, dtype=float)
    if np.any((share <= 0) | (share >= 1) | (reps <= 1)):
        raise ValueError("need a fraction between 0 and 1 and more than one repetition")
    return np.asarray((reps - 1) * share / (1 - share))
