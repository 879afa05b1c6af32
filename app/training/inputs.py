"""What recent work does to the strength that is expressed today: unfamiliar work, fatigue, days away.

Each input is a plain function of the log, with a size of its own that :mod:`trend` estimates per lifter.
All three are sums of decaying contributions, which one running total computes exactly.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
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
_ENDLESS = 4_000_000  # [d] beyond any calendar
COUNT = 3  # inputs: unfamiliar, fatigue, away


@dataclass(frozen=True)
class Inputs:
    """Sessions of every lift, lift by lift and oldest first, and what they leave behind."""

    edges: Ints  # (L + 1,) first session of each lift
    day: Ints  # (s,)
    share: Floats  # (s, z) of the session's sets in each zone
    session_stress: Floats  # (s,)
    left: Floats  # (s, z + 2) state right after each session: familiar zones [sessions], stress, away [weeks]
    before: Floats  # (L, z) what was familiar when the log began
    usual_stress: Floats  # (L,) mean of the fatigue state over the log

    @cached_property
    def lift(self) -> Ints:
        """Lift of each session, shape (s,)."""
        return np.repeat(np.arange(self.edges.size - 1), np.diff(self.edges))

    @cached_property
    def shares_until(self) -> Floats:
        """Sum of the shares of all sessions before each, shape (s + 1, z)."""
        return np.concatenate([np.zeros((1, self.share.shape[1])), np.cumsum(self.share, axis=0)])

    def sessions_before(self, lift: Ints, day: Ints) -> Ints:
        """Place of each lift's first session on a day or later; all sessions lie in this order."""
        return np.searchsorted(self._order, lift * _ENDLESS + day)

    @cached_property
    def _order(self) -> Ints:
        return self.lift * _ENDLESS + self.day


def _left(t: Floats, value: Floats, edges: Ints) -> Floats:
    """State right after each session: what it and its lift's before it added, decayed since.

    A running total of value x exp(t / tau) is exact; it is taken in stretches, or it would overflow.
    """
    tau = np.r_[np.full(value.shape[1] - 2, FAMILIAR_DAYS), FATIGUE_DAYS, BACK_DAYS]
    stretch = np.floor(t / (300 * tau.min()))
    cuts = np.union1d(edges, np.flatnonzero(np.diff(stretch)) + 1)
    begun = np.repeat(t[cuts[:-1]], np.diff(cuts))
    grown = np.exp((t - begun)[:, None] / tau)
    total = value * grown
    for low, high in pairwise(cuts.tolist()):
        if low not in edges:
            total[low] += total[low - 1] / grown[low - 1] * np.exp((t[low - 1] - t[low]) / tau)
        np.cumsum(total[low:high], axis=0, out=total[low:high])
    return np.asarray(total / grown)


def _weeks_away(days: Floats) -> Floats:
    """Weeks without the lift that cost strength; what is lost in longer absences is not extrapolated."""
    return np.clip(days - FREE_DAYS, 0.0, 7 * MOST_WEEKS_AWAY) / 7


def _gaps(day: Ints, edges: Ints) -> Floats:
    """Days since the session before, none before a lift's first. [d]"""
    gap = np.diff(day, prepend=day[:1])
    gap[edges[:-1]] = 0
    return gap.astype(float)


