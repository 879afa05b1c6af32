"""The lifter page: what needs the coach, one lift's trend over its blocks and stress, and what was done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from math import isfinite
from typing import Any

import numpy as np
from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.planning import answers, data_quality, history, living_plan, messages, pain, room
from app.planning.analysis import LifterView, LiftView, lifter_view
from app.planning.data_quality import FIXES, OddSet, Pick
from app.planning.days import monday_of
from app.planning.decisions import LABELS, OPTIONS
from app.planning.flags import FlagView
from app.planning.history import NOTE_LENGTH, History, as_typed, set_text
from app.planning.room import NextDose
from app.planning.roster import STRIP_NEAR_DAYS
from app.planning.wording import REASONS
from app.planning.yardstick import mark_text, when
from app.storage.models import Coach, Lifter
from app.storage.seasons import Pain, SeasonBlock
from app.training.exposure import Novelty
from app.training.progression import LifterState
from app.training.records import Exposure, Floats, Ints, LoadSummary, Mark
from app.training.units import KG_PER_LB, Unit, format_mass
from app.web import figure as figures
from app.web.charts import NARROW_WEEKS, chart_json
from app.web.coach import flag_parts
from app.web.dependencies import AppStore, CurrentCoach, Desk, FormData, Now
from app.web.figure import LifterFigure, StripBlock, tidy
from app.web.forms import Form
from app.web.pages import page, see_other, short_day
from app.web.svg import block_strip, hatch_defs, hatch_key, lifter_chart

router = APIRouter()

SPANS: Mapping[str, tuple[str, int]] = {
    "season": ("9 months", 39),
    "year": ("18 months", 78),
    "all": ("all", 1040),
}
"""Key in the address -> words and weeks back from today that the figure shows."""

LEAST_WEEKS_BACK, LEAST_WEEKS_AHEAD, MOST_WEEKS_AHEAD = 12, 6, 16
TABS_SHOWN = 6
SNOOZE_DAYS: Mapping[str, str] = {"3": "3 days", "7": "a week", "14": "two weeks", "28": "four weeks"}
ODD_SETS_SHOWN = 8


@dataclass(frozen=True, slots=True)
class FlagShown:
    """A flag ready to print, with what can be done about it: an action and the words of its button."""

    flag: FlagView
    parts: flag_parts.Parts
    ways: tuple[tuple[str, str], ...]


def flag_shown(flag: FlagView, lifts: Sequence[LiftView]) -> FlagShown:
    can = OPTIONS.get(flag.kind, ("hold_course", "write"))
    return FlagShown(flag, flag_parts.parts(flag, lifts), tuple((one, LABELS[one]) for one in can))


@dataclass(frozen=True, slots=True)
class LedgerRow:
    """One rep range of the exposure ledger, in words."""

    exposure: Exposure
    recent: str
    effort: str
    all_time: str
    next_text: str
    next_novelty: str
    is_leap: bool


@dataclass(frozen=True, slots=True)
class LoadRow:
    """One stress measure over the last days, in words."""

    name: str
    unit: str
    last_7: str
    last_28: str
    ewma: str
    change: str
    usual: str
    monotony: str
    strain: str
    is_chosen: bool


@dataclass(frozen=True, slots=True)
class OddGroup:
    """Held-out sets of one exercise and reason."""

    lift: str
    reason: str
    rows: tuple[tuple[OddSet, str, str], ...]  # the set, as logged, as proposed


@router.get("/lifters/{lifter_id}")
def show(
    request: Request,
    desk: Desk,
    coach: CurrentCoach,
    store: AppStore,
    now: Now,
    lifter_id: int,
    lift: int = 0,
    span: str = "season",
) -> Response:
    return _page(request, store, coach, now, lifter_id, lift=lift, span=span, form=Form())


@router.post("/lifters/{lifter_id}/note")
def write_note(
    request: Request, desk: Desk, store: AppStore, now: Now, data: FormData, lifter_id: int
) -> Response:
    coach = desk.owner
    form = Form.of(data)
    text = form.text("note", "the note", longest=NOTE_LENGTH, needed=False)
    if form.errors:
        return _page(request, store, coach, now, lifter_id, form=form, status=422)
    history.write_note(store, coach, lifter_id, text.strip(), by=desk.actor.name, now=now)
    return see_other(request, f"/lifters/{lifter_id}#note-title")


@router.post("/lifters/{lifter_id}/flags/{flag_id}/snooze")
def snooze(
    request: Request,
    desk: Desk,
    store: AppStore,
    now: Now,
    data: FormData,
    lifter_id: int,
    flag_id: int,
) -> Response:
    coach = desk.owner
    form = Form.of(data)
    chosen = form.one_of("days", "for how long", SNOOZE_DAYS)
    if form.errors:
        return _page(request, store, coach, now, lifter_id, form=form, status=422)
    today = lifter_view(store, coach, lifter_id, now=now).today
    answers.snooze(
        store,
        coach,
        lifter_id,
        flag_id,
        until=today + int(chosen),
        reason=form.get("reason")[:200],
        by=desk.actor.name,
        now=now,
    )
    return see_other(request, f"/lifters/{lifter_id}")


@router.post("/lifters/{lifter_id}/flags/{flag_id}/dismiss")
def dismiss(
    request: Request,
    desk: Desk,
    store: AppStore,
    now: Now,
    data: FormData,
    lifter_id: int,
    flag_id: int,
) -> Response:
    coach = desk.owner
    form = Form.of(data)
    reason = form.text("reason", "why it can be dismissed", longest=200)
    if form.errors:
        return _page(request, store, coach, now, lifter_id, form=form, status=422, answering=flag_id)
    answers.dismiss(store, coach, lifter_id, flag_id, reason=reason, by=desk.actor.name, now=now)
    return see_other(request, f"/lifters/{lifter_id}")


@router.post("/lifters/{lifter_id}/flags/{flag_id}/reopen")
def reopen(request: Request, desk: Desk, store: AppStore, now: Now, lifter_id: int, flag_id: int) -> Response:
    answers.reopen(store, desk.owner, lifter_id, flag_id, by=desk.actor.name, now=now)
    return see_other(request, f"/lifters/{lifter_id}#flag-{flag_id}")


@router.post("/lifters/{lifter_id}/pain/{report_id}/resolve")
def resolve_pain(
    request: Request,
    desk: Desk,
    coach: CurrentCoach,
    store: AppStore,
    now: Now,
    data: FormData,
    lifter_id: int,
    report_id: int,
) -> Response:
    form = Form.of(data)
    note = form.text("resolved", "what was found", longest=pain.NOTE_LENGTH)
    if form.errors:
        return _page(request, store, coach, now, lifter_id, form=form, status=422)
    pain.resolve(store, coach, lifter_id, report_id, note=note, by=desk.actor.name, now=now)
    return see_other(request, f"/lifters/{lifter_id}")


@router.post("/lifters/{lifter_id}/odd-sets")
def fix_odd_sets(
    request: Request,
    desk: Desk,
    coach: CurrentCoach,
    store: AppStore,
    now: Now,
    data: FormData,
    lifter_id: int,
) -> Response:
    form = Form.of(data)
    how = form.one_of("fix", "what to do with the sets", FIXES)
    picks = [pick for text in data.getlist("set") if isinstance(text, str) and (pick := pick_of(text))]
    if not picks and not form.errors:
        form.errors["odd-sets"] = "Tick at least one set"
    if not form.errors:
        try:
            data_quality.fix(
                store,
                coach,
                lifter_id,
                picks,
                how,  # type: ignore[arg-type]
                by=desk.actor.name,
                now=now,
            )
        except data_quality.SetsChanged:
            form.errors["odd-sets"] = (
                "A set was changed meanwhile, so nothing was decided. Look at the sets again and repeat it"
            )
    if form.errors:
        return _page(request, store, coach, now, lifter_id, form=form, status=422)
    return see_other(request, f"/lifters/{lifter_id}")


def pick_of(text: str) -> Pick | None:
    numbers = text.split("-")
    if len(numbers) != 3 or not all(n.isascii() and n.isdigit() and len(n) < 9 for n in numbers):
        return None
    return Pick(*(int(n) for n in numbers))


# Putting the page together ------------------------------------------------------------------------


def _page(
    request: Request,
    store: Any,
    coach: Coach,
    now: datetime,
    lifter_id: int,
    *,
    lift: int = 0,
    span: str = "season",
    form: Form,
    status: int = 200,
    answering: int = 0,
) -> Response:
    view = lifter_view(store, coach, lifter_id, now=now)
    span = span if span in SPANS else "season"
    chosen = _chosen(view, lift)
    past = history.history_of(store, coach, lifter_id, now=now)
    state = room.state_now(store, coach, lifter_id, now=now)
    fragment: dict[str, Any] = {
        "view": view,
        "lifter": view.lifter,
        "unit": view.lifter.unit,
        "today": view.today,
        "chosen": chosen,
        "span": span,
        "spans": SPANS,
        "tabs": view.lifts[:TABS_SHOWN],
        "more_lifts": view.lifts[TABS_SHOWN:],
    } | _lift_part(view, chosen, past, state, span)
    is_part = request.headers.get("HX-Request") == "true" and request.method == "GET"
    rest = {} if is_part else _whole_part(store, coach, lifter_id, view, past)
    return page(
        request,
        "lifter/lifter.html",
        block="lift" if request.method == "GET" else None,
        status=status,
        form=form,
        errors=form.errors,
        answering=answering,
        **fragment,
        **rest,
    )


def _chosen(view: LifterView, lift: int) -> LiftView | None:
    """The lift asked for, else the first one with an open flag, else the first with a trend."""
    found = view.lift(lift)
    if found is not None:
        return found
    flagged = [view.lift(one.exercise_id) for one in view.open_flags if one.exercise_id is not None]
    known = [one for one in (*flagged, *view.lifts) if one is not None]
    return next((one for one in known if one.analysis.trend is not None), known[0] if known else None)


def _lift_part(
    view: LifterView, chosen: LiftView | None, past: History, state: LifterState, span: str
) -> dict[str, Any]:
    """What changes with the tab: figure, ledger, room left."""
    if chosen is None:
        return {"figure": None, "ledger": (), "never": (), "room": ()}
    shown = figure_of(view, chosen, SPANS[span][1])
    own = state.exercises.get(chosen.name)
    planned = [one for one in past.planned if one.exercise_id == chosen.exercise_id]
    doses = room.next_doses(state, chosen.name, planned)
    unit: Unit = "lb" if view.lifter.unit == "lb" else "kg"
    back, ahead = NARROW_WEEKS
    return {
        "figure": shown,
        "wide": lifter_chart(shown),
        "medium": lifter_chart(shown, width=760, name="medium"),
        "narrow": lifter_chart(
            shown.between(view.today - 7 * back, view.today + 7 * ahead), width=380, name="narrow"
        ),
        "chart": chart_json(shown),
        "level": figures.level_words(shown),
        "best": _best(chosen, unit, view.today),
        "sentence": figures.sentence(shown, with_level=False),
        "weeks": figures.table(shown),
        "kinds": hatch_key({one.kind for one in shown.blocks}),
        "ledger": [
            _ledger_row(one, doses.get(one.rep_range), unit, view.today)
            for one in chosen.analysis.exposures
            if one.last_day is not None or one.rep_range in doses
        ],
        "never": [
            one.rep_range
            for one in chosen.analysis.exposures
            if one.last_day is None and one.rep_range not in doses
        ],
        "room": room.room_left(
            own,
            planned,
            view.block,
            today=view.today,
            floor_rir=view.lifter.rir_floor,
            missing_because=chosen.analysis.trend_missing_because,
        ),
    }


def _whole_part(store: Any, coach: Coach, lifter_id: int, view: LifterView, past: History) -> dict[str, Any]:
    """What stands around the lift."""
    unit: Unit = "lb" if view.lifter.unit == "lb" else "kg"
    ours = _served()
    odd = _odd_groups(data_quality.odd_sets(store, coach, lifter_id), unit)
    flags = [flag_shown(one, view.lifts) for one in view.flags]
    return {
        "open_flags": [one for one in flags if one.flag.is_open],
        "answered_flags": [one for one in flags if not one.flag.is_open],
        "past_flags": view.past_flags[:8],
        "snooze_days": SNOOZE_DAYS,
        "hatching": hatch_defs(),
        "strip": _strip(view),
        "about": _about(view),
        "loads": [_load_row(one, view.measure, unit) for one in view.loads],
        "odd_groups": odd,
        "open_pains": _open_pains(view),
        "reviewed": next((one for one in reversed(view.blocks) if one.start_day < view.today), None),
        "unread": messages.unread(store, coach, lifter_id),
        "odd_shown": ODD_SETS_SHOWN,
        "days": past.days,
        "decisions": past.decisions,
        "decision_words": LABELS,
        "own_changes": [
            one
            for one in (living_plan.of_block(store, coach, view.block.id) if view.block else ())
            if one.standing
        ][:4],
        "ours": ours,
    }


def _open_pains(view: LifterView) -> list[tuple[Pain, str]]:
    """Reports that nobody has resolved, newest first, with the lift's name."""
    names = {one.exercise_id: one.name for one in view.lifts}
    return [
        (one, names.get(one.exercise_id or 0, ""))
        for one in reversed(view.pains)
        if one.resolved_at is None and one.severity > 0
    ]


