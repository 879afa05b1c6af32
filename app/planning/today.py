"""The phone's pages as values: the session to do, what it steps beyond, what is done, what comes next."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any, cast
from zoneinfo import ZoneInfo, available_timezones

from app.planning import equipment, yardstick
from app.planning.days import monday_of, today_in
from app.storage import logs, phone, seasons
from app.storage.engine import Store, Transaction
from app.storage.logs import StoredSet
from app.storage.models import (
    Block,
    CheckIn,
    Exercise,
    Lifter,
    LoggedSession,
    Message,
    PainReport,
    PlannedSession,
    Prescription,
    SetMark,
    SetRevision,
)
from app.storage.seasons import Due, SeasonBlock
from app.training import exposure, repmax, warmup
from app.training.loading import BarKit, Kit, per_side, smallest_increment
from app.training.prescription import Mass
from app.training.records import AnalysisSettings, BlockKind, Exposure, SetLog
from app.training.units import TypedMass, Unit, format_mass, mass_number

CAUTIONS = (
    "Warm up, and work up to the first set in steps.",
    "Have spotters or safety bars wherever a missed rep could pin you.",
    "If you have a health condition, or have not trained for long, see a doctor first.",
    "Under 18: only with a qualified adult beside you.",
    "Stop when something hurts, and say so here. Your federation's and your gym's rules come first.",
)
STILL_OPEN = timedelta(hours=8)  # a session begun before midnight stays the one to do
LOOK_BACK_DAYS = 6
RECENT_EXERCISE_DAYS = 180


class SessionNotFound(LookupError):
    """There is no such session, or it is another lifter's."""


class SetNotFound(LookupError):
    """There is no such set, or it is another lifter's."""


@dataclass(frozen=True, slots=True)
class Target:
    """What one set is planned to be; ``load`` is in the lifter's unit, empty where they are to find it."""

    load: str
    grams: int | None
    reps: int | None
    reps_high: int | None
    rpe: float | None
    amrap: bool
    seconds: int | None
    metres: int | None
    rest_s: int | None

    @property
    def amount(self) -> str:
        """``3``, ``8-10``, ``5+``, ``30 s``, ``20 m``."""
        if self.seconds is not None:
            return f"{self.seconds} s"
        if self.metres is not None:
            return f"{self.metres} m"
        if self.reps is None:
            return ""
        high = self.reps_high
        text = str(self.reps) if high in (None, self.reps) else f"{self.reps}-{high}"
        return text + ("+" if self.amrap else "")


@dataclass(frozen=True, slots=True)
class Done:
    """A set as it was logged."""

    key: str
    version: int
    load: str
    unit: str
    grams: int
    reps: int
    rpe: float | None
    failed: bool
    warm_up: bool
    held_out: bool
    seconds: int | None
    metres: int | None
    note: str
    lifted_at: int | None
    exercise_id: int

    @property
    def amount(self) -> str:
        if self.seconds is not None:
            return f"{self.seconds} s"
        if self.metres is not None:
            return f"{self.metres} m"
        return str(self.reps)


@dataclass(frozen=True, slots=True)
class Line:
    """One set on the page: planned, done, or left out."""

    slot: str
    number: int
    planned_set: int | None
    target: Target | None
    done: Done | None
    skipped: bool
    swapped_to: str = ""


@dataclass(frozen=True, slots=True)
class Lift:
    """One exercise on the page."""

    prescription_id: int | None
    exercise_id: int
    name: str
    measure: str
    implement: str
    cue: str
    video_url: str
    text: str
    note: str
    lines: tuple[Line, ...]
    yardstick: yardstick.Yardstick | None
    pain: PainReport | None
    warm_up: tuple[tuple[int, int], ...]
    skipped: bool
    kit: Kit | None
    step: float  # of the - and + buttons, in the lifter's unit

    @property
    def open_lines(self) -> int:
        return sum(1 for one in self.lines if one.done is None and not one.skipped)


@dataclass(frozen=True, slots=True)
class Progress:
    """A frozen mark of the block and the best since, in one rep range."""

    lift: str
    rep_range: str
    baseline: str
    best: str
    change_pct: float


