"""A lifter's own history, as the phone shows it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from app.planning.today import settings_of
from app.storage import logs, phone
from app.storage.engine import Store
from app.storage.models import Lifter
from app.training import dose, exposure, repmax
from app.training.records import Exposure, Floats, Ints
from app.training.units import Unit, format_mass

A_PAGE = 20
CHART_DAYS = 364


class LiftNotFound(LookupError):
    """The lifter has never logged this exercise, or it is another coach's."""


@dataclass(frozen=True, slots=True)
class PastSession:
    """One logged session in a line or two."""

    id: int
    day: int
    name: str
    lifts: tuple[str, ...]  # "Squat 130 kg x 5"
    sets: int
    session_rpe: float | None
    minutes: int | None


@dataclass(frozen=True, slots=True)
class Past:
    sessions: tuple[PastSession, ...]
    older: int | None  # the day before which there is more
    lifts: tuple[tuple[int, str], ...]  # those trained in the last year


@dataclass(frozen=True, slots=True)
class PastLift:
    """One exercise over the last year: a point a training day, and its ledger."""

    name: str
    day: Ints  # (n,) [d]
    value_kg: Floats  # (n,) [kg] 1RM that the day's best set stands for by load and reps alone
    best: tuple[str, ...]  # (n,) that set in words
    window_start: int  # [d] first day of the recent window
    exposures: tuple[Exposure, ...]
    recent_kg: float  # best point of the recent window, NaN if none
    sentence: str


def sessions(store: Store, lifter: Lifter, *, before_day: int, today: int) -> Past:
    """Sessions up to a day, newest first, a page at a time."""
    unit: Unit = "lb" if lifter.unit == "lb" else "kg"
    with store.reading() as db:
        found = phone.sessions_before(db, lifter.id, day=before_day, limit=A_PAGE + 1)
        page = found[:A_PAGE]
        first = page[-1][0].day if page else before_day
        sets = logs.sets_between(db, lifter.id, first, before_day) if page else []
        names = phone.exercise_names(db, sorted({one.exercise_id for one in sets}))
        done = [
            (one.id, one.name) for one, lately in phone.exercises_of(db, lifter, since_day=today - CHART_DAYS)
            if lately
        ]  # fmt: skip
    rows = []
    for session, planned_name in page:
        mine = [one for one in sets if one.session_id == session.id and one.day == session.day]
        top: dict[int, logs.StoredSet] = {}
        for one in mine:
            best = top.get(one.exercise_id)
            if best is None or (one.load_grams, one.reps) > (best.load_grams, best.reps):
                top[one.exercise_id] = one
        rows.append(
            PastSession(
                id=session.id,
                day=session.day,
                name=planned_name or "Unplanned session",
                lifts=tuple(
                    f"{names[number].name} {one.typed or format_mass(one.load_grams, unit)} x {one.reps}"
                    for number, one in top.items()
                ),
                sets=len(mine),
                session_rpe=None if session.session_rpe_tenths is None else session.session_rpe_tenths / 10,
                minutes=session.minutes,
            )
        )
    older = found[A_PAGE][0].day if len(found) > A_PAGE else None
    return Past(tuple(rows), older, tuple(done))


def lift(store: Store, lifter: Lifter, exercise_id: int, *, today: int) -> PastLift:
    """One exercise over the last year.

    Raises
    ------
    LiftNotFound
        If the lifter never logged it.
    """
    unit: Unit = "lb" if lifter.unit == "lb" else "kg"
    settings = settings_of(lifter)
    with store.reading() as db:
        exercise = phone.exercise_of(db, lifter, exercise_id)
        log, ids = logs.set_log(db, lifter, held_out=False)
    if exercise is None or exercise_id not in ids:
        raise LiftNotFound(exercise_id)
    index = ids.index(exercise_id)
    chosen = np.flatnonzero(
        (log.exercise == index) & dose.working(log) & (log.day > today - CHART_DAYS) & (log.day <= today)
    )
    value = exposure.demonstrated_kg(log)
    order = chosen[np.lexsort((value[chosen], log.day[chosen]))]
    last = np.flatnonzero(np.diff(log.day[order], append=-1)) if order.size else order
    best = order[last]
    ledger = exposure.ledger(log, index, as_of=today, settings=settings)
    start = today - settings.recent_window_days + 1
    recent = best[log.day[best] >= start]
    top = recent[np.argmax(value[recent])] if recent.size else None
    return PastLift(
        name=exercise.name,
        day=log.day[best],
        value_kg=value[best],
        best=tuple(
            f"{format_mass(round(load * 1000), unit)} x {reps}"
            for load, reps in zip(log.load_kg[best], log.reps[best], strict=True)
        ),
        window_start=start,
        exposures=tuple(one for one in ledger if one.last_day is not None),
        recent_kg=float("nan") if top is None else float(value[top]),
        sentence=_sentence(
            exercise.name, unit, log.load_kg, log.reps, top, best, settings.recent_window_days
        ),
    )


def _sentence(
    name: str, unit: Unit, load: Floats, reps: Ints, top: int | None, best: Sequence[int] | Ints, window: int
) -> str:
    weeks = window // 7
    if top is None:
        return f"No {name.lower()} in the last {weeks} weeks; {len(best)} training days in the last year."
    mark = f"{format_mass(round(float(load[top]) * 1000), unit)} x {int(reps[top])}"
    worth = float(repmax.e1rm_at(load[top], reps[top]))
    return (
        f"Best of the last {weeks} weeks: {mark}, which stands for a single of about "
        f"{format_mass(round(worth) * 1000, unit)}. Each point is the best set of a day."
    )
