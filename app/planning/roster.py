"""The roster: one ready-made row a lifter, in the order of what a look at them is worth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from app.planning import wording
from app.planning.days import monday_of
from app.planning.flags import RANK, FlagView, in_order, view
from app.storage import flags, roster, seasons
from app.storage.engine import Store, Transaction
from app.storage.exercises import key_of
from app.storage.models import Coach, Flag, Lifter, SavedView
from app.storage.roster import RowRead
from app.storage.seasons import Due, Lift, SeasonBlock
from app.training.records import ExerciseAnalysis, LifterAnalysis, SetLog

STRIP_WEEKS_BACK, STRIP_WEEKS_AHEAD = 22, 10
STRIP_NEAR_DAYS = 14
NEEDS_SHOWN = 3

SHOWS: Mapping[str, str] = {
    "all": "everybody",
    "act": "needs a decision",
    "watch": "to watch",
    "notice": "worth knowing",
    "fine": "needs nothing",
    "silent": "silent",
    "paused": "paused",
    "archived": "archived",
}
ORDERS: Mapping[str, str] = {"worth": "by need", "name": "by name", "last": "longest unseen"}

# What a look is worth: the harm of leaving it for a week, on one scale, times the chance that it is real.
# Severity keeps levels apart; this orders within one. The figures are judgement, not measurement.
HARM: Mapping[str, float] = {
    "pain": 10.0,
    "regression": 8.0,
    "low_headroom": 6.0,
    "load_spike": 6.0,
    "stall": 5.0,
    "detraining": 5.0,
    "silent": 5.0,
    "readiness_drop": 4.0,
    "missed_work": 4.0,
    "effort_drift": 3.0,
    "data_error": 3.0,
    "stale_stimulus": 2.0,
    "expected_dip": 1.0,
    "ready_to_progress": 1.5,
}
LEVEL_STEP = 1000.0
RANKED_LEVELS = {"": 0, "notice": 1, "watch": 2, "act": 3}


@dataclass(frozen=True, slots=True)
class RosterQuery:
    """What of the roster is asked for: a key of ``SHOWS``, words to find, a key of ``ORDERS``."""

    show: str = "all"
    find: str = ""
    order: str = "worth"


@dataclass(frozen=True, slots=True)
class Counts:
    """Lifters coached now, by what they need."""

    lifters: int
    act: int
    watch: int
    notice: int
    fine: int
    paused: int
    archived: int


@dataclass(frozen=True, slots=True)
class RosterView:
    """The rows asked for, in order, and what the whole roster needs."""

    rows: tuple[RowRead, ...]
    counts: Counts
    query: RosterQuery
    views: tuple[SavedView, ...]


def roster_view(store: Store, coach: Coach, query: RosterQuery, *, now: datetime) -> RosterView:
    """A coach's roster in two statements, whatever its size."""
    with store.reading() as db:
        found = roster.rows(db, coach, archived_bodies=query.show == "archived")
        views = tuple(roster.saved_views(db, coach))
    return RosterView(tuple(_asked_for(found, query)), _counted(found), query, views)


def _asked_for(rows: Sequence[RowRead], query: RosterQuery) -> list[RowRead]:
    if query.show in ("paused", "archived"):
        shown = [row for row in rows if row.status == query.show]
    else:
        shown = [row for row in rows if row.status == "active"]
    if query.show in ("act", "watch", "notice"):
        shown = [row for row in shown if row.level == query.show]
    elif query.show == "fine":
        shown = [row for row in shown if not row.level]
    elif query.show == "silent":
        shown = [row for row in shown if "silent" in row.parsed().get("kinds", ())]
    wanted = query.find.casefold().split()
    if wanted:
        shown = [
            row
            for row in shown
            if all(word in f"{row.name.casefold()} {row.parsed().get('search', '')}" for word in wanted)
        ]
    if query.order == "name":
        shown.sort(key=lambda row: row.name.casefold())
    elif query.order == "last":
        shown.sort(key=lambda row: row.parsed().get("last_day") or 0)
    return shown


def _counted(rows: Sequence[RowRead]) -> Counts:
    active = [row.level for row in rows if row.status == "active"]
    return Counts(
        lifters=len(active),
        act=active.count("act"),
        watch=active.count("watch"),
        notice=active.count("notice"),
        fine=active.count(""),
        paused=sum(row.status == "paused" for row in rows),
        archived=sum(row.status == "archived" for row in rows),
    )


