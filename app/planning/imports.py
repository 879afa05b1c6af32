"""A log from elsewhere taken in: first what it would change, then all of it or nothing, and the way back.

Each row is named by lifter, date, exercise, set number and, where that comes twice, a running count, so
that a file can be corrected and sent again without doubles.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Protocol

import numpy as np

from app.storage import audit, exercises, imports, lifters, logs
from app.storage.engine import Store
from app.storage.models import Coach, Exercise, ImportBatch, Lifter, SetMark
from app.storage.models import LoggedSession as StoredSession
from app.training.records import Bools, Floats, Ints
from app.training.units import format_mass

DECIDED_MARKS = SetMark.HELD_OUT | SetMark.ACCEPTED


class Rows(Protocol):
    """The good rows of a log file as columns; see `app.exchange.log_file.LogRows`."""

    @property
    def lifters(self) -> tuple[str, ...]: ...
    @property
    def exercises(self) -> tuple[str, ...]: ...
    @property
    def lifter(self) -> Ints: ...
    @property
    def exercise(self) -> Ints: ...
    @property
    def day(self) -> Ints: ...
    @property
    def set_number(self) -> Ints: ...
    @property
    def occurrence(self) -> Ints: ...
    @property
    def load_g(self) -> Ints: ...
    @property
    def load_typed(self) -> list[str]: ...
    @property
    def pounds(self) -> Bools: ...
    @property
    def reps(self) -> Ints: ...
    @property
    def rpe(self) -> Floats: ...
    @property
    def session_rpe(self) -> Floats: ...
    @property
    def session_minutes(self) -> Floats: ...
    @property
    def note(self) -> list[str]: ...
    @property
    def warm_up(self) -> Bools: ...
    @property
    def failed(self) -> Bools: ...
    def __len__(self) -> int: ...


class BatchNotFound(LookupError):
    """There is no such import of this coach."""


class AlreadyUndone(Exception):
    """The import was taken back before."""


@dataclass(frozen=True, slots=True)
class Choices:
    """What the coach said about a file: the exercise a name means, None for a new one, and its columns."""

    exercises: Mapping[str, int | None] = field(default_factory=dict)
    shape: str = ""  # of the file's columns, to be remembered together with how they were read
    mapping: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class DryRun:
    """What an import would do. Row numbers index the file's good rows."""

    new: int
    changed: int
    same: int
    new_lifters: tuple[str, ...]
    new_exercises: tuple[str, ...]
    first_day: int | None
    last_day: int | None
    by_lifter: tuple[tuple[str, int, int, int], ...]  # name, new, changed, same
    examples: tuple[tuple[int, str, str], ...]  # row, what is stored, what the file says


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import did."""

    batch_id: int
    new: int
    changed: int
    same: int


NO_CHOICES = Choices()
Guess = Callable[[str], tuple[str | None, float]]


def dry_run(store: Store, coach: Coach, rows: Rows, choices: Choices = NO_CHOICES) -> DryRun:
    """Compare a file with what is stored; nothing is written."""
    with store.reading() as db:
        compared = _Comparison(db, coach, rows, choices)
    counts = np.zeros((len(rows.lifters), 3), dtype=np.int64)
    np.add.at(counts, (rows.lifter, compared.kind), 1)
    return DryRun(
        new=int(counts[:, NEW].sum()),
        changed=int(counts[:, CHANGED].sum()),
        same=int(counts[:, SAME].sum()),
        new_lifters=tuple(
            name for name, one in zip(rows.lifters, compared.lifters, strict=True) if one is None
        ),
        new_exercises=tuple(
            name for name, one in zip(rows.exercises, compared.exercises, strict=True) if one is None
        ),
        first_day=int(rows.day.min()) if len(rows) else None,
        last_day=int(rows.day.max()) if len(rows) else None,
        by_lifter=tuple(
            (name, int(one[NEW]), int(one[CHANGED]), int(one[SAME]))
            for name, one in zip(rows.lifters, counts, strict=True)
        ),
        examples=tuple(
            (row, _words(stored, coach.unit), _row_words(rows, row))
            for row, stored in list(compared.before.items())[:5]
        ),
    )


def apply(
    store: Store,
    coach: Coach,
    rows: Rows,
    *,
    file_name: str,
    sha256: bytes,
    guess: Guess,
    refused: int = 0,
    choices: Choices = NO_CHOICES,
    actor: str | None = None,
    progress: Callable[[int], object] | None = None,
    now: datetime,
) -> Imported:
    """Store every row of a file in one transaction; all of them or, on any failure, none.

    ``guess`` gives main lift and body-mass share for the name of a new exercise. ``progress`` is called
    with the number of rows of each chunk that went in.
    """
    with store.transaction() as db:
        compared = _Comparison(db, coach, rows, choices)
        made_lifters, made_exercises = _make_missing(db, coach, rows, compared, guess, now)
        lifter_ids = np.array([one.id for one in compared.lifters if one is not None], dtype=np.int64)
        exercise_ids = np.array([one.id for one in compared.exercises if one is not None], dtype=np.int64)
        batch = imports.add_batch(
            db,
            coach_id=coach.id,
            at=now,
            file_name=file_name[:200],
            sha256=sha256,
            counts={},
            changed=[],
        )
        session_ids = _make_sessions(db, rows, compared, lifter_ids, batch.id)
        ready = _new_rows(db, rows, compared, lifter_ids, exercise_ids, session_ids, batch.id)
        for count in imports.add_rows(db, ready):
            if progress is not None:
                progress(count)
        batch.changed = _change_rows(db, rows, compared, lifter_ids, actor or coach.name, now)
        kinds = np.bincount(compared.kind, minlength=3)
        batch.counts = {
            "new": int(kinds[NEW]),
            "changed": int(kinds[CHANGED]),
            "same": int(kinds[SAME]),
            "refused": refused,
            "lifters": [int(one) for one in lifter_ids],
            "made_lifters": made_lifters,
            "made_exercises": made_exercises,
        }
        _remember(db, coach, choices, now)
        lifters.mark_stale(db, [int(one) for one in lifter_ids], now)
        audit.record(
            db,
            kind="import",
            actor=actor or coach.name,
            coach_id=coach.id,
            at=now,
            file=file_name[:200],
            new=int(kinds[NEW]),
            changed=int(kinds[CHANGED]),
        )
        return Imported(batch.id, int(kinds[NEW]), int(kinds[CHANGED]), int(kinds[SAME]))


def undo(store: Store, coach: Coach, batch_id: int, *, by: str | None = None, now: datetime) -> int:
    """Take an import back whole: sets removed, changed sets as they were; how many sets that touched.

    Raises
    ------
    BatchNotFound, AlreadyUndone
        If it is not one of this coach's imports, or was taken back before.
    """
    with store.transaction() as db:
        batch = imports.batch_of(db, coach, batch_id)
        if batch is None:
            raise BatchNotFound(batch_id)
        if batch.undone_at is not None:
            raise AlreadyUndone
        touched: list[int] = batch.counts["lifters"]
        for before in batch.changed:
            imports.put_back(db, before["lifter_id"], before)
        removed = imports.remove_batch(db, batch, touched)
        imports.remove_unused(db, batch.counts["made_lifters"], batch.counts["made_exercises"])
        batch.undone_at = now
        lifters.mark_stale(db, touched, now)
        audit.record(
            db, kind="import undone", actor=by or coach.name, coach_id=coach.id, at=now, file=batch.file_name
        )
        return removed + len(batch.changed)


def batches(store: Store, coach: Coach) -> Sequence[ImportBatch]:
    """This coach's imports, newest first."""
    with store.reading() as db:
        return imports.batches(db, coach)


