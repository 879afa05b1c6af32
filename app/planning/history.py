"""What a lifter did lately beside what was planned, what was changed afterwards, and what comes next."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby
from typing import Any
from zoneinfo import ZoneInfo

from app.planning import days
from app.planning.days import today_in
from app.storage import audit, history, lifters, logs
from app.storage.engine import Store
from app.storage.history import Known, PlannedDay, PlannedWork
from app.storage.logs import StoredSet
from app.storage.models import Coach, Decision, Lifter, LoggedSession, SetMark, SetRevision
from app.training.units import TypedMass, Unit, format_mass, mass_number

SESSIONS_SHOWN = 8
PLANNED_DAYS_AHEAD = 56
DECISIONS_SHOWN = 12
NOTE_LENGTH = 4000
RPE_WORTH_SAYING = 1.0  # a report is worth about a repetition; less than that is noise
CONFIRMED = "confirmed as logged"
"""Why a set was amended whose numbers stayed as they were."""


@dataclass(frozen=True, slots=True)
class WorkShown:
    """One exercise of a training day. ``against`` compares, ``remarks`` say what was changed or held out."""

    exercise_id: int
    lift: str
    planned: str
    done: tuple[str, ...]
    against: str
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DayShown:
    """One training day, done or not. ``state`` is done, unplanned, under way, missed or skipped."""

    day: int
    name: str
    state: str
    session_rpe: float | None
    minutes: int | None
    note: str
    work: tuple[WorkShown, ...]


@dataclass(frozen=True, slots=True)
class PlannedSet:
    """A set that is still to be done. ``load_kg`` is None where the lifter is to find it."""

    day: int
    session: str
    block_id: int
    exercise_id: int
    load_kg: float | None
    reps: int
    rpe: float | None


@dataclass(frozen=True, slots=True)
class DecisionShown:
    """A decision as the lifter page lists it."""

    id: int
    day: int
    action: str
    lift: str | None
    by: str
    note: str
    look_again_day: int
    outcome: Mapping[str, Any] | None
    is_undone: bool


@dataclass(frozen=True, slots=True)
class History:
    """The last training days newest first, the planned sets oldest first, decisions newest first."""

    days: tuple[DayShown, ...]
    planned: tuple[PlannedSet, ...]
    decisions: tuple[DecisionShown, ...]
    exercises: Mapping[int, Known]


def history_of(store: Store, coach: Coach, lifter_id: int, *, now: datetime) -> History:
    """What a lifter did lately and is to do next.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.reading() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        today = today_in(lifter.time_zone, now)
        sessions = history.last_sessions(db, lifter.id, until=today, limit=SESSIONS_SHOWN)
        first = sessions[-1].day if sessions else today - 7
        planned = history.planned_days(db, lifter.id, first, today + PLANNED_DAYS_AHEAD)
        known_ids = {one.id for one in planned}
        moved = [s.planned_session_id for s in sessions if s.planned_session_id not in known_ids]
        planned += history.planned_by_id(db, lifter.id, [one for one in moved if one is not None])
        work = history.planned_work(db, [one.id for one in planned])
        sets = logs.sets_between(db, lifter.id, first, today) if sessions else []
        changes = history.revisions_between(db, lifter.id, first, today) if sessions else []
        decided = history.decisions_about(db, lifter.id, limit=DECISIONS_SHOWN)
        mentioned = {one.exercise_id for one in work} | {one.exercise_id for one in sets}
        mentioned |= {int(one.before.get("exercise_id") or 0) for one in changes}
        exercises = history.exercises_known(db, sorted(mentioned))
    return History(
        days=tuple(_days(lifter, today, sessions, planned, work, sets, changes, exercises)),
        planned=tuple(_still_to_do(planned, work, today)),
        decisions=tuple(_decision(*one) for one in decided),
        exercises=exercises,
    )


