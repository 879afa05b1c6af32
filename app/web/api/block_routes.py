"""Blocks for programs: drafts written and looked at, given out, changed, moved, and every version read."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from typing import Any

from fastapi import HTTPException
from starlette.requests import Request

from app.planning import blocks, drafts, program_blocks, programs, season
from app.storage.engine import Store
from app.storage.models import Block, Coach
from app.training.plan import PlanDocument, PlanError, plan_to_dict
from app.training.preview import ResolvedCell, ResolvedPlan
from app.training.records import Estimate
from app.web.api import plan_shapes, shapes
from app.web.api.door import (
    After,
    Id,
    Key,
    Limit,
    Reader,
    Told,
    Version,
    Writer,
    next_of,
    operations,
)
from app.web.dependencies import AppStore, Now
from app.web.lifter.sync import wake

router = operations()


# Reading --------------------------------------------------------------------------------------------


@router.get("/lifters/{lifter_id}/blocks", tags=["Blocks"], summary="A lifter's blocks, drafts too")
def list_blocks(
    lifter_id: Id, coach: Reader, store: AppStore, limit: Limit = 50, after: After = 0
) -> shapes.BlockPage:
    found = programs.blocks_of(store, coach, lifter_id, after=after, limit=limit + 1)
    items = [shapes.BlockOut(**_block(one)) for one in found[:limit]]
    return shapes.BlockPage(items=items, next=next_of(found, limit))


@router.get("/blocks/{block_id}", tags=["Blocks"], summary="A block with its sessions and baseline")
def one_block(block_id: Id, coach: Reader, store: AppStore) -> shapes.BlockDetail:
    return _detail(store, coach, block_id)


@router.get("/blocks/{block_id}/plan", tags=["Blocks"], summary="A block as it is written")
def read_plan(block_id: Id, coach: Reader, store: AppStore) -> plan_shapes.BlockPlan:
    return _plan(store, coach, block_id)


@router.get("/blocks/{block_id}/preview", tags=["Blocks"], summary="What a block's plan means for its lifter")
def preview_block(block_id: Id, coach: Reader, store: AppStore, now: Now) -> plan_shapes.Preview:
    with _in_words(store, coach, block_id):
        block, plan, resolved = program_blocks.look_ahead(store, coach, block_id, now=now)
    return _preview(block.lifter_id, plan, resolved, block.start_day)


@router.get("/blocks/{block_id}/versions", tags=["Blocks"], summary="Every version given out, newest first")
def list_versions(block_id: Id, coach: Reader, store: AppStore) -> plan_shapes.VersionList:
    found = program_blocks.versions_of(store, coach, block_id)
    return plan_shapes.VersionList(items=[plan_shapes.VersionOut.model_validate(one) for one in found])


@router.get("/blocks/{block_id}/versions/{version}", tags=["Blocks"], summary="A block's plan as it once was")
def one_version(block_id: Id, version: Id, coach: Reader, store: AppStore) -> plan_shapes.VersionDetail:
    found = program_blocks.version_of(store, coach, block_id, version)
    return plan_shapes.VersionDetail(
        version=found.version, at=found.at, by=found.by, why=found.why, plan=found.plan or None
    )


@router.get("/templates", tags=["Blocks"], summary="Plans that the coach keeps under a name")
def list_templates(coach: Reader, store: AppStore) -> plan_shapes.TemplateList:
    found = drafts.templates(store, coach)
    return plan_shapes.TemplateList(items=[plan_shapes.TemplateOut.model_validate(one) for one in found])


@router.get("/templates/{template_id}", tags=["Blocks"], summary="A kept plan, to begin a draft from")
def one_template(template_id: Id, coach: Reader, store: AppStore) -> plan_shapes.TemplateDetail:
    return plan_shapes.TemplateDetail.model_validate(program_blocks.template(store, coach, template_id))


# Drafts ---------------------------------------------------------------------------------------------


@router.post(
    "/lifters/{lifter_id}/blocks/preview",
    tags=["Blocks"],
    summary="What a plan would mean for a lifter; nothing is stored",
)
def preview_plan(
    lifter_id: Id, body: plan_shapes.DraftIn, coach: Reader, store: AppStore, now: Now
) -> plan_shapes.Preview:
    plan, start = plan_shapes.read(body.plan), body.start.toordinal()
    with _in_words(store, coach):
        found = program_blocks.look_before(store, coach, lifter_id, plan, start_day=start, now=now)
    return _preview(lifter_id, plan, found, start)


@router.post(
    "/lifters/{lifter_id}/blocks",
    tags=["Blocks"],
    summary="Put a plan on the desk as a draft",
    status_code=201,
)
def begin(
    lifter_id: Id, body: plan_shapes.DraftIn, program: Writer, store: AppStore, now: Now, key: Key
) -> plan_shapes.BlockPlan:
    plan = plan_shapes.read(body.plan)
    with _in_words(store, program.coach):
        made = program_blocks.start_draft(
            store,
            program.coach,
            lifter_id,
            plan,
            key,
            start_day=body.start.toordinal(),
            by=program.name,
            now=now,
        )
    return _plan(store, program.coach, made)


@router.put(
    "/blocks/{block_id}/plan",
    tags=["Blocks"],
    summary="Write a block's plan anew: a draft whole, an assigned block from today on",
)
def write_plan(
    request: Request,
    block_id: Id,
    body: plan_shapes.PlanWritten,
    program: Writer,
    store: AppStore,
    now: Now,
) -> plan_shapes.BlockPlan:
    plan = plan_shapes.read(body.plan)
    with _in_words(store, program.coach, block_id, sent=plan):
        program_blocks.replace_plan(
            store,
            program.coach,
            block_id,
            plan,
            version=body.version,
            start_day=None if body.start is None else body.start.toordinal(),
            why=body.why,
            by=program.name,
            now=now,
        )
    wake(request)
    return _plan(store, program.coach, block_id)


@router.post(
    "/blocks/{block_id}/assign",
    tags=["Blocks"],
    summary="Give a draft out: baseline frozen, loads computed, sessions on the calendar",
    status_code=201,
)
def assign(
    request: Request,
    block_id: Id,
    body: plan_shapes.Assignment,
    program: Writer,
    store: AppStore,
    now: Now,
    key: Key,
) -> shapes.BlockDetail:
    with _in_words(store, program.coach, block_id):
        made = program_blocks.assign(
            store, program.coach, block_id, key, version=body.version, by=program.name, now=now
        )
    wake(request)
    return _detail(store, program.coach, made)


# The season -----------------------------------------------------------------------------------------


@router.post(
    "/blocks/{block_id}/move",
    tags=["Blocks"],
    summary="Put a block that has not begun, and what follows it, some weeks earlier or later",
)
def move(
    request: Request, block_id: Id, body: plan_shapes.Weeks, program: Writer, store: AppStore, now: Now
) -> plan_shapes.SeasonChanged:
    with _in_words(store, program.coach, block_id):
        program_blocks.must_have_plan(store, program.coach, block_id)
        moved = season.move(
            store, program.coach, block_id, body.weeks, version=body.version, by=program.name, now=now
        )
    wake(request)
    return _moved(store, program.coach, block_id, moved)


@router.post(
    "/blocks/{block_id}/stretch",
    tags=["Blocks"],
    summary="End a block some weeks later or earlier; weeks that have begun stay, what follows moves along",
)
def stretch(
    request: Request, block_id: Id, body: plan_shapes.Weeks, program: Writer, store: AppStore, now: Now
) -> plan_shapes.SeasonChanged:
    with _in_words(store, program.coach, block_id):
        program_blocks.must_have_plan(store, program.coach, block_id)
        moved = season.stretch(
            store, program.coach, block_id, body.weeks, version=body.version, by=program.name, now=now
        )
    wake(request)
    return _moved(store, program.coach, block_id, moved)


@router.delete(
    "/blocks/{block_id}",
    tags=["Blocks"],
    summary="Withdraw a draft, or a block that has not begun",
    status_code=204,
)
def withdraw(
    request: Request, block_id: Id, version: Version, program: Writer, store: AppStore, now: Now
) -> None:
    with _in_words(store, program.coach, block_id):
        program_blocks.must_have_plan(store, program.coach, block_id)
        season.remove(store, program.coach, block_id, version=version, by=program.name, now=now)
    wake(request)


@contextmanager
def _in_words(
    store: Store, coach: Coach, block_id: int = 0, *, sent: PlanDocument | None = None
) -> Iterator[None]:
    """Refusals of the planner as a program is told them, with the block as it stands where that helps."""
    try:
        yield
    except drafts.BlockChanged:
        words = "The block was changed meanwhile; current is what it is now."
        raise Told(409, words, current=_plan(store, coach, block_id)) from None
    except blocks.PlanNotReady as wrong:
        words = f"The plan cannot be given out. {' '.join(wrong.problems)[:2_000]}"
        # A plan that was sent is named as part of the body, one that is stored as what `plan` reads.
        plan = sent or program_blocks.written(store, coach, block_id).plan
        errors = plan_shapes.misread(plan, ("body", "plan") if sent else ("plan",)) if plan else ()
        raise Told(409, words, errors=errors) from None
    except blocks.BlockOverlaps as other:
        first, last = date.fromordinal(other.start_day), date.fromordinal(other.end_day)
        raise HTTPException(
            409, f"“{other.other}” stands from {first} to {last}. Start after it, or make it shorter."
        ) from None
    except drafts.NotRunning:
        raise HTTPException(409, "The block is assigned already, or over.") from None
    except season.CannotMove as error:
        raise HTTPException(409, str(error)) from None
    except program_blocks.NoPlan:
        raise HTTPException(409, "This block was brought in without a plan; it can only be read.") from None
    except program_blocks.StartIsGiven:
        raise HTTPException(409, "An assigned block keeps its first day here. Move it by weeks.") from None
    except program_blocks.DraftGone:
        raise HTTPException(409, "The draft made with this key was assigned or withdrawn since.") from None
    except programs.KeyUsedBefore:
        raise HTTPException(
            422, "This Idempotency-Key came with another request before. Make a new one."
        ) from None
    except (program_blocks.StartTooFar, PlanError) as error:
        raise HTTPException(422, f"{str(error).rstrip('.')}.") from None


# As they are told -----------------------------------------------------------------------------------


def _block(one: Block) -> dict[str, Any]:
    return {
        "id": one.id,
        "lifter_id": one.lifter_id,
        "name": one.name,
        "kind": one.kind,
        "purpose": one.purpose,
        "start": date.fromordinal(one.start_day),
        "end": date.fromordinal(one.end_day),
        "status": one.status,
        "version": one.version,
    }


def _detail(store: Store, coach: Coach, block_id: int) -> shapes.BlockDetail:
    found = programs.block_of(store, coach, block_id)
    names = found.exercises
    return shapes.BlockDetail(
        **_block(found.block),
        sessions=[
            shapes.PlannedSessionOut(
                id=one.id,
                week=one.week,
                date=date.fromordinal(one.day),
                name=one.name,
                status=one.status,  # type: ignore[arg-type]
                exercises=[
                    shapes.PlannedExercise(exercise=names[line.exercise_id], text=line.text, sets=line.sets)
                    for line in asked
                ],
            )
            for one, asked in found.sessions
        ],
        baseline=[
            shapes.BaselineOut(
                exercise=names[one.exercise_id],
                rep_range=one.rep_range,
                load_kg=one.load_grams / 1000,
                reps=one.reps,
                rpe=None if one.rpe_tenths is None else one.rpe_tenths / 10,
                date=date.fromordinal(one.day),
                e1rm_kg=one.e1rm_grams / 1000,
            )
            for one in found.baseline
        ],
    )


def _plan(store: Store, coach: Coach, block_id: int) -> plan_shapes.BlockPlan:
    found = program_blocks.written(store, coach, block_id)
    return plan_shapes.BlockPlan(
        **_block(found.block),
        plan=None if found.plan is None else plan_to_dict(found.plan),
        problems=list(found.problems),
        not_understood=[]
        if found.plan is None
        else [
            plan_shapes.CellTrouble(row=one.row, week=one.week + 1, text=one.text, expected=one.sentence)
            for one in found.plan.errors
        ],
    )


def _moved(store: Store, coach: Coach, block_id: int, moved: season.Moved) -> plan_shapes.SeasonChanged:
    found = program_blocks.written(store, coach, block_id).block
    return plan_shapes.SeasonChanged(
        block=shapes.BlockOut(**_block(found)), said=moved.sentence, along=list(moved.along)
    )


def _preview(lifter_id: int, plan: PlanDocument, found: ResolvedPlan, start: int) -> plan_shapes.Preview:
    sessions = {row.id: session.name for session, row in plan.lines}
    return plan_shapes.Preview(
        lifter_id=lifter_id,
        start=date.fromordinal(start),
        end=date.fromordinal(start + 7 * plan.weeks - 1),
        cells=[_cell(one, sessions[one.row], start) for one in found.cells],
        weeks=[
            plan_shapes.PreviewWeek(
                week=one.week + 1,
                emphasis=one.emphasis,
                stress={name: _finite(value) for name, value in one.stress.items()},
                against_usual=dict(one.against_usual),
            )
            for one in found.weeks
        ],
        rows=[
            plan_shapes.Outlook(
                row=one.row,
                exercise=one.exercise,
                exposures=one.exposures,
                headroom=_span(one.headroom),
                runs_out_week=None if one.runs_out_week is None else one.runs_out_week + 1,
                step_kg=_finite(one.step_kg),
                largest_step_kg=_span(one.largest_step),
            )
            for one in found.rows
        ],
        warnings=[
            plan_shapes.Warned(
                kind=one.kind,
                row=one.row,
                week=None if one.week < 0 else one.week + 1,
                sentence=one.sentence,
                remedy=None if one.remedy is None else one.remedy.label,
            )
            for one in found.warnings
        ],
        problems=blocks.problems(plan),
    )


def _cell(one: ResolvedCell, session: str, start: int) -> plan_shapes.PreviewCell:
    new = one.novelty
    return plan_shapes.PreviewCell(
        row=one.row,
        week=one.week + 1,
        date=date.fromordinal(start + one.day),
        session=session,
        exercise=one.exercise,
        text=one.text,
        source=one.source,
        sets=[
            plan_shapes.PreviewSet(
                load_kg=None if each.load_grams is None else each.load_grams / 1000,
                reps=each.reps,
                reps_high=each.reps_high,
                amrap=each.amrap,
                rpe=_finite(each.rpe),
                seconds=each.seconds,
                metres=each.metres,
            )
            for each in one.sets
        ],
        basis=one.basis,
        reps_in_reserve=_span(one.rir),
        novelty=None
        if new is None
        else plan_shapes.Novelty(
            kind=new.kind,
            step_pct=_finite(new.step_pct),
            load_step_kg=_finite(new.load_step_kg),
            rep_range=new.rep_range,
            weeks_since=_finite(new.weeks_since),
            beyond_baseline_kg=_finite(new.beyond_baseline_kg),
            sentence=new.sentence,
        ),
        notes=list(one.notes),
    )


def _span(one: Estimate | None) -> plan_shapes.Span | None:
    if one is None:
        return None
    return plan_shapes.Span(mean=_finite(one.mean), low=_finite(one.low), high=_finite(one.high))


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)
