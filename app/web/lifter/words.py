"""Check-in, pain report and messages: what the lifter says beside the sets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.planning import today
from app.planning.days import today_in
from app.storage.engine import Store
from app.storage.models import CheckIn, Lifter, Message, PainReport
from app.web.dependencies import AppStore, CurrentLifter, Now
from app.web.lifter.pages import phone_page, zone_of

router = APIRouter()
ANSWERS = ((1, "very good"), (2, "good"), (4, "usual"), (6, "bad"), (7, "very bad"))
"""What is stored, 1 (good) to 7 (bad), and its words; five, so that each is wide enough for a thumb."""
QUESTIONS: Mapping[str, tuple[str, Sequence[tuple[int, str]]]] = {
    "sleep": ("Sleep", ANSWERS),
    "soreness": ("Soreness", ((1, "none"), (2, "little"), (4, "usual"), (6, "sore"), (7, "very sore"))),
    "stress": ("Stress", ((1, "none"), (2, "little"), (4, "usual"), (6, "high"), (7, "very high"))),
    "motivation": ("Motivation", ((1, "very high"), (2, "high"), (4, "usual"), (6, "low"), (7, "none"))),
}


@router.get("/check-in")
def check_in_page(request: Request, lifter: CurrentLifter, store: AppStore, now: Now) -> Response:
    return _check_in(request, lifter, store, now)


def _check_in(
    request: Request,
    lifter: Lifter,
    store: Store,
    now: datetime,
    status: int = 200,
    why: str = "",
    values: Mapping[str, str] | None = None,
) -> Response:
    day = today_in(zone_of(request, lifter), now)
    given: CheckIn | None = today.check_in_of(store, lifter, day)
    return phone_page(
        request,
        "phone/check_in.html",
        lifter,
        now,
        tab="/today",
        status=status,
        questions=QUESTIONS,
        given=given,
        iso_day=date.fromordinal(day).isoformat(),
        values=values or {},
        errors={"": why} if why else {},
    )


@router.get("/pain")
def pain_page(request: Request, lifter: CurrentLifter, store: AppStore, now: Now) -> Response:
    return _pain(request, lifter, store, now)


def _pain(
    request: Request,
    lifter: Lifter,
    store: Store,
    now: datetime,
    status: int = 200,
    why: str = "",
    values: Mapping[str, str] | None = None,
) -> Response:
    reports: Sequence[PainReport]
    reports, lifts = today.pain_of(store, lifter, today_in(zone_of(request, lifter), now))
    return phone_page(
        request,
        "phone/pain.html",
        lifter,
        now,
        tab="/today",
        status=status,
        reports=reports,
        lifts=lifts,
        values=values or {},
        errors={"place": why} if why else {},
    )


@router.get("/messages")
def messages_page(request: Request, lifter: CurrentLifter, store: AppStore, now: Now) -> Response:
    return _messages(request, lifter, store, now)


def _messages(
    request: Request,
    lifter: Lifter,
    store: Store,
    now: datetime,
    status: int = 200,
    why: str = "",
    values: Mapping[str, str] | None = None,
) -> Response:
    found: Sequence[Message] = [
        one for one in today.conversation(store, lifter) if "skipped" not in one.about
    ]
    newest = next((one.id for one in found if one.author == "coach"), 0)
    return phone_page(
        request,
        "phone/messages.html",
        lifter,
        now,
        tab="/messages",
        status=status,
        found=list(reversed(found)),
        unread=sum(1 for one in found if one.author == "coach" and one.read_at is None),
        newest=newest,
        values=values or {},
        errors={"body": why} if why else {},
    )


def again(
    request: Request,
    lifter: Lifter,
    store: Store,
    now: datetime,
    kind: str,
    status: int,
    why: str,
    values: Mapping[str, str],
) -> Response:
    """The page an entry came from, with what was typed and why it was not taken."""
    show = {"check_in": _check_in, "pain": _pain, "message": _messages}[kind]
    return show(request, lifter, store, now, status, why, values)