def save_view(store: Store, coach: Coach, name: str, query: str) -> None:
    """Keep a way of looking at the roster under a name."""
    with store.transaction() as db:
        roster.save_view(db, coach, name, query)


def drop_view(store: Store, coach: Coach, view_id: int) -> None:
    with store.transaction() as db:
        roster.drop_view(db, coach, view_id)


# Making a row -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RowInputs:
    """What a row is made of besides its flags."""

    analysis: LifterAnalysis
    log: SetLog
    blocks: Sequence[SeasonBlock]
    due: Sequence[Due]
    next_session: Due | None
    measure: str
    window_days: int


def put_row(
    db: Transaction,
    lifter: Lifter,
    inputs: RowInputs,
    held: Sequence[Flag],
    lifts: Mapping[int, Lift],
    *,
    now: datetime,
) -> None:
    """Write the lifter's row from an analysis and the flags that hold."""
    open_flags = _open(held, lifts)
    body = _facts(inputs, open_flags) | _needs(open_flags)
    roster.put(db, lifter, urgency=_worth(open_flags, body), level=_level(open_flags), body=body, at=now)


def refresh_needs(db: Transaction, lifter: Lifter, *, now: datetime) -> None:
    """Say anew what needs the coach after a flag was answered; the rest of the row stands."""
    row = roster.row_of(db, lifter.id)
    if row is None:
        return
    held = flags.not_cleared(db, lifter.id)
    lifts = seasons.lifts(db, [one.exercise_id for one in held if one.exercise_id is not None])
    open_flags = _open(held, lifts)
    body = row.body | _needs(open_flags)
    roster.put(db, lifter, urgency=_worth(open_flags, body), level=_level(open_flags), body=body, at=now)


def _open(held: Sequence[Flag], lifts: Mapping[int, Lift]) -> list[FlagView]:
    return in_order([one for one in (view(flag, lifts) for flag in held) if one.is_open])


def _needs(open_flags: Sequence[FlagView]) -> dict[str, Any]:
    return {
        "needs": [
            {
                "id": one.id,
                "kind": one.kind,
                "severity": one.severity,
                "title": one.title,
                "name": one.name,
                "why": one.why,
                "proposal": one.proposal,
            }
            for one in open_flags[:NEEDS_SHOWN]
        ],
        "more": max(0, len(open_flags) - NEEDS_SHOWN),
        "kinds": sorted({one.kind for one in open_flags}),
    }


def _level(open_flags: Sequence[FlagView]) -> str:
    return max((one.severity for one in open_flags), key=RANK.__getitem__, default="")


def _worth(open_flags: Sequence[FlagView], body: Mapping[str, Any]) -> float:
    """Order on the page: the level, then harm times probability; without a flag, the longest unseen."""
    level = LEVEL_STEP * RANKED_LEVELS[_level(open_flags)]
    if open_flags:
        likely = (
            HARM.get(one.kind, 1.0) * (0.95 if one.probability is None else one.probability)
            for one in open_flags
        )
        return level + sum(likely)
    last = body.get("last_day")
    unseen = 0 if last is None else body["as_of"] - last
    return float(min(unseen, 500))


def _facts(inputs: RowInputs, open_flags: Sequence[FlagView]) -> dict[str, Any]:
    analysis, today = inputs.analysis, inputs.analysis.as_of
    current = next((one for one in reversed(inputs.blocks) if one.start_day <= today <= one.end_day), None)
    coming = next((one for one in inputs.blocks if one.start_day > today), None)
    monday = monday_of(today)
    week = [one for one in inputs.due if monday <= one.day < monday + 7 and one.status != "skipped"]
    logged = inputs.log.day[inputs.log.day <= today]
    lift = _lift_shown(inputs, open_flags)
    load = analysis.load
    return {
        "as_of": today,
        "block": None
        if current is None
        else {
            "id": current.id,
            "name": current.name,
            "kind": current.kind,
            "week": current.week_of(today),
            "weeks": current.weeks_long,
        },
        "next_block": None if coming is None else {"name": coming.name, "day": coming.start_day},
        "trend": _trend(lift),
        "trend_missing": _missing(analysis),
        "stress": {
            "value": _number(load.last_7_days),
            "low": _number(load.usual_week_low),
            "high": _number(load.usual_week_high),
            "words": wording.against_usual(load.last_7_days, load.usual_week_low, load.usual_week_high),
        },
        "done": sum(one.status == "done" for one in week),
        "planned": len(week),
        "logged": int(
            np.unique(inputs.log.session[(inputs.log.day >= monday) & (inputs.log.day <= today)]).size
        ),
        "last_day": int(logged.max()) if logged.size else None,
        "next": None
        if inputs.next_session is None
        else {"day": inputs.next_session.day, "name": inputs.next_session.name},
        "strip": _strip(inputs, lift),
        "search": " ".join(
            [one.name for one in (current, coming) if one is not None]
            + [one.exercise for one in analysis.exercises]
        ).casefold(),
    }


