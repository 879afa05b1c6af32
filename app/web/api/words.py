"""Words and feelings for programs: messages both ways, check-ins, pain; and sets that look wrong."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from fastapi import HTTPException, Query, Request

from app.planning import data_quality, messages, pain, program_desk, programs
from app.planning.data_quality import OddSet, Pick
from app.storage.models import CheckIn, Message, PainReport
from app.web.api import shapes
from app.web.api.door import After, Id, Key, Limit, Reader, Writer, next_of, operations
from app.web.api.logs import KEY_USED, First, Last, place_of, set_out
from app.web.dependencies import AppStore, Now
from app.web.lifter.sync import wake

router = operations()


# Messages -------------------------------------------------------------------------------------------


@router.get("/messages", tags=["Messages"], summary="Messages across the roster, as they were sent")
def list_messages(coach: Reader, store: AppStore, limit: Limit = 50, after: After = 0) -> shapes.MessagePage:
    found = program_desk.messages_of(store, coach, after=after, limit=limit + 1)
    return shapes.MessagePage(items=[_message(one) for one in found[:limit]], next=next_of(found, limit))


@router.get("/lifters/{lifter_id}/messages", tags=["Messages"], summary="Messages to and from a lifter")
def messages_of_lifter(
    lifter_id: Id, coach: Reader, store: AppStore, limit: Limit = 50, after: After = 0
) -> shapes.MessagePage:
    found = program_desk.messages_of(store, coach, lifter_id=lifter_id, after=after, limit=limit + 1)
    return shapes.MessagePage(items=[_message(one) for one in found[:limit]], next=next_of(found, limit))


@router.post(
    "/lifters/{lifter_id}/messages",
    tags=["Messages"],
    summary="Write to a lifter, once; it goes to their phone as it is",
    status_code=201,
)
def send_message(
    lifter_id: Id, body: shapes.MessageIn, program: Writer, store: AppStore, now: Now, key: Key
) -> shapes.MessageOut:
    try:
        made = program_desk.send_message(
            store, program.coach, lifter_id, body.body, key, by=program.name, now=now
        )
    except programs.KeyUsedBefore:
        raise HTTPException(422, KEY_USED) from None
    except messages.NothingWritten:
        raise HTTPException(422, "A message needs words.") from None
    return _message(made)


@router.post(
    "/lifters/{lifter_id}/messages/read",
    tags=["Messages"],
    summary="Say that a lifter's messages were read",
    status_code=204,
)
def read_messages(lifter_id: Id, program: Writer, store: AppStore, now: Now) -> None:
    messages.seen(store, program.coach, lifter_id, now=now)


def _message(one: Message) -> shapes.MessageOut:
    return shapes.MessageOut(
        id=one.id,
        lifter_id=one.lifter_id,
        author=one.author,  # type: ignore[arg-type]
        body=one.body,
        about=one.about,
        sent_at=one.sent_at or one.created_at,
        read_at=one.read_at,
    )


# Check-ins and pain ---------------------------------------------------------------------------------


@router.get("/lifters/{lifter_id}/check-ins", tags=["Check-ins and pain"], summary="A lifter's check-ins")
def list_check_ins(
    lifter_id: Id,
    coach: Reader,
    store: AppStore,
    first: First = None,
    last: Last = None,
    limit: Limit = 50,
    after: After = 0,
) -> shapes.CheckInPage:
    found = program_desk.check_ins_of(
        store,
        coach,
        lifter_id,
        first_day=0 if first is None else first.toordinal(),
        last_day=programs.LAST_DAY if last is None else last.toordinal(),
        after=after,
        limit=limit + 1,
    )
    return shapes.CheckInPage(items=[_check_in(one) for one in found[:limit]], next=next_of(found, limit))


@router.get("/lifters/{lifter_id}/pain", tags=["Check-ins and pain"], summary="A lifter's reports of pain")
def list_pain(
    lifter_id: Id,
    coach: Reader,
    store: AppStore,
    resolved: Annotated[bool, Query(description="Resolved ones too")] = True,
    limit: Limit = 50,
    after: After = 0,
) -> shapes.PainPage:
    found = program_desk.pains_of(store, coach, lifter_id, resolved=resolved, after=after, limit=limit + 1)
    return shapes.PainPage(
        items=[_pain(*one) for one in found[:limit]], next=next_of([one for one, _ in found], limit)
    )


@router.post(
    "/lifters/{lifter_id}/pain/{report_id}/resolve",
    tags=["Check-ins and pain"],
    summary="Say that a pain is over; advice to add load may then be given again",
    status_code=204,
)
def resolve_pain(
    request: Request,
    lifter_id: Id,
    report_id: Id,
    body: shapes.PainResolved,
    program: Writer,
    store: AppStore,
    now: Now,
) -> None:
    pain.resolve(store, program.coach, lifter_id, report_id, note=body.note, by=program.name, now=now)
    wake(request)


def _check_in(one: CheckIn) -> shapes.CheckInOut:
    return shapes.CheckInOut(
        id=one.id,
        date=date.fromordinal(one.day),
        at=one.at,
        sleep=one.sleep,
        soreness=one.soreness,
        stress=one.stress,
        motivation=one.motivation,
        body_mass_kg=None if one.body_mass_grams is None else one.body_mass_grams / 1000,
        note=one.note,
    )


def _pain(one: PainReport, exercise: str | None) -> shapes.PainOut:
    return shapes.PainOut(
        id=one.id,
        date=date.fromordinal(one.day),
        at=one.at,
        place=one.place,
        severity=one.severity,
        during=one.during,
        exercise=exercise,
        note=one.note,
        resolved_at=one.resolved_at,
        resolved_note=one.resolved_note,
    )


# Odd sets -------------------------------------------------------------------------------------------


@router.get(
    "/lifters/{lifter_id}/odd-sets",
    tags=["Logs"],
    summary="Sets held out of the estimates that wait for a decision",
)
def list_odd_sets(lifter_id: Id, coach: Reader, store: AppStore) -> shapes.OddSetList:
    found = data_quality.odd_sets(store, coach, lifter_id)
    return shapes.OddSetList(items=[_odd(one) for one in found])


@router.post(
    "/lifters/{lifter_id}/odd-sets", tags=["Logs"], summary="Decide about held-out sets, all or none of them"
)
def decide_odd_sets(
    request: Request, lifter_id: Id, body: shapes.OddSetsIn, program: Writer, store: AppStore, now: Now
) -> shapes.OddSetsDecided:
    picks = [Pick(*place_of(one.id), one.version) for one in body.sets]
    if len(set(picks)) < len(picks):
        raise HTTPException(422, "A set stands there twice.")
    held = {
        (one.logged.day, one.logged.position)
        for one in data_quality.odd_sets(store, program.coach, lifter_id)
    }
    if any((one.day, one.position) not in held for one in picks):
        raise HTTPException(409, "A set is not held out, or not any more. Read the odd sets again.")
    try:
        decided = data_quality.fix(store, program.coach, lifter_id, picks, body.how, by=program.name, now=now)
    except data_quality.SetsChanged:
        raise HTTPException(409, "A set was changed meanwhile. Read the odd sets again.") from None
    wake(request)
    return shapes.OddSetsDecided(decided=decided)


def _odd(one: OddSet) -> shapes.OddSetOut:
    better = one.proposed
    return shapes.OddSetOut(
        set=set_out(one.logged, one.lift),
        reason=one.reason.replace("_", " "),
        proposed=None
        if better is None
        else shapes.Corrected(load_kg=better.load_grams / 1000, reps=better.reps),
    )