@dataclass(frozen=True, slots=True)
class BlockView:
    name: str
    kind: BlockKind
    week: int
    weeks: int
    purpose: str
    dip: str
    progress: tuple[Progress, ...]


@dataclass(frozen=True, slots=True)
class SessionView:
    """One session, planned or not."""

    key: str  # by which the phone names it
    day: int
    name: str
    note: str
    status: str
    version: int | None
    lifts: tuple[Lift, ...]
    block: BlockView | None
    logged: LoggedSession | None
    comments: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # set -> what the lifter wrote

    @property
    def sets(self) -> int:
        return sum(len(one.lines) for one in self.lifts)

    @property
    def sets_done(self) -> int:
        return sum(1 for lift in self.lifts for one in lift.lines if one.done is not None)

    @property
    def finished(self) -> bool:
        return self.logged is not None and self.logged.finished_at is not None


@dataclass(frozen=True, slots=True)
class TodayView:
    """What the phone opens at."""

    day: int
    session: SessionView | None
    others: tuple[Due, ...]  # more sessions of today
    missed: tuple[Due, ...]  # of this week, not logged
    next: Due | None
    check_in: CheckIn | None
    pains: tuple[PainReport, ...]
    unread: int
    has_plan: bool
    first_time: bool
    choices: tuple[tuple[int, str, str], ...]  # exercises to add or swap to: number, name, measure


def zone_of(lifter: Lifter, said: str | None) -> str:
    """The zone whose day counts now: where the phone says it is, else home."""
    return said if said is not None and said in available_timezones() else lifter.time_zone


def settings_of(lifter: Lifter) -> AnalysisSettings:
    return AnalysisSettings(recent_window_days=7 * lifter.recent_window_weeks)


def look(
    store: Store,
    lifter: Lifter,
    *,
    zone: str,
    now: datetime,
    planned_id: int | None = None,
    swaps: Mapping[int, int] | None = None,
) -> TodayView:
    """Today, or one planned session.

    Parameters
    ----------
    zone : str
        The zone the phone is in.
    planned_id : int, optional
        Show this session whatever its day.
    swaps : mapping, optional
        Prescription -> exercise that is done in its place.

    Raises
    ------
    SessionNotFound
        If the planned session is not this lifter's.
    """
    day = today_in(zone, now)
    with store.reading() as db:
        due = seasons.planned_between(db, lifter.id, day - LOOK_BACK_DAYS, day)
        blocks = seasons.blocks(db, lifter.id)
        today = [one for one in due if one.day == day]
        if planned_id is None:
            planned_id = _to_do(db, lifter, today, day, now)
        pains = tuple(phone.open_pains(db, lifter.id))
        session = None
        if planned_id is not None:
            session = _planned(db, lifter, planned_id, day, blocks, pains, swaps or {})
        else:
            open_one = _open_unplanned(db, lifter, day, now)
            if open_one is not None:
                session = _unplanned(db, lifter, open_one, pains, day)
        return TodayView(
            day=day,
            session=session,
            others=tuple(one for one in today if one.id != planned_id),
            missed=tuple(
                one
                for one in due
                if monday_of(day) <= one.day < day
                and one.status in ("planned", "missed")
                and one.id != planned_id
            ),
            next=seasons.next_planned(db, lifter.id, day + 1),
            check_in=phone.check_in_on(db, lifter.id, day),
            pains=pains,
            unread=phone.unread_from_coach(db, lifter.id),
            has_plan=any(one.end_day >= day for one in blocks),
            first_time=not phone.any_log(db, lifter.id),
            choices=_choices(db, lifter, day),
        )


def _to_do(db: Transaction, lifter: Lifter, today: Sequence[Due], day: int, now: datetime) -> int | None:
    """The planned session to open at: one under way, else the first of today that is not done."""
    latest = logs.sessions_between(db, lifter.id, day - 1, day)
    for one in reversed(latest):
        if (
            one.planned_session_id is not None
            and one.finished_at is None
            and one.started_at is not None
            and (one.day == day or now - one.started_at < STILL_OPEN)
        ):
            return one.planned_session_id
    waiting = [one for one in today if one.status == "planned"]
    chosen = (waiting or list(today))[:1]
    return chosen[0].id if chosen else None


