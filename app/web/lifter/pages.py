"""The lifter's pages: whole without JavaScript, and the frame that the phone's script works in."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response
from markupsafe import Markup

from app.config import Settings
from app.planning import living_plan, logging, today
from app.planning.days import today_in
from app.storage.engine import Store
from app.storage.models import Lifter
from app.training.loading import BarKit, kit_to_dict
from app.training.units import Unit, mass_number
from app.web.dependencies import (
    AppStore,
    CurrentLifter,
    FormData,
    LinkNeeded,
    Now,
    check,
    get_form,
    get_lifter,
)
from app.web.lifter import drawing
from app.web.lifter.door import asset_version
from app.web.lifter.sync import wake
from app.web.pages import LIFTER_COOKIE, cookie_name, page, see_other

router = APIRouter()
ZONE_COOKIE = "terrace_zone"  # no secret: set by the phone's script to the zone the phone is in
LONG_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
LONG_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


def new_id() -> str:
    """An id for a form sent without JavaScript; sending it twice stores once."""
    return secrets.token_urlsafe(16)


def unit_of(lifter: Lifter) -> Unit:
    return "lb" if lifter.unit == "lb" else "kg"


def zone_of(request: Request, lifter: Lifter) -> str:
    return today.zone_of(lifter, request.cookies.get(ZONE_COOKIE, "").replace("%2F", "/") or None)


def long_day(ordinal: int) -> str:
    found = date.fromordinal(ordinal)
    return f"{LONG_DAYS[found.weekday()]} {found.day} {LONG_MONTHS[found.month - 1]}"


def phone_page(
    request: Request,
    template: str,
    lifter: Lifter,
    now: datetime,
    *,
    tab: str,
    status: int = 200,
    **more: Any,
) -> Response:
    """A page inside the phone's frame."""
    return page(
        request,
        template,
        status=status,
        **{
            "lifter": lifter,
            "lifter_id": lifter.id,
            "asset_version": asset_version(),
            "made_ms": int(now.timestamp() * 1000),
            "unit": unit_of(lifter),
            "tab": tab,
            "unread": more["unread"] if "unread" in more else today.unread(request.app.state.store, lifter),
            "new_id": new_id,
            "errors": {},
            **more,
        },
    )


@dataclass(frozen=True, slots=True)
class Entry:
    """The set that the page asks for next."""

    slot: str
    session: str
    exercise: int
    name: str
    measure: str
    number: int
    prescription: int | None
    planned_set: int | None
    seen: int | None
    day: str
    values: Mapping[str, str]
    drawing: Markup
    button: str


@router.get("/today")
def today_page(request: Request, lifter: CurrentLifter, store: AppStore, now: Now) -> Response:
    return _session(request, lifter, store, now, planned_id=None)


@router.post("/changes/seen")
def changes_seen(
    request: Request, lifter: CurrentLifter, store: AppStore, data: FormData, now: Now
) -> Response:
    until = data.get("until")
    if isinstance(until, str) and until.isascii() and until.isdecimal() and len(until) < 10:
        living_plan.mark_seen(store, lifter, int(until), now=now)
    return see_other(request, "/today")


@router.get("/session/{planned_id}")
def session_page(
    request: Request, planned_id: int, lifter: CurrentLifter, store: AppStore, now: Now
) -> Response:
    return _session(request, lifter, store, now, planned_id=planned_id)


@router.get("/log/{session_id}")
def log_page(request: Request, session_id: int, lifter: CurrentLifter, store: AppStore, now: Now) -> Response:
    found = today.earlier(store, lifter, session_id, now=now)
    view = today.TodayView(
        day=found.session.day, session=found.session, others=(), missed=(), next=None, check_in=None,
        pains=(), unread=0, has_plan=True, first_time=False, choices=found.choices,
    )  # fmt: skip
    return _show(request, lifter, view, now, earlier=True, where=found.where, removed=found.removed)


def _session(
    request: Request,
    lifter: Lifter,
    store: AppStore,
    now: Now,
    *,
    planned_id: int | None,
    status: int = 200,
    errors: Mapping[str, str] | None = None,
    values: Mapping[str, str] | None = None,
) -> Response:
    asked = request.query_params
    swaps = {}
    if asked.get("for", "").isdecimal() and asked.get("swap", "").isdecimal():
        swaps[int(asked["for"][:9])] = int(asked["swap"][:9])
    view = today.look(
        store, lifter, zone=zone_of(request, lifter), now=now, planned_id=planned_id, swaps=swaps
    )
    news = living_plan.unseen(store, lifter)
    return _show(request, lifter, view, now, status=status, errors=errors, values=values, news=news)


