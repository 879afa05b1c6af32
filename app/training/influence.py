"""When a day's stress helps a date and when it costs: influence curves of a fitted impulse response.

The published curve [1]_ is that of one unit of stress with a constant gain of fatigue. Here it is that of
one usual training day among others like it, which also has a meaning where the gain of fatigue depends on the
days before [2]_: a day then also makes the fatigue of the days after it larger. With a constant gain the two
are the same but for a factor, and the days on which the curve is zero and largest are the published ones.

References
----------
.. [1] Fitz-Clarke JR, Morton RH, Banister EW (1991) J Appl Physiol 71(3):1151-1158.
.. [2] Busso T (2003) Med Sci Sports Exerc 35(7):1188-1195; equations from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize_scalar

from app.training.records import Floats
from app.training.response import Constants, Response, saturating

LONGEST_DAYS = 120
"""[d] How far back from a date is looked: nearly three of the longest published time constants of fatigue and
as many as the fitness of the last months lives."""
RECENT_DAYS = 56  # [d] that say what training is usual


@dataclass(frozen=True, slots=True)
class Influence:
    """What one usual training day does to strength on a date, by how many days before the date it is.

    ``turns`` is the number of days before the date from which on a training day costs more on the date than
    it brings, 0 where none does; ``best`` the number of days before at which it brings most.
    """

    days_before: Floats  # (n,) [d] 0 to the longest
    effect: Floats  # (n,) in the unit of the constants' base
    turns: float  # [d]
    best: float  # [d]


def day_effect(days_before: Floats, c: Constants, *, stress: float = 1.0, usual: float = 0.0) -> Floats:
    """Effect on a date of one day's stress, so many days before it, shape (n,).

    Parameters
    ----------
    days_before : ndarray, shape (n,)
        Zero or more. [d]
    c : Constants
    stress : float
        Of the day. [unit of stress]
    usual : float
        Mean daily dose of the days round it, after saturation; matters with a ``tau_gain`` alone.

    Returns
    -------
    ndarray, shape (n,)
        Performance on the date with the day less performance without it. [unit of the base]
    """
    t = np.asarray(days_before, dtype=float)
    if (t < 0).any() or stress < 0 or usual < 0:
        raise ValueError("need days before the date, and stress of zero or more")
    dose = float(saturating(np.array([stress]), c.saturation)[0])
    gained = c.k_fitness * dose * np.exp(-t / c.tau_fitness)
    if math.isnan(c.tau_gain):
        return np.asarray(gained - c.k_fatigue * dose * np.exp(-t / c.tau_fatigue))
    # Its own fatigue: the gain is what the days before left, and the day itself.
    before = usual / math.expm1(1 / c.tau_gain)
    own = (before + dose) * np.exp(-t / c.tau_fatigue)
    # What it adds to the gain of the days after it, up to the day before the date: a geometric sum.
    rate = 1 / c.tau_fatigue - 1 / c.tau_gain
    if abs(rate) < 1e-12:
        days = np.maximum(t - 1, 0.0)
    else:
        days = math.exp(rate) * np.expm1(rate * np.maximum(t - 1, 0.0)) / math.expm1(rate)
    later = usual * days * np.exp(-t / c.tau_fatigue)
    return np.asarray(gained - c.k_fatigue * dose * (own + later))


def influence_of(c: Constants, *, stress: float = 1.0, usual: float = 0.0) -> Influence:
    """The influence curve of one day's stress, and the days on which it turns and is best.

    Raises
    ------
    ValueError
        If fitness does not outlast fatigue: every day would then cost or bring alike.
    """
    if not c.tau_fitness > c.tau_fatigue:
        raise ValueError("fitness must outlast fatigue for a day to cost first and bring later")

    def effect(t: float) -> float:
        return float(day_effect(np.array([t]), c, stress=stress, usual=usual)[0])

    days = np.arange(0.0, LONGEST_DAYS + 1.0)
    curve = day_effect(days, c, stress=stress, usual=usual)
    below = np.flatnonzero(curve < 0)
    if not below.size:
        turns = 0.0
    elif below[-1] == days.size - 1:
        turns = float(LONGEST_DAYS)
    else:
        turns = float(brentq(effect, days[below[-1]], days[below[-1] + 1], xtol=1e-12))
    top = int(curve.argmax())
    near = days[max(top - 1, 0)], days[min(top + 1, days.size - 1)]
    found = minimize_scalar(lambda t: -effect(t), bounds=near, method="bounded", options={"xatol": 1e-9})
    best = float(found.x) if -float(found.fun) > curve[top] else float(days[top])
    return Influence(days, curve, turns, best)


def influence_on(fitted: Response) -> Influence:
    """The influence curve of one usual training day of a fitted lift, among its last weeks' training."""
    c = fitted.constants
    usual = float(saturating(fitted.stress[-RECENT_DAYS:], c.saturation).mean())
    return influence_of(c, usual=usual)
