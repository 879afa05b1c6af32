"""Blocks in the browser: where one starts, the grid it is written in, and how it reaches the lifter."""

from __future__ import annotations

from datetime import date
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response
from markupsafe import Markup

from app.planning import blocks, builder, drafts, library, living_plan, seasons_overview
from app.planning.days import today_in
from app.training.plan import PlanDocument, PlanError
from app.training.records import BLOCK_KINDS
from app.training.rules import rule_to_dict
from app.web.dependencies import AppStore, CurrentCoach, Desk, FormData, Now
from app.web.forms import Form
from app.web.pages import json_answer, page, see_other

router = APIRouter()
DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
SHOWN_MEASURES = {
    "relative_volume_load": "relative volume load",
    "hard_sets": "hard sets",
    "working_sets": "working sets",
    "volume_load": "volume load, kg",
}
# What the row menu offers to add; fields are text boxes with these first values.
RULE_FORMS: dict[str, tuple[str, dict[str, str]]] = {
    "add load": ("Add load", {"step": "2.5 kg", "every": "1"}),
    "reps then load": ("Repetitions, then load", {"low": "8", "high": "10", "step": "2.5 kg"}),
    "add sets": ("Add sets", {"step": "1", "every": "1", "most": "6"}),
    "add effort": ("Raise the effort", {"step": "0.5", "every": "1", "most": "9"}),
    "hold": ("Hold", {}),
    "wave": ("Waves", {"weeks": "3", "step": "5 kg", "between": "2.5 kg"}),
    "every nth week": ("Every n-th week", {"weeks": "2"}),
    "step back": ("Step back", {"every": "4", "load_percent": "10", "sets_percent": "40", "weeks": "1"}),
    "taper": ("Taper", {"days": "14", "sets_percent": "50"}),
}


@router.get("/blocks")
def all_blocks(request: Request, coach: CurrentCoach, store: AppStore, now: Now) -> Response:
    return page(
        request,
        "blocks/blocks.html",
        overview=seasons_overview.of_roster(store, coach, now=now),
        own=drafts.templates(store, coach),
        library=library.templates("lb" if coach.unit == "lb" else "kg"),
    )


@router.get("/lifters/{lifter_id}/blocks/new")
def new_block(request: Request, lifter_id: int, coach: CurrentCoach, store: AppStore, now: Now) -> Response:
    return _choose(request, coach, store, lifter_id, Form(), now)


@router.post("/lifters/{lifter_id}/blocks")
def begin_block(
    request: Request, lifter_id: int, desk: Desk, store: AppStore, data: FormData, now: Now
) -> Response:
    form = Form.of(data)
    start = _day(form, "start")
    if start is not None and not form.errors:
        try:
            made = builder.begin(
                store,
                desk.owner,
                lifter_id,
                form.get("source"),
                start_day=start,
                by=desk.actor.name,
                now=now,
            )
        except PlanError as error:
            form.errors["source"] = str(error)
        else:
            return see_other(request, f"/blocks/{made.id}")
    return _choose(request, desk.owner, store, lifter_id, form, now, status=422)


@router.get("/blocks/{block_id}")
def show_block(request: Request, block_id: int, coach: CurrentCoach, store: AppStore, now: Now) -> Response:
    bench = builder.look(store, coach, block_id, now=now)
    return page(
        request,
        "blocks/builder.html",
        bench=bench,
        versions=drafts.versions(store, coach, block_id),
        changes=living_plan.of_block(store, coach, block_id),
        exercises=_exercise_names(store, coach, bench.plan),
        errors={},
        **_grid(bench),
    )


@router.post("/blocks/{block_id}/do")
async def do_act(request: Request, block_id: int, desk: Desk, store: AppStore, now: Now) -> Response:
    body = await _json(request)
    if body is None:
        return json_answer({"refused": "The request was not understood. Load the page again."}, 400)
    return await _in_thread(_do, request, block_id, desk, store, body, now)


def _do(
    request: Request, block_id: int, desk: Desk, store: AppStore, body: dict[str, Any], now: Now
) -> Response:
    try:
        bench = builder.do(
            store,
            desk.owner,
            block_id,
            body["act"],
            version=body["version"],
            pending=body["pending"],
            by=desk.actor.name,
            now=now,
        )
    except PlanError as error:
        return json_answer({"refused": str(error)}, 422)
    except drafts.NotRunning:
        return json_answer({"refused": "This block has been assigned meanwhile. Load the page again."}, 409)
    except drafts.BlockChanged as conflict:
        return json_answer(
            {
                "refused": "Somebody else saved this block meanwhile. What you typed is kept and offered "
                "again over their version, once you load the page.",
                "version": conflict.version,
            },
            409,
        )
    parts = {name: _part(request, name, bench) for name in ("grid", "panel")}
    return json_answer(
        {
            "version": bench.version,
            "pending": builder.plain_edits(bench.pending),
            "inverse": builder.plain_edits(bench.inverse),
            "label": bench.label,
            "left_out": bench.left_out,
            **parts,
        }
    )


