"""Everything a coach owns out of the database, and into an empty one; one person's data; a lifter's log.

Analyses and the roster's rows are not among it: they follow from the logs and are made again. Nor are
passwords, sessions, links and tokens: they belong to an account and a server, not to the data.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from itertools import islice
from typing import Any, NamedTuple
from zoneinfo import available_timezones

from app.planning import documents
from app.planning.lifters import STRESS_MEASURES
from app.storage import audit, belongings, exercises, lifters, logs
from app.storage.engine import Store, Transaction
from app.storage.models import Coach, SetMark
from app.training.plan import PlanError, plan_from_dict
from app.training.units import Unit, mass_number

MOST_ERRORS = 50


class NotEmpty(Exception):
    """The account has data already; a whole file is taken into an empty one only."""


class CannotLoad(Exception):
    """The file cannot be stored; ``errors`` say where and what was expected."""

    def __init__(self, errors: Sequence[str]) -> None:
        super().__init__("; ".join(errors[:3]))
        self.errors = tuple(errors)


class Column(NamedTuple):
    """A field of a table: its kind, whether it may hold nothing, its unit and meaning."""

    name: str
    kind: belongings.Kind
    optional: bool
    unit: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Everything:
    """Tables with what each means and its columns; rows in the order of these, numbered within this file."""

    described: Mapping[str, tuple[str, tuple[Column, ...]]]
    tables: Mapping[str, Sequence[tuple[Any, ...]]]


@dataclass(frozen=True, slots=True)
class Opened:
    """`Everything` while it is read: each walk over a table's rows reads them a few at a time.

    ``log`` is the log of the lifter it is about, empty where it is about the coach.
    """

    described: Mapping[str, tuple[str, tuple[Column, ...]]]
    tables: Mapping[str, belongings.Rows]
    log: tuple[str, Sequence[LogRow]]


@contextmanager
def opened(
    store: Store, coach: Coach, *, lifter_id: int | None = None, by: str, address: str = "", now: datetime
) -> Iterator[Opened]:
    """All that a coach owns, or all there is about one lifter, row by row from one view of the database.

    That it was taken out is recorded before anything is handed out.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.transaction() as db:
        if lifter_id is not None:
            lifters.of_coach(db, coach, lifter_id)
        audit.record(
            db,
            kind="export",
            actor=by,
            coach_id=coach.id,
            lifter_id=lifter_id,
            at=now,
            address=address,
            what="everything" if lifter_id is None else "one lifter",
        )
    with belongings.opened(store, coach, lifter_id=lifter_id) as whole:
        tables = whole.tables()
        described = {name: (belongings.BY_NAME[name].meaning, columns_of(name)) for name in tables}
        log: tuple[str, Sequence[LogRow]] = ("", ())
        if lifter_id is not None:
            name, rows, _ = _log_of(whole.db, coach, lifter_id)
            log = (name, rows)
        yield Opened(described, tables, log)


def everything(
    store: Store, coach: Coach, *, lifter_id: int | None = None, by: str, address: str = "", now: datetime
) -> Everything:
    """`opened`, read whole into memory: for what is small, and for tests.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with opened(store, coach, lifter_id=lifter_id, by=by, address=address, now=now) as found:
        return Everything(found.described, {name: list(rows) for name, rows in found.tables.items()})


def load(
    store: Store, coach: Coach, tables: Mapping[str, Sequence[dict[str, Any]]], *, by: str, now: datetime
) -> dict[str, int]:
    """Store a whole file as this coach's data, all of it or nothing; how many rows of each table.

    Raises
    ------
    NotEmpty
        If the coach has data already.
    CannotLoad
        If anything in the file cannot be stored.
    """
    rows, wrong = belongings.checked(tables)
    errors = [str(one) for one in wrong] or _problems(rows)
    if errors:
        raise CannotLoad(errors[:MOST_ERRORS])
    with store.transaction() as db:
        if not belongings.is_empty(db, coach):
            raise NotEmpty
        counts = belongings.load(db, coach, rows, at=now)
        audit.record(db, kind="whole file taken in", actor=by, coach_id=coach.id, at=now, counts=counts)
        return counts


def is_empty(store: Store, coach: Coach) -> bool:
    """Whether a whole file could be taken into this account."""
    with store.reading() as db:
        return belongings.is_empty(db, coach)


def _problems(rows: Mapping[str, Sequence[Mapping[str, Any]]]) -> list[str]:
    """What a table's columns cannot know: whether plans, time zones and documents can be read."""
    wrong = []
    for name, column in (("blocks", "plan"), ("block_templates", "plan"), ("block_versions", "plan")):
        for number, row in enumerate(rows.get(name, ()), 1):
            try:
                if row[column] or name != "blocks":
                    plan_from_dict(row[column])
            except PlanError as error:
                wrong.append(f"{name}, row {number}, {column}: {error}")
    for number, row in enumerate(rows.get("blocks", ()), 1):
        if row["end_day"] < row["start_day"]:
            wrong.append(f"blocks, row {number}, end_day: expected a day not before start_day")
    zones = available_timezones()
    for name in ("coaches", "lifters"):
        for number, row in enumerate(rows.get(name, ()), 1):
            if row["time_zone"] not in zones:
                wrong.append(f"{name}, row {number}, time_zone: expected a zone like Europe/Lisbon")
    for number, row in enumerate(rows.get("lifters", ()), 1):
        if not all(_is_pair(one) for one in row["plates"]):
            wrong.append(f"lifters, row {number}, plates: expected pairs of grams and how many")
        if row["stress_measure"] not in STRESS_MEASURES:
            known = ", ".join(STRESS_MEASURES)
            wrong.append(f"lifters, row {number}, stress_measure: expected one of {known}")
    fields = set(logs.StoredSet.__slots__) | {"lifter_id"}
    for number, row in enumerate(rows.get("import_batches", ()), 1):
        if any(not isinstance(one, dict) or one.keys() != fields for one in row["changed"]):
            wrong.append(f"import_batches, row {number}, changed: expected sets as they were")
    return [*wrong, *islice(documents.misfits(rows), MOST_ERRORS)]


