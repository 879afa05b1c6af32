"""Everything that belongs to a coach, table by table, read and written whole.

Going out, rows are numbered from 1 within their table, in the order they were made: what a database numbers
them is nobody's business, and the same data give the same file wherever they come from. Coming in, they get
numbers of the new database. Numbers of other rows also stand inside documents and texts; `renamed` knows
every such place.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Literal

import orjson
from sqlalchemy import (
    BigInteger,
    Column,
    Float,
    Integer,
    LargeBinary,
    Select,
    SmallInteger,
    String,
    Table,
    Text,
    UniqueConstraint,
    func,
    insert,
    select,
    text,
    update,
)
from sqlalchemy.orm import Session

from app.storage.engine import Store
from app.storage.exercises import key_of
from app.storage.models import Base, Coach, Lifter
from app.storage.types import Document, Instant
from app.training.records import BLOCK_KINDS

Kind = Literal["text", "integer", "number", "day", "instant", "document"]
Rename = Callable[[str, int], int | None]
"""Table and number of a row there -> its other number, None if there is no such row."""
Row = dict[str, Any]

CHUNK = 5_000
SMALLEST, LARGEST = -(2**31), 2**31 - 1
DAYS = frozenset({"day", "snoozed_until"})


@dataclass(frozen=True, slots=True)
class Belonging:
    """A table whose rows belong to a coach. ``by`` is the column that says to whom or to what."""

    table: Table
    meaning: str
    by: Literal["id", "coach_id", "lifter_id", "block_id"]
    references: Mapping[str, str] = field(default_factory=dict)  # column -> table it points into
    left_out: frozenset[str] = frozenset()  # columns that mean something only in one database

    @property
    def name(self) -> str:
        return str(self.table.name)  # SQLAlchemy's own kind of text is refused by JSON.

    @property
    def columns(self) -> list[Column[Any]]:
        return [one for one in self.table.columns if one.name not in self.left_out]

    @property
    def has_numbers(self) -> bool:
        return "id" in self.table.columns


def _belonging(name: str, meaning: str, by: Any, references: str = "", left_out: str = "") -> Belonging:
    pairs = dict(one.split("=") for one in references.split())
    return Belonging(Base.metadata.tables[name], meaning, by, pairs, frozenset(left_out.split()))


BELONGINGS: tuple[Belonging, ...] = (
    _belonging(
        "coaches",
        "the coach: how the account is set",
        "id",
        left_out="id login password_hash created_at disabled_at",
    ),
    _belonging("exercises", "the exercises the coach uses", "coach_id", left_out="coach_id key"),
    _belonging(
        "exercise_aliases",
        "other spellings that the coach confirmed to mean an exercise",
        "coach_id",
        "exercise_id=exercises",
        "coach_id",
    ),
    _belonging(
        "lifters", "the people coached", "coach_id", left_out="coach_id deleted_at stale_at feed_hash"
    ),
    _belonging("block_templates", "blocks to start from", "coach_id", left_out="coach_id"),
    _belonging("saved_views", "views of the roster the coach keeps", "coach_id", left_out="id coach_id"),
    _belonging(
        "column_mappings",
        "how the columns of files from elsewhere were read",
        "coach_id",
        left_out="coach_id",
    ),
    _belonging("import_batches", "files taken in", "coach_id", left_out="coach_id"),
    _belonging("blocks", "blocks of training, past, running and planned", "lifter_id", "lifter_id=lifters"),
    _belonging("block_weeks", "the weeks of a block and what each plans", "block_id", "block_id=blocks"),
    _belonging("block_versions", "what a block's plan was before", "block_id", "block_id=blocks"),
    _belonging(
        "plan_changes",
        "changes of a running block that were told to the lifter",
        "lifter_id",
        "block_id=blocks lifter_id=lifters",
    ),
    _belonging(
        "planned_sessions", "sessions on the calendar", "lifter_id", "block_id=blocks lifter_id=lifters"
    ),
    _belonging(
        "prescriptions",
        "what a planned session asks for, exercise by exercise",
        "lifter_id",
        "planned_session_id=planned_sessions lifter_id=lifters exercise_id=exercises",
    ),
    _belonging(
        "baselines",
        "recent bests frozen when a block was assigned",
        "block_id",
        "block_id=blocks exercise_id=exercises",
    ),
    _belonging(
        "logged_sessions",
        "sessions as they were done",
        "lifter_id",
        "lifter_id=lifters planned_session_id=planned_sessions import_batch_id=import_batches",
    ),
    _belonging(
        "logged_sets",
        "sets as they were done",
        "lifter_id",
        "lifter_id=lifters session_id=logged_sessions exercise_id=exercises "
        "prescription_id=prescriptions import_batch_id=import_batches",
    ),
    _belonging(
        "set_revisions",
        "what a set was before it was amended or removed",
        "lifter_id",
        "lifter_id=lifters",
        "id",
    ),
    _belonging("check_ins", "how the lifter was", "lifter_id", "lifter_id=lifters", "id"),
    _belonging("pain_reports", "what hurt", "lifter_id", "lifter_id=lifters exercise_id=exercises", "id"),
    _belonging(
        "flags",
        "what asked for a decision or was worth knowing",
        "lifter_id",
        "lifter_id=lifters exercise_id=exercises",
    ),
    _belonging(
        "decisions",
        "what the coach did about it, and what it led to",
        "lifter_id",
        "lifter_id=lifters flag_id=flags exercise_id=exercises",
        "coach_id",
    ),
    _belonging(
        "messages", "what coach and lifter wrote to each other", "lifter_id", "lifter_id=lifters", "id"
    ),
)
BY_NAME: Mapping[str, Belonging] = {one.name: one for one in BELONGINGS}
PERSONAL = frozenset({"coaches", "block_templates", "saved_views", "column_mappings", "import_batches"})
"""Tables that are the coach's and no lifter's: not part of what is given out about one person."""


def kind_of(column: Column[Any]) -> Kind:
    """How a column's values look outside the database."""
    if column.name in DAYS or column.name.endswith("_day"):
        return "day"
    if isinstance(column.type, Document):
        return "document"
    if isinstance(column.type, Instant):
        return "instant"
    if isinstance(column.type, Float):
        return "number"
    return "integer" if isinstance(column.type, Integer | SmallInteger | BigInteger) else "text"


