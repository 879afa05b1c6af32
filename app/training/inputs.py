"""What recent work does to the strength that is expressed today: unfamiliar work, fatigue, days away.

Each input is a plain function of the log, with a size of its own that :mod:`trend` estimates per lifter.
All three are sums of decaying contributions, which one running total computes exactly.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from app.training.records import Floats, Ints

FAMILIAR_DAYS = 25.0
"""[d] How long work of one kind stays familiar without it. Expert table: maximal strength 30 +- 5 days,
strength endurance 15 +- 5 days (Issurin 2008, ``shared/residual_effects.csv``)."""
FAMILIAR_A_SESSION = 0.35  # [1] share of the unfamiliarity that a session of that work takes away
NEIGHBOUR = 0.4  # [1] what a session in one zone of repetitions is worth in the next
FATIGUE_DAYS = 8.0  # [d] half way between the short times of lifters' practice and the 15 d of runners
FREE_DAYS = 7.0  # [d] without the lift before anything is lost
MOST_WEEKS_AWAY = 8.0
BACK_DAYS = 16.0  # [d] in which what was lost by days away comes back
ZONES = np.array([3, 5, 7, 10, 15])  # [reps] first count of every zone but the first
COUNT = 3  # inputs: unfamiliar, fatigue, away


@dataclass(frozen=True, slots=True)
class LiftInputs:
    """Sessions of one lift, oldest first, and what they leave behind."""

    day: Ints  # (s,)
    share: Floats  # (s, z) of the session's sets in each zone
    session_stress: Floats  # (s,)
    familiar: Floats  # (s, z) state right after each session, in sessions
    before: Floats  # (z,) what was familiar when the log began
    stress: Floats  # (s,) state right after each session
    away: Floats  # (s,) [weeks]
    usual_stress: float  # mean of the fatigue state over the log


def _after(t: Floats, value: Floats, tau: float) -> Floats:
    """State right after each session: the sum of what it and those before it added, decayed since.

    A running total of value x exp(t / tau) is exact; it is taken in stretches, or it would overflow.
    """
    out = np.empty_like(value)
    carry = np.zeros(value.shape[1:])
    stretch = np.floor((t - t[0]) / (300 * tau))
    edges = [0, *(np.flatnonzero(np.diff(stretch)) + 1).tolist(), t.size]
    for low, high in pairwise(edges):
        grown = np.exp((t[low:high] - t[low]) / tau).reshape(-1, *([1] * (value.ndim - 1)))
        out[low:high] = (np.cumsum(value[low:high] * grown, axis=0) + carry) / grown
        if high < t.size:
            carry = out[high - 1] * np.exp(-(t[high] - t[high - 1]) / tau)
    return out


def _weeks_away(days: Floats) -> Floats:
    """Weeks without the lift that cost strength; what is lost in longer absences is not extrapolated."""
    return np.clip(days - FREE_DAYS, 0.0, 7 * MOST_WEEKS_AWAY) / 7


def prepare(day: Ints, session: Ints, reps: Floats, stress: Floats) -> LiftInputs:
    """From the working sets of one lift.

    Parameters
    ----------
    day : ndarray, shape (s,)
        Day of each session, ascending. [d]
    session : ndarray, shape (n,)
        Position in ``day`` of each set's session.
    reps : ndarray, shape (n,)
        [reps]
    stress : ndarray, shape (n,)
        What each set costs. [any unit]
    """
    zones = ZONES.size + 1
    cell = session * zones + np.searchsorted(ZONES, reps, side="right")
    count = np.bincount(cell, minlength=day.size * zones).reshape(day.size, zones).astype(float)
    share = count / np.maximum(count.sum(axis=1, keepdims=True), 1.0)
    # Nobody starts from nothing with the log: what was done in its first three weeks was done before.
    before: Floats = _worth(share[day - day[0] < 21]).sum(axis=0) / 21 * FAMILIAR_DAYS
    total = np.bincount(session, stress, day.size).astype(float)
    span = max(float(day[-1] - day[0]) + 7.0, 28.0)
    usual = max(float(total.sum()) * FATIGUE_DAYS / span, 1e-9)
    return _from_sessions(day, share, total, before, usual)


def _worth(share: Floats) -> Floats:
    """What sessions are worth to the familiarity of each zone, shape (s, z). [sessions]"""
    worth = share.copy()
    worth[:, 1:] += NEIGHBOUR * share[:, :-1]
    worth[:, :-1] += NEIGHBOUR * share[:, 1:]
    return np.minimum(worth, 1.0)


def _from_sessions(day: Ints, share: Floats, stress: Floats, before: Floats, usual: float) -> LiftInputs:
    t = (day - day[0]).astype(float)
    return LiftInputs(
        day=day,
        share=share,
        session_stress=stress,
        familiar=_after(t, _worth(share), FAMILIAR_DAYS),
        before=before,
        stress=_after(t, stress, FATIGUE_DAYS),
        away=_after(t, _weeks_away(np.diff(t, prepend=t[0])), BACK_DAYS),
        usual_stress=usual,
    )


def _state(x: LiftInputs, day: Ints, last: Ints, share: Floats, gap: Floats) -> Floats:
    """Inputs on days, given the last session before each (-1: none), the work asked about and weeks away."""
    seen = (last >= 0).astype(float)
    since = np.maximum(day - x.day[last], 0).astype(float)
    known = (seen * np.exp(-since / FAMILIAR_DAYS))[:, None] * x.familiar[last]
    known += np.exp(-(day - x.day[0]) / FAMILIAR_DAYS)[:, None] * x.before
    unfamiliar = (share * np.exp(-FAMILIAR_A_SESSION * known)).sum(axis=1)
    fatigue = seen * np.exp(-since / FATIGUE_DAYS) * x.stress[last] / x.usual_stress - 1.0
    away = seen * np.exp(-since / BACK_DAYS) * x.away[last] + gap
    return np.stack([unfamiliar, fatigue, away], axis=1)


def at_sessions(x: LiftInputs) -> Floats:
    """Unfamiliarity [1], fatigue over its usual [1] and weeks away, as each session begins. Shape (s, 3)."""
    gap = _weeks_away(np.diff(x.day, prepend=x.day[0]).astype(float))
    return _state(x, x.day, np.arange(x.day.size) - 1, x.share, gap)


def extend(x: LiftInputs, after: int, until: int, kind_of: Callable[[Ints], Ints]) -> LiftInputs:
    """The same lift trained on as it was: planned kinds of work on the lifter's usual days between two days.

    ``kind_of`` numbers the kind of block days lie in. What such a block consists of is read from the lifter's
    own last eighteen sessions in one, from the last six of all where there were too few. What comes back is
    to be asked about days after ``after`` only.
    """
    step = float(np.clip(np.median(np.diff(x.day[-12:])), 1.0, 14.0)) if x.day.size > 3 else 7.0
    days = np.arange(max(int(x.day[-1]) + step, after + 1), until, step).astype(np.int64)
    past, planned = kind_of(x.day[-150:]), kind_of(days)
    share, stress = np.empty((days.size, x.share.shape[1])), np.empty(days.size)
    for kind in np.unique(planned):
        alike = np.flatnonzero(past == kind)[-18:]
        alike = alike - past.size if alike.size >= 3 else np.arange(-min(6, past.size), 0)
        share[planned == kind] = x.share[alike].mean(axis=0)
        stress[planned == kind] = x.session_stress[alike].mean()
    # What is older than the slowest memory needs not be carried on.
    near = slice(int(np.searchsorted(x.day, after - 12 * FAMILIAR_DAYS)), None)
    return _from_sessions(
        np.concatenate([x.day[near], days]),
        np.concatenate([x.share[near], share]),
        np.concatenate([x.session_stress[near], stress]),
        x.before if near.start == 0 else np.zeros_like(x.before),
        x.usual_stress,
    )


def at_days(x: LiftInputs, day: Ints) -> Floats:
    """The same on any days, in the work done in the two weeks before each. Shape (m, 3)."""
    last = np.searchsorted(x.day, day, side="left") - 1
    near = np.maximum(last, 0)
    first = np.minimum(np.searchsorted(x.day, x.day[near] - 13, side="left"), near)
    running = np.concatenate([np.zeros((1, x.share.shape[1])), np.cumsum(x.share, axis=0)])
    share = (running[near + 1] - running[first]) / (near + 1 - first)[:, None]
    return _state(x, day, last, share, _weeks_away((day - x.day[near]).astype(float)))