def write_note(
    store: Store, coach: Coach, lifter_id: int, text: str, *, by: str | None = None, now: datetime
) -> None:
    """Keep the coach's note about a lifter.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.transaction() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        if lifter.note != text:
            audit.record(
                db,
                kind="note written",
                actor=by or coach.name,
                at=now,
                coach_id=coach.id,
                lifter_id=lifter.id,
                before=lifter.note,
            )
            lifter.note = text


# Training days ------------------------------------------------------------------------------------


def _days(
    lifter: Lifter,
    today: int,
    sessions: Sequence[LoggedSession],
    planned: Sequence[PlannedDay],
    work: Sequence[PlannedWork],
    sets: Sequence[StoredSet],
    changes: Sequence[SetRevision],
    exercises: Mapping[int, Known],
) -> list[DayShown]:
    plans = {one.id: one for one in planned}
    held: dict[int, list[PlannedWork]] = {}
    for one in work:
        held.setdefault(one.planned_session_id, []).append(one)
    in_session: dict[int, list[StoredSet]] = {}
    for done in sets:
        in_session.setdefault(done.session_id, []).append(done)
    unit: Unit = "lb" if lifter.unit == "lb" else "kg"
    told = _Changes(changes, lifter, unit)
    shown = []
    for session in sessions:
        plan = plans.get(session.planned_session_id or 0)
        state = "done" if plan is not None else "unplanned"
        if session.finished_at is None and session.client_id is not None and session.day == today:
            state = "under way"
        shown.append(
            DayShown(
                day=session.day,
                name=plan.name if plan is not None else "",
                state=state,
                session_rpe=None if session.session_rpe_tenths is None else session.session_rpe_tenths / 10,
                minutes=session.minutes,
                note=session.note,
                work=tuple(
                    _work(
                        session.id,
                        held.get(plan.id, []) if plan is not None else [],
                        in_session.get(session.id, []),
                        told,
                        exercises,
                        unit,
                    )
                ),
            )
        )
    answered = {one.planned_session_id for one in sessions}
    for plan in planned:
        if plan.day < today and plan.id not in answered and plan.status in ("planned", "missed", "skipped"):
            rows = [
                WorkShown(
                    one.exercise_id, _name(exercises, one.exercise_id), _planned_text(one, unit), (), "", ()
                )
                for one in held.get(plan.id, [])
            ]
            state = "skipped" if plan.status == "skipped" else "missed"
            shown.append(DayShown(plan.day, plan.name, state, None, None, "", tuple(rows)))
    return sorted(shown, key=lambda one: -one.day)


def _work(
    session_id: int,
    planned: Sequence[PlannedWork],
    done: Sequence[StoredSet],
    told: _Changes,
    exercises: Mapping[int, Known],
    unit: Unit,
) -> Iterable[WorkShown]:
    """Planned exercises in their order with the sets that answer them, then what was done besides."""
    left = list(done)
    for plan in planned:
        mine = [s for s in left if s.prescription_id == plan.id]
        mine = mine or [s for s in left if s.prescription_id is None and s.exercise_id == plan.exercise_id]
        left = [s for s in left if s not in mine]
        yield _row(plan.exercise_id, plan, mine, told.about(session_id, plan.exercise_id), exercises, unit)
    for exercise_id, group in groupby(
        sorted(left, key=lambda s: _first_position(left, s)), key=lambda s: s.exercise_id
    ):
        remarks = told.about(session_id, exercise_id)
        yield _row(exercise_id, None, list(group), remarks, exercises, unit)
    for exercise_id in told.unclaimed(session_id):
        yield _row(exercise_id, None, [], told.about(session_id, exercise_id), exercises, unit)


def _first_position(sets: Sequence[StoredSet], one: StoredSet) -> tuple[int, int]:
    return min(s.position for s in sets if s.exercise_id == one.exercise_id), one.position


def _row(
    exercise_id: int,
    plan: PlannedWork | None,
    done: Sequence[StoredSet],
    remarks: Sequence[str],
    exercises: Mapping[int, Known],
    unit: Unit,
) -> WorkShown:
    working = [s for s in done if not s.marks & SetMark.WARM_UP]
    texts = _merged(working, unit)
    warm_ups = len(done) - len(working)
    if warm_ups:
        texts = (*texts, f"{warm_ups} warm-up{'s' * (warm_ups != 1)}")
    held = [s for s in working if s.marks & SetMark.HELD_OUT]
    notes = [f"Set {s.set_number}: “{s.note}”" for s in done if s.note]
    if held:
        count = "A set is" if len(held) == 1 else f"{len(held)} sets are"
        notes.append(f"{count} held out of the estimates.")
    return WorkShown(
        exercise_id=exercise_id,
        lift=_name(exercises, exercise_id),
        planned="" if plan is None else _planned_text(plan, unit),
        done=texts,
        against="" if plan is None else against_plan(plan.sets, working, unit),
        remarks=(*remarks, *notes),
    )


def _name(exercises: Mapping[int, Known], exercise_id: int) -> str:
    found = exercises.get(exercise_id)
    return found.name if found is not None else "An exercise that was removed"


def _merged(sets: Sequence[StoredSet], unit: Unit) -> tuple[str, ...]:
    """Neighbours of the same load and repetitions as one: "100 kg × 5, 3 sets @ 8, 8.5, 9"."""
    texts = []
    for work, group in groupby(sets, key=lambda one: _work_text(one.plain(), unit)):
        efforts = [_effort_text(one.plain()) for one in group]
        if len(efforts) == 1:
            texts.append(f"{work}{efforts[0]}")
        elif len(set(efforts)) == 1:
            texts.append(f"{len(efforts)} sets of {work}{efforts[0]}")
        elif all(one.startswith(" @ ") for one in efforts):
            texts.append(f"{work}, {len(efforts)} sets @ {', '.join(one[3:] for one in efforts)}")
        else:
            texts.extend(f"{work}{one}" for one in efforts)
    return tuple(texts)


def set_text(one: Mapping[str, Any], unit: Unit) -> str:
    """A logged set in a line: "100 kg × 5 @ 8". The load is shown as it was typed if in the reader's unit."""
    return f"{_work_text(one, unit)}{_effort_text(one)}"