# References -----------------------------------------------------------------------------------------


def renamed(name: str, row: Row, rename: Rename) -> Row:
    """A row with every number of another row put through ``rename``.

    A number that names nothing becomes NULL, or 0 where a column must have one.
    """
    found = dict(row)
    belonging = BY_NAME[name]
    for column, target in belonging.references.items():
        if found.get(column) is not None:
            to = rename(target, found[column])
            found[column] = to if to is not None or belonging.table.c[column].nullable else 0
    if name in _INSIDE:
        _INSIDE[name](row, found, rename)
    return found


def _number(value: object, table: str, rename: Rename) -> int | None:
    return rename(table, value) if type(value) is int else None


def _known(values: object, table: str, rename: Rename) -> list[int]:
    """Those of a list of numbers that still name something."""
    listed = values if isinstance(values, list) else []
    return [new for one in listed if (new := _number(one, table, rename)) is not None]


def _in_block(_row: Row, found: Row, rename: Rename) -> None:
    rules = found.get("rules")
    if isinstance(rules, dict) and "answered" in rules:
        found["rules"] = rules | {"answered": _known(rules["answered"], "planned_sessions", rename)}


def _in_logged_session(_row: Row, found: Row, rename: Rename) -> None:
    found["client_id"] = _session_key(found.get("client_id"), rename)


def _session_key(key: str | None, rename: Rename) -> str | None:
    """A phone's name for a session; of a planned or logged one it holds the number."""
    if not key or key[0] not in "pl":
        return key
    number, colon, rest = key[1:].partition(":")
    if not number.isdecimal() or len(number) > 9:
        return None
    to = rename("planned_sessions" if key[0] == "p" else "logged_sessions", int(number))
    return None if to is None else f"{key[0]}{to}{colon}{rest}"