@cache
def _served() -> frozenset[str]:
    """Paths this app serves, so that a page offers no way that leads nowhere."""
    from app.web.routes import routers  # Routes import this module.

    return frozenset(getattr(route, "path", "") for router in routers() for route in router.routes)


# The head -----------------------------------------------------------------------------------------


def _about(view: LifterView) -> list[str]:
    """What a coach has to have in mind, as short sentences."""
    lifter, today = view.lifter, view.today
    said = []
    block = view.block
    if block is not None:
        said.append(f"{block.name}, week {block.week_of(today)} of {block.weeks_long}.")
    else:
        coming = next((one for one in view.blocks if one.start_day > today), None)
        said.append(
            f"No block now; {coming.name} from {short_day(coming.start_day)}." if coming else "No block now."
        )
    if view.next_session is not None:
        when_next = {0: "today", 1: "tomorrow"}.get(view.next_session.day - today)
        said.append(
            f"Next {when_next or f'on {short_day(view.next_session.day)}'}: {view.next_session.name}."
        )
    if lifter.goal or lifter.goal_day is not None:
        said.append(_goal(lifter, today))
    said.append(f"Recent window {lifter.recent_window_weeks} weeks.")
    said.append(f"Logs in {lifter.unit}, {lifter.time_zone.rsplit('/', 1)[-1].replace('_', ' ')}.")
    if lifter.status != "active":
        said.append(f"{lifter.status.capitalize()}.")
    return said


