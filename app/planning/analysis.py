"""A lifter analysed: read once, computed outside any transaction, written in one.

The result is a snapshot a lift and one for the lifter, the flags brought up to date, impossible sets held
out, and the lifter's row of the roster. `recompute` is the only writer of all of these.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from app import __version__
from app.planning import attention
from app.planning.days import today_in
from app.planning.flags import FlagView, in_order, sync, view
from app.planning.plain import plain, record
from app.planning.roster import RowInputs, put_row
from app.storage import flags, lifters, logs, seasons, snapshots
from app.storage.engine import Store, Transaction
from app.storage.exercises import key_of
from app.storage.logs import day_and_position
from app.storage.models import Coach, Lifter
from app.storage.seasons import CheckedIn, Due, Lift, Pain, SeasonBlock
from app.training.analysis import analyse_lifter
from app.training.records import (
    AnalysisSettings,
    DataError,
    ExerciseAnalysis,
    LifterAnalysis,
    LoadSummary,
    SetLog,
    WeeklyStress,
)

VERSION = f"{__version__}.5"
"""Of the snapshots: raised with every change of their shape, so that old ones are made anew."""

DUE_DAYS_BACK, DUE_DAYS_AHEAD = 42, 14
PAIN_DAYS_BACK = 60
CHECK_IN_DAYS_BACK = attention.READINESS_USUAL_DAYS + attention.READINESS_RECENT_DAYS


@dataclass(frozen=True, slots=True)
class Inputs:
    """Everything that an analysis reads, as it stood at one moment."""

    lifter: Lifter
    stale_at: datetime | None
    computed_at: datetime | None  # of the analysis before
    log: SetLog
    exercise_ids: Sequence[int]  # of log.exercises
    lifts: Mapping[int, Lift]
    blocks: Sequence[SeasonBlock]
    due: Sequence[Due]
    next_session: Due | None
    pains: Sequence[Pain]
    check_ins: Sequence[CheckedIn]
    accepted: frozenset[int]  # rows the coach said are right


def settings_of(lifter: Lifter, accepted: frozenset[int] = frozenset()) -> AnalysisSettings:
    """What a coach set for a lifter, as the core takes it."""
    return AnalysisSettings(
        recent_window_days=7 * lifter.recent_window_weeks,
        stress_measure=lifter.stress_measure,
        sensitivity=lifter.sensitivity,
        accepted_rows=accepted,
    )


def read_inputs(db: Transaction, lifter: Lifter, today: int) -> Inputs:
    """Read one lifter. The stale mark is read first: what comes in later makes the lifter stale again."""
    stale_at = lifter.stale_at
    computed_at = snapshots.computed_at(db, lifter.id)
    _, accepted = snapshots.odd_sets(db, lifter.id)
    log, exercise_ids = logs.set_log(db, lifter)
    pains = seasons.pains(db, lifter.id, since_day=today - PAIN_DAYS_BACK)
    hurt = [one.exercise_id for one in pains if one.exercise_id is not None]
    return Inputs(
        lifter=lifter,
        stale_at=stale_at,
        computed_at=computed_at,
        log=log,
        exercise_ids=exercise_ids,
        lifts=seasons.lifts(db, [*exercise_ids, *hurt]),
        blocks=seasons.blocks(db, lifter.id),
        due=seasons.planned_between(db, lifter.id, today - DUE_DAYS_BACK, today + DUE_DAYS_AHEAD),
        next_session=seasons.next_planned(db, lifter.id, today),
        pains=pains,
        check_ins=seasons.check_ins(db, lifter.id, since_day=today - CHECK_IN_DAYS_BACK),
        accepted=frozenset(accepted),
    )


def recompute(store: Store, lifter_id: int, *, now: datetime) -> None:
    """Analyse a lifter as of today where they live, and store what follows from it.

    Nothing happens if the lifter was deleted meanwhile. The lifter stays stale if anything came in while
    the analysis ran.
    """
    with store.reading() as db:
        lifter = snapshots.analysed_lifter(db, lifter_id)
        if lifter is None:
            return
        today = today_in(lifter.time_zone, now)
        read = read_inputs(db, lifter, today)
    analysis = analyse_lifter(
        read.log,
        [one.span() for one in read.blocks],
        as_of=today,
        settings=settings_of(lifter, read.accepted),
    )
    found = attention.findings(
        analysis,
        {one.name: one for one in read.lifts.values()},
        pains=read.pains,
        check_ins=read.check_ins,
        due=read.due,
        sensitivity=lifter.sensitivity,
        coached=lifter.status == "active",
    )
    bodies = _bodies(analysis, read)
    with store.transaction() as db:
        current = snapshots.analysed_lifter(db, lifter_id, lock=True)
        if current is None or _was_overtaken(db, read, now):
            return
        snapshots.replace(db, lifter_id, bodies, as_of_day=today, version=VERSION, at=now)
        _hold_out(db, lifter_id, {one.row for one in analysis.held_out})
        held = sync(db, lifter_id, found, today=today, now=now)
        inputs = RowInputs(
            analysis=analysis,
            log=read.log,
            blocks=read.blocks,
            due=read.due,
            next_session=read.next_session,
            measure=lifter.stress_measure,
            window_days=7 * lifter.recent_window_weeks,
        )
        put_row(db, current, inputs, held, read.lifts, now=now)
        if read.stale_at is not None:
            lifters.clear_stale(db, lifter_id, read.stale_at)


def _was_overtaken(db: Transaction, read: Inputs, now: datetime) -> bool:
    """True if a later analysis was stored since this one read the log."""
    latest = snapshots.computed_at(db, read.lifter.id)
    return latest is not None and latest != read.computed_at and latest > now


def _bodies(analysis: LifterAnalysis, read: Inputs) -> dict[int, dict[str, Any]]:
    id_of = {
        exercise.name: number for exercise, number in zip(read.log.exercises, read.exercise_ids, strict=True)
    }
    bodies: dict[int, dict[str, Any]] = {id_of[one.exercise]: plain(one) for one in analysis.exercises}
    bodies[snapshots.WHOLE_LIFTER] = {
        "loads": plain(analysis.loads),
        "measure": analysis.load.measure,
        "stress": plain(analysis.stress),
        "held_out": [
            {**plain(one), "exercise": read.exercise_ids[one.exercise]} for one in analysis.held_out
        ],
        "order": [id_of[one.exercise] for one in analysis.exercises],
    }
    return bodies


def _hold_out(db: Transaction, lifter_id: int, wrong: set[int]) -> None:
    """Mark impossible sets, and take back in what is no longer found to be one or was accepted."""
    held, accepted = snapshots.odd_sets(db, lifter_id)
    snapshots.mark_sets(db, lifter_id, sorted(wrong - held - accepted), held_out=True)
    snapshots.mark_sets(db, lifter_id, sorted(held - wrong), held_out=False)


# Reading it again ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LiftView:
    """The analysis of one exercise, with the number it has in the database."""

    exercise_id: int
    analysis: ExerciseAnalysis

    @property
    def name(self) -> str:
        return self.analysis.exercise

    @property
    def is_main(self) -> bool:
        return key_of(self.analysis.main_lift or "") == key_of(self.analysis.exercise)


@dataclass(frozen=True, slots=True)
class HeldOut:
    """A set that is held out of the estimates, and what it probably should have been."""

    day: int
    position: int
    exercise_id: int
    reason: str
    proposed_load_kg: float  # NaN when the proposal is to leave the set out
    proposed_reps: int


@dataclass(frozen=True, slots=True)
class LifterView:
    """Everything the lifter page shows that the analysis knows.

    ``as_of`` is None, and what rests on it empty, until the first analysis; ``is_stale`` says that
    something came in since.
    """

    lifter: Lifter
    today: int
    as_of: int | None
    computed_at: datetime | None
    is_stale: bool
    measure: str
    loads: tuple[LoadSummary, ...]
    stress: WeeklyStress | None
    lifts: tuple[LiftView, ...]  # main lifts first, then what was trained most lately
    flags: tuple[FlagView, ...]  # open, snoozed and dismissed; what asks for a decision first
    past_flags: tuple[FlagView, ...]  # cleared, newest first
    blocks: tuple[SeasonBlock, ...]
    due: tuple[Due, ...]
    next_session: Due | None
    pains: tuple[Pain, ...]
    held_out: tuple[HeldOut, ...]

    @property
    def load(self) -> LoadSummary | None:
        return next((one for one in self.loads if one.measure == self.measure), None)

    @property
    def block(self) -> SeasonBlock | None:
        """The block that today lies in."""
        return next(
            (one for one in reversed(self.blocks) if one.start_day <= self.today <= one.end_day), None
        )

    @property
    def open_flags(self) -> tuple[FlagView, ...]:
        return tuple(one for one in self.flags if one.is_open)

    def lift(self, exercise_id: int) -> LiftView | None:
        return next((one for one in self.lifts if one.exercise_id == exercise_id), None)


def lifter_view(store: Store, coach: Coach, lifter_id: int, *, now: datetime) -> LifterView:
    """One lifter's last analysis, flags and season.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.reading() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        today = today_in(lifter.time_zone, now)
        kept = {
            number: one
            for number, one in snapshots.of_lifter(db, lifter.id).items()
            if one.version == VERSION
        }
        history = flags.history(db, lifter.id, limit=60)
        pains = seasons.pains(db, lifter.id, since_day=today - PAIN_DAYS_BACK)
        about = {one.exercise_id for one in history} | {one.exercise_id for one in pains}
        lifts = seasons.lifts(db, [*kept, *(number for number in about if number is not None)])
        blocks = seasons.blocks(db, lifter.id)
        due = seasons.planned_between(db, lifter.id, today - DUE_DAYS_BACK, today + DUE_DAYS_AHEAD)
        next_session = seasons.next_planned(db, lifter.id, today)
    whole = kept.pop(snapshots.WHOLE_LIFTER, None)
    views = [view(one, lifts) for one in history]
    return LifterView(
        lifter=lifter,
        today=today,
        as_of=None if whole is None else whole.as_of_day,
        computed_at=None if whole is None else whole.computed_at,
        is_stale=lifter.stale_at is not None,
        measure=lifter.stress_measure,
        loads=() if whole is None else record(tuple[LoadSummary, ...], whole.body["loads"]),
        stress=None if whole is None else record(WeeklyStress, whole.body["stress"]),
        lifts=tuple(
            sorted(
                (LiftView(number, record(ExerciseAnalysis, one.body)) for number, one in kept.items()),
                key=_main_and_lately_first,
            )
        ),
        flags=tuple(in_order([one for one in views if one.cleared_at is None])),
        past_flags=tuple(one for one in views if one.cleared_at is not None),
        blocks=tuple(blocks),
        due=tuple(due),
        next_session=next_session,
        pains=tuple(pains),
        held_out=() if whole is None else tuple(_held_out(one) for one in whole.body["held_out"]),
    )


def _held_out(body: Mapping[str, Any]) -> HeldOut:
    error = record(DataError, body)
    day, position = day_and_position(error.row)
    return HeldOut(day, position, error.exercise, error.reason, error.proposed_load_kg, error.proposed_reps)


def _main_and_lately_first(one: LiftView) -> tuple[bool, int, str]:
    since = [e.days_since for e in one.analysis.exposures if e.days_since is not None]
    return not one.is_main, min(since, default=10_000) // 14, one.name