_IN_SET = {
    "lifter_id": "lifters",
    "session_id": "logged_sessions",
    "exercise_id": "exercises",
    "prescription_id": "prescriptions",
    "import_batch_id": "import_batches",
}


def _set(body: object, rename: Rename) -> Any:
    if not isinstance(body, dict):
        return body
    return body | {
        key: _number(body[key], table, rename) for key, table in _IN_SET.items() if body.get(key) is not None
    }


def _in_revision(_row: Row, found: Row, rename: Rename) -> None:
    found["before"] = _set(found["before"], rename)


def _in_batch(_row: Row, found: Row, rename: Rename) -> None:
    counts, changed = found["counts"], found["changed"]
    if isinstance(counts, dict):
        tables = {"lifters": "lifters", "made_lifters": "lifters", "made_exercises": "exercises"}
        found["counts"] = counts | {
            key: _known(counts[key], table, rename) for key, table in tables.items() if key in counts
        }
    if isinstance(changed, list):
        # A change of a set whose lifter is gone can never be taken back.
        found["changed"] = [
            body
            for body in (_set(one, rename) for one in changed)
            if not isinstance(body, dict) or body.get("lifter_id") is not None
        ]


def _in_flag(row: Row, found: Row, rename: Rename) -> None:
    if row.get("exercise_id") is not None and found["cause"] == f"pain:{row['exercise_id']}":
        found["cause"] = f"pain:{found['exercise_id'] or 0}"


_IN_MESSAGE = {
    "exercise": "exercises",
    "flag": "flags",
    "block": "blocks",
    "decision": "decisions",
    "review": "blocks",
    "plan_change": "plan_changes",
}


def _in_message(_row: Row, found: Row, rename: Rename) -> None:
    about = found["about"]
    if not isinstance(about, dict):
        return
    about = dict(about)
    for key, table in _IN_MESSAGE.items():
        if key in about:
            about[key] = _number(about[key], table, rename)
    if type(about.get("skipped")) is int and about["skipped"] != 0:
        about["skipped"] = rename("prescriptions", about["skipped"])
    session = about.get("session")
    if isinstance(session, str):
        about["session"] = _session_key(session, rename)
    elif session is not None:
        about["session"] = _number(session, "planned_sessions", rename)
    # What spoke of something that is gone speaks of nothing; that part of it is dropped.
    found["about"] = {key: value for key, value in about.items() if value is not None or key == "set"}


_INSIDE: Mapping[str, Callable[[Row, Row, Rename], None]] = {
    "blocks": _in_block,
    "logged_sessions": _in_logged_session,
    "set_revisions": _in_revision,
    "import_batches": _in_batch,
    "flags": _in_flag,
    "messages": _in_message,
}


# Out ------------------------------------------------------------------------------------------------


class Rows:
    """The rows of one table, read anew from the database by each walk over them, a few at a time."""

    def __init__(self, whole: Whole, belonging: Belonging) -> None:
        self._whole, self._belonging = whole, belonging
        self.given = 0  # rows of the last walk

    def __len__(self) -> int:
        return self._whole.count(self._belonging)

    def __iter__(self) -> Iterator[tuple[Any, ...]]:
        self.given = 0
        for row in self._whole.walk(self._belonging):
            self.given += 1
            yield row