@router.post("/blocks/{block_id}/assign")
def assign(
    request: Request, block_id: int, desk: Desk, store: AppStore, data: FormData, now: Now
) -> Response:
    form = Form.of(data)
    version = form.whole("version", "the version", low=1, high=10**6) or 0
    errors: dict[str, str] = {}
    status = 422
    try:
        made = drafts.assign(store, desk.owner, block_id, version=version, by=desk.actor.name, now=now)
    except blocks.PlanNotReady as wrong:
        errors = {f"problem-{n}": words for n, words in enumerate(wrong.problems)}
    except blocks.BlockOverlaps as other:
        errors["start"] = (
            f"“{other.other}” stands on these days. Start after {_iso(other.end_day)}, or change that one"
        )
    except drafts.NotRunning:
        return see_other(request, f"/blocks/{block_id}")
    except drafts.BlockChanged:
        errors[""] = "Somebody else saved this block meanwhile. This is their version; look at it first"
        status = 409
    else:
        return see_other(request, f"/lifters/{made.lifter_id}")
    return _again(request, block_id, desk, store, errors, status, now)


@router.post("/blocks/{block_id}/apply")
def apply_changes(
    request: Request, block_id: int, desk: Desk, store: AppStore, data: FormData, now: Now
) -> Response:
    import orjson

    form = Form.of(data)
    raw = data.get("pending")
    try:
        pending = orjson.loads(raw if isinstance(raw, str) else "[]")
        builder.apply(
            store,
            desk.owner,
            block_id,
            pending if isinstance(pending, list) else [],
            version=form.whole("version", "the version", low=1, high=10**6) or 0,
            why=form.get("why")[:500] or "changed in the grid",
            by=desk.actor.name,
            now=now,
        )
    except (PlanError, orjson.JSONDecodeError) as error:
        return _again(request, block_id, desk, store, {"": str(error)}, 422, now)
    except blocks.PlanNotReady as wrong:
        found = {f"problem-{n}": words for n, words in enumerate(wrong.problems)}
        return _again(request, block_id, desk, store, found, 422, now)
    except blocks.BlockOverlaps as other:
        words = (
            f"The block would run into “{other.other}”. Make it longer on the season, where what follows "
            "moves along, or change that one first"
        )
        return _again(request, block_id, desk, store, {"": words}, 422, now)
    except drafts.NotRunning:
        return _again(
            request, block_id, desk, store, {"": "This block is over and is not changed any more"}, 409, now
        )
    except drafts.BlockChanged:
        words = "Somebody else saved this block meanwhile. This is their version; make your change again"
        return _again(request, block_id, desk, store, {"": words}, 409, now)
    return see_other(request, f"/blocks/{block_id}")


@router.post("/blocks/{block_id}/start")
def move_start(
    request: Request, block_id: int, desk: Desk, store: AppStore, data: FormData, now: Now
) -> Response:
    form = Form.of(data)
    start = _day(form, "start")
    version = form.whole("version", "the version", low=1, high=10**6) or 0
    if form.errors or start is None:
        return _again(request, block_id, desk, store, form.errors, 422, now)
    try:
        by = desk.actor.name
        drafts.save(store, desk.owner, block_id, [], version=version, start_day=start, by=by, now=now)
    except drafts.NotRunning:
        return _again(
            request, block_id, desk, store, {"": "An assigned block is moved on the season"}, 409, now
        )
    except drafts.BlockChanged:
        return _again(
            request, block_id, desk, store, {"": "Somebody else saved this block meanwhile"}, 409, now
        )
    return see_other(request, f"/blocks/{block_id}")


@router.post("/blocks/{block_id}/template")
def keep_template(request: Request, block_id: int, desk: Desk, store: AppStore, now: Now) -> Response:
    bench = builder.look(store, desk.owner, block_id, now=now)
    drafts.keep_template(store, desk.owner, bench.plan, now=now)
    return see_other(request, "/blocks#templates")


@router.post("/blocks/{block_id}/drop")
def drop_draft(request: Request, block_id: int, desk: Desk, store: AppStore, now: Now) -> Response:
    bench = builder.look(store, desk.owner, block_id, now=now)
    drafts.drop(store, desk.owner, block_id, by=desk.actor.name, now=now)
    return see_other(request, f"/lifters/{bench.lifter.id}")


