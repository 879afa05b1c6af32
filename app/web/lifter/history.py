"""What the lifter has done: sessions, one lift over time, and the page of small things."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.planning import accounts, past, today
from app.planning.days import today_in
from app.web.dependencies import AppStore, CurrentLifter, Now
from app.web.lifter.pages import phone_page, unit_of, zone_of
from app.web.lifter.small_chart import lift_chart

router = APIRouter()


@router.get("/history")
def history_page(request: Request, lifter: CurrentLifter, store: AppStore, now: Now) -> Response:
    before = request.query_params.get("before", "")
    day = today_in(zone_of(request, lifter), now)
    found = past.sessions(
        store, lifter, before_day=int(before) if before.isdecimal() and len(before) < 8 else day, today=day
    )
    return phone_page(request, "phone/history.html", lifter, now, tab="/history", found=found, today=day)


@router.get("/history/{exercise_id}")
def lift_page(
    request: Request, exercise_id: int, lifter: CurrentLifter, store: AppStore, now: Now
) -> Response:
    day = today_in(zone_of(request, lifter), now)
    found = past.lift(store, lifter, exercise_id, today=day)
    return phone_page(
        request,
        "phone/lift.html",
        lifter,
        now,
        tab="/history",
        found=found,
        chart=lift_chart(found, unit_of(lifter)),
        today=day,
    )


@router.get("/more")
def more_page(request: Request, lifter: CurrentLifter, store: AppStore, now: Now) -> Response:
    return phone_page(
        request,
        "phone/more.html",
        lifter,
        now,
        tab="/more",
        cautions=today.CAUTIONS,
        offer=accounts.offer_of(store, lifter),
    )