def prepare(day: Ints, edges: Ints, session: Ints, reps: Floats, stress: Floats) -> Inputs:
    """From the working sets of all lifts.

    Parameters
    ----------
    day : ndarray, shape (s,)
        Day of each session, lift by lift and ascending. [d]
    edges : ndarray, shape (L + 1,)
        Where each lift's sessions begin.
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
    first, last = day[edges[:-1]], day[edges[1:] - 1]
    # Nobody starts from nothing with the log: what was done in its first three weeks was done before.
    early = day - np.repeat(first, np.diff(edges)) < 21
    before = np.add.reduceat(_worth(share) * early[:, None], edges[:-1]) / 21 * FAMILIAR_DAYS
    total = np.bincount(session, stress, day.size).astype(float)
    span = np.maximum(last - first + 7.0, 28.0)
    usual = np.maximum(np.add.reduceat(total, edges[:-1]) * FATIGUE_DAYS / span, 1e-9)
    return _from_sessions(edges, day, share, total, before, usual)


def _worth(share: Floats) -> Floats:
    """What sessions are worth to the familiarity of each zone, shape (s, z). [sessions]"""
    worth = share.copy()
    worth[:, 1:] += NEIGHBOUR * share[:, :-1]
    worth[:, :-1] += NEIGHBOUR * share[:, 1:]
    return np.minimum(worth, 1.0)


def _from_sessions(
    edges: Ints, day: Ints, share: Floats, stress: Floats, before: Floats, usual: Floats
) -> Inputs:
    t = (day - np.repeat(day[edges[:-1]], np.diff(edges))).astype(float)
    value = np.concatenate([_worth(share), stress[:, None], _weeks_away(_gaps(day, edges))[:, None]], axis=1)
    return Inputs(edges, day, share, stress, _left(t, value, edges), before, usual)


def _state(x: Inputs, lift: Ints, day: Ints, last: Ints, share: Floats, gap: Floats) -> Floats:
    """Inputs of lifts on days, given the last session before each (-1: none), the work asked about and weeks
    away."""
    seen = last >= 0
    since = np.maximum(day - x.day[last], 0)
    decayed, zones = x.left[last] * seen[:, None], x.share.shape[1]
    known = np.exp(-since / FAMILIAR_DAYS)[:, None] * decayed[:, :zones]
    known += np.exp(-(day - x.day[x.edges[lift]]) / FAMILIAR_DAYS)[:, None] * x.before[lift]
    unfamiliar = (share * np.exp(-FAMILIAR_A_SESSION * known)).sum(axis=1)
    fatigue = np.exp(-since / FATIGUE_DAYS) * decayed[:, zones] / x.usual_stress[lift] - 1.0
    away = np.exp(-since / BACK_DAYS) * decayed[:, zones + 1] + gap
    return np.stack([unfamiliar, fatigue, away], axis=1)


def at_sessions(x: Inputs) -> Floats:
    """Unfamiliarity [1], fatigue over its usual [1] and weeks away, as each session begins. Shape (s, 3)."""
    last = np.arange(x.day.size) - 1
    last[x.edges[:-1]] = -1
    return _state(x, x.lift, x.day, last, x.share, _weeks_away(_gaps(x.day, x.edges)))


def at_days(x: Inputs, lift: Ints | int, day: Ints) -> Floats:
    """The same of lifts on any days, in the work done in the two weeks before each. Shape (m, 3)."""
    lift = np.broadcast_to(lift, day.shape)
    low = x.edges[lift]
    last = x.sessions_before(lift, day) - 1
    near = np.maximum(last, low)
    first = np.maximum(x.sessions_before(lift, x.day[near] - 13), low)
    share = (x.shares_until[near + 1] - x.shares_until[first]) / (near + 1 - first)[:, None]
    gap = _weeks_away((day - x.day[near]).astype(float))
    return _state(x, lift, day, np.where(last >= low, last, -1), share, gap)


def _usual_days(day: Ints, after: int, until: int) -> Ints:
    """Days between two on which a lift trained on ``day`` will be trained if it goes on as it was. [d]"""
    steps = sorted(np.diff(day[-12:]).tolist())
    middle = len(steps) // 2
    step = min(max((steps[middle] + steps[~middle]) / 2, 1.0), 14.0) if len(steps) > 2 else 7.0
    return np.arange(max(int(day[-1]) + step, after + 1), until, step).astype(np.int64)


def extend(x: Inputs, after: int, until: int, kind_of: Callable[[Ints], Ints]) -> Inputs:
    """The same lifts trained on as they were: planned kinds of work on the lifter's usual days.

    ``kind_of`` numbers the kind of block days lie in. What such a block consists of is read from the lifter's
    own last eighteen sessions in one, from the last six of all where there were too few. Planned days lie
    between ``after`` and ``until``; what comes back is to be asked about days after ``after`` only.
    """
    # What is older than the slowest memory needs not be carried on.
    fading = np.add.reduceat((x.day < after - 12 * FAMILIAR_DAYS).astype(np.int64), x.edges[:-1])
    days = [_usual_days(x.day[low:high], after, until) for low, high in pairwise(x.edges.tolist())]
    ends = np.cumsum([0, *(new.size for new in days)])
    past, planned = kind_of(x.day), kind_of(np.concatenate(days))
    share, stress = np.empty((planned.size, x.share.shape[1])), np.empty(planned.size)
    pick = []
    for lift, (low, high) in enumerate(pairwise(x.edges.tolist())):
        mine = slice(ends[lift], ends[lift + 1])
        recent = past[max(low, high - 150) : high]
        for kind in set(planned[mine].tolist()):
            alike = high - recent.size + np.flatnonzero(recent == kind)[-18:]
            alike = alike if alike.size >= 3 else np.arange(max(low, high - 6), high)
            these = ends[lift] + np.flatnonzero(planned[mine] == kind)
            share[these], stress[these] = x.share[alike].mean(axis=0), x.session_stress[alike].mean()
        pick += [np.arange(low + fading[lift], high), x.day.size + np.arange(mine.start, mine.stop)]
    rows = np.concatenate(pick)
    return _from_sessions(
        np.cumsum([0, *(some.size + new.size for some, new in zip(pick[::2], pick[1::2], strict=True))]),
        np.concatenate([x.day, *days])[rows],
        np.concatenate([x.share, share])[rows],
        np.concatenate([x.session_stress, stress])[rows],
        np.where((fading == 0)[:, None], x.before, 0.0),
        x.usual_stress,
    )