def remembered_mapping(store: Store, coach: Coach, shape: str) -> dict[str, Any] | None:
    """The column mapping this coach used for a file with these columns."""
    with store.reading() as db:
        return imports.mapping_for(db, coach, shape)


# Inside -------------------------------------------------------------------------------------------

NEW, CHANGED, SAME = 0, 1, 2


class _Comparison:
    """Each row of the file against what is stored under its name."""

    def __init__(self, db: Any, coach: Coach, rows: Rows, choices: Choices) -> None:
        by_name = lifters.by_name(db, coach)
        by_key = exercises.by_key(db, coach)
        by_id = {one.id: one for one in by_key.values()}
        self.lifters: list[Lifter | None] = [by_name.get(name.casefold()) for name in rows.lifters]
        self.exercises: list[Exercise | None] = [
            by_id.get(choices.exercises[name] or 0)
            if name in choices.exercises
            else by_key.get(exercises.key_of(name))
            for name in rows.exercises
        ]
        self.kind = np.full(len(rows), NEW, dtype=np.int64)
        self.before: dict[int, logs.StoredSet] = {}
        for number, lifter in enumerate(self.lifters):
            if lifter is not None:
                self._compare(db, rows, number, lifter)

    def _compare(self, db: Any, rows: Rows, number: int, lifter: Lifter) -> None:
        mine = np.flatnonzero(rows.lifter == number)
        if not len(mine):
            return
        days = rows.day[mine]
        stored: dict[tuple[int, int, int, int], logs.StoredSet] = {}
        seen: dict[tuple[int, int, int], int] = {}
        for one in logs.sets_between(db, lifter.id, int(days.min()), int(days.max())):
            name = (one.day, one.exercise_id, one.set_number)
            again = seen.get(name, 0)
            seen[name] = again + 1
            stored[*name, again] = one
        if not stored:
            return
        ids = [None if one is None else one.id for one in self.exercises]
        for row in mine.tolist():
            exercise = ids[int(rows.exercise[row])]
            if exercise is None:
                continue
            found = stored.get(
                (int(rows.day[row]), exercise, int(rows.set_number[row]), int(rows.occurrence[row]))
            )
            if found is not None:
                same = _content(rows, row) == _stored_content(found)
                self.kind[row] = SAME if same else CHANGED
                if not same:
                    self.before[row] = found