class Whole:
    """Everything of a coach, or all there is about one lifter, as one transaction sees it.

    Lifters who were removed are not among it. Of a table whose rows have numbers, only the numbers are held:
    in the order of the primary key, a row's number in the file is its place.
    """

    def __init__(self, db: Session, coach: Coach, *, lifter_id: int | None = None) -> None:
        self.db, self._coach, self._lifter_id = db, coach, lifter_id
        self._tables = [one for one in BELONGINGS if lifter_id is None or one.name not in PERSONAL]
        self._used = None if lifter_id is None else self._exercises_used()
        self._numbers = {
            one.name: array("q", self._walk_raw(one, numbers_only=True))
            for one in self._tables
            if one.has_numbers and "id" not in one.left_out
        }

    def tables(self) -> dict[str, Rows]:
        """The tables in the order in which they are loaded; columns as `Belonging.columns`."""
        return {one.name: Rows(self, one) for one in self._tables}

    def count(self, belonging: Belonging) -> int:
        """How many rows a walk gives, without reading them."""
        known = self._numbers.get(belonging.name)
        if known is not None:
            return len(known)
        query = self._query(belonging)
        if query is None:
            return 0
        return self.db.scalar(select(func.count()).select_from(query.order_by(None).subquery())) or 0

    def walk(self, belonging: Belonging) -> Iterator[tuple[Any, ...]]:
        keys = [i for i, one in enumerate(belonging.columns) if one.primary_key]
        # Engines order texts each in their own way; such tables are small. Numbers keep their order renamed.
        if any(isinstance(one.type, String) for one in belonging.table.primary_key.columns):
            return iter(sorted(self._renamed(belonging), key=lambda row: tuple(row[i] for i in keys)))
        return self._renamed(belonging)

    def _renamed(self, belonging: Belonging) -> Iterator[tuple[Any, ...]]:
        kinds = [(one.name, kind_of(one)) for one in belonging.columns]
        for row in self._walk_raw(belonging):
            new = renamed(belonging.name, row, self._rename)
            if "id" in new:
                new["id"] = self._rename(belonging.name, row["id"])
            yield tuple(_outside(new[column], kind) for column, kind in kinds)

    def _query(self, one: Belonging) -> Select[Any] | None:
        """What reads the rows; None for a table that has no part in what is given out about one person."""
        query = _query(one, self._coach, self._lifter_id)
        if self._used is not None and one.name == "exercises":
            query = query.where(one.table.c.id.in_(sorted(self._used)))
        return None if self._used is not None and one.name == "exercise_aliases" else query

    def _walk_raw(self, one: Belonging, *, numbers_only: bool = False) -> Iterator[Any]:
        query = self._query(one)
        if query is None:
            return
        if numbers_only:
            query = query.with_only_columns(one.table.c.id)
        rows = self.db.execute(query, execution_options={"yield_per": CHUNK})
        if numbers_only:
            yield from rows.scalars()
        else:
            yield from map(dict, rows.mappings())

    def _rename(self, table: str, number: int) -> int | None:
        known = self._numbers.get(table)
        if known is None:
            return None
        place = bisect_left(known, number)
        return place + 1 if place < len(known) and known[place] == number else None

    def _exercises_used(self) -> set[int]:
        """The exercises that something of this lifter speaks of."""
        used: set[int] = set()
        for one in self._tables:
            if "exercise_id" in one.references and one.name != "exercise_aliases":
                column = one.table.c.exercise_id
                query = _query(one, self._coach, self._lifter_id).with_only_columns(column).distinct()
                used |= {found for found in self.db.scalars(query.order_by(None)) if found is not None}
        return used


@contextmanager
def opened(store: Store, coach: Coach, *, lifter_id: int | None = None) -> Iterator[Whole]:
    """`Whole` over one view of the database, whatever is written meanwhile."""
    with store.reading() as db:
        if not store.is_sqlite:
            db.connection(execution_options={"isolation_level": "REPEATABLE READ"})
        yield Whole(db, coach, lifter_id=lifter_id)