def _open_unplanned(db: Transaction, lifter: Lifter, day: int, now: datetime) -> LoggedSession | None:
    for one in reversed(logs.sessions_between(db, lifter.id, day - 1, day)):
        if (
            one.planned_session_id is None
            and one.client_id is not None
            and one.started_at is not None
            and (one.day == day or (one.finished_at is None and now - one.started_at < STILL_OPEN))
        ):
            return one
    return None


def _planned(
    db: Transaction,
    lifter: Lifter,
    planned_id: int,
    today: int,
    blocks: Sequence[SeasonBlock],
    pains: Sequence[PainReport],
    swaps: Mapping[int, int],
) -> SessionView:
    found = phone.planned_session(db, lifter.id, planned_id)
    if found is None:
        raise SessionNotFound(planned_id)
    planned, block = found
    asked = phone.prescriptions(db, planned_id)
    logged = next(iter(phone.logged_for(db, lifter.id, planned_id)), None)
    done = [] if logged is None else phone.sets_of_session(db, lifter.id, logged)
    left_out = {
        (one.about["skipped"], one.about.get("set"))
        for one in phone.skips(db, lifter.id)
        if one.about.get("session") == planned_id
    }
    names = phone.exercise_names(
        db, [*(one.exercise_id for one in done), *swaps.values(), *(one.id for _, one in asked)]
    )
    log, ids = logs.set_log(db, lifter, held_out=False)
    day = planned.day if logged is None else logged.day
    before = _ledgers(log, ids, day - 1, settings_of(lifter))
    lifts = []
    used: set[tuple[int, int]] = set()
    for prescription, exercise in asked:
        chosen = names.get(swaps.get(prescription.id, 0), exercise)
        lift = _lift(
            lifter,
            prescription,
            chosen if chosen.coach_id == lifter.coach_id else exercise,
            exercise,
            [one for one in done if one.prescription_id == prescription.id],
            names,
            left_out,
            before.get(chosen.id, ()),
            log,
            ids,
            pains,
            min(day, today),
        )
        lifts.append(lift)
        used |= {(one.day, one.position) for one in done if one.prescription_id == prescription.id}
    lifts += _extras(lifter, [one for one in done if (one.day, one.position) not in used], names, pains)
    return SessionView(
        key=f"p{planned_id}",
        day=day,
        name=planned.name,
        note=planned.note,
        status=planned.status,
        version=planned.version,
        lifts=tuple(lifts),
        block=_block(db, lifter, planned, block, blocks, log, ids, {one.id for _, one in asked}, today),
        logged=logged,
        comments=_comments(db, lifter, day),
    )


def _unplanned(
    db: Transaction, lifter: Lifter, logged: LoggedSession, pains: Sequence[PainReport], today: int
) -> SessionView:
    done = phone.sets_of_session(db, lifter.id, logged)
    names = phone.exercise_names(db, [one.exercise_id for one in done])
    return SessionView(
        key=made if (made := logged.client_id or "").startswith("n") else f"l{logged.id}",
        day=logged.day,
        name="Unplanned session",
        note="",
        status="done",
        version=None,
        lifts=tuple(_extras(lifter, done, names, pains)),
        block=None,
        logged=logged,
        comments=_comments(db, lifter, logged.day),
    )


def _ledgers(
    log: SetLog, ids: Sequence[int], as_of: int, settings: AnalysisSettings
) -> dict[int, tuple[Exposure, ...]]:
    found = exposure.ledgers(log, as_of=as_of, settings=settings)
    return {ids[index]: lines for index, lines in found.items()}


