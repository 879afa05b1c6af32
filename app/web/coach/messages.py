"""Messages: a lifter's thread with its drafts, and one text to many."""

from __future__ import annotations

from contextlib import suppress
from datetime import datetime

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.planning import messages, roster, taking_back
from app.planning.analysis import lifter_view
from app.planning.messages import LONGEST, NothingWritten
from app.planning.roster import ORDERS, SHOWS, RosterQuery
from app.storage.engine import StoreError
from app.web.dependencies import AppStore, CurrentCoach, Desk, DeskView, FormData, Now
from app.web.forms import Form
from app.web.pages import page, see_other

router = APIRouter()


@router.get("/lifters/{lifter_id}/messages")
def thread(
    request: Request,
    desk: Desk,
    store: AppStore,
    now: Now,
    lifter_id: int,
    flag: int = 0,
    why: int = 0,
    taken_back: int = 0,
) -> Response:
    draft = ""
    if taken_back:
        shown = taking_back.propose(store, desk.owner, taken_back, now=now)
        if shown.lifter.id == lifter_id:
            draft = taking_back.draft_message(shown)
    elif flag or why:
        view = lifter_view(store, desk.owner, lifter_id, now=now)
        if flag:
            about = next((one for one in (*view.flags, *view.past_flags) if one.id == flag), None)
            draft = "" if about is None else messages.draft_about_flag(store, desk.owner, view, about)
        else:
            draft = messages.draft_about_next(store, desk.owner, view, why, now=now)
    return _thread(request, desk, store, now, lifter_id, Form({"body": draft} if draft else {}))


@router.post("/lifters/{lifter_id}/messages")
def write(
    request: Request, desk: Desk, store: AppStore, now: Now, data: FormData, lifter_id: int
) -> Response:
    form = Form.of(data)
    keep = form.get("do") == "keep"
    body = form.text("body", "a message", longest=LONGEST, needed=not keep)
    if form.errors:
        return _thread(request, desk, store, now, lifter_id, form, status=422)
    if keep:
        messages.keep(store, desk.owner, lifter_id, body, now=now)
    else:
        messages.send(store, desk.owner, [lifter_id], body, by=desk.actor.name, now=now)
    return see_other(request, f"/lifters/{lifter_id}/messages")


def _thread(
    request: Request,
    desk: DeskView,
    store: AppStore,
    now: datetime,
    lifter_id: int,
    form: Form,
    status: int = 200,
) -> Response:
    coach = desk.owner
    view = lifter_view(store, coach, lifter_id, now=now)
    found = messages.conversation(store, coach, lifter_id)
    fresh = {one.id for one in found.sent if one.author == "lifter" and one.read_at is None}
    if fresh and desk.can_write:
        with suppress(StoreError):  # what cannot be noted now is still new at the next look
            messages.seen(store, coach, lifter_id, now=now)
    if "body" not in form.values:
        form.values["body"] = found.draft
    return page(
        request,
        "messages/thread.html",
        status=status,
        errors=form.errors,
        form=form,
        lifter=found.lifter,
        sent=found.sent,
        fresh=fresh,
        flags=view.open_flags,
        explainable=messages.explainable(store, coach, lifter_id, now=now)[:8],
        zone=coach.time_zone,
        longest=LONGEST,
    )


# One text to many ---------------------------------------------------------------------------------


@router.get("/messages/new")
def new(
    request: Request,
    coach: CurrentCoach,
    store: AppStore,
    now: Now,
    show: str = "all",
    find: str = "",
    order: str = "worth",
) -> Response:
    query = RosterQuery(show if show in SHOWS else "all", find[:80], order if order in ORDERS else "worth")
    rows = roster.roster_view(store, coach, query, now=now).rows
    return _many(request, coach, store, now, Form(), query, {row.lifter_id for row in rows})


@router.post("/messages/new")
def send(request: Request, desk: Desk, store: AppStore, now: Now, data: FormData) -> Response:
    form = Form.of(data)
    query = RosterQuery(form.get("show") if form.get("show") in SHOWS else "all", form.get("find")[:80])
    texts = [one for one in data.getlist("to") if isinstance(one, str)]
    chosen = [int(one) for one in texts if one.isascii() and one.isdigit() and len(one) < 10]
    body = form.text("body", "a message", longest=LONGEST)
    if not chosen:
        form.errors["to"] = "Tick at least one lifter"
    if not form.errors:
        try:
            number = messages.send(store, desk.owner, chosen, body, by=desk.actor.name, now=now)
        except NothingWritten:
            form.errors["body"] = "Enter a message"
        else:
            return page(request, "messages/sent.html", number=number)
    return _many(request, desk.owner, store, now, form, query, set(chosen), status=422)


def _many(
    request: Request,
    coach: CurrentCoach,
    store: AppStore,
    now: datetime,
    form: Form,
    query: RosterQuery,
    chosen: set[int],
    status: int = 200,
) -> Response:
    rows = roster.roster_view(store, coach, query, now=now).rows
    return page(
        request,
        "messages/many.html",
        status=status,
        errors=form.errors,
        form=form,
        rows=rows,
        chosen=chosen,
        query=query,
        about=f"“{query.find}”" if query.find else SHOWS[query.show],
        longest=LONGEST,
    )
