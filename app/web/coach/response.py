"""Stress and recovery of one lift, as a part of the lifter page and as a page of its own."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.planning.response_view import ResponseView, response_view
from app.training.influence import LONGEST_DAYS, Influence
from app.training.units import KG_PER_LB
from app.web.dependencies import AppStore, CurrentCoach, Desk, Now
from app.web.figure import tidy
from app.web.pages import day, kg, page, short_day
from app.web.response_svg import SIZES, course, influence

router = APIRouter()
TABLE_WEEKS = 26


@dataclass(frozen=True, slots=True)
class Row:
    """One week of the table that stands beside the drawing."""

    day: int
    fitness: str
    fatigue: str


@router.get("/lifters/{lifter_id}/response")
def show(
    request: Request,
    desk: Desk,
    coach: CurrentCoach,
    store: AppStore,
    now: Now,
    lifter_id: int,
    lift: int = 0,
) -> Response:
    view = response_view(store, coach, lifter_id, lift, now=now)
    return page(
        request,
        "response/response.html",
        block="response",
        view=view,
        lifter=view.lifter.lifter,
        lifts=[one for one in view.lifter.lifts if one.analysis.trend is not None],
        unit=view.lifter.lifter.unit,
        **(_drawn(view) if view.response is not None else {}),
    )


def _drawn(view: ResponseView) -> dict[str, Any]:
    unit = view.lifter.lifter.unit
    scale = 1.0 if unit == "kg" else 1 / KG_PER_LB
    state, before = _state(view), _before(view)
    found = view.influence
    assert view.response is not None  # drawn only then
    assert found is not None
    verdict, skill, numbers = view.response.sentence.partition("Skill ")
    return {
        "state": state,
        "before": before,
        "verdict": verdict,
        "numbers": skill + numbers,
        "variable": view.response.variant == "variable dose",
        "forecast": _forecast(view),
        "course": [
            course(
                view.day, scale * view.fitness_kg, scale * view.fatigue_kg, unit=unit, label=state, width=name
            )
            for name in SIZES
        ],
        "influence": [
            influence(
                found.days_before,
                scale * view.influence_kg,
                turns=found.turns,
                best=found.best,
                unit=unit,
                label=before,
                width=name,
            )
            for name in SIZES
        ],
        "rows": _rows(view, scale),
        "days_rows": [
            (days, tidy(scale * float(view.influence_kg[days]), 2))
            for days in range(0, LONGEST_DAYS // 2 + 1, 7)
        ],
    }


def _state(view: ResponseView) -> str:
    """What stands today, and against when."""
    unit = view.lifter.lifter.unit
    fitness, fatigue = float(view.fitness_kg[-1]), float(view.fatigue_kg[-1])
    said = f"Now: fitness {kg(fitness, unit)}, fatigue {kg(fatigue, unit)}."
    if view.day.size > 28:
        then_fitness, then_fatigue = float(view.fitness_kg[-29]), float(view.fatigue_kg[-29])
        said += f" Four weeks ago: {kg(then_fitness, unit)} and {kg(then_fatigue, unit)}."
    top = int(np.argmax(view.fatigue_kg))
    if top < view.day.size - 7 and view.fatigue_kg[top] > 0:
        said += f" Fatigue was highest on {day(int(view.day[top]))}, {kg(float(view.fatigue_kg[top]), unit)}."
    return said


def _before(view: ResponseView) -> str:
    """What a usual training day does to a date, with the goal's own days where there is a goal."""
    found = view.influence
    assert found is not None
    if found.turns <= 0:
        return (
            "This lift's log does not show a training day that costs more on a later date than it brings. "
            "That tells of the log rather than of the lifter: rest before a date as usual."
        )
    if found.turns >= LONGEST_DAYS:
        return "This lift's log does not show that a training day brings anything on a later date."
    if view.goal_day is None or view.turning_day is None or view.best_day is None:
        return _any_date(found)
    goal = view.lifter.lifter.goal or "The goal"
    over = view.turning_day <= view.lifter.today
    return (
        f"{goal}, {day(view.goal_day)}: a usual training day of this lift brings most about "
        f"{round(found.best)} days before, {short_day(view.best_day)}; stress after "
        f"{short_day(view.turning_day)} costs more on the day than it brings"
        f"{', and that day has passed' if over else ''}."
    )


def _any_date(found: Influence) -> str:
    return (
        f"A usual training day of this lift brings most on a date about {round(found.best)} days later; in "
        f"the last {round(found.turns)} days before a date stress costs more on the day than it brings."
    )


def _forecast(view: ResponseView) -> str:
    """What comes if the work of the last weeks is done again; empty where the model has no say."""
    if view.ahead is None:
        return ""
    unit, ahead = view.lifter.lifter.unit, view.ahead
    parts = [
        f"in {days // 7} weeks {kg(float(ahead.kg[days - 1]), unit)} "
        f"({kg(float(ahead.low_kg[days - 1]), unit)} to {kg(float(ahead.high_kg[days - 1]), unit)})"
        for days in (28, 56)
    ]
    return f"If the work of the last four weeks is done again: {', '.join(parts)}, nine in ten."


def _rows(view: ResponseView, scale: float) -> list[Row]:
    """The last half year week by week, newest first."""
    picks = range(view.day.size - 1, max(view.day.size - 1 - 7 * TABLE_WEEKS, -1), -7)
    return [
        Row(
            int(view.day[i]),
            tidy(scale * float(view.fitness_kg[i])),
            tidy(scale * float(view.fatigue_kg[i])),
        )
        for i in picks
    ]