def _lift(
    lifter: Lifter,
    prescription: Prescription,
    exercise: Exercise,
    planned: Exercise,
    done: Sequence[StoredSet],
    names: Mapping[int, Exercise],
    left_out: set[tuple[int, int | None]],
    before: Sequence[Exposure],
    log: SetLog,
    ids: Sequence[int],
    pains: Sequence[PainReport],
    today: int,
) -> Lift:
    unit = _unit(lifter)
    by_place: dict[int, StoredSet] = {}
    more: list[StoredSet] = []
    for one in done:
        if (
            one.planned_set is not None
            and one.planned_set not in by_place
            and not one.marks & SetMark.WARM_UP
        ):
            by_place[one.planned_set] = one
        else:
            more.append(one)
    all_skipped = (prescription.id, None) in left_out or (0, None) in left_out
    lines = []
    for place, raw in enumerate(prescription.sets):
        logged = by_place.pop(place, None)
        lines.append(
            Line(
                slot=f"{prescription.id}-{place}",
                number=place + 1,
                planned_set=place,
                target=target_of(raw, unit, swapped=exercise.id != planned.id),
                done=None if logged is None else done_view(logged),
                skipped=logged is None and (all_skipped or (prescription.id, place) in left_out),
                swapped_to=_other_name(logged, planned, names),
            )
        )
    for logged in [*by_place.values(), *more]:
        lines.append(
            Line(
                slot=f"d{logged.day}-{logged.position}",
                number=len(lines) + 1,
                planned_set=None,
                target=None,
                done=done_view(logged),
                skipped=False,
                swapped_to=_other_name(logged, planned, names),
            )
        )
    kit = equipment.kit_of(lifter, exercise.implement) if exercise.measure == "load" else None
    pain = next((one for one in pains if one.exercise_id == exercise.id), None)
    hardest = _hardest(lines)
    return Lift(
        prescription_id=prescription.id,
        exercise_id=exercise.id,
        name=exercise.name,
        measure=exercise.measure,
        implement=exercise.implement,
        cue=exercise.cue,
        video_url=exercise.video_url,
        text=prescription.text,
        note=prescription.note,
        lines=tuple(lines),
        yardstick=None
        if pain is not None or hardest is None
        else yardstick.measure(
            None if hardest.grams is None else hardest.grams / 1000,
            hardest.reps or 1,
            hardest.rpe,
            before,
            lift=exercise.name.lower(),
            unit=unit,
            today=today,
            settings=settings_of(lifter),
            usual_step=_usual_step(log, ids, exercise.id, today, settings_of(lifter)),
            smallest_increment_kg=_increment_kg(kit, hardest.grams),
            body_mass_share_kg=exercise.body_mass_share * (lifter.body_mass_grams or 0) / 1000,
        ),
        pain=pain,
        warm_up=_warm_up(lines, kit),
        skipped=all_skipped and not done,
        kit=kit,
        step=step_of(kit, unit),
    )


def _extras(
    lifter: Lifter, done: Sequence[StoredSet], names: Mapping[int, Exercise], pains: Sequence[PainReport]
) -> list[Lift]:
    """Exercises that nobody planned, with what was done of them."""
    by_exercise: dict[int, list[StoredSet]] = {}
    for one in done:
        by_exercise.setdefault(one.exercise_id, []).append(one)
    lifts = []
    for number, sets in by_exercise.items():
        exercise = names[number]
        kit = equipment.kit_of(lifter, exercise.implement) if exercise.measure == "load" else None
        lifts.append(
            Lift(
                prescription_id=None,
                exercise_id=number,
                name=exercise.name,
                measure=exercise.measure,
                implement=exercise.implement,
                cue=exercise.cue,
                video_url=exercise.video_url,
                text="",
                note="",
                lines=tuple(
                    Line(
                        slot=f"d{one.day}-{one.position}",
                        number=place + 1,
                        planned_set=None,
                        target=None,
                        done=done_view(one),
                        skipped=False,
                    )
                    for place, one in enumerate(sets)
                ),
                yardstick=None,
                pain=next((one for one in pains if one.exercise_id == number), None),
                warm_up=(),
                skipped=False,
                kit=kit,
                step=step_of(kit, _unit(lifter)),
            )
        )
    return lifts


def _unit(lifter: Lifter) -> Unit:
    return "lb" if lifter.unit == "lb" else "kg"