def _show(
    request: Request,
    lifter: Lifter,
    view: today.TodayView,
    now: datetime,
    *,
    status: int = 200,
    errors: Mapping[str, str] | None = None,
    values: Mapping[str, str] | None = None,
    earlier: bool = False,
    where: str = "",
    removed: tuple[today.Removed, ...] = (),
    news: tuple[living_plan.News, ...] = (),
) -> Response:
    unit = unit_of(lifter)
    day = view.session.day if view.session is not None else view.day
    kits = {lift.implement: lift.kit for lift in (view.session.lifts if view.session else ()) if lift.kit}

    def other(grams: int, shown: str) -> str:
        """The same mass in the other unit, where lifter and plates do not share one."""
        bars = [one for one in kits.values() if isinstance(one, BarKit)]
        apart = any(plate.mass.unit != unit for bar in bars for plate in bar.plates) or shown != unit
        if not apart:
            return ""
        unlike: Unit = "lb" if shown == "kg" else "kg"
        return f"{mass_number(grams, unlike)} {unlike}"

    return phone_page(
        request,
        "phone/session.html",
        lifter,
        now,
        tab="/history" if earlier else "/today",
        status=status,
        view=view,
        cautions=today.CAUTIONS,
        errors=dict(errors or {}),
        entry=_entry(request, lifter, view, unit, values or {}, earlier),
        long_day=long_day(day),
        iso_day=date.fromordinal(day).isoformat(),
        kits={name: _kit(kit) for name, kit in kits.items() if isinstance(kit, BarKit)},
        minutes=_minutes(view, now),
        unread=view.unread,
        earlier=earlier,
        where=where,
        removed=removed,
        news=news,
        other_unit=lambda done: other(done.grams, done.unit),
        other_target=lambda target: other(target.grams, unit) if target.grams else "",
    )


def _kit(kit: BarKit) -> dict[str, Any]:
    """A kit as the phone's script reads it: text to show, and grams to add up."""
    plain = kit_to_dict(kit)
    return {
        "bar": [plain["bar"], kit.bar.grams],
        "collar": [plain["collar"] if kit.collar.value else "", kit.collar.grams],
        "plates": [
            [text, plate.mass.grams, plate.pairs, drawing.colour_of(plate.mass)]
            for (text, _pairs), plate in zip(plain["plates"], kit.plates, strict=True)
        ],
    }


def _minutes(view: today.TodayView, now: datetime) -> int | None:
    """From the first set to now, as the answer to how long it took; None where that says nothing."""
    logged = view.session.logged if view.session is not None else None
    if logged is None or logged.started_at is None or view.day != logged.day:
        return None
    minutes = round((now - logged.started_at) / timedelta(minutes=1))
    return minutes if 5 <= minutes <= 240 else None


def _entry(
    request: Request,
    lifter: Lifter,
    view: today.TodayView,
    unit: Unit,
    values: Mapping[str, str],
    earlier: bool,
) -> Entry | None:
    """The next set to do, or the one the address asks for."""
    asked = request.query_params.get("at", "") or values.get("slot", "")
    s = view.session
    adding = request.query_params.get("exercise", "") or (values.get("exercise", "") if not asked else "")
    if adding.isdecimal() and (not values or s is None):
        chosen = next((one for one in view.choices if one[0] == int(adding[:9])), None)
        if chosen is not None:
            number, name, measure = chosen
            key = s.key if s is not None else values.get("session") or f"n{new_id()}"
            day = date.fromordinal(view.session.day).isoformat() if earlier and view.session else ""
            return Entry(
                slot="new", session=key, exercise=number, name=name, measure=measure, number=1,
                prescription=None, planned_set=None, seen=None, day=day, values=values, drawing=Markup(""),
                button="Set 1 done",
            )  # fmt: skip
    if s is None or (s.finished and not asked) or (earlier and not asked):
        return None
    previous: today.Done | None = None
    for lift in s.lifts:
        previous = None
        for line in lift.lines:
            if line.done is not None:
                previous = line.done
            wanted = line.slot == asked if asked else (line.done is None and not line.skipped)
            if not wanted or line.done is not None or line.target is None:
                continue
            target = line.target
            load = target.load or (previous.load if previous is not None and previous.unit == unit else "")
            usual = {
                "load": load or ("0" if lift.measure != "load" else ""),
                "reps": "" if target.reps is None else str(target.reps),
                "rpe": "" if target.rpe is None else f"{target.rpe:g}",
                "seconds": str(target.seconds or ""),
                "metres": str(target.metres or ""),
            }
            grams = target.grams
            return Entry(
                slot=line.slot, session=s.key, exercise=lift.exercise_id, name=lift.name,
                measure=lift.measure, number=line.number, prescription=lift.prescription_id,
                planned_set=line.planned_set, seen=s.version, day="",
                values=usual | dict(values),
                drawing=Markup("") if grams is None else drawing.plates(grams, lift.kit, unit),
                button=f"Set {line.number} done",
            )  # fmt: skip
        if asked == f"new-{lift.exercise_id}":
            number = len(lift.lines) + 1
            usual = {} if previous is None else {
                "load": previous.load, "reps": str(previous.reps),
                "rpe": "" if previous.rpe is None else f"{previous.rpe:g}",
            }  # fmt: skip
            return Entry(
                slot=asked, session=s.key, exercise=lift.exercise_id, name=lift.name,
                measure=lift.measure, number=number, prescription=lift.prescription_id,
                planned_set=None, seen=s.version, day="", values=usual | dict(values),
                drawing=Markup(""), button=f"Set {number} done",
            )  # fmt: skip
    return None