def _goal(lifter: Lifter, today: int) -> str:
    goal = lifter.goal or "a date"
    if lifter.goal_day is None:
        return f"Goal: {goal}."
    left = lifter.goal_day - today
    far = f"{round(left / 7)} weeks" if left >= 14 else f"{left} day{'s' * (left != 1)}"
    return f"Goal: {goal} on {short_day(lifter.goal_day)}, {far if left >= 0 else 'past'}."


def _strip(view: LifterView) -> Any:
    blocks = _strip_blocks(view.blocks, view.measure, view)
    if not blocks:
        return ""
    first = min(view.today - 7 * 22, view.today - 7)
    last = max(view.today + 7 * 10, min(blocks[-1].end, view.today + 7 * 20))
    main = next((one.analysis.trend for one in view.lifts if one.analysis.trend is not None), None)
    points: list[tuple[int, float]] = []
    if main is not None:
        apart = np.abs(main.day[:, None] - main.point_day[None, :]).min(axis=1, initial=9999)
        near = apart <= STRIP_NEAR_DAYS
        points = list(zip(main.day[near].tolist(), main.level_kg[near].tolist(), strict=True))
    shown = [one for one in blocks if one.end > first and one.start < last]
    return block_strip(shown, points, today=view.today, first_day=first, last_day=last, width=320, height=46)


