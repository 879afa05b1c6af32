"""One template for many lifters: chosen, compared in a table, assigned, with progress while it runs.

A page with scripts asks for a handful of lifters at a time: the last row of the table asks for the next ones
and is replaced by them. Without scripts the same address answers with everybody at once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.planning import bulk, drafts, library, seasons_overview
from app.planning.days import monday_of
from app.storage.blocks import TemplateNotFound
from app.storage.models import Lifter
from app.training.plan import PlanDocument, PlanError
from app.web.dependencies import AppStore, CurrentCoach, Desk, FormData, Now
from app.web.forms import Form
from app.web.pages import page

router = APIRouter()
AT_A_TIME = 10  # lifters a request: about half a second, so that progress is seen to move


@router.get("/blocks/assign")
def choose(request: Request, coach: CurrentCoach, store: AppStore, now: Now) -> Response:
    return _choose(request, coach, store, Form(), [], now)


@router.post("/blocks/assign/look")
def look(request: Request, coach: CurrentCoach, store: AppStore, data: FormData, now: Now) -> Response:
    form, numbers = Form.of(data), _numbers(data, "lifter")
    start = _start(form)
    people = bulk.chosen(store, coach, numbers)
    if not people:
        form.errors["everybody"] = "Choose at least one lifter"
    plans: Mapping[str, PlanDocument] = {}
    if not form.errors:
        try:
            plans = bulk.plans_by_unit(store, coach, people, form.get("source"))
        except (PlanError, TemplateNotFound):
            form.errors["source"] = "There is no such template. Choose another one"
    if form.errors:
        return _choose(request, coach, store, form, numbers, now, status=422)
    offset, some = _some(request, form, people)
    lines = [bulk.look(store, coach, one, plans[one.unit], start_day=start, now=now) for one in some]
    plan = plans[people[0].unit]
    return _table(
        request,
        "look",
        people,
        offset,
        len(some),
        lines=lines,
        plan=plan,
        source=form.get("source"),
        more={name: form.get(name) for name in ("source", "rule", "start")},
    )


@router.post("/blocks/assign")
def give(request: Request, desk: Desk, store: AppStore, data: FormData, now: Now) -> Response:
    form, numbers = Form.of(data), _numbers(data, "lifter")
    people = bulk.chosen(store, desk.owner, numbers)
    days = {one.id: form.whole(f"day-{one.id}", "the first day", low=1, high=3_652_059) for one in people}
    people = [one for one in people if days[one.id]]
    form.errors.clear()
    if not people:
        form.errors["everybody"] = "Nobody was left to assign the block to. Choose again"
    plans: Mapping[str, PlanDocument] = {}
    if people:
        try:
            plans = bulk.plans_by_unit(store, desk.owner, people, form.get("source"))
        except (PlanError, TemplateNotFound):
            form.errors["source"] = "There is no such template. Choose another one"
    if form.errors:
        return _choose(request, desk.owner, store, form, numbers, now, status=422)
    offset, some = _some(request, form, people)
    given = [
        bulk.give(
            store,
            desk.owner,
            one,
            plans[one.unit],
            start_day=days[one.id] or 0,
            by=desk.actor.name,
            now=now,
        )
        for one in some
    ]
    return _table(
        request,
        "given",
        people,
        offset,
        len(some),
        given=given,
        plan=plans[people[0].unit],
        more={"source": form.get("source"), **{f"day-{one.id}": days[one.id] for one in people}},
    )


# Inside -------------------------------------------------------------------------------------------


def _some(request: Request, form: Form, people: Sequence[Lifter]) -> tuple[int, Sequence[Lifter]]:
    """The lifters of this request, and how many came before them."""
    if request.headers.get("HX-Request") != "true":
        return 0, people
    offset = form.whole("offset", "the place", low=0, high=len(people)) or 0
    return offset, people[offset : offset + AT_A_TIME]


def _table(
    request: Request, part: str, people: Sequence[Lifter], offset: int, count: int, **context: Any
) -> Response:
    """The whole table, or the next rows of it."""
    done = offset + count
    context["more"] |= {"offset": done, "lifter": [str(one.id) for one in people]}
    return page(
        request,
        f"blocks/assign_{part}.html",
        block="rows" if offset else part,
        people=people,
        done=done,
        left=len(people) - done,
        **context,
    )


def _choose(
    request: Request,
    coach: CurrentCoach,
    store: AppStore,
    form: Form,
    numbers: Sequence[int],
    now: Now,
    status: int = 200,
) -> Response:
    lines = seasons_overview.of_roster(store, coach, now=now)
    today = max((one.today for one in lines), default=now.date().toordinal())
    return page(
        request,
        "blocks/assign.html",
        block="choose",
        status=status,
        form=form,
        errors=form.errors,
        overview=sorted(lines, key=lambda one: one.lifter.name),
        ticked=set(numbers),
        own=drafts.templates(store, coach),
        library=library.templates("lb" if coach.unit == "lb" else "kg"),
        start=form.values.get("start") or date.fromordinal(monday_of(today + 6)).isoformat(),
    )


def _numbers(data: Any, name: str) -> list[int]:
    found = [one for one in data.getlist(name) if isinstance(one, str)]
    return [int(one) for one in found if one.isascii() and one.isdecimal() and len(one) < 10]


def _start(form: Form) -> int | None:
    """The chosen first day; None is the day after each lifter's last block."""
    if form.get("rule") != "date":
        return None
    try:
        found = date.fromisoformat(form.get("start")).toordinal()
    except ValueError:
        form.errors["start"] = "Enter the first day as a date, like 2026-03-09"
        return None
    if not date(2000, 1, 1).toordinal() <= found <= date(2199, 1, 1).toordinal():
        form.errors["start"] = "The first day must lie between 2000 and 2199"
        return None
    return found