def _other_name(logged: StoredSet | None, planned: Exercise, names: Mapping[int, Exercise]) -> str:
    if logged is None or logged.exercise_id == planned.id:
        return ""
    found = names.get(logged.exercise_id)
    return found.name if found is not None else ""


def target_of(raw: Mapping[str, Any], unit: Unit, *, swapped: bool = False) -> Target:
    """A planned set as stored, in the lifter's unit."""
    # The load was computed for the planned exercise: another one starts empty.
    grams = None if swapped else raw.get("load_grams")
    return Target(
        load="" if grams is None else mass_number(grams, unit),
        grams=grams,
        reps=raw.get("reps"),
        reps_high=raw.get("reps_high"),
        rpe=raw.get("rpe"),
        amrap=bool(raw.get("amrap")),
        seconds=raw.get("seconds"),
        metres=raw.get("metres"),
        rest_s=raw.get("rest_s"),
    )


def done_view(one: StoredSet) -> Done:
    """A stored set in the number and unit it was typed in."""
    number, _, unit = (
        one.typed.rpartition(" ") if one.typed else (mass_number(one.load_grams, "kg"), "", "kg")
    )
    return Done(
        key=f"{one.day}-{one.position}",
        version=one.version,
        load=number,
        unit=unit,
        grams=one.load_grams,
        reps=one.reps,
        rpe=None if one.rpe_tenths is None else one.rpe_tenths / 10,
        failed=bool(one.marks & SetMark.FAILED),
        warm_up=bool(one.marks & SetMark.WARM_UP),
        held_out=bool(one.marks & SetMark.HELD_OUT),
        seconds=one.seconds,
        metres=one.metres,
        note=one.note or "",
        lifted_at=one.lifted_at,
        exercise_id=one.exercise_id,
    )


def _hardest(lines: Sequence[Line]) -> Target | None:
    """The target the others are lighter than: what the yardstick speaks of."""
    targets = [one.target for one in lines if one.target is not None and one.target.reps]
    if not targets:
        return None
    return max(targets, key=lambda one: float(repmax.e1rm_at(one.grams or 0, one.reps or 1)))


def _usual_step(
    log: SetLog, ids: Sequence[int], exercise_id: int, day: int, settings: AnalysisSettings
) -> float:
    if exercise_id not in ids:
        return math.nan
    return exposure.usual_step_pct(log, ids.index(exercise_id), as_of=day - 1, settings=settings)


def _increment_kg(kit: Kit | None, grams: int | None) -> float:
    return 2.5 if kit is None or grams is None else smallest_increment(grams, kit) / 1000


def step_of(kit: Kit | None, unit: Unit) -> float:
    """What the - and + of a load move by: the smallest change of the bar, in the lifter's unit."""
    if isinstance(kit, BarKit) and kit.plates:
        smallest = min(kit.plates, key=lambda one: one.mass.grams).mass
        if smallest.unit == unit:
            return float(smallest.value * 2)
    return 2.5 if unit == "kg" else 5.0


def _warm_up(lines: Sequence[Line], kit: Kit | None) -> tuple[tuple[int, int], ...]:
    first = next((one.target for one in lines if one.target is not None and one.target.grams), None)
    if first is None or first.grams is None or kit is None or not first.reps:
        return ()
    return warmup.ramp(first.grams, first.reps, kit)