def _strip_blocks(season: Sequence[SeasonBlock], measure: str, view: LifterView) -> tuple[StripBlock, ...]:
    """Blocks with planned stress; where nothing was planned, what was done stands in for the past."""
    done = _by_week(view, measure)
    found = []
    for block in season:
        weeks = tuple((one.start_day, _number(one.planned_stress.get(measure))) for one in block.weeks)
        if not weeks:
            weeks = tuple(
                (start, done.get(monday_of(start), float("nan")))
                for start in range(block.start_day, block.end_day + 1, 7)
            )
        found.append(StripBlock(block.kind, block.name, weeks))
    return tuple(found)


def _by_week(view: LifterView, measure: str) -> dict[int, float]:
    if view.stress is None or measure not in view.stress.measures:
        return {}
    return dict(zip(view.stress.week_start.tolist(), view.stress.measures[measure].tolist(), strict=True))


def _number(value: Any) -> float:
    return float(value) if isinstance(value, int | float) else float("nan")


# The figure ---------------------------------------------------------------------------------------


def figure_of(view: LifterView, lift: LiftView, weeks_back: int) -> LifterFigure:
    """One lift's trend over the season's blocks and the stress of all lifts, its own part within."""
    today, measure = view.today, view.measure
    trend, stress = lift.analysis.trend, view.stress
    blocks = _strip_blocks(view.blocks, measure, view)
    if stress is None or measure not in stress.measures:
        week, done = np.zeros(0, np.int64), np.zeros(0)
    else:
        week, done = stress.week_start, stress.measures[measure]
    of_lift = lift.analysis.stress
    parts = dict(
        zip(of_lift.week_start.tolist(), of_lift.measures.get(measure, np.zeros(0)).tolist(), strict=False)
    )
    own = np.array([parts.get(one, np.nan) for one in week.tolist()])
    first = monday_of(today) - 7 * weeks_back
    begun = [int(v[0]) for v in ((trend.point_day if trend is not None else week), week) if v.size]
    first = max(first, min([*begun, today]) - 7)
    first = min(monday_of(first), monday_of(today) - 7 * LEAST_WEEKS_BACK)
    planned_end = max((one.end for one in blocks), default=today)
    last = monday_of(today) + 7 * min(
        max(-(-(planned_end - monday_of(today)) // 7), LEAST_WEEKS_AHEAD), MOST_WEEKS_AHEAD
    )
    planned_week, planned = _planned(view.blocks, measure)
    open_here = [one for one in view.open_flags if one.exercise_id in (None, lift.exercise_id)]
    found = [flag_parts.finding(one, today) for one in open_here]
    return LifterFigure(
        lift=lift.name,
        unit=view.lifter.unit,
        measure=measure,
        today=today,
        first_day=first,
        last_day=last,
        blocks=tuple(one for one in blocks if one.end > first and one.start < last),
        trend=trend,
        missing_because=lift.analysis.trend_missing_because,
        week=week,
        done=done,
        own=own,
        planned_week=planned_week,
        planned=planned,
        findings=tuple(one for one in found if one is not None),
    )


def _planned(season: Sequence[SeasonBlock], measure: str) -> tuple[Ints, Floats]:
    rows = [
        (week.start_day, _number(week.planned_stress.get(measure)))
        for block in season
        for week in block.weeks
    ]
    days, amounts = zip(*rows, strict=True) if rows else ((), ())
    return np.array(days, np.int64), np.array(amounts, float)


def _best(lift: LiftView, unit: Unit, today: int) -> str:
    """The recent best e1RM's set first, the all-time one second and dated, never as a target."""
    recent = [one.recent_best for one in lift.analysis.exposures if one.recent_best is not None]
    ever = [one.all_time_best for one in lift.analysis.exposures if one.all_time_best is not None]
    said = []
    if recent:
        best = max(recent, key=lambda one: one.e1rm_kg)
        said.append(f"Recent best {_mark(best, unit)}, {when(best.day, today)}.")
    if ever:
        best = max(ever, key=lambda one: one.e1rm_kg)
        said.append(f"All-time {_mark(best, unit)}, {when(best.day, today)}.")
    return " ".join(said)


def _mark(mark: Mark, unit: Unit) -> str:
    return mark_text(mark, unit).replace(" x ", " × ")


# The ledger ---------------------------------------------------------------------------------------


def _ledger_row(one: Exposure, dose: NextDose | None, unit: Unit, today: int) -> LedgerRow:
    effort = one.recent_best.rpe if one.recent_best is not None else float("nan")
    next_text, next_novelty = "", ""
    if dose is not None:
        planned = dose.planned
        load = "" if planned.load_kg is None else f"{format_mass(round(planned.load_kg * 1000), unit)} × "
        rpe = "" if planned.rpe is None else f" @ {planned.rpe:g}"
        reps = str(planned.reps) if load else f"{planned.reps} reps"
        next_text = f"{load}{reps}{rpe}, {short_day(planned.day)}"
        next_novelty = _novelty(dose.novelty, one, unit)
    return LedgerRow(
        exposure=one,
        recent="" if one.recent_best is None else _mark(one.recent_best, unit),
        effort=f"@ {effort:g}" if isfinite(effort) else "",
        all_time=""
        if one.all_time_best is None
        else f"{_mark(one.all_time_best, unit)}, {when(one.all_time_best.day, today)}",
        next_text=next_text,
        next_novelty=next_novelty,
        is_leap=dose is not None and dose.novelty is not None and dose.novelty.kind == "leap",
    )


def _novelty(found: Novelty | None, line: Exposure, unit: Unit) -> str:
    if found is None:
        return "load found on the day"
    match found.kind:
        case "below":
            return "under the recent best"
        case "repeats":
            return "repeats"
        case "first":
            if line.days_since is None:
                return "first on record"
            return f"first in {max(line.days_since // 7, 1)} weeks"
    # At the same repetitions the step is a load; otherwise only the per cent of 1RM compare.
    if found.against is not None and isfinite(found.load_step_kg) and found.load_step_kg > 0:
        how_far = f"+{format_mass(round(found.load_step_kg * 1000), unit)}"
        if isfinite(found.step_pct):
            how_far += f", {tidy(found.step_pct)} %"
    else:
        how_far = f"+{tidy(found.step_pct)} %" if isfinite(found.step_pct) else "more"
    return f"{found.kind}, {how_far}"


# Load ---------------------------------------------------------------------------------------------


def _load_row(one: LoadSummary, chosen: str, unit: Unit) -> LoadRow:
    name, unit_words = figures.MEASURE_WORDS[one.measure]
    scale = 1 / KG_PER_LB if one.measure == "volume_load" and unit == "lb" else 1.0

    def shown(value: float) -> str:
        return grouped(value * scale) if isfinite(value) else "none"

    usual = "not known yet"
    if isfinite(one.usual_week_low) and isfinite(one.usual_week_high):
        usual = f"{shown(one.usual_week_low)} to {shown(one.usual_week_high)}"
    return LoadRow(
        name=name,
        unit=unit_words or unit,
        last_7=shown(one.last_7_days),
        last_28=shown(one.last_28_days),
        ewma=f"{shown(one.ewma_7)} / {shown(one.ewma_28)}",
        change=f"{100 * (one.week_on_week - 1):+.0f} %".replace("-", "\u2212")
        if isfinite(one.week_on_week)
        else "none",
        usual=usual,
        monotony=tidy(one.monotony, 2) if isfinite(one.monotony) else "none",
        strain=shown(one.strain),
        is_chosen=one.measure == chosen,
    )


def grouped(value: float) -> str:
    """A number for a column: thousands set apart, one decimal only where it is small."""
    text = f"{value:,.0f}" if abs(value) >= 20 else f"{value:.1f}"
    return text.replace(",", "\u202f").replace("-", "\u2212")


# Held-out sets ------------------------------------------------------------------------------------


def _odd_groups(found: Sequence[OddSet], unit: Unit) -> list[OddGroup]:
    groups: dict[tuple[str, str], list[tuple[OddSet, str, str]]] = {}
    for one in found:
        # In the unit it was typed in: converted, a wrong unit could not be seen.
        logged = as_typed(one.logged.plain())
        proposed = "leave it out"
        if one.proposed is not None:
            better = one.proposed
            body = one.logged.plain() | {
                "load_grams": better.load_grams,
                "reps": better.reps,
                "typed": better.typed,
            }
            proposed = set_text(body, "lb" if (better.typed or "").endswith("lb") else unit)
        groups.setdefault((one.lift, one.reason), []).append((one, logged, proposed))
    return [
        OddGroup(lift, REASONS.get(reason, reason.replace("_", " ")), tuple(rows))
        for (lift, reason), rows in groups.items()
    ]