@router.post("/plan-changes/{change_id}/take-back")
def take_back(request: Request, change_id: int, desk: Desk, store: AppStore, now: Now) -> Response:
    try:
        block = living_plan.take_back(store, desk.owner, change_id, by=desk.actor.name, now=now)
    except living_plan.CannotTakeBack as reason:
        number = living_plan.block_of(store, desk.owner, change_id)
        return _again(request, number, desk, store, {"": str(reason)}, 409, now)
    return see_other(request, f"/blocks/{block.id}")


# Inside -------------------------------------------------------------------------------------------


def _choose(
    request: Request,
    coach: CurrentCoach,
    store: AppStore,
    lifter_id: int,
    form: Form,
    now: Now,
    status: int = 200,
) -> Response:
    begin = builder.beginning(store, coach, lifter_id, now=now)
    return page(
        request,
        "blocks/new.html",
        status=status,
        begin=begin,
        form=form,
        errors=form.errors,
        start=form.values.get("start", _iso(begin.start_day)),
        own=drafts.templates(store, coach),
        library=library.templates("lb" if begin.lifter.unit == "lb" else "kg"),
        today=today_in(begin.lifter.time_zone, now),
    )


def _again(
    request: Request,
    block_id: int,
    desk: Desk,
    store: AppStore,
    errors: dict[str, str],
    status: int,
    now: Now,
) -> Response:
    bench = builder.look(store, desk.owner, block_id, now=now)
    return page(
        request,
        "blocks/builder.html",
        status=status,
        bench=bench,
        versions=drafts.versions(store, desk.owner, block_id),
        changes=living_plan.of_block(store, desk.owner, block_id),
        exercises=_exercise_names(store, desk.owner, bench.plan),
        errors=errors,
        **_grid(bench),
    )


def _grid(bench: builder.Bench) -> dict[str, Any]:
    """What the grid and the panel need beside the bench."""
    most = max((week.stress["relative_volume_load"] for week in bench.resolved.weeks), default=0.0)
    return {
        "cells": bench.resolved.by_place(),
        "days": DAYS,
        "kinds": BLOCK_KINDS,
        "measures": SHOWN_MEASURES,
        "most_stress": max(most, bench.usual_week.get("relative_volume_load", (0.0, 0.0))[1], 1e-9),
        "rule_forms": RULE_FORMS,
        "rules_of": {row.id: [rule_to_dict(rule) for rule in row.rules] for _, row in bench.plan.lines},
        "remedies": {
            number: builder.plain_edits(one.remedy.edits)
            for number, one in enumerate(bench.resolved.warnings)
            if one.remedy is not None
        },
        "unit": "lb" if bench.lifter.unit == "lb" else "kg",
        "names": {row.id: (session.name, row.exercise) for session, row in bench.plan.lines},
    }


def _part(request: Request, name: str, bench: builder.Bench) -> Markup:
    environment = request.app.state.templates
    template = environment.get_template(f"blocks/{name}.html")
    return Markup(template.render(bench=bench, **_grid(bench)))  # noqa: S704 - rendered with autoescape.


def _exercise_names(store: AppStore, coach: CurrentCoach, plan: PlanDocument) -> list[str]:
    from app.planning import exercises

    known = {one.name for one in exercises.of_roster(store, coach)}
    return sorted(known | {one.name for one in library.EXERCISES} | {row.exercise for _, row in plan.lines})


async def _json(request: Request) -> dict[str, Any] | None:
    import orjson

    try:
        body = orjson.loads(await request.body())
    except orjson.JSONDecodeError:
        return None
    good = (
        isinstance(body, dict)
        and isinstance(body.get("act"), dict)
        and type(body.get("version")) is int
        and isinstance(body.get("pending", []), list)
    )
    return body | {"pending": body.get("pending", [])} if good else None


async def _in_thread(function: Any, *arguments: Any) -> Response:
    from starlette.concurrency import run_in_threadpool

    response: Response = await run_in_threadpool(function, *arguments)
    return response


def _day(form: Form, name: str) -> int | None:
    try:
        found = date.fromisoformat(form.get(name)).toordinal()
    except ValueError:
        form.errors[name] = "Enter the first day as a date, like 2026-03-09"
        return None
    if not date(2000, 1, 1).toordinal() <= found <= date(2199, 1, 1).toordinal():
        form.errors[name] = "The first day must lie between 2000 and 2199"
        return None
    return found


def _iso(day: int) -> str:
    return date.fromordinal(day).isoformat()