def _block(
    db: Transaction,
    lifter: Lifter,
    planned: PlannedSession,
    block: Block,
    blocks: Sequence[SeasonBlock],
    log: SetLog,
    ids: Sequence[int],
    asked: set[int],
    today: int,
) -> BlockView:
    this = yardstick.Emphasis(cast(BlockKind, block.kind), block.start_day, block.purpose)
    earlier = [one for one in blocks if one.start_day < block.start_day and one.id != block.id]
    before = max(earlier, key=lambda one: one.start_day, default=None)
    return BlockView(
        name=block.name,
        kind=this.kind,
        week=planned.week,
        weeks=max(1, -(-(block.end_day - block.start_day + 1) // 7)),
        purpose=yardstick.purpose(this),
        dip=yardstick.expected_dip(
            this,
            None if before is None else yardstick.Emphasis(before.kind, before.start_day, before.purpose),
            today=max(planned.day, block.start_day),
        ),
        progress=_progress(db, lifter, block, log, ids, asked, today),
    )


def _progress(
    db: Transaction,
    lifter: Lifter,
    block: Block,
    log: SetLog,
    ids: Sequence[int],
    asked: set[int],
    today: int,
) -> tuple[Progress, ...]:
    """Each frozen mark of the session's exercises beside the best since the block began."""
    if today < block.start_day:
        return ()
    inside = replace(settings_of(lifter), recent_window_days=today - block.start_day + 1)
    now = _ledgers(log, ids, today, inside)
    unit, found = _unit(lifter), []
    for frozen, exercise in phone.baselines(db, block.id):
        best = next(
            (
                line.recent_best
                for line in now.get(exercise.id, ())
                if line.rep_range == frozen.rep_range and line.recent_best is not None
            ),
            None,
        )
        if exercise.id not in asked or best is None:
            continue
        share = exercise.body_mass_share * (lifter.body_mass_grams or 0) / 1000
        was = float(repmax.e1rm_at(frozen.load_grams / 1000 + share, frozen.reps))
        has = float(repmax.e1rm_at(best.load_kg + share, best.reps))
        found.append(
            Progress(
                lift=exercise.name,
                rep_range=frozen.rep_range,
                baseline=f"{format_mass(frozen.load_grams, unit)} x {frozen.reps}",
                best=yardstick.mark_text(best, unit),
                change_pct=100 * (has / was - 1) if was > 0 else 0.0,
            )
        )
    return tuple(found)


def _comments(db: Transaction, lifter: Lifter, day: int) -> dict[str, tuple[str, ...]]:
    found: dict[str, list[str]] = {}
    for one in phone.messages(db, lifter.id, limit=200):
        about = one.about.get("set")
        if isinstance(about, str) and about.startswith(f"{day}-") and one.author == "lifter":
            found.setdefault(about, []).append(one.body)
    return {key: tuple(reversed(words)) for key, words in found.items()}


def _choices(db: Transaction, lifter: Lifter, day: int) -> tuple[tuple[int, str, str], ...]:
    """Exercises to add or swap to: those done lately first."""
    found = phone.exercises_of(db, lifter, since_day=day - RECENT_EXERCISE_DAYS)
    ordered = sorted(found, key=lambda one: (not one[1], one[0].name.casefold()))
    return tuple((one.id, one.name, one.measure) for one, _ in ordered[:80])


def plates(grams: int, kit: Kit | None) -> tuple[Mass, ...] | None:
    """Plates for one side of the bar; None where there is no bar or they do not make the load."""
    if not isinstance(kit, BarKit):
        return None
    found = per_side(grams, kit)
    return found if isinstance(found, tuple) else None


# Earlier sessions ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Removed:
    """A set that was taken out and can be put back."""

    revision: int
    exercise: str
    text: str
    at: datetime
    by: str


@dataclass(frozen=True, slots=True)
class Amendment:
    """What a set was before somebody changed it."""

    at: datetime
    by: str
    text: str


@dataclass(frozen=True, slots=True)
class LogView:
    """An earlier session to look at and put right."""

    session: SessionView
    where: str  # "Lisbon" if it was logged away from home
    removed: tuple[Removed, ...]
    choices: tuple[tuple[int, str, str], ...]


def earlier(store: Store, lifter: Lifter, session_id: int, *, now: datetime) -> LogView:
    """One logged session, as it stands now, with what was taken out of it.

    Raises
    ------
    SessionNotFound
        If it is not this lifter's.
    """
    today = today_in(lifter.time_zone, now)
    with store.reading() as db:
        logged = logs.session_of_lifter(db, lifter.id, session_id)
        if logged is None:
            raise SessionNotFound(session_id)
        pains = tuple(phone.open_pains(db, lifter.id))
        if logged.planned_session_id is not None:
            blocks = seasons.blocks(db, lifter.id)
            session = _planned(db, lifter, logged.planned_session_id, today, blocks, pains, {})
        else:
            session = _unplanned(db, lifter, logged, pains, today)
        gone = [
            one
            for one in logs.revisions(db, lifter.id, logged.day)
            if one.change == "removed" and one.before.get("session_id") == logged.id
        ]
        back = {
            (one.before["day"], one.before["load_grams"], one.before["lifted_at"])
            for one in logs.revisions(db, lifter.id, logged.day)
            if one.change == "restored"
        }
        names = phone.exercise_names(db, [one.before["exercise_id"] for one in gone])
        gone = [one for one in gone if one.before["exercise_id"] in names]
        return LogView(
            session=replace(session, key=f"l{logged.id}", logged=logged),
            where=_where(lifter, logged),
            removed=tuple(
                Removed(one.id, names[one.before["exercise_id"]].name, _was(one), one.at, one.by)
                for one in gone
                if (one.before["day"], one.before["load_grams"], one.before["lifted_at"]) not in back
            ),
            choices=_choices(db, lifter, today),
        )


def _where(lifter: Lifter, logged: LoggedSession) -> str:
    zone = logged.time_zone
    if zone is None or zone == lifter.time_zone or zone not in available_timezones():
        return ""
    at = logged.started_at
    city = zone.rsplit("/", 1)[-1].replace("_", " ")
    return city if at is None else f"{city}, {at.astimezone(ZoneInfo(zone)):%H:%M}"


def _was(revision: SetRevision) -> str:
    before = revision.before
    typed = before.get("typed") or f"{mass_number(before['load_grams'], 'kg')} kg"
    rpe = before.get("rpe_tenths")
    return f"{typed} x {before['reps']}" + (f", RPE {rpe / 10:g}" if rpe is not None else "")


@dataclass(frozen=True, slots=True)
class SetView:
    """One stored set to be changed."""

    done: Done
    exercise: str
    measure: str
    session_id: int
    day: int
    amendments: tuple[Amendment, ...]
    comments: tuple[str, ...]


def one_set(store: Store, lifter: Lifter, key: str) -> SetView:
    """A set by the key it is shown under.

    Raises
    ------
    SetNotFound
        If it is not this lifter's, or was taken out.
    """
    day, _, position = key.partition("-")
    if not (day.isdigit() and position.isdigit() and len(key) < 14 and key.isascii()):
        raise SetNotFound(key)
    with store.reading() as db:
        found = logs.one_set(db, lifter.id, int(day), int(position))
        if found is None:
            raise SetNotFound(key)
        names = phone.exercise_names(db, [found.exercise_id])
        changes = [
            one
            for one in logs.revisions(db, lifter.id, int(day))
            if one.position == int(position) and one.change == "amended"
        ]
        return SetView(
            done=done_view(found),
            exercise=names[found.exercise_id].name,
            measure=names[found.exercise_id].measure,
            session_id=found.session_id,
            day=int(day),
            amendments=tuple(Amendment(one.at, one.by, _was(one)) for one in changes),
            comments=_comments(db, lifter, int(day)).get(key, ()),
        )


def typed_of(done: Done) -> TypedMass:
    return TypedMass(done.grams, done.load, "lb" if done.unit == "lb" else "kg")


def conversation(store: Store, lifter: Lifter) -> Sequence[Message]:
    """What coach and lifter have written, newest first."""
    with store.reading() as db:
        return phone.messages(db, lifter.id)


def check_in_of(store: Store, lifter: Lifter, day: int) -> CheckIn | None:
    with store.reading() as db:
        return phone.check_in_on(db, lifter.id, day)


def pain_of(
    store: Store, lifter: Lifter, day: int
) -> tuple[Sequence[PainReport], tuple[tuple[int, str], ...]]:
    """Pain that is not over, and the lifts it may have come in."""
    with store.reading() as db:
        return phone.open_pains(db, lifter.id), tuple(
            (number, name) for number, name, _ in _choices(db, lifter, day)
        )


def unread(store: Store, lifter: Lifter) -> int:
    """Messages of the coach that the lifter has not seen."""
    with store.reading() as db:
        return phone.unread_from_coach(db, lifter.id)