# One entry from a form, without JavaScript ---------------------------------------------------------

NOT_OF_THE_ENTRY = {"csrf", "back", "slot", "comment"}
BACK = ("/today", "/session/", "/log/", "/messages", "/pain", "/check-in", "/history", "/set/")


async def entry(request: Request) -> Response:
    """Take one entry from a form and go on where it came from.

    Like ``sync`` a plain route: what is stored needs no page, and a page is made only for a refusal.
    """
    await check(request)
    settings: Settings = request.app.state.settings
    data = await get_form(request)
    values = {key: value for key, value in data.items() if isinstance(value, str)}
    await request.close()
    token = request.cookies.get(cookie_name(LIFTER_COOKIE, https=settings.https))
    if token is None:
        raise LinkNeeded
    now: datetime = request.app.state.clock()
    answer = await run_in_threadpool(_take, request, token, values, now)
    wake(request)
    if answer["state"] in ("saved", "removed"):
        return see_other(request, _back(values))
    return await run_in_threadpool(_refused, request, values, answer, now)


def _take(request: Request, token: str, values: Mapping[str, str], now: datetime) -> Mapping[str, Any]:
    settings: Settings = request.app.state.settings
    write: dict[str, Any] = {key: value for key, value in values.items() if key not in NOT_OF_THE_ENTRY}
    idle = timedelta(days=settings.lifter_idle_days)
    try:
        return logging.take(request.app.state.store, token, [write], idle=idle, now=now).answers[0]
    except logging.LinkEnded:
        raise LinkNeeded from None
    except logging.TooMuch:
        why = "That day holds as many sets as a day can. Look through what was logged."
        return {"state": "refused", "status": 409, "why": why}


def _refused(request: Request, values: dict[str, str], answer: Mapping[str, Any], now: datetime) -> Response:
    """The form again, with what is wrong and all that was typed."""
    store: Store = request.app.state.store
    lifter = get_lifter(request, store, request.app.state.settings, now)
    status, why = answer["status"], answer["why"]
    kind = values.get("kind")
    if kind in ("amend", "remove"):
        return show_set(request, lifter, store, now, values.get("set", ""), status, why, values, answer)
    if kind in ("check_in", "pain", "message"):
        from app.web.lifter import words

        return words.show(request, lifter, store, now, kind, status, why, values)
    session = values.get("session", "")
    planned = int(session[1:]) if session.startswith("p") and session[1:].isdecimal() else None
    return _session(
        request, lifter, store, now, planned_id=planned, status=status, errors={"load": why}, values=values
    )


router.add_route("/entry", entry, methods=["POST"])


def _back(values: Mapping[str, str]) -> str:
    back = values.get("back", "")
    if back.startswith(BACK) and "\\" not in back and "//" not in back and len(back) < 100:
        return back
    session = values.get("session", "")
    return f"/session/{session[1:]}" if session.startswith("p") and session[1:].isdecimal() else "/today"


@router.get("/set/{key}")
def set_page(request: Request, key: str, lifter: CurrentLifter, store: AppStore, now: Now) -> Response:
    return show_set(request, lifter, store, now, key)


def show_set(
    request: Request,
    lifter: Lifter,
    store: AppStore,
    now: datetime,
    key: str,
    status: int = 200,
    why: str = "",
    values: Mapping[str, str] | None = None,
    answer: Mapping[str, Any] | None = None,
) -> Response:
    """One stored set to change; after a conflict with what is stored now beside what was typed."""
    found = today.one_set(store, lifter, key)
    return phone_page(
        request,
        "phone/set.html",
        lifter,
        now,
        tab="/today" if found.day == today_in(zone_of(request, lifter), now) else "/history",
        status=status,
        found=found,
        errors={"load": why} if why else {},
        values=values or {},
        theirs=(answer or {}).get("theirs"),
        back=f"/log/{found.session_id}",
    )
