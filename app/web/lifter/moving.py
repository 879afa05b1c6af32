"""The lifter's word on being handed to another coach."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.planning import accounts
from app.web.dependencies import AppStore, CurrentLifter, FormData, Now
from app.web.lifter.pages import phone_page
from app.web.pages import see_other

router = APIRouter()


@router.get("/another-coach")
def offer_page(request: Request, lifter: CurrentLifter, store: AppStore, now: Now) -> Response:
    offer = accounts.offer_of(store, lifter)
    return phone_page(request, "phone/another_coach.html", lifter, now, tab="/more", offer=offer)


@router.post("/another-coach")
def answer(request: Request, lifter: CurrentLifter, store: AppStore, data: FormData, now: Now) -> Response:
    said = data.get("answer")
    if said in ("yes", "no"):
        accounts.answer_offer(store, lifter, agree=said == "yes", now=now)
    return see_other(request, "/another-coach")
