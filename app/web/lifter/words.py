"""Check-in, pain report and messages: what the lifter says beside the sets."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.planning import today
from app.planning.days import today_in
from app.storage.engine import Store
from app.storage.models import Lifter
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
    return show(request, lifter, store, now, "check_in")


@router.get("/pain")
def pain_page(request: Request, lifter: CurrentLifter, store: AppStore, now: Now) -> Response:
    return show(request, lifter, store, now, "pain")


@router.get("/messages")
def messages_page(request: Request, lifter: CurrentLifter, store: AppStore, now: Now) -> Response:
    return show(request, lifter, store, now, "message")


def show(
    request: Request,
    lifter: Lifter,
    store: Store,
    now: datetime,
    kind: str,
    status: int = 200,
    why: str = "",
    values: Mapping[str, str] | None = None,
) -> Response:
    """The page that an entry of this kind comes from; with what was typed and why it was not taken."""
    template, tab, wrong_at, facts = PAGES[kind]
    return phone_page(
        request,
        template,
        lifter,
        now,
        tab=tab,
        status=status,
        values=values or {},
        errors={wrong_at: why} if why else {},
        **facts(store, lifter, today_in(zone_of(request, lifter), now)),
    )


def _check_in(store: Store, lifter: Lifter, day: int) -> dict[str, Any]:
    return {
        "questions": QUESTIONS,
        "given": today.check_in_of(store, lifter, day),
        "iso_day": date.fromordinal(day).isoformat(),
    }


def _pain(store: Store, lifter: Lifter, day: int) -> dict[str, Any]:
    reports, lifts = today.pain_of(store, lifter, day)
    return {"reports": reports, "lifts": lifts}


def _messages(store: Store, lifter: Lifter, _day: int) -> dict[str, Any]:
    found = [one for one in today.conversation(store, lifter) if "skipped" not in one.about]
    return {
        "found": found[::-1],
        "unread": sum(1 for one in found if one.author == "coach" and one.read_at is None),
        "newest": next((one.id for one in found if one.author == "coach"), 0),
    }


PAGES: Mapping[str, tuple[str, str, str, Callable[[Store, Lifter, int], dict[str, Any]]]] = {
    "check_in": ("phone/check_in.html", "/today", "", _check_in),
    "pain": ("phone/pain.html", "/today", "place", _pain),
    "message": ("phone/messages.html", "/messages", "body", _messages),
}
"""By kind of entry: template, tab, the field an error stands at, and what only this page shows."""
