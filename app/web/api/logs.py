"""Logs for programs: sets and sessions read, added, put right, taken out and put back."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any

from fastapi import HTTPException, Path, Query, Request

from app.exchange import exercise_names
from app.planning import exports, programs
from app.planning.logging import BackAlready
from app.storage.logs import StoredSet
from app.storage.models import LoggedSession, SetMark
from app.training.units import TypedMass, parse_mass
from app.web.api import shapes
from app.web.api.door import After, Id, Key, Limit, Reader, Told, Version, Writer, next_of, operations
from app.web.dependencies import AppStore, Now
from app.web.lifter.sync import wake

router = operations()
PLACE = r"^[0-9]{1,7}-[0-9]{1,4}$"
SetId = Annotated[str, Path(pattern=PLACE, max_length=12, description="As `id` of the set says")]
First = Annotated[shapes.Day | None, Query(alias="from")]
Last = Annotated[shapes.Day | None, Query(alias="to")]
KEY_USED = "This Idempotency-Key came with something else before. Make a new one."


@router.get("/lifters/{lifter_id}/sets", tags=["Logs"], summary="Sets in the order they were done")
def list_sets(
    lifter_id: Id,
    coach: Reader,
    store: AppStore,
    first: First = None,
    last: Last = None,
    limit: Limit = 50,
    after: Annotated[str | None, Query(pattern=PLACE, max_length=12)] = None,
) -> shapes.SetPage:
    found = programs.sets_of(
        store,
        coach,
        lifter_id,
        first_day=0 if first is None else first.toordinal(),
        last_day=programs.LAST_DAY if last is None else last.toordinal(),
        after=place_of(after or "0--1"),
        limit=limit + 1,
    )
    items = [set_out(*one) for one in found[:limit]]
    return shapes.SetPage(items=items, next=items[-1].id if len(found) > limit else None)


@router.post("/lifters/{lifter_id}/sets", tags=["Logs"], summary="Log sets, once", status_code=201)
def add_sets(
    request: Request,
    lifter_id: Id,
    body: shapes.SetsIn,
    program: Writer,
    store: AppStore,
    now: Now,
    key: Key,
) -> shapes.SetsAdded:
    new = [
        programs.NewSet(
            day=one.date.toordinal(),
            exercise=shapes.one_line(one.exercise),
            load=_load(one.load, one.unit),
            reps=one.reps,
            rpe_tenths=_tenths(one.rpe),
            set_number=one.set_number,
            seconds=one.seconds,
            metres=one.metres,
            warm_up=one.warm_up,
            failed=one.failed,
            note=one.note,
        )
        for one in body.sets
    ]
    try:
        answer = programs.take_sets(
            store, program.coach, lifter_id, new, key, guess=exercise_names.guess, by=program.name, now=now
        )
    except programs.KeyUsedBefore:
        raise HTTPException(422, KEY_USED) from None
    except programs.DayNotBegun:
        raise HTTPException(422, "A set is dated after today where the lifter lives.") from None
    except programs.DayFull:
        raise HTTPException(409, "A day holds 10,000 sets at most.") from None
    wake(request)
    return shapes.SetsAdded(**answer)


@router.get("/lifters/{lifter_id}/sets/{set_id}", tags=["Logs"], summary="One set")
def one_set(lifter_id: Id, set_id: SetId, coach: Reader, store: AppStore) -> shapes.SetOut:
    return set_out(*programs.one_set(store, coach, lifter_id, *place_of(set_id)))


@router.patch("/lifters/{lifter_id}/sets/{set_id}", tags=["Logs"], summary="Put a set right")
def amend_set(
    request: Request,
    lifter_id: Id,
    set_id: SetId,
    body: shapes.SetChange,
    program: Writer,
    store: AppStore,
    now: Now,
    key: Key,
) -> shapes.SetOut:
    named = body.model_dump(include=body.model_fields_set - {"version", "unit"})
    changes: dict[str, Any] = {}
    for name, value in named.items():
        match name:
            case "load":
                changes["load"] = _load(body.load, body.unit)
            case "rpe":
                changes["rpe_tenths"] = _tenths(value)
            case "exercise":
                changes["exercise"] = shapes.one_line(value)
            case _:
                changes[name] = value
    try:
        found = programs.amend_set(
            store,
            program.coach,
            lifter_id,
            *place_of(set_id),
            changes,
            key,
            version=body.version,
            guess=exercise_names.guess,
            by=program.name,
            now=now,
        )
    except programs.KeyUsedBefore:
        raise HTTPException(422, KEY_USED) from None
    except programs.NothingDone as error:
        raise HTTPException(422, f"{error}.") from None
    except programs.SetChanged as conflict:
        raise _set_changed(conflict) from None
    wake(request)
    return set_out(*found)


@router.delete("/lifters/{lifter_id}/sets/{set_id}", tags=["Logs"], summary="Take a set out of the log")
def take_out_set(
    request: Request,
    lifter_id: Id,
    set_id: SetId,
    version: Version,
    program: Writer,
    store: AppStore,
    now: Now,
    key: Key,
) -> shapes.SetTakenOut:
    try:
        change = programs.take_out_set(
            store,
            program.coach,
            lifter_id,
            *place_of(set_id),
            key,
            version=version,
            by=program.name,
            now=now,
        )
    except programs.KeyUsedBefore:
        raise HTTPException(422, KEY_USED) from None
    except programs.SetChanged as conflict:
        raise _set_changed(conflict) from None
    wake(request)
    return shapes.SetTakenOut(change=change)


@router.get(
    "/lifters/{lifter_id}/set-changes",
    tags=["Logs"],
    summary="What was amended, taken out and put back in a log",
)
def list_set_changes(
    lifter_id: Id, coach: Reader, store: AppStore, limit: Limit = 50, after: After = 0
) -> shapes.SetChangePage:
    found = programs.set_changes_of(store, coach, lifter_id, after=after, limit=limit + 1)
    items = [
        shapes.SetChanged(
            id=one.id,
            at=one.at,
            by=one.by,
            change=one.change,  # type: ignore[arg-type]
            why=one.why,
            before=set_out(before, exercise),
        )
        for one, before, exercise in found[:limit]
    ]
    return shapes.SetChangePage(items=items, next=next_of([one for one, *_ in found], limit))


@router.post(
    "/lifters/{lifter_id}/set-changes/{change_id}/put-back",
    tags=["Logs"],
    summary="Put a set back that was taken out",
    status_code=201,
)
def put_set_back(
    request: Request, lifter_id: Id, change_id: Id, program: Writer, store: AppStore, now: Now, key: Key
) -> shapes.SetOut:
    try:
        found = programs.put_set_back(
            store, program.coach, lifter_id, change_id, key, by=program.name, now=now
        )
    except programs.KeyUsedBefore:
        raise HTTPException(422, KEY_USED) from None
    except BackAlready:
        raise HTTPException(409, "This set is in the log again already.") from None
    wake(request)
    return set_out(*found)


@router.get("/lifters/{lifter_id}/sessions", tags=["Logs"], summary="Sessions that were logged")
def list_sessions(
    lifter_id: Id,
    coach: Reader,
    store: AppStore,
    first: First = None,
    last: Last = None,
    limit: Limit = 50,
    after: After = 0,
) -> shapes.SessionPage:
    found = programs.sessions_of(
        store,
        coach,
        lifter_id,
        first_day=0 if first is None else first.toordinal(),
        last_day=programs.LAST_DAY if last is None else last.toordinal(),
        after=after,
        limit=limit + 1,
    )
    return shapes.SessionPage(items=[_session(one) for one in found[:limit]], next=next_of(found, limit))


@router.patch(
    "/lifters/{lifter_id}/sessions/{session_id}",
    tags=["Logs"],
    summary="Set session RPE, minutes or note of a session",
)
def rate_session(
    request: Request,
    lifter_id: Id,
    session_id: Id,
    body: shapes.SessionChange,
    program: Writer,
    store: AppStore,
    now: Now,
    key: Key,
) -> shapes.SessionOut:
    changes = body.model_dump(include=body.model_fields_set - {"version", "session_rpe"})
    if "session_rpe" in body.model_fields_set:
        changes["session_rpe_tenths"] = _tenths(body.session_rpe)
    try:
        found = programs.rate_session(
            store,
            program.coach,
            lifter_id,
            session_id,
            changes,
            key,
            version=body.version,
            by=program.name,
            now=now,
        )
    except programs.KeyUsedBefore:
        raise HTTPException(422, KEY_USED) from None
    except programs.SessionChanged as conflict:
        words = "This session was changed meanwhile. Look at it and send the change again."
        raise Told(409, words, current=_session(conflict.now)) from None
    wake(request)
    return _session(found)


def _set_changed(conflict: programs.SetChanged) -> Told:
    words = "This set was changed meanwhile. Look at it and send the change again."
    return Told(409, words, current=set_out(*conflict.now))


def place_of(set_id: str) -> tuple[int, int]:
    day, _, position = set_id.partition("-")
    return int(day), int(position)


def _load(number: float, unit: shapes.Unit) -> TypedMass:
    try:
        return parse_mass(f"{number:.3f}".rstrip("0").rstrip("."), unit)
    except ValueError as error:
        raise HTTPException(422, f"{error}.") from None


def _tenths(number: float | None) -> int | None:
    return None if number is None else round(number * 10)


def set_out(one: StoredSet, exercise: str) -> shapes.SetOut:
    """A set as programs see it."""
    number, unit = exports.typed_load(one.load_grams, one.typed)
    return shapes.SetOut(
        id=f"{one.day}-{one.position}",
        date=date.fromordinal(one.day),
        exercise=exercise,
        exercise_id=one.exercise_id,
        session_id=one.session_id,
        set_number=one.set_number,
        load=number,
        unit=unit,
        load_kg=one.load_grams / 1000,
        reps=one.reps,
        rpe=None if one.rpe_tenths is None else one.rpe_tenths / 10,
        seconds=one.seconds,
        metres=one.metres,
        warm_up=bool(one.marks & SetMark.WARM_UP),
        failed=bool(one.marks & SetMark.FAILED),
        held_out=bool(one.marks & SetMark.HELD_OUT),
        note=one.note or "",
        version=one.version,
    )


def _session(one: LoggedSession) -> shapes.SessionOut:
    return shapes.SessionOut(
        id=one.id,
        date=date.fromordinal(one.day),
        planned_session_id=one.planned_session_id,
        started_at=one.started_at,
        finished_at=one.finished_at,
        session_rpe=None if one.session_rpe_tenths is None else one.session_rpe_tenths / 10,
        minutes=one.minutes,
        note=one.note,
        version=one.version,
    )
