"""The interface for programs: JSON, a token in each request, errors as problem details."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from typing import Annotated, Any
from zoneinfo import available_timezones

from fastapi import HTTPException, Query, Request

from app.planning import (
    analysis,
    answers,
    blocks,
    decisions,
    drafts,
    lifters,
    program_desk,
    programs,
    taking_back,
)
from app.planning.drafts import CellChange
from app.storage.engine import Store
from app.storage.lifters import KG_PLATES, LB_PLATES
from app.storage.models import Coach, Decision, Flag, Lifter
from app.training.plan import PlanError
from app.training.records import ExerciseAnalysis, Mark
from app.training.units import parse_mass
from app.web.api import shapes
from app.web.api.door import After, Id, Limit, MaybeKey, Reader, Told, Writer, next_of, operations
from app.web.api.logs import KEY_USED
from app.web.dependencies import AppStore, Now
from app.web.lifter.sync import wake

router = operations()


# Lifters --------------------------------------------------------------------------------------------


@router.get("/lifters", tags=["Lifters"], summary="Lifters of the roster, archived ones too")
def list_lifters(coach: Reader, store: AppStore, limit: Limit = 50, after: After = 0) -> shapes.LifterPage:
    found = programs.lifters_of(store, coach, after=after, limit=limit + 1)
    return shapes.LifterPage(items=[_lifter(one) for one in found[:limit]], next=next_of(found, limit))


@router.post("/lifters", tags=["Lifters"], summary="Add a lifter", status_code=201)
def add_lifter(body: shapes.LifterIn, program: Writer, store: AppStore, now: Now) -> shapes.LifterOut:
    _must_be_zone(body.time_zone)
    plates = KG_PLATES if body.unit == "kg" else LB_PLATES
    facts = lifters.Facts(
        name=shapes.one_line(body.name),
        time_zone=body.time_zone,
        unit=body.unit,
        bar_grams=20_000 if body.unit == "kg" else 20_412,
        plates=tuple((grams, pairs) for grams, pairs in plates),
        body_mass_grams=_grams(body.body_mass_kg),
        goal=body.goal,
        goal_day=_ordinal(body.goal_day),
        note=body.note,
    )
    try:
        number = lifters.add(store, program.coach, facts, by=program.name, now=now)
    except lifters.NameTaken:
        raise HTTPException(409, "You coach somebody of this name already.") from None
    return _lifter(lifters.find(store, program.coach, number))


@router.get("/lifters/{lifter_id}", tags=["Lifters"], summary="One lifter")
def one_lifter(lifter_id: Id, coach: Reader, store: AppStore) -> shapes.LifterOut:
    return _lifter(lifters.find(store, coach, lifter_id))


@router.patch("/lifters/{lifter_id}", tags=["Lifters"], summary="Change what is known of a lifter")
def change_lifter(
    request: Request,
    lifter_id: Id,
    body: shapes.LifterChange,
    program: Writer,
    store: AppStore,
    now: Now,
) -> shapes.LifterOut:
    lifter = lifters.find(store, program.coach, lifter_id)
    facts = lifters.Facts(
        **{name: getattr(lifter, name) for name in lifters.Facts.__slots__ if name != "plates"},
        plates=tuple((one[0], one[1]) for one in lifter.plates),
    )
    named: dict[str, Any] = {
        "name": None if body.name is None else shapes.one_line(body.name),
        "status": body.status,
        "time_zone": body.time_zone,
        "unit": body.unit,
        "goal": body.goal,
        "goal_day": _ordinal(body.goal_day),
        "body_mass_grams": _grams(body.body_mass_kg),
        "recent_window_weeks": body.recent_window_weeks,
        "rir_floor": body.rir_floor,
        "sensitivity": body.sensitivity,
        "stress_measure": body.stress_measure,
        "bar_grams": _grams(body.bar_kg),
        "collar_grams": _grams(body.collar_kg),
        "plates": None if body.plates is None else _plates(body.plates, body.unit or lifter.unit),
        "note": body.note,
    }
    emptied = {
        column: None
        for field, column in (("goal_day", "goal_day"), ("body_mass_kg", "body_mass_grams"))
        if field in body.model_fields_set and getattr(body, field) is None
    }
    if body.time_zone is not None:
        _must_be_zone(body.time_zone)
    given = {name: value for name, value in named.items() if value is not None}
    changed = replace(facts, **(given | emptied))
    try:
        lifters.change(store, program.coach, lifter_id, changed, by=program.name, now=now)
    except lifters.NameTaken:
        raise HTTPException(409, "You coach somebody else of this name.") from None
    wake(request)
    return _lifter(lifters.find(store, program.coach, lifter_id))


@router.get("/exercises", tags=["Lifters"], summary="The exercises the coach uses")
def list_exercises(
    coach: Reader, store: AppStore, limit: Limit = 50, after: After = 0
) -> shapes.ExercisePage:
    found = programs.exercises_of(store, coach, after=after, limit=limit + 1)
    items = [
        shapes.ExerciseOut(
            id=one.id,
            name=one.name,
            main_lift=one.main_lift,
            measure=one.measure,  # type: ignore[arg-type]
            body_mass_share=one.body_mass_share,
            archived=one.archived_at is not None,
        )
        for one in found[:limit]
    ]
    return shapes.ExercisePage(items=items, next=next_of(found, limit))


def _must_be_zone(zone: str) -> None:
    if zone not in available_timezones():
        raise HTTPException(422, "time_zone is an area and a city, like Europe/Lisbon.")


def _plates(given: list[shapes.PlateIn], unit: str) -> tuple[tuple[int, int], ...]:
    found: dict[int, int] = {}
    for one in given:
        grams = parse_mass(f"{one.mass:.3f}", "lb" if unit == "lb" else "kg").grams
        found[grams] = found.get(grams, 0) + one.pairs
    return tuple(sorted(found.items(), reverse=True))


def _lifter(one: Lifter) -> shapes.LifterOut:
    return shapes.LifterOut(
        id=one.id,
        name=one.name,
        status=one.status,  # type: ignore[arg-type]
        time_zone=one.time_zone,
        unit=one.unit,  # type: ignore[arg-type]
        goal=one.goal,
        goal_day=_date(one.goal_day),
        body_mass_kg=None if one.body_mass_grams is None else one.body_mass_grams / 1000,
        recent_window_weeks=one.recent_window_weeks,
        rir_floor=one.rir_floor,
        sensitivity=one.sensitivity,
        stress_measure=one.stress_measure,
        bar_kg=one.bar_grams / 1000,
        collar_kg=one.collar_grams / 1000,
        plates=[shapes.PlateOut(mass_kg=grams / 1000, pairs=pairs) for grams, pairs in one.plates],
        note=one.note,
        created_at=one.created_at,
    )


# Analysis -------------------------------------------------------------------------------------------


@router.get("/lifters/{lifter_id}/analysis", tags=["Analysis"], summary="A lifter's last analysis")
def one_analysis(lifter_id: Id, coach: Reader, store: AppStore, now: Now) -> shapes.AnalysisOut:
    view = analysis.lifter_view(store, coach, lifter_id, now=now)
    return shapes.AnalysisOut(
        lifter_id=view.lifter.id,
        as_of=_date(view.as_of),
        is_stale=view.is_stale,
        loads=[
            shapes.LoadOut(
                measure=one.measure,
                last_7_days=_finite(one.last_7_days),
                last_28_days=_finite(one.last_28_days),
                monotony=_finite(one.monotony),
                strain=_finite(one.strain),
            )
            for one in view.loads
        ],
        exercises=[_exercise(one.exercise_id, one.analysis) for one in view.lifts],
    )


def _exercise(number: int, one: ExerciseAnalysis) -> shapes.ExerciseAnalysisOut:
    trend = one.trend
    return shapes.ExerciseAnalysisOut(
        exercise_id=number,
        exercise=one.exercise,
        trend=None
        if trend is None
        else shapes.TrendOut(
            e1rm_kg=_finite(trend.e1rm.mean),
            low_kg=_finite(trend.e1rm.low),
            high_kg=_finite(trend.e1rm.high),
            slope_pct_per_week=_finite(trend.slope_pct_per_week.mean),
            probability_rising=_finite(trend.probability_rising),
        ),
        exposures=[
            shapes.ExposureOut(
                rep_range=exposure.rep_range,
                last_date=_date(exposure.last_day),
                working_sets=exposure.working_sets,
                status=exposure.status,
                recent_best=_mark(exposure.recent_best),
                all_time_best=_mark(exposure.all_time_best),
            )
            for exposure in one.exposures
        ],
    )


def _mark(mark: Mark | None) -> shapes.MarkOut | None:
    if mark is None:
        return None
    return shapes.MarkOut(
        load_kg=_finite(mark.load_kg),
        reps=int(mark.reps),
        rpe=_finite(mark.rpe),
        date=date.fromordinal(int(mark.day)),
    )


# Flags and decisions --------------------------------------------------------------------------------


Cleared = Annotated[bool, Query(description="Cleared flags too")]


@router.get("/flags", tags=["Flags"], summary="Flags across the roster")
def list_flags(
    coach: Reader, store: AppStore, cleared: Cleared = False, limit: Limit = 50, after: After = 0
) -> shapes.FlagPage:
    found = programs.flags_of(store, coach, cleared=cleared, after=after, limit=limit + 1)
    return _flag_page(found, limit)


@router.get("/lifters/{lifter_id}/flags", tags=["Flags"], summary="Flags about a lifter")
def flags_of_lifter(
    lifter_id: Id,
    coach: Reader,
    store: AppStore,
    cleared: Cleared = False,
    limit: Limit = 50,
    after: After = 0,
) -> shapes.FlagPage:
    found = programs.flags_of(
        store, coach, lifter_id=lifter_id, cleared=cleared, after=after, limit=limit + 1
    )
    return _flag_page(found, limit)


@router.get("/lifters/{lifter_id}/flags/{flag_id}", tags=["Flags"], summary="One flag")
def one_flag(lifter_id: Id, flag_id: Id, coach: Reader, store: AppStore) -> shapes.FlagOut:
    return _flag(*program_desk.one_flag(store, coach, lifter_id, flag_id))


@router.post(
    "/lifters/{lifter_id}/flags/{flag_id}/answer",
    tags=["Flags"],
    summary="Snooze, dismiss or reopen a flag",
    status_code=204,
)
def answer_flag(
    lifter_id: Id, flag_id: Id, body: shapes.FlagAnswer, program: Writer, store: AppStore, now: Now
) -> None:
    try:
        match body.state:
            case "snoozed":
                if body.until is None:
                    raise HTTPException(422, "A snooze needs the day it ends, as until.")
                answers.snooze(
                    store,
                    program.coach,
                    lifter_id,
                    flag_id,
                    until=body.until.toordinal(),
                    reason=body.reason,
                    by=program.name,
                    now=now,
                )
            case "dismissed":
                if not body.reason.strip():
                    raise HTTPException(422, "A dismissal needs a reason.")
                answers.dismiss(
                    store,
                    program.coach,
                    lifter_id,
                    flag_id,
                    reason=body.reason,
                    by=program.name,
                    now=now,
                )
            case "open":
                answers.reopen(store, program.coach, lifter_id, flag_id, by=program.name, now=now)
    except answers.SnoozeInThePast as error:
        raise HTTPException(422, f"{error}.") from None


@router.get("/decisions", tags=["Decisions"], summary="Decisions across the roster")
def list_decisions(
    coach: Reader, store: AppStore, limit: Limit = 50, after: After = 0
) -> shapes.DecisionPage:
    return _decision_page(programs.decisions_of(store, coach, after=after, limit=limit + 1), limit)


@router.get("/lifters/{lifter_id}/decisions", tags=["Decisions"], summary="Decisions about a lifter")
def decisions_of_lifter(
    lifter_id: Id, coach: Reader, store: AppStore, limit: Limit = 50, after: After = 0
) -> shapes.DecisionPage:
    found = programs.decisions_of(store, coach, lifter_id=lifter_id, after=after, limit=limit + 1)
    return _decision_page(found, limit)


@router.get("/decisions/{decision_id}", tags=["Decisions"], summary="One decision")
def one_decision(decision_id: Id, coach: Reader, store: AppStore) -> shapes.DecisionOut:
    return _decision(*program_desk.one_decision(store, coach, decision_id))


@router.post(
    "/lifters/{lifter_id}/flags/{flag_id}/proposals",
    tags=["Decisions"],
    summary="What a decision would do; nothing is stored",
)
def propose(
    lifter_id: Id, flag_id: Id, body: shapes.DecisionIn, coach: Reader, store: AppStore, now: Now
) -> shapes.ProposalOut:
    with _refusals(store, coach):
        found = decisions.propose(store, coach, lifter_id, flag_id, _choice(body), now=now)
    return shapes.ProposalOut(
        action=found.choice.action,
        label=found.label,
        sentence=found.sentence,
        changes=_changes(found.changes),
        next_before=found.next_before,
        next_after=found.next_after,
        look_again=date.fromordinal(found.look_again_day),
        block_version=found.block_version or None,
    )


@router.post(
    "/lifters/{lifter_id}/flags/{flag_id}/decisions",
    tags=["Decisions"],
    summary="Decide about a flag: the plan is changed or the message sent",
    status_code=201,
)
def decide(
    request: Request,
    lifter_id: Id,
    flag_id: Id,
    body: shapes.DecisionMade,
    program: Writer,
    store: AppStore,
    now: Now,
    key: MaybeKey = None,
) -> shapes.DecisionOut:
    with _refusals(store, program.coach):
        try:
            made = program_desk.decide_once(
                store,
                program.coach,
                lifter_id,
                flag_id,
                _choice(body),
                key,
                note=body.note,
                look_again_day=_ordinal(body.look_again),
                seen_version=body.seen_version,
                by=program.name,
                now=now,
            )
        except programs.KeyUsedBefore:
            raise HTTPException(422, KEY_USED) from None
    wake(request)
    return _decision(*program_desk.one_decision(store, program.coach, made.id))


@router.get(
    "/decisions/{decision_id}/take-back",
    tags=["Decisions"],
    summary="What taking a decision back would change",
)
def propose_take_back(decision_id: Id, coach: Reader, store: AppStore, now: Now) -> shapes.TakingBackOut:
    return _taking_back(taking_back.propose(store, coach, decision_id, now=now))


@router.post(
    "/decisions/{decision_id}/take-back",
    tags=["Decisions"],
    summary="Take a decision back: the plan as it was given out, the flag as it was",
)
def take_back(
    request: Request, decision_id: Id, body: shapes.TakeBackIn, program: Writer, store: AppStore, now: Now
) -> shapes.DecisionOut:
    try:
        taking_back.take_back(store, program.coach, decision_id, seen=body.seen, by=program.name, now=now)
    except taking_back.CannotTakeBack as why:
        raise HTTPException(409, str(why)) from None
    except taking_back.ShownOtherwise:
        current = _taking_back(taking_back.propose(store, program.coach, decision_id, now=now))
        raise Told(409, "Something else would change by now. Look at it again.", current=current) from None
    wake(request)
    return _decision(*program_desk.one_decision(store, program.coach, decision_id))


def _choice(body: shapes.DecisionIn) -> decisions.Choice:
    return decisions.Choice(
        body.action,
        percent=body.percent,
        weeks=body.weeks,
        reps=body.reps,
        exercise=body.exercise,
        message=body.message,
    )


@contextmanager
def _refusals(store: Store, coach: Coach) -> Iterator[None]:
    """Why a decision cannot be made, in words."""
    try:
        yield
    except decisions.NoBlock:
        raise HTTPException(409, "No block is running whose plan could be changed.") from None
    except (decisions.CannotDo, blocks.PlanNotReady, PlanError) as error:
        raise HTTPException(409, str(error)) from None
    except drafts.BlockChanged as conflict:
        words = (
            f"The block was changed meanwhile; its version is {conflict.version}. Look at the proposal again."
        )
        raise HTTPException(409, words) from None
    except drafts.NotRunning:
        raise HTTPException(409, "The block is over or was taken back meanwhile.") from None
    except blocks.BlockOverlaps as other:
        raise HTTPException(409, f"“{other.other}” stands on these days.") from None


def _changes(found: Iterable[CellChange]) -> list[shapes.CellChangeOut]:
    return [
        shapes.CellChangeOut(
            week=one.week + 1, session=one.session, exercise=one.exercise, before=one.before, after=one.after
        )
        for one in found
    ]


def _taking_back(one: taking_back.TakingBack) -> shapes.TakingBackOut:
    return shapes.TakingBackOut(
        label=one.label,
        changes=_changes(one.changes),
        flag=one.flag_words,
        was_sent=one.was_sent,
        refusal=one.refusal,
        seen=one.seen,
    )


def _flag_page(found: Any, limit: int) -> shapes.FlagPage:
    return shapes.FlagPage(
        items=[_flag(one, exercise) for one, exercise in found[:limit]],
        next=next_of([one for one, _ in found], limit),
    )


def _flag(one: Flag, exercise: str | None) -> shapes.FlagOut:
    return shapes.FlagOut(
        id=one.id,
        lifter_id=one.lifter_id,
        exercise=exercise,
        kind=one.kind,
        severity=one.severity,  # type: ignore[arg-type]
        probability=one.probability,
        since=date.fromordinal(one.since_day),
        evidence=one.evidence,
        advice=one.advice,
        clears_when=one.clears_when,
        state=one.state,  # type: ignore[arg-type]
        snoozed_until=_date(one.snoozed_until),
        reason=one.reason,
        opened_at=one.opened_at,
        cleared_at=one.cleared_at,
    )


def _decision_page(found: Any, limit: int) -> shapes.DecisionPage:
    return shapes.DecisionPage(
        items=[_decision(one, exercise) for one, exercise in found[:limit]],
        next=next_of([one for one, _ in found], limit),
    )


def _decision(one: Decision, exercise: str | None) -> shapes.DecisionOut:
    return shapes.DecisionOut(
        id=one.id,
        lifter_id=one.lifter_id,
        flag_id=one.flag_id,
        exercise=exercise,
        action=one.action,
        note=one.note,
        date=date.fromordinal(one.day),
        look_again=date.fromordinal(one.look_again_day),
        detail=one.detail,
        evidence=one.evidence,
        outcome=one.outcome,
        undone=one.undone_at is not None,
        made_at=one.made_at,
    )


# Small things ---------------------------------------------------------------------------------------


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _date(ordinal: int | None) -> date | None:
    return None if ordinal is None else date.fromordinal(ordinal)


def _ordinal(day: date | None) -> int | None:
    return None if day is None else day.toordinal()


def _grams(kg: float | None) -> int | None:
    return None if kg is None else round(kg * 1000)