def _query(one: Belonging, coach: Coach, lifter_id: int | None) -> Select[Any]:
    lifters = select(Lifter.id).where(Lifter.coach_id == coach.id, Lifter.deleted_at.is_(None))
    if lifter_id is not None:
        lifters = lifters.where(Lifter.id == lifter_id)
    columns = one.table.c
    wanted = [columns.id] if one.has_numbers and "id" in one.left_out else []
    query = select(*wanted, *one.columns).order_by(*one.table.primary_key.columns)
    if one.name == "coaches":
        return query.where(columns.id == coach.id)
    if one.name == "lifters":
        return query.where(columns.id.in_(lifters))
    if one.by == "coach_id":
        return query.where(columns.coach_id == coach.id)
    if one.by == "lifter_id":
        return query.where(columns.lifter_id.in_(lifters))
    blocks = Base.metadata.tables["blocks"].c
    return query.where(columns.block_id.in_(select(blocks.id).where(blocks.lifter_id.in_(lifters))))


def _outside(value: Any, kind: Kind) -> Any:
    if value is None:
        return None
    if kind == "day":
        return date.fromordinal(value)
    return value.hex() if isinstance(value, bytes) else value


# In -------------------------------------------------------------------------------------------------


class Unfit(ValueError):
    """A value that cannot be stored: where it is and what was expected there."""

    def __init__(self, table: str, row: int, column: str, expected: str) -> None:
        super().__init__(f"{table}, row {row}, {column}: expected {expected}")
        self.table, self.row, self.column, self.expected = table, row, column, expected


def is_empty(db: Session, coach: Coach) -> bool:
    """Whether a coach has nothing yet that a load could run into."""
    for one in BELONGINGS:
        if one.by != "coach_id":
            continue
        query = select(func.count()).select_from(one.table).where(one.table.c.coach_id == coach.id)
        if db.scalar(query.limit(1)):
            return False
    return True


def checked(tables: Mapping[str, Sequence[Row]]) -> tuple[dict[str, list[Row]], list[Unfit]]:
    """Rows as the database takes them, their numbers still those of the file; and what is wrong with them.

    A field that a table has and a row lacks takes its usual value, so that a file of an older version loads.
    """
    wrong: list[Unfit] = []
    found: dict[str, list[Row]] = {}
    for name, rows in tables.items():
        belonging = BY_NAME.get(name)
        if belonging is None:
            wrong.append(Unfit(name, 0, "", "a table that this version knows"))
            continue
        found[name] = []
        for number, row in enumerate(rows, 1):
            if unknown := row.keys() - {one.name for one in belonging.columns}:
                wrong.append(Unfit(name, number, min(unknown), "a field that this version knows"))
                break
            try:
                found[name].append({one.name: _inside(name, number, one, row) for one in belonging.columns})
            except Unfit as error:
                wrong.append(error)
                if len(wrong) > 200:
                    return found, wrong
    if not wrong:
        wrong = [*_doubled(found), *_pointing_nowhere(found)]
    return found, wrong


def _inside(name: str, number: int, column: Column[Any], row: Row) -> Any:
    value = row.get(column.name)
    if value is None:
        if column.nullable:
            return None
        default = column.default
        if column.name not in row and default is not None:
            return default.arg({}) if default.is_callable else default.arg  # type: ignore[attr-defined]
        if column.name not in row and column.server_default is not None:
            return int(column.server_default.arg)  # type: ignore[attr-defined]
        raise Unfit(name, number, column.name, "a value")
    expected = _misfit(name, column, value)
    if expected:
        raise Unfit(name, number, column.name, expected)
    if isinstance(value, date) and not isinstance(value, datetime):
        return value.toordinal()
    if isinstance(column.type, LargeBinary):
        return bytes.fromhex(value)
    return float(value) if kind_of(column) == "number" else value