def _rpe_tenths(value: float) -> int | None:
    return None if np.isnan(value) else round(value * 10)


def _typed(rows: Rows, row: int) -> str | None:
    """The number and unit as typed; None where the grams print to just that in kilograms."""
    unit = "lb" if rows.pounds[row] else "kg"
    text = f"{rows.load_typed[row]} {unit}"
    return None if text == format_mass(int(rows.load_g[row]), "kg") else text[:16]


def _content(rows: Rows, row: int) -> tuple[Any, ...]:
    marks = SetMark.WARM_UP * bool(rows.warm_up[row]) | SetMark.FAILED * bool(rows.failed[row])
    return (
        int(rows.load_g[row]),
        int(rows.reps[row]),
        _rpe_tenths(float(rows.rpe[row])),
        marks,
        rows.note[row] or None,
    )


def _remember(db: Any, coach: Coach, choices: Choices, now: datetime) -> None:
    """Keep what the coach confirmed, for the next file like this one."""
    if choices.shape:
        imports.remember_mapping(db, coach, choices.shape, dict(choices.mapping), now)
    for name, exercise_id in choices.exercises.items():
        if exercise_id is not None:
            exercises.add_alias(db, coach, name, exercises.of_coach(db, coach, exercise_id))


def _stored_content(one: logs.StoredSet) -> tuple[Any, ...]:
    # Whether a set is held out was decided here, not in the file.
    return (one.load_grams, one.reps, one.rpe_tenths, one.marks & ~DECIDED_MARKS, one.note or None)


def _make_missing(
    db: Any, coach: Coach, rows: Rows, compared: _Comparison, guess: Guess, now: datetime
) -> tuple[list[int], list[int]]:
    made_lifters, made_exercises = [], []
    for number, found in enumerate(compared.lifters):
        if found is None:
            mine = rows.lifter == number
            unit = "lb" if rows.pounds[mine].mean() > 0.5 else "kg"
            lifter = lifters.add(db, coach, at=now, name=rows.lifters[number], unit=unit)
            compared.lifters[number] = lifter
            made_lifters.append(lifter.id)
    known = exercises.by_key(db, coach)
    for number, kept in enumerate(compared.exercises):
        if kept is None:
            name = rows.exercises[number]
            # Two spellings of one new name in a file are one exercise.
            exercise = known.get(exercises.key_of(name))
            if exercise is None:
                main_lift, share = guess(name)
                exercise = exercises.add(db, coach, name, main_lift=main_lift, body_mass_share=share)
                known[exercise.key] = exercise
                made_exercises.append(exercise.id)
            compared.exercises[number] = exercise
    return made_lifters, made_exercises


def _make_sessions(
    db: Any, rows: Rows, compared: _Comparison, lifter_ids: Ints, batch_id: int
) -> dict[tuple[int, int], int]:
    """One session per lifter and day; those that are there already are filled in where they are empty."""
    if not len(rows):
        return {}
    present = imports.sessions_by_day(db, [int(one) for one in lifter_ids])
    owner = lifter_ids[rows.lifter]
    key = owner * 4_000_000 + rows.day
    unique, first = np.unique(key, return_index=True)
    rated = {
        name: _first_given(key, unique, column)
        for name, column in (("rpe", rows.session_rpe), ("minutes", rows.session_minutes))
    }
    fresh = []
    for place, row in enumerate(first.tolist()):
        lifter_id, day = int(owner[row]), int(rows.day[row])
        rpe, minutes = rated["rpe"][place], rated["minutes"][place]
        values: dict[str, Any] = {
            "session_rpe_tenths": _rpe_tenths(float(rpe)),
            "minutes": None if np.isnan(minutes) else round(float(minutes)),
        }
        session: StoredSession | None = present.get((lifter_id, day))
        if session is None:
            fresh.append(
                {"lifter_id": lifter_id, "day": day, "import_batch_id": batch_id, "note": "", "version": 1}
                | values
            )
        else:
            for name, value in values.items():
                if getattr(session, name) is None and value is not None:
                    setattr(session, name, value)
    made = imports.add_sessions(db, fresh)
    return {key: one.id for key, one in present.items()} | made