def _is_pair(one: object) -> bool:
    return isinstance(one, list) and len(one) == 2 and all(type(x) is int and 0 < x < 10**6 for x in one)


# What the fields are --------------------------------------------------------------------------------

_UNITS = {"grams": "g", "tenths": "tenths", "minutes": "min", "seconds": "s", "metres": "m", "weeks": "weeks"}
_MEANINGS = {
    "id": "number of the row within this file",
    "name": "what it is called",
    "key": "the spelling, in lower case with single spaces",
    "unit": "kg or lb, as masses are shown",
    "time_zone": "whose days these are, by its IANA name",
    "body_mass_share": "share of body mass that moves with the load",
    "plates": "grams and pairs, largest first",
    "increments": "smallest step by implement, in grams",
    "typed": "number and unit as typed; empty where the grams print to just that in kg",
    "marks": "sum of 1 warm-up, 2 failed, 4 held out as an error, 8 accepted by the coach",
    "position": "running number",
    "rpe_tenths": "repetitions-in-reserve scale, tenths",
    "session_rpe_tenths": "rating of the whole session from 0 to 10, tenths",
    "lifted_at": "seconds since 1970 by the phone's clock",
    "client_id": "the phone's own id, so that a repeated request changes nothing",
    "sets": "one object a set: load_grams, reps, rpe and what else was asked",
    "plan": "the plan document",
    "evidence": "the numbers it rests on",
    "outcome": "state before and after, with its uncertainty",
    "sha256": "of the file, hexadecimal",
    "look_again_day": "when to look at what it led to",
    "last_true_day": "the last day on which it held",
    "cause": "what makes two flags the same flag",
    "planned_set": "which set of the prescription it answers, from 0",
    "sleep": "1 good to 7 bad",
    "soreness": "1 good to 7 bad",
    "stress": "1 good to 7 bad",
    "motivation": "1 good to 7 bad",
    "severity": "how bad: of pain 0 to 10, of a flag act, watch or notice",
    "version": "grows with every change",
}


def columns_of(table: str) -> tuple[Column, ...]:
    """The fields of a table as a file states them."""
    one = belongings.BY_NAME[table]
    return tuple(
        Column(
            str(column.name),
            belongings.kind_of(column),
            bool(column.nullable),
            _UNITS.get(column.name.rpartition("_")[2], ""),
            _meaning(column.name, one.references),
        )
        for column in one.columns
    )


def _meaning(name: str, references: Mapping[str, str]) -> str:
    if name in references:
        return f"a row of {references[name]}"
    return _MEANINGS.get(name) or name.replace("_", " ")


# A log ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LogRow:
    """One set as LOG.csv has it."""

    lifter: str
    day: date
    exercise: str
    set_number: int
    load_typed: str
    unit: Unit
    reps: int
    rpe: float | None
    session_rpe: float | None
    session_minutes: float | None
    note: str
    warm_up: bool
    failed: bool


def log_of(
    store: Store, coach: Coach, lifter_id: int, *, by: str, now: datetime
) -> tuple[str, list[LogRow], int]:
    """A lifter's name, all sets in the order they were done, and how many of time or distance are left out.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.reading() as db:
        found = _log_of(db, coach, lifter_id)
    with store.transaction() as db:
        audit.record(db, kind="export", actor=by, coach_id=coach.id, lifter_id=lifter_id, at=now, what="log")
    return found


def _log_of(db: Transaction, coach: Coach, lifter_id: int) -> tuple[str, list[LogRow], int]:
    lifter = lifters.of_coach(db, coach, lifter_id)
    names = {one.id: one.name for one in exercises.all_of(db, coach)}
    ratings = {
        one.id: (one.session_rpe_tenths, one.minutes)
        for one in logs.sessions_between(db, lifter.id, 0, 4_000_000)
    }
    stored = logs.sets_between(db, lifter.id, 0, 4_000_000)
    rows = list(_log_rows(lifter.name, stored, names, ratings))
    return lifter.name, rows, len(stored) - len(rows)


def _log_rows(
    lifter: str,
    stored: Sequence[logs.StoredSet],
    names: Mapping[int, str],
    ratings: Mapping[int, tuple[int | None, int | None]],
) -> Iterator[LogRow]:
    for one in stored:
        if one.reps == 0 and not one.marks & SetMark.FAILED:
            continue  # A log file has no column for time or distance.
        number, unit = typed_load(one.load_grams, one.typed)
        rpe, minutes = ratings.get(one.session_id, (None, None))
        yield LogRow(
            lifter,
            date.fromordinal(one.day),
            names.get(one.exercise_id, ""),
            one.set_number,
            number,
            unit,
            one.reps,
            None if one.rpe_tenths is None else one.rpe_tenths / 10,
            None if rpe is None else rpe / 10,
            None if minutes is None else float(minutes),
            one.note or "",
            bool(one.marks & SetMark.WARM_UP),
            bool(one.marks & SetMark.FAILED),
        )


def typed_load(grams: int, typed: str | None) -> tuple[str, Unit]:
    """A load's number and unit as they were typed."""
    number, _, unit = (typed or f"{mass_number(grams, 'kg')} kg").rpartition(" ")
    return number, "lb" if unit == "lb" else "kg"