CHOICES: Mapping[str, tuple[str, ...]] = {
    "unit": ("kg", "lb"),
    "lifters.status": ("active", "paused", "archived"),
    "blocks.kind": BLOCK_KINDS,
    "block_templates.kind": BLOCK_KINDS,
    "emphasis": BLOCK_KINDS,
    "blocks.status": ("draft", "planned", "assigned", "ended"),
    "planned_sessions.status": ("planned", "done", "missed", "skipped"),
    "measure": ("load", "time", "distance"),
    "change": ("amended", "removed", "restored"),
    "severity": ("act", "watch", "notice"),
    "state": ("open", "snoozed", "dismissed", "cleared"),
    "author": ("coach", "lifter"),
}
BOUNDS: Mapping[str, tuple[float, float]] = {
    "bar_grams": (0, 200_000),
    "collar_grams": (0, 50_000),
    "recent_window_weeks": (1, 52),
    "sensitivity": (0.1, 10),
    "rir_floor": (0, 10),
    "body_mass_share": (0, 1),
    "body_mass_grams": (1_000, 1_000_000),
    "weeks": (1, 520),
    "load_grams": (0, 10_000_000),
    "reps": (0, 10_000),
    "rpe_tenths": (0, 100),
    "session_rpe_tenths": (0, 100),
    "minutes": (0, 1_440),
    "offset_minutes": (-1_440, 1_440),
    "lifted_at": (0, 4_102_444_800),
    "position": (0, 9_999),
    "id": (1, LARGEST),
    "version": (1, 32_767),
    "marks": (0, 255),
    "pain_reports.severity": (0, 10),
    "probability": (0, 1),
}
DICTS = frozenset({"plan", "settings", "increments", "rules", "planned_stress", "novelty", "predicted"})
DICTS |= {"evidence", "detail", "about", "counts", "mapping", "outcome"}
LISTS = frozenset({"plates", "sets", "after", "changed", "plan_changes.before"})


def _misfit(name: str, column: Column[Any], value: Any) -> str:
    """What was expected in a column that cannot hold this value; empty if it can."""
    key = column.name
    kind = kind_of(column)
    if kind == "day":
        return "" if isinstance(value, date) and not isinstance(value, datetime) else "a day"
    if kind == "instant":
        return "" if isinstance(value, datetime) and value.tzinfo is not None else "an instant"
    if kind == "document":
        wanted = list if key in LISTS or f"{name}.{key}" in LISTS else dict
        what = f"a JSON {'list' if wanted is list else 'object'}"
        return what if not isinstance(value, wanted) else "" if _can_be_kept(value) else f"{what} less deep"
    if kind == "text":
        return _misfit_text(name, column, value)
    if isinstance(value, bool) or not isinstance(value, int if kind == "integer" else int | float):
        return "a whole number" if kind == "integer" else "a number"
    small = isinstance(column.type, SmallInteger)
    usual = (0, 32_767 if small else LARGEST) if kind == "integer" else (float("-inf"), float("inf"))
    low, high = BOUNDS.get(f"{name}.{key}", BOUNDS.get(key, usual))
    return "" if low <= value <= high else f"a number from {low:g} to {high:g}"


def _can_be_kept(document: Any) -> bool:
    """A document is read deeper than it can be written."""
    try:
        orjson.dumps(document)
    except orjson.JSONEncodeError:
        return False
    return True


def _misfit_text(name: str, column: Column[Any], value: Any) -> str:
    if not isinstance(value, str) or "\0" in value:
        return "a text without NUL"
    if isinstance(column.type, LargeBinary):
        try:
            return "" if len(bytes.fromhex(value)) == 32 else "64 hexadecimal digits"
        except ValueError:
            return "64 hexadecimal digits"
    longest = column.type.length if isinstance(column.type, String) else None
    if longest is None and isinstance(column.type, Text):
        longest = 100_000
    if longest is not None and len(value) > longest:
        return f"{longest} characters or fewer"
    choices = CHOICES.get(f"{name}.{column.name}", CHOICES.get(column.name))
    return "" if choices is None or value in choices else f"one of {', '.join(choices)}"


