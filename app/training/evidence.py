"""What a log's sets say about strength, as arrays: which sets speak, and how far each can be believed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from app.training import effort, inputs, quality, repmax
from app.training.records import Bools, Floats, Ints, SetLog

MINIMUM_SESSIONS = 4
WINDOW_DAYS = 1461  # [d] four years say all that can be said about today

# What a row of evidence says about the reserve.
RATED = 0  # a count of repetitions, less the lifter's bias
FAILURE = 1  # the next repetition was tried and missed: the reserve lies between none and one
SILENT = 2  # nothing was reported
CEILING = 3  # reported as nothing left: the report would have been zero or less
FLOOR = 4  # a further row of such a set: nobody does more repetitions than are possible
EASY = 5  # so easy that the scale gives no count, only "at least"
MISS = 6  # a further row of such a set: it may have been a failure indeed


@dataclass(frozen=True, slots=True)
class Evidence:
    """The sets that speak about strength, lifts numbered 0..L-1 in the order of ``exercises``.

    Rows are sorted by lift, and sessions too; a session here is one lift's part of it.
    """

    exercises: Ints  # (L,) index into log.exercises
    lift: Ints  # (n,)
    day: Ints  # (n,)
    session: Ints  # (n,)
    log_load: Floats  # (n,) ln [kg]
    reps: Floats  # (n,)
    stated: Floats  # (n,) [reps] reported reserve
    kind: Ints  # (n,) one of RATED ... MISS
    fewer: Bools  # (n,) nothing left, and fewer repetitions than the set before at the same load
    position: Floats  # (n,) working sets of this lift before this one in the session
    session_day: Ints  # (s,)
    session_lift: Ints  # (s,)
    session_input: Floats  # (s, 3) see ``inputs``
    inputs: inputs.Inputs


def moved_load(log: SetLog) -> Floats:
    """Load with the moved share of body mass, shape (n,). [kg]"""
    share = np.array([e.body_mass_share for e in log.exercises] or [0.0])[log.exercise]
    mass = log.body_mass_kg if math.isfinite(log.body_mass_kg) else 0.0
    return np.asarray(log.load_kg + share * mass)


def missing_because(log: SetLog, exercise: int) -> str:
    """Why a lift has no trend, as a sentence's end."""
    mine = (log.exercise == exercise) & ~log.warm_up
    if not (moved_load(log)[mine] > 0).any():
        return "needs a load, or the lifter's body mass"
    more = max(MINIMUM_SESSIONS - np.unique(log.session[mine]).size, 1)
    return f"needs {more} more session{'s' if more > 1 else ''}"


def gather(log: SetLog) -> Evidence | None:
    """Sets that carry evidence on strength, of lifts with at least four sessions; None when there are none.

    Working sets with a load and a repetition. Of a session in which nothing was rated the best set alone
    speaks; sets without a rating among rated ones do not.
    """
    load = moved_load(log)
    keep = ~log.warm_up & (load > 0) & (log.reps > 0)
    if not keep.any():
        return None
    keep &= log.day > log.day[keep].max() - WINDOW_DAYS
    order = quality.in_order(log)
    pick = order[keep[order]]
    exercise, day, session_id = log.exercise[pick], log.day[pick], log.session[pick]
    reps, weight, rpe, failed = log.reps[pick].astype(float), load[pick], log.rpe[pick], log.failed[pick]

    same_lift = exercise[1:] == exercise[:-1]
    first = np.r_[True, ~(same_lift & (session_id[1:] == session_id[:-1]) & (day[1:] == day[:-1]))]
    session, starts = np.cumsum(first) - 1, np.flatnonzero(first)
    sessions_of = np.bincount(exercise[starts], minlength=len(log.exercises))
    exercises = np.flatnonzero(sessions_of >= MINIMUM_SESSIONS)
    number = np.full(len(log.exercises), -1)
    number[exercises] = np.arange(exercises.size)

    silent = np.isnan(rpe) & ~failed
    speaks = number[exercise] >= 0
    spoken = np.bincount(session, ~silent, starts.size) > 0
    mute = np.flatnonzero(silent & speaks & ~spoken[session])
    strength = np.log(weight[mute]) - np.log(repmax.fraction_at(reps[mute]))
    best = mute[np.lexsort((-mute, strength, session[mute]))]
    last = np.r_[session[best][1:] != session[best][:-1], True] if best.size else np.zeros(0, bool)
    speaks &= ~silent
    speaks[best[last]] = True
    if not speaks.any():
        return None

    kind = np.select(
        [failed, rpe >= 10, silent, rpe < effort.LOWEST_COUNTED_RPE], [FAILURE, CEILING, SILENT, EASY], RATED
    )
    # Fewer repetitions than the set before at the same load, and nothing left: perhaps a miss.
    fewer = np.r_[False, ~first[1:] & (weight[1:] == weight[:-1]) & (reps[1:] < reps[:-1])]
    once, again = np.flatnonzero(speaks), np.flatnonzero(speaks & (kind == CEILING))
    rows = np.concatenate([once, again, again])
    kinds = np.concatenate([kind[once], np.full(again.size, FLOOR), np.full(again.size, MISS)])
    sort = np.argsort(rows, kind="stable")
    rows, kinds = rows[sort], kinds[sort]
    of_row = session[rows]
    begins = np.r_[True, of_row[1:] != of_row[:-1]]
    told, dense = of_row[begins], np.cumsum(begins) - 1

    # Inputs are of all the sets of these lifts, whether they speak or not.
    of_fit = np.flatnonzero(number[exercise[starts]] >= 0)
    place = np.cumsum(number[exercise[starts]] >= 0) - 1
    sets = number[exercise] >= 0
    worked = inputs.prepare(
        day[starts[of_fit]],
        np.concatenate([[0], np.cumsum(sessions_of[exercises])]),
        place[session[sets]],
        reps[sets],
        (reps * weight)[sets],
    )
    counted = (kinds == RATED) | (kinds == EASY)
    return Evidence(
        exercises=exercises,
        lift=number[exercise[rows]],
        day=day[rows],
        session=dense,
        log_load=np.log(weight)[rows],
        reps=reps[rows],
        stated=np.where(counted, np.minimum(10 - rpe[rows], effort.MOST_COUNTED_RIR), 0.0),
        kind=kinds,
        fewer=fewer[rows],
        position=(np.arange(pick.size) - starts[session])[rows].astype(float),
        session_day=day[starts[told]],
        session_lift=number[exercise[starts[told]]],
        session_input=inputs.at_sessions(worked)[place[told]],
        inputs=worked,
    )
