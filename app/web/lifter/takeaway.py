"""The sheet to write on and the calendar's address."""

from __future__ import annotations

import hashlib
from datetime import date

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.exchange import calendar_feed, pdf
from app.planning import handouts
from app.web.dependencies import AppSettings, AppStore, CurrentLifter, Now
from app.web.lifter.pages import long_day, phone_page, unit_of
from app.web.pages import num, see_other

router = APIRouter()


@router.get("/sheet.pdf")
def sheet(
    request: Request, lifter: CurrentLifter, store: AppStore, settings: AppSettings, now: Now
) -> Response:
    """A page for each training day of the coming week, with boxes to write in and the way back."""
    asked = request.query_params
    only = (
        int(asked["session"]) if asked.get("session", "").isdecimal() and len(asked["session"]) < 10 else None
    )
    paper: pdf.Paper = "Letter" if asked.get("paper") == "Letter" else "A4"
    unit = unit_of(lifter)
    days = [
        pdf.SheetDay(
            title=f"{one.name}, {long_day(one.day)}",
            exercises=[
                pdf.SheetExercise(
                    f"{lift.name}  {lift.text}".strip(),
                    [
                        pdf.SheetSet(
                            f"{target.load} {unit}" if target.load else "",
                            target.amount,
                            "" if target.rpe is None else num(target.rpe),
                        )
                        for target in lift.sets
                    ],
                    lift.note,
                )
                for lift in one.lifts
            ],
            note=one.note,
            link=f"{settings.address}/session/{one.id}",
        )
        for one in handouts.sheet(store, lifter, now=now, only=only)
    ]
    body = pdf.sheet_pdf(pdf.Sheet(lifter.name, days, now), paper=paper)
    headers = {"Cache-Control": "no-store", "Content-Disposition": 'attachment; filename="sessions.pdf"'}
    return Response(body, headers=headers, media_type="application/pdf")


@router.get("/calendar")
def calendar_page(request: Request, lifter: CurrentLifter, now: Now) -> Response:
    return phone_page(
        request,
        "phone/calendar.html",
        lifter,
        now,
        tab="/more",
        address="",
        has_one=lifter.feed_hash is not None,
    )


@router.post("/calendar")
def new_address(
    request: Request, lifter: CurrentLifter, store: AppStore, settings: AppSettings, now: Now
) -> Response:
    """Make a new address; it is shown this once, because only its hash is kept."""
    address = f"{settings.address}/feed/{handouts.issue_feed(store, lifter)}.ics"
    return phone_page(request, "phone/calendar.html", lifter, now, tab="/more", address=address, has_one=True)


@router.post("/calendar/end")
def end_address(request: Request, lifter: CurrentLifter, store: AppStore) -> Response:
    handouts.end_feed(store, lifter)
    return see_other(request, "/calendar")


@router.get("/feed/{token}.ics")
def feed(request: Request, token: str, store: AppStore, settings: AppSettings, now: Now) -> Response:
    """The calendar itself: read-only, for whoever holds the address."""
    found = handouts.feed(store, token, now=now)
    events = [
        calendar_feed.Event(
            uid=f"session-{session.id}@terrace",
            day=date.fromordinal(session.day),
            title=session.name,
            text="\n".join([*asked, session.note]).strip(),
            status="CANCELLED" if session.status == "skipped" else "CONFIRMED",
            sequence=max(session.version - 1, 0) + (session.status == "skipped"),
            link=f"{settings.address}/session/{session.id}",
        )
        for session, asked in found.sessions
    ]
    body = calendar_feed.calendar_bytes("Training", events)
    tag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'
    headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
    if tag in request.headers.get("If-None-Match", ""):
        return Response(status_code=304, headers=headers)
    return Response(body, headers=headers, media_type="text/calendar; charset=utf-8")