def _doubled(found: Mapping[str, Sequence[Row]]) -> list[Unfit]:
    """Rows of a file that say to be the same one."""
    wrong: list[Unfit] = []
    for name, rows in found.items():
        table = BY_NAME[name].table
        keys = [tuple(one.name for one in table.primary_key.columns)]
        keys += [
            tuple(one.name for one in rule.columns)
            for rule in table.constraints
            if isinstance(rule, UniqueConstraint)
        ]
        if name == "exercises":
            keys.append(("name",))
        for key in keys:
            own = [one for one in key if one != "coach_id" and (not rows or one in rows[0])]
            if not own or (set(key) - set(own) - {"coach_id"}):
                continue
            seen: set[tuple[Any, ...]] = set()
            for number, row in enumerate(rows, 1):
                value = tuple(
                    key_of(row[one]) if name == "exercises" and one == "name" else row[one] for one in own
                )
                if None in value:
                    continue
                if value in seen:
                    wrong.append(Unfit(name, number, ", ".join(own), "a row that is not there twice"))
                seen.add(value)
    open_flags: set[tuple[Any, ...]] = set()
    for number, row in enumerate(found.get("flags", ()), 1):
        if row["cleared_at"] is None:
            if (row["lifter_id"], row["cause"]) in open_flags:
                wrong.append(Unfit("flags", number, "cause", "one open flag a cause"))
            open_flags.add((row["lifter_id"], row["cause"]))
    return wrong


def _pointing_nowhere(found: Mapping[str, Sequence[Row]]) -> list[Unfit]:
    numbers: dict[str, set[int]] = {
        name: {row["id"] for row in rows}
        for name, rows in found.items()
        if "id" in BY_NAME[name].table.columns and "id" not in BY_NAME[name].left_out
    }
    wrong: list[Unfit] = []
    for name, rows in found.items():
        for column, target in BY_NAME[name].references.items():
            there = numbers.get(target, set())
            for number, row in enumerate(rows, 1):
                if row[column] is not None and row[column] not in there and len(wrong) < 200:
                    wrong.append(Unfit(name, number, column, f"the number of a row of {target}"))
    return wrong


def load(db: Session, coach: Coach, tables: Mapping[str, Sequence[Row]], *, at: datetime) -> dict[str, int]:
    """Store rows that `checked` found good, as this coach's; how many of each table.

    Every lifter is marked to be analysed: analyses are not part of a file, they are made again.
    """
    numbers: dict[str, dict[int, int]] = {}
    for name, rows in tables.items():
        belonging = BY_NAME[name]
        if belonging.has_numbers and "id" not in belonging.left_out and rows:
            old = sorted(row["id"] for row in rows)
            numbers[name] = dict(zip(old, _fresh(db, belonging.table, len(old)), strict=True))
    nothing: dict[int, int] = {}

    def rename(table: str, number: int) -> int | None:
        return numbers.get(table, nothing).get(number)

    counts = {}
    for belonging in BELONGINGS:
        rows = tables.get(belonging.name, ())
        counts[belonging.name] = len(rows)
        if belonging.name == "coaches":
            for row in rows:
                db.execute(update(Coach).where(Coach.id == coach.id).values(**row))
            continue
        ready = []
        for row in rows:
            new = renamed(belonging.name, row, rename)
            if "id" in new:
                new["id"] = numbers[belonging.name][row["id"]]
            if belonging.name == "exercises":
                new["key"] = key_of(new["name"])
            if belonging.name == "lifters":
                new["stale_at"] = at
            if "coach_id" in belonging.table.columns:
                new["coach_id"] = coach.id
            ready.append(new)
        for first in range(0, len(ready), CHUNK):
            db.execute(insert(belonging.table), ready[first : first + CHUNK])
    return counts


def _fresh(db: Session, table: Table, count: int) -> list[int]:
    """Numbers that no row of a table has or will get from the database by itself, rising."""
    if db.get_bind().dialect.name == "sqlite":
        # One writer at a time: nobody else takes a number meanwhile.
        top = db.scalar(select(func.max(table.c.id))) or 0
        return list(range(top + 1, top + count + 1))
    taken = db.scalars(
        text("SELECT nextval(pg_get_serial_sequence(:name, 'id')) FROM generate_series(1, :count)"),
        {"name": table.name, "count": count},
    )
    return sorted(int(one) for one in taken)