def _first_given(key: Ints, unique: Ints, column: Floats) -> Floats:
    """The first value of each key that is not empty, NaN where all are."""
    result = np.full(len(unique), np.nan)
    given = np.flatnonzero(~np.isnan(column))[::-1]
    result[np.searchsorted(unique, key[given])] = column[given]
    return result


def _new_rows(
    db: Any,
    rows: Rows,
    compared: _Comparison,
    lifter_ids: Ints,
    exercise_ids: Ints,
    session_ids: Mapping[tuple[int, int], int],
    batch_id: int,
) -> list[tuple[Any, ...]]:
    """The tuples to insert, in the order in which the table is clustered."""
    new = np.flatnonzero(compared.kind == NEW)
    if not len(new):
        return []
    owner, day = lifter_ids[rows.lifter[new]], rows.day[new]
    order = np.lexsort((new, day, owner))
    new, owner, day = new[order], owner[order], day[order]
    starts = np.flatnonzero(np.r_[True, (owner[1:] != owner[:-1]) | (day[1:] != day[:-1])])
    running = np.arange(len(new)) - np.repeat(starts, np.diff(np.r_[starts, len(new)]))
    last = imports.last_positions(db, [int(one) for one in lifter_ids])
    keys = list(zip(owner[starts].tolist(), day[starts].tolist(), strict=True))
    sizes = np.diff(np.r_[starts, len(new)])
    running += np.repeat([last.get(key, -1) + 1 for key in keys], sizes)
    sessions = np.repeat([session_ids[key] for key in keys], sizes)
    marks = SetMark.WARM_UP * rows.warm_up[new] + SetMark.FAILED * rows.failed[new]
    memo: dict[tuple[str, bool], str | None] = {}
    typed: list[str | None] = []
    for row in new.tolist():
        name = (rows.load_typed[row], bool(rows.pounds[row]))
        if name not in memo:
            memo[name] = _typed(rows, row)
        typed.append(memo[name])
    rpe = [None if one != one else round(one * 10) for one in rows.rpe[new].tolist()]
    return list(
        zip(
            owner.tolist(),
            day.tolist(),
            running.tolist(),
            sessions.tolist(),
            exercise_ids[rows.exercise[new]].tolist(),
            rows.set_number[new].tolist(),
            rows.load_g[new].tolist(),
            rows.reps[new].tolist(),
            rpe,
            marks.astype(np.int64).tolist(),
            typed,
            [rows.note[row] or None for row in new.tolist()],
            [batch_id] * len(new),
            strict=True,
        )
    )


def _change_rows(
    db: Any, rows: Rows, compared: _Comparison, lifter_ids: Ints, by: str, now: datetime
) -> list[dict[str, Any]]:
    """Write changed rows over what is stored, keeping what was there for the history and for undoing."""
    kept = []
    for row, stored in compared.before.items():
        lifter_id = int(lifter_ids[rows.lifter[row]])
        load, reps, rpe, marks, note = _content(rows, row)
        values = {
            "load_grams": load,
            "reps": reps,
            "rpe_tenths": rpe,
            "marks": marks,
            "note": note,
            "typed": _typed(rows, row),
        }
        logs.amend_set(db, lifter_id, stored, values, by=by, why="import", at=now)
        kept.append(stored.plain() | {"lifter_id": lifter_id})
    return kept


def _words(one: logs.StoredSet, unit: str) -> str:
    rpe = "" if one.rpe_tenths is None else f" @ RPE {one.rpe_tenths / 10:g}"
    return f"{format_mass(one.load_grams, 'lb' if unit == 'lb' else 'kg')} x {one.reps}{rpe}"


def _row_words(rows: Rows, row: int) -> str:
    rpe = "" if np.isnan(rows.rpe[row]) else f" @ RPE {rows.rpe[row]:g}"
    return f"{rows.load_typed[row]} {'lb' if rows.pounds[row] else 'kg'} x {rows.reps[row]}{rpe}"