def as_typed(one: Mapping[str, Any]) -> str:
    """A logged set in a line, in the unit it was typed in: what was meant may hang on that unit."""
    return set_text(one, "lb" if str(one.get("typed") or "").endswith("lb") else "kg")


def _work_text(one: Mapping[str, Any], unit: Unit) -> str:
    grams = int(one["load_grams"])
    typed = None
    if one.get("typed"):
        number, _, typed_unit = str(one["typed"]).rpartition(" ")
        typed = TypedMass(grams, number, "lb" if typed_unit == "lb" else "kg")
    load = format_mass(grams, unit, typed)
    for name, letter in (("seconds", "s"), ("metres", "m")):
        if one.get(name):
            return f"{load}, {one[name]} {letter}" if grams else f"{one[name]} {letter}"
    return f"{load if grams else 'body mass'} × {one['reps']}"


def _effort_text(one: Mapping[str, Any]) -> str:
    effort = "" if one.get("rpe_tenths") is None else f" @ {one['rpe_tenths'] / 10:g}"
    return f"{effort}, then missed" if int(one.get("marks") or 0) & SetMark.FAILED else effort


def _planned_text(plan: PlannedWork, unit: Unit) -> str:
    """The prescription with the load it came to, where it does not name one itself."""
    loads = sorted({int(one["load_grams"]) for one in plan.sets if one.get("load_grams") is not None})
    if not loads:
        return plan.text
    lightest, heaviest = (mass_number(grams, unit) for grams in (loads[0], loads[-1]))
    if heaviest in plan.text:
        return plan.text
    span = lightest if lightest == heaviest else f"{lightest} to {heaviest}"
    return f"{plan.text}: {span} {unit}"


def against_plan(planned: Sequence[Mapping[str, Any]], done: Sequence[StoredSet], unit: Unit) -> str:
    """What of the plan was not as planned, in a few words."""
    if not done:
        return "not done"
    said = []
    fewer = len(planned) - len(done)
    if fewer:
        said.append(f"{abs(fewer)} set{'s' * (abs(fewer) != 1)} {'fewer' if fewer > 0 else 'more'}")
    pairs = [
        (planned[s.planned_set if s.planned_set is not None else i], s)
        for i, s in enumerate(done)
        if (s.planned_set if s.planned_set is not None else i) < len(planned)
    ]
    loads = [s.load_grams - p["load_grams"] for p, s in pairs if p.get("load_grams") is not None]
    off = [one for one in loads if abs(one) >= 250]
    if off:
        largest = max(off, key=abs)
        said.append(f"{'+' if largest > 0 else '−'}{format_mass(abs(largest), unit)}")
    short = sum(max(int(p.get("reps") or 0) - s.reps, 0) for p, s in pairs if not p.get("amrap"))
    over = sum(
        max(s.reps - int(p.get("reps_high") or p.get("reps") or 0), 0) for p, s in pairs if not p.get("amrap")
    )
    for count, word in ((short, "fewer"), (over, "more")):
        if count:
            said.append(f"{count} rep{'s' * (count != 1)} {word}")
    efforts = [
        s.rpe_tenths / 10 - float(p["rpe"])
        for p, s in pairs
        if p.get("rpe") is not None and s.rpe_tenths is not None
    ]
    if efforts:
        mean = sum(efforts) / len(efforts)
        if abs(mean) >= RPE_WORTH_SAYING:
            said.append(f"RPE {mean:+.1f}".replace("-", "−"))
    return ", ".join(said) if said else "as planned"


