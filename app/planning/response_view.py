"""Stress and recovery of one lift: what was done, what it left, and what a day's work does to a date.

Computed when the page asks for it and kept nowhere: the model only draws for most lifters, so the analysis
does not wait for it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from app.planning.analysis import LifterView, LiftView, lifter_view
from app.storage import lifters, logs
from app.storage.engine import Store
from app.storage.models import Coach
from app.training import dose
from app.training.influence import LONGEST_DAYS, Influence, influence_on
from app.training.records import Floats, Ints, SetLog, Trend
from app.training.response import HORIZONS, MINIMUM_POINTS, Ahead, Response, fit_response

SHOWN_DAYS = 364
"""[d] of the drawing: what is older has decayed and would only press the rest together."""
REPEATED_DAYS = 28


@dataclass(frozen=True, slots=True)
class ResponseView:
    """What the part "Stress and recovery" shows of one lift.

    Without a ``response`` nothing is drawn and ``missing_because`` ends the sentence that says why. Effects
    are in kilograms at the lift's present level. ``turning_day`` and ``best_day`` belong to the goal date and
    are None without one, where it is past or too far off, or where no day costs. ``ahead`` is what comes if
    the work of the last four weeks is done again; only a model that speaks says it.
    """

    lifter: LifterView
    lift: LiftView | None
    response: Response | None
    missing_because: str
    day: Ints  # (n,) [d]
    fitness_kg: Floats  # (n,) what training left behind
    fatigue_kg: Floats  # (n,) what of its stress is still there
    influence: Influence | None
    influence_kg: Floats  # (days before,)
    goal_day: int | None
    turning_day: int | None
    best_day: int | None
    ahead: Ahead | None  # day after day from the one after the last

    @property
    def speaks(self) -> bool:
        """Whether the model may say anything of the future of this lift."""
        return self.response is not None and self.response.speaks


def response_view(
    store: Store, coach: Coach, lifter_id: int, exercise_id: int, *, now: datetime
) -> ResponseView:
    """Fit the impulse response of one lift to the log as last analysed.

    ``exercise_id`` 0, or one that was never done, stands for the first lift with a trend.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    view = lifter_view(store, coach, lifter_id, now=now)
    lift = view.lift(exercise_id) or next(
        (one for one in view.lifts if one.analysis.trend is not None), view.lifts[0] if view.lifts else None
    )
    if lift is None or view.as_of is None:
        return _nothing(view, lift, "nothing of it has been analysed yet")
    trend = lift.analysis.trend
    if trend is None:
        return _nothing(view, lift, lift.analysis.trend_missing_because)
    with store.reading() as db:
        log, numbers = logs.set_log(
            db, lifters.of_coach(db, coach, lifter_id), last_day=view.as_of, held_out=False
        )
    if lift.exercise_id not in numbers:
        return _nothing(view, lift, "its sets were taken out since the last analysis")
    return _fitted(view, lift, trend, log, list(numbers).index(lift.exercise_id))


def _fitted(view: LifterView, lift: LiftView, trend: Trend, log: SetLog, index: int) -> ResponseView:
    assert view.as_of is not None  # an analysis was read above
    mine = log.exercise == index
    stress = dose.per_set(log)["relative_volume_load"][mine]
    fitted = fit_response(trend.point_day, trend.point_kg, log.day[mine], stress, as_of=view.as_of)
    if fitted is None:
        weeks = np.unique((trend.point_day - trend.point_day[0]) // 7).size
        return _nothing(
            view, lift, f"it needs {MINIMUM_POINTS} weeks with sessions of this lift, has {weeks}"
        )
    # Effects are shares of strength; they are drawn in the kilograms these are at today's level.
    level = trend.e1rm.mean
    shown = slice(max(fitted.day.size - SHOWN_DAYS, 0), None)
    influence = influence_on(fitted)
    goal = view.lifter.goal_day
    near = goal is not None and view.today < goal <= view.today + LONGEST_DAYS
    turns = near and 0 < influence.turns < LONGEST_DAYS
    return ResponseView(
        lifter=view,
        lift=lift,
        response=fitted,
        missing_because="",
        day=fitted.day[shown],
        fitness_kg=level * fitted.fitness[shown],
        fatigue_kg=level * fitted.fatigue[shown],
        influence=influence,
        influence_kg=level * influence.effect,
        goal_day=goal if near else None,
        turning_day=goal - round(influence.turns) if goal is not None and turns else None,
        best_day=goal - round(influence.best) if goal is not None and turns else None,
        ahead=fitted.forecast(_again(fitted.stress)) if fitted.speaks else None,
    )


def _again(stress: Floats) -> Floats:
    """The last four weeks' stress, done again until the longest horizon."""
    return np.resize(stress[-REPEATED_DAYS:], HORIZONS[-1] - 1)


def _nothing(view: LifterView, lift: LiftView | None, because: str) -> ResponseView:
    empty = np.zeros(0)
    return ResponseView(
        view, lift, None, because, np.zeros(0, np.int64), empty, empty, None, empty, None, None, None, None
    )