def _lift_shown(inputs: RowInputs, open_flags: Sequence[FlagView]) -> ExerciseAnalysis | None:
    """The main lift that most needs a look: a flagged one, else the one least likely to be rising."""
    trends = {one.exercise: one for one in inputs.analysis.exercises if one.trend is not None}
    for flag in open_flags:
        if flag.lift in trends:
            return trends[flag.lift]
    current = [one for one in trends.values() if _last_trained(one) < inputs.window_days] or list(
        trends.values()
    )
    main = [one for one in current if key_of(one.main_lift or "") == key_of(one.exercise)] or current
    return min(main, key=lambda one: one.trend.probability_rising if one.trend else 1.0, default=None)


def _last_trained(one: ExerciseAnalysis) -> int:
    """Days since the exercise was last done, in any rep range."""
    return min((e.days_since for e in one.exposures if e.days_since is not None), default=10_000)


def _trend(lift: ExerciseAnalysis | None) -> dict[str, Any] | None:
    if lift is None or lift.trend is None:
        return None
    slope, rising = lift.trend.slope_pct_per_week.mean, lift.trend.probability_rising
    return {
        "lift": lift.exercise,
        "words": wording.direction(slope, rising),
        "slope": _number(slope, 2),
        "rising": _number(rising, 2),
    }


def _missing(analysis: LifterAnalysis) -> str:
    """Why there is no trend, of the lift nearest to having one."""
    if not analysis.exercises:
        return "nothing logged yet"
    most = max(analysis.exercises, key=lambda one: sum(e.working_sets for e in one.exposures))
    return most.trend_missing_because


def _strip(inputs: RowInputs, lift: ExerciseAnalysis | None) -> dict[str, Any]:
    """What the block strip draws: planned weekly stress, or what was done where nothing was planned."""
    today = inputs.analysis.as_of
    first = monday_of(today) - 7 * STRIP_WEEKS_BACK
    last = monday_of(today) + 7 * STRIP_WEEKS_AHEAD
    stress = inputs.analysis.stress
    done = dict(
        zip(stress.week_start.tolist(), stress.measures[inputs.measure].tolist(), strict=True)
        if inputs.measure in stress.measures
        else ()
    )
    drawn = []
    for block in inputs.blocks:
        if block.end_day < first or block.start_day > last:
            continue
        planned = {week.start_day: week.planned_stress.get(inputs.measure) for week in block.weeks}
        starts = sorted(planned) or list(range(block.start_day, block.end_day + 1, 7))
        weeks = [
            [start, _number(planned.get(start) if planned else done.get(monday_of(start)))]
            for start in starts
            if first <= start + 6 and start < last
        ]
        if weeks:
            drawn.append([block.kind, block.name, weeks])
    points: list[list[Any]] = []
    if lift is not None and lift.trend is not None:
        # The model has a level on every day; it is drawn only where it rests on a session near by.
        apart = np.abs(lift.trend.day[:, None] - lift.trend.point_day[None, :]).min(axis=1, initial=9999)
        points = [
            [day, _number(level)]
            for day, level, far in zip(
                lift.trend.day.tolist(), lift.trend.level_kg.tolist(), apart.tolist(), strict=True
            )
            if first <= day <= today and far <= STRIP_NEAR_DAYS
        ]
    return {"blocks": drawn, "trend": points, "first": first, "last": last}


def _number(value: Any, decimals: int = 1) -> float | None:
    """A number worth storing; None where there is none."""
    return round(float(value), decimals) if isinstance(value, int | float) and np.isfinite(value) else None