class _Changes:
    """Sentences on what was amended or taken out, by session and exercise."""

    def __init__(self, changes: Sequence[SetRevision], lifter: Lifter, unit: Unit) -> None:
        self._said: dict[int, dict[int, list[str]]] = {}
        self._zone = ZoneInfo(lifter.time_zone)
        self._lifter, self._unit = lifter, unit
        for one in changes:
            # A file brings in no number of what was gone when it was written.
            session, exercise = (int(one.before.get(key) or 0) for key in ("session_id", "exercise_id"))
            self._said.setdefault(session, {}).setdefault(exercise, []).append(self._sentence(one))

    def about(self, session_id: int, exercise_id: int) -> tuple[str, ...]:
        """The sentences; each is given once, so that an exercise done twice does not repeat them."""
        return tuple(self._said.get(session_id, {}).pop(exercise_id, ()))

    def unclaimed(self, session_id: int) -> list[int]:
        """Exercises of which nothing is left but what is said about them."""
        return list(self._said.get(session_id, {}))

    def _sentence(self, one: SetRevision) -> str:
        was = set_text(one.before, self._unit)
        lifted = one.before.get("lifted_at")
        entered = ""
        if lifted is not None:
            entered = f"entered {self._clock(datetime.fromtimestamp(int(lifted), UTC), one.day)}, "
        by = f" by {one.by}" if one.by != self._lifter.name else ""
        why = f" ({one.why})" if one.why else ""
        at = self._clock(one.at, one.day)
        number = one.before.get("set_number", one.position + 1)
        if one.why == CONFIRMED:
            return f"Set {number}: confirmed {at}{by} to be {was}."
        match one.change:
            case "removed":
                return f"Set {number}: {entered}taken out {at}{by}, was {was}{why}."
            case "restored":
                return f"Set {number}: put back {at}{by}{why}."
            case _:
                return f"Set {number}: {entered}amended {at}{by}, was {was}{why}."

    def _clock(self, at: datetime, day: int) -> str:
        local = at.astimezone(self._zone)
        on = local.date().toordinal()
        return f"{local:%H:%M}" if on == day else f"{days.short(on)}, {local:%H:%M}"


# What comes next ----------------------------------------------------------------------------------


def _still_to_do(planned: Sequence[PlannedDay], work: Sequence[PlannedWork], today: int) -> list[PlannedSet]:
    days_of = {one.id: one for one in planned if one.day >= today and one.status == "planned"}
    found = [
        PlannedSet(
            day=day.day,
            session=day.name,
            block_id=day.block_id,
            exercise_id=one.exercise_id,
            load_kg=None if a_set.get("load_grams") is None else a_set["load_grams"] / 1000,
            reps=int(a_set.get("reps") or 0),
            rpe=a_set.get("rpe"),
        )
        for one in work
        if (day := days_of.get(one.planned_session_id)) is not None
        for a_set in one.sets
    ]
    return sorted(found, key=lambda one: one.day)


def _decision(one: Decision, lift: str | None, owner: str) -> DecisionShown:
    return DecisionShown(
        id=one.id,
        day=one.day,
        action=one.action,
        lift=lift,
        by=str(one.detail.get("by") or owner),
        note=one.note,
        look_again_day=one.look_again_day,
        outcome=one.outcome,
        is_undone=one.undone_at is not None,
    )
