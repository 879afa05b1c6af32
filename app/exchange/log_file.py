"""LOG.csv, one row a set: text cells in, typed columns and errors with line and column out.

The contract's columns are ``lifter, date, exercise, set_number, load_kg, reps, rpe, session_rpe,
session_minutes, note``; ``load_lb`` may stand in for ``load_kg`` (or both may be there, one filled in each
row), and two optional columns of ours, ``warm_up`` and ``failed`` (yes or no), keep an export whole.

A training log repeats itself: a few hundred different loads, days and names make up a hundred thousand
rows. Each different text is therefore read once, and rows are looked up in what it was read as.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.exchange import cells
from app.exchange.cells import DATE_STYLES, DateStyle
from app.exchange.tables import Place, Refused, Table, normal_title
from app.training.units import Unit, parse_mass

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

FIELDS = (
    "lifter",
    "date",
    "exercise",
    "set_number",
    "load_kg",
    "load_lb",
    "reps",
    "rpe",
    "session_rpe",
    "session_minutes",
    "note",
    "warm_up",
    "failed",
)
REQUIRED = ("lifter", "date", "exercise", "reps")  # and one of the two loads

# The one table of bounds: code, messages and manual read it.
MAX_LOAD_KG = 10_000  # A slipped decimal is read, held out and shown with a correction; more is no load.
MAX_REPS = 1000
MAX_SET_NUMBER = 1000
RPE = (1.0, 10.0)  # Any number between is taken: halves are usual, and averages of two sets occur.
SESSION_RPE = (0.0, 10.0)  # Foster's category-ratio scale begins at rest.
MAX_SESSION_MINUTES = 1440.0

EXPECTED = {
    "lifter": "the name of the lifter",
    "date": f"a date as YYYY-MM-DD, from {cells.FIRST_YEAR} to {cells.LAST_YEAR}",
    "exercise": "the name of the exercise",
    "set_number": f"a whole number from 1 to {MAX_SET_NUMBER}, or nothing",
    "load_kg": f"a load from 0 to {MAX_LOAD_KG:,} kg, 0 for body weight alone",
    "load_lb": "a load from 0 to 22,046 lb, 0 for body weight alone",
    "reps": f"a whole number of repetitions from 0 to {MAX_REPS}",
    "rpe": "a number from 1 to 10, or nothing",
    "session_rpe": "a number from 0 to 10, or nothing",
    "session_minutes": "minutes from 0 to 1440, or nothing",
    "note": f"a text of at most {cells.NOTE_CHARACTERS:,} characters",
    "warm_up": "yes or no, or nothing for no",
    "failed": "yes or no, or nothing for no",
}

# Other titles coaches give these columns; a proposal for the browser, never used by the strict contract.
SYNONYMS: Mapping[str, tuple[str, ...]] = {
    "lifter": ("name", "athlete", "client", "person", "lifter_name"),
    "date": ("day", "session_date", "training_date", "when"),
    "exercise": ("lift", "movement", "exercise_name"),
    "set_number": ("set", "set_no", "set_nr", "nr"),
    "load_kg": ("load", "weight", "kg", "weight_kg", "mass", "mass_kg"),
    "load_lb": ("lb", "lbs", "weight_lb", "weight_lbs", "pounds", "load_lbs"),
    "reps": ("repetitions", "rep", "reps_done"),
    "rpe": ("rpe_10", "effort", "set_rpe"),
    "session_rpe": ("srpe", "session_effort"),
    "session_minutes": ("minutes", "duration", "duration_min", "session_duration"),
    "note": ("notes", "comment", "comments", "remarks"),
    "warm_up": ("warmup", "is_warm_up"),
    "failed": ("fail", "missed"),
}

MAX_ERRORS = 10_000  # Reading stops there: such a file has the wrong columns, not wrong cells.
MAX_NAMES = 10_000  # different lifters, or exercises
_MEMO_TEXTS = 50_000

_INT_FIELDS = (
    "lifter",
    "exercise",
    "date",
    "set_number",
    "load_g",
    "pounds",
    "reps",
    "warm_up",
    "failed",
    "line",
)
_FLOAT_FIELDS = ("rpe", "session_rpe", "session_minutes")


@dataclass(frozen=True, slots=True)
class RowError:
    """One cell that is not what it has to be."""

    place: Place
    found: str
    expected: str

    def __str__(self) -> str:
        found = (
            f"“{self.found[:60]}{'…' if len(self.found) > 60 else ''}”" if self.found.strip() else "nothing"
        )
        return f"{self.place}: found {found}, expected {self.expected}."


@dataclass(frozen=True, slots=True)
class Facts:
    """What was recognised in the file, to be shown to whoever sent it."""

    encoding: str
    encoding_sure: bool
    delimiter: str
    decimal_mark: str  # ".", ",", ".," when both were used, "" when no number had decimals
    unit: str  # "kg", "lb", "kg and lb"
    date_style: DateStyle
    sheet: str
    sheets: tuple[str, ...]
    columns: Mapping[str, str]  # field -> title in the file
    unknown_columns: tuple[str, ...]
    rows: int  # rows that hold anything, good or bad
    repeated_keys: int  # rows with the lifter, date, exercise and set number of an earlier row


@dataclass(frozen=True, slots=True)
class LogRows:
    """The good rows as columns, in the order of the file.

    ``lifter`` and ``exercise`` index the names. ``set_number`` is as given, or the running number of the
    set within lifter, day and exercise. ``occurrence`` is 0, and counts up where a key comes again, so that
    (lifter, day, exercise, set number, occurrence) names one row and re-reading the file names it the same.
    """

    lifters: tuple[str, ...]
    exercises: tuple[str, ...]
    lifter: Ints  # (n,)
    exercise: Ints  # (n,)
    day: Ints  # (n,) [d] ordinal
    set_number: Ints  # (n,)
    occurrence: Ints  # (n,)
    load_g: Ints  # (n,) [g]
    load_typed: list[str]  # (n,) the number as typed
    pounds: Bools  # (n,) typed in lb; else kg
    reps: Ints  # (n,)
    rpe: Floats  # (n,) NaN when empty
    session_rpe: Floats  # (n,) NaN when empty
    session_minutes: Floats  # (n,) [min] NaN when empty
    note: list[str]  # (n,)
    warm_up: Bools  # (n,)
    failed: Bools  # (n,)
    line: Ints  # (n,) in the file

    def __len__(self) -> int:
        return len(self.line)

    def key(self, row: int) -> tuple[str, date, str, int, int]:
        """Lifter, date, exercise, set number, occurrence."""
        return (
            self.lifters[self.lifter[row]],
            date.fromordinal(int(self.day[row])),
            self.exercises[self.exercise[row]],
            int(self.set_number[row]),
            int(self.occurrence[row]),
        )

    def unit(self, row: int) -> Unit:
        return "lb" if self.pounds[row] else "kg"


@dataclass(frozen=True, slots=True)
class LogFile:
    rows: LogRows
    errors: tuple[RowError, ...]
    error_count: int
    facts: Facts
    dates: DateGuess | None = None
    """Set when dates were refused that another style would take."""
    stopped_at: int | None = None
    """The line at which reading stopped because of MAX_ERRORS errors. No row is handed out then, or half a
    file could be taken for its good rows."""


@dataclass(frozen=True, slots=True)
class DateGuess:
    """The styles every date of the column can be read in, and an example read in each."""

    styles: tuple[DateStyle, ...]
    example: str
    read_as: tuple[date, ...]  # one for each style
    mixed: bool  # ISO dates beside others: a spreadsheet turned some and left the rest

    @property
    def certain(self) -> DateStyle | None:
        """The style, if there is only one and nothing suggests that days and months were exchanged."""
        return self.styles[0] if len(self.styles) == 1 and not self.mixed else None


def suggest_mapping(header: Sequence[str]) -> dict[str, str]:
    """Field -> title in the file: exact names first, then the synonyms; nothing is used twice."""
    by_title: dict[str, str] = {}
    for title in header:
        by_title.setdefault(normal_title(title), title)
    mapping = {name: by_title[name] for name in FIELDS if name in by_title}
    taken = set(mapping.values())
    for name, others in SYNONYMS.items():
        if name in mapping or (name == "load_lb" and "load_kg" in mapping):
            continue
        for other in others:
            if other in by_title and by_title[other] not in taken:
                mapping[name] = by_title[other]
                taken.add(by_title[other])
                break
    if "load_lb" in mapping and "load_kg" in mapping and normal_title(mapping["load_kg"]) != "load_kg":
        # A bare "weight" beside a column that says pounds is not a second load in kilograms.
        del mapping["load_kg"]
    return mapping


def shape_of(header: Sequence[str]) -> str:
    """The same text for files with the same columns, whatever their order: what a mapping is kept under."""
    return "|".join(sorted(normal_title(title) for title in header))


def exact_mapping(table: Table) -> dict[str, str]:
    """The strict contract: columns by their own names.

    Raises
    ------
    Refused
        If a column is missing or there twice.
    """
    mapping = {normal_title(title): title for title in table.header if normal_title(title) in FIELDS}
    missing = [name for name in REQUIRED if name not in mapping]
    if "load_kg" not in mapping and "load_lb" not in mapping:
        missing.append("load_kg (or load_lb)")
    if missing:
        found = ", ".join(title[:40] for title in table.header[:20] if title) or "none"
        raise Refused(
            table.place(table.header_line),
            f"the header lacks {'the column' if len(missing) == 1 else 'the columns'} {', '.join(missing)}; "
            f"it has {found}.",
        )
    return mapping


def read_log(
    table: Table,
    *,
    mapping: Mapping[str, str] | None = None,
    date_style: DateStyle = "iso",
    unit: Unit | None = None,
    progress: Callable[[int], object] | None = None,
) -> LogFile:
    """Type the rows of a log.

    Parameters
    ----------
    table
        From ``read_table`` or ``read_pasted``.
    mapping
        Field -> title in the file. None: the strict contract, which also takes no unit beside a number.
    date_style
        How dates are written; ISO dates are taken in every style.
    unit
        Overrules the unit that the load's column states.
    progress
        Called with the number of rows of each chunk.

    Raises
    ------
    Refused
        If columns are missing or named twice, or the file breaks on the way.
    """
    strict = mapping is None
    mapping = exact_mapping(table) if mapping is None else dict(mapping)
    columns = _columns(table, mapping)
    reader = _Reader(table, columns, date_style, unit, strict)
    for lines, rows in table.chunks():
        reader.take(lines, rows)
        if progress is not None:
            progress(len(rows))
        if reader.stopped_at is not None:
            break
    return reader.finish()


def _columns(table: Table, mapping: Mapping[str, str]) -> dict[str, int]:
    titles = Counter(table.header)
    normal = Counter(normal_title(title) for title in table.header if normal_title(title) in FIELDS)
    for name, title in mapping.items():
        if name not in FIELDS:
            raise Refused(table.place(table.header_line), f"a log has no field named {name}.")
        if titles[title] != 1 or (normal[name] > 1 and normal_title(title) == name):
            raise Refused(
                table.place(table.header_line),
                f"the column {title} is there {'twice' if titles[title] else 'not at all'}; "
                "it has to be there once.",
            )
    missing = [name for name in REQUIRED if name not in mapping]
    if missing or not {"load_kg", "load_lb"} & set(mapping):
        missing += [] if {"load_kg", "load_lb"} & set(mapping) else ["load"]
        raise Refused(table.place(table.header_line), f"choose the column that holds {', '.join(missing)}.")
    return {name: table.header.index(title) for name, title in mapping.items()}


class _Bad:
    """What a text was read as when it could not be read."""

    __slots__ = ("expected",)

    def __init__(self, expected: str) -> None:
        self.expected = expected


class _Memo(dict[str, object]):
    """Text -> what it was read as, read at the first look-up. Grows with the file, as the file does."""

    def __init__(self, read: Callable[[str], object], expected: str) -> None:
        super().__init__()
        self.read, self.expected = read, expected
        self.any_bad = False

    def __missing__(self, text: str) -> object:
        try:
            value = self.read(text)
        except ValueError as error:
            self.any_bad = True
            value = _Bad(str(error) if str(error).startswith("a number without thousands") else self.expected)
        self[text] = value
        return value


class _Reader:
    def __init__(
        self,
        table: Table,
        columns: dict[str, int],
        date_style: DateStyle,
        unit: Unit | None,
        strict: bool,
    ) -> None:
        self.table, self.columns, self.strict = table, columns, strict
        self.date_style = date_style
        self.width = len(table.header)
        self.marks: Counter[str] = Counter()
        self.bad_dates: Counter[str] = Counter()
        self.any_good_date = False
        self.errors: list[RowError] = []
        self.error_count = 0
        self.row_count = 0
        self.lifters: dict[str, int] = {}
        self.exercises: dict[str, int] = {}
        units: dict[str, Unit] = {"load_kg": unit or "kg", "load_lb": unit or "lb"}
        readers: dict[str, Callable[[str], object]] = {
            "lifter": lambda text: self._name(text, "lifter", self.lifters),
            "exercise": lambda text: self._name(text, "exercise", self.exercises),
            "date": self._day,
            "set_number": lambda text: self._whole(text, 1, MAX_SET_NUMBER) if text.strip() else 0,
            "load_kg": lambda text: self._load(text, units["load_kg"]),
            "load_lb": lambda text: self._load(text, units["load_lb"]),
            "reps": lambda text: self._whole(text, 0, MAX_REPS),
            "rpe": lambda text: self._number(text, *RPE),
            "session_rpe": lambda text: self._number(text, *SESSION_RPE),
            "session_minutes": lambda text: self._number(text, 0, MAX_SESSION_MINUTES),
            "warm_up": _yes,
            "failed": _yes,
            "note": cells.note,
        }
        self.memos = {name: _Memo(readers[name], EXPECTED[name]) for name in columns}
        if not strict and date_style != "iso":
            self.memos["date"].expected = f"a date as {date_style} or YYYY-MM-DD"
        self.stopped_at: int | None = None
        self.ints: dict[str, list[Ints]] = {name: [] for name in _INT_FIELDS}
        self.floats: dict[str, list[Floats]] = {name: [] for name in _FLOAT_FIELDS}
        self.typed: list[str] = []
        self.notes: list[str] = []

    # Cells

    def _name(self, text: str, what: str, known: dict[str, int]) -> int:
        number = known.setdefault(cells.name(text, what), len(known))
        if number >= MAX_NAMES:
            raise Refused(
                self.table.place(None),
                f"the column {self.table.header[self.columns[what]]} has more than {MAX_NAMES:,} different "
                "names; check that it is the right one.",
            )
        return number

    def _day(self, text: str) -> int:
        try:
            day = cells.local_day(text.strip(), self.date_style)
        except ValueError:
            self.bad_dates[text.strip()] += 1
            raise
        self.any_good_date = True
        return day

    def _whole(self, text: str, low: int, high: int) -> int:
        value = cells.whole_number(text.strip())
        cells.within(value, low, high, "")
        return value

    def _number(self, text: str, low: float, high: float) -> float:
        plain = text.strip()
        if not plain:
            return float("nan")
        value, mark = cells.number(plain)
        cells.within(value, low, high, "")
        self.marks[mark] += 1
        return value

    def _load(self, text: str, unit: Unit) -> tuple[int, str, bool] | None:
        """Grams, the number as typed, and whether it was pounds; None for an empty cell."""
        plain = text.strip()
        if not plain:
            return None
        if self.strict or plain[-1].isdigit():
            _, mark = cells.number(plain)
            self.marks[mark] += 1
        mass = parse_mass(plain.lstrip("+"), unit, most_kg=MAX_LOAD_KG)
        return mass.grams, mass.text, mass.unit == "lb"

    # Rows

    def take(self, lines: list[int], rows: list[list[str]]) -> None:
        """Type one chunk: column by column, and only where something is wrong row by row."""
        self.row_count += len(rows)
        bad: set[int] = set()
        width = self.width
        if any(len(row) != width for row in rows):
            for at, row in enumerate(rows):
                if len(row) > width and any(row[width:]):
                    self._wide(lines[at], row)
                    bad.add(at)
            rows = [row if len(row) == width else (row + [""] * width)[:width] for row in rows]
        texts = dict(enumerate(zip(*rows, strict=True)))
        read = {
            name: list(map(self.memos[name].__getitem__, texts[column]))
            for name, column in self.columns.items()
        }
        for name, values in read.items():
            for at, value in enumerate(values) if self.memos[name].any_bad else ():
                if type(value) is _Bad:
                    self._error(lines[at], name, texts[self.columns[name]][at], value.expected)
                    bad.add(at)
        loads = self._loads(read, lines, bad)
        if bad:
            good = [at for at in range(len(rows)) if at not in bad]
            read = {name: [values[at] for at in good] for name, values in read.items()}
            loads = [loads[at] for at in good]
            lines = [lines[at] for at in good]
        self._keep(read, loads, lines)
        for memo in self.memos.values():
            if len(memo) > _MEMO_TEXTS:
                memo.clear()  # A column of ever new texts gains nothing from being remembered.

    def _keep(self, read: dict[str, list[Any]], loads: list[Any], lines: list[int]) -> None:
        """Add typed columns of one chunk, packed at once: a million rows of objects would fill the memory."""
        n = len(lines)
        for name, kept in self.ints.items():
            if name in read:
                kept.append(np.fromiter(read[name], dtype=np.int32, count=n))
        for name, numbers in self.floats.items():
            if name in read:
                numbers.append(np.fromiter(read[name], dtype=np.float64, count=n))
        self.ints["line"].append(np.array(lines, dtype=np.int32))
        self.ints["load_g"].append(np.fromiter((load[0] for load in loads), dtype=np.int32, count=n))
        self.ints["pounds"].append(np.fromiter((load[2] for load in loads), dtype=np.int32, count=n))
        self.typed += [load[1] for load in loads]
        self.notes += read.get("note", [""] * n)

    def _loads(self, read: dict[str, list[object]], lines: list[int], bad: set[int]) -> list[object]:
        kg, lb = read.pop("load_kg", None), read.pop("load_lb", None)
        only = kg if lb is None else lb if kg is None else None
        name = "load_kg" if lb is None else "load_lb"
        if only is not None:
            if None in only:
                for at, value in enumerate(only):
                    if value is None:
                        self._error(lines[at], name, "", EXPECTED[name])
                        bad.add(at)
            return only
        assert kg is not None
        assert lb is not None
        for at, (one, other) in enumerate(zip(kg, lb, strict=True)):
            if (one is None) == (other is None):
                both = "" if one is None else "two loads"
                self._error(lines[at], "load_kg", both, "a load in load_kg or in load_lb, not in both")
                bad.add(at)
        return [other if one is None else one for one, other in zip(kg, lb, strict=True)]

    def _wide(self, line: int, row: list[str]) -> None:
        hint = (
            "; a text or number that holds a comma has to stand in quotes"
            if self.table.delimiter == ","
            else ""
        )
        self._append(
            RowError(
                self.table.place(line, self.width),
                f"{len(row)} cells",
                f"{self.width} cells, as in the header{hint}",
            )
        )

    def _error(self, line: int, name: str, found: str, expected: str) -> None:
        column = self.columns[name]
        cell = self.table.merged_with(line, column) if not found.strip() else ""
        if cell:
            expected += f"; this cell is merged with {cell}: unmerge the cells and fill each row"
        elif name in ("reps", "set_number") and cells.looks_like_date(found):
            expected += "; a spreadsheet may have turned a text such as 3-5 or 5/3 into this date"
        elif name == "date" and re.fullmatch(r"\d{5}(\.0+)?", found.strip()):
            expected += "; this looks like a spreadsheet's day number"
        self._append(RowError(self.table.place(line, column), found, expected))

    def _append(self, error: RowError) -> None:
        self.error_count += 1
        if self.error_count <= MAX_ERRORS:
            self.errors.append(error)
        else:
            self.stopped_at = self.stopped_at or error.place.line

    # The whole

    def finish(self) -> LogFile:
        n = len(self.typed)
        lifter, exercise = self._column("lifter", n), self._column("exercise", n)
        day, given = self._column("date", n), self._column("set_number", n)
        set_number, occurrence = _numbered(lifter, exercise, day, given, len(self.exercises))
        rows = LogRows(
            tuple(self.lifters),
            tuple(self.exercises),
            lifter,
            exercise,
            day,
            set_number,
            occurrence,
            self._column("load_g", n),
            self.typed,
            self._column("pounds", n).astype(np.bool_),
            self._column("reps", n),
            self._numbers("rpe", n),
            self._numbers("session_rpe", n),
            self._numbers("session_minutes", n),
            self.notes,
            self._column("warm_up", n).astype(np.bool_),
            self._column("failed", n).astype(np.bool_),
            self._column("line", n),
        )
        self.errors.sort(key=lambda error: error.place.line or 0)
        return LogFile(
            rows if self.stopped_at is None else select(rows, np.zeros(n, dtype=np.bool_)),
            tuple(self.errors),
            self.error_count,
            self._facts(rows),
            self._guess_dates(),
            self.stopped_at,
        )

    def _column(self, name: str, n: int) -> Ints:
        parts = self.ints.pop(name)
        return np.concatenate(parts).astype(np.int64) if parts else np.zeros(n, dtype=np.int64)

    def _numbers(self, name: str, n: int) -> Floats:
        parts = self.floats.pop(name)
        return np.concatenate(parts) if parts else np.full(n, np.nan)

    def _facts(self, rows: LogRows) -> Facts:
        units = {"lb" if pounds else "kg" for pounds in np.unique(rows.pounds)}
        if not units:
            units = {"lb" if name == "load_lb" else "kg" for name in self.columns if name.startswith("load_")}
        used = set(self.columns.values())
        return Facts(
            encoding=self.table.encoding,
            encoding_sure=self.table.encoding_sure,
            delimiter=self.table.delimiter,
            decimal_mark="".join(mark for mark in ".," if self.marks[mark]),
            unit=" and ".join(sorted(units)),
            date_style=self.date_style,
            sheet=self.table.sheet,
            sheets=self.table.sheets,
            columns={name: self.table.header[column] for name, column in self.columns.items()},
            unknown_columns=tuple(t for at, t in enumerate(self.table.header) if t and at not in used),
            rows=self.row_count,
            repeated_keys=int(np.count_nonzero(rows.occurrence)),
        )

    def _guess_dates(self) -> DateGuess | None:
        if not self.bad_dates:
            return None
        texts = [text for text, _ in self.bad_dates.most_common(2_000) if text]
        return guess_dates(texts, mixed=self.any_good_date)


def guess_dates(texts: Sequence[str], *, mixed: bool = False) -> DateGuess | None:
    """The styles that read every one of these dates, or None if no style does."""

    def reads(style: DateStyle) -> bool:
        try:
            return all(cells.local_day(text, style) for text in texts)
        except ValueError:
            return False

    styles = tuple(style for style in DATE_STYLES if style != "iso" and texts and reads(style))
    if not styles:
        return None
    # The example that tells the styles apart best is one whose day cannot be a month.
    example = max(texts, key=lambda text: max(map(int, re.findall(r"\d{1,2}", text)), default=0))
    days = tuple(date.fromordinal(cells.local_day(example, style)) for style in styles)
    return DateGuess(styles, example, days, mixed)


def _yes(text: str) -> int:
    plain = text.strip().casefold()
    if plain in ("", "no", "n", "false", "0"):
        return 0
    if plain in ("yes", "y", "true", "1", "x"):
        return 1
    raise ValueError("yes or no")


def _numbered(lifter: Ints, exercise: Ints, day: Ints, given: Ints, exercises: int) -> tuple[Ints, Ints]:
    """Set numbers (running ones where none was given), and how often each key came before."""
    n = len(day)
    if n == 0:
        return given, given
    # Day ordinals stay under a million; the pair of names is made dense so that the key cannot overflow.
    pair = np.unique(lifter * exercises + exercise, return_inverse=True)[1]
    group = pair * 1_000_000 + day
    set_number = np.where(given > 0, given, _counted(group) + 1)
    dense = np.unique(group, return_inverse=True)[1]
    occurrence = _counted(dense * (int(set_number.max()) + 1) + set_number)
    return set_number, occurrence


def _counted(key: Ints) -> Ints:
    """How many earlier elements have the same key."""
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    starts = np.flatnonzero(np.r_[True, ordered[1:] != ordered[:-1]])
    within = np.arange(len(key)) - np.repeat(starts, np.diff(np.r_[starts, len(key)]))
    counted = np.empty(len(key), dtype=np.int64)
    counted[order] = within
    return counted


def sessions(rows: LogRows) -> tuple[Ints, dict[int, tuple[float, float]]]:
    """Session number of each row, and the rating of the sessions that have one.

    A lifter's day is one session, unless its rows state different ratings: then each rating (session RPE and
    minutes) is a session, and rows without one belong to the session stated before them.
    """
    number = np.zeros(len(rows), dtype=np.int64)
    ratings: dict[int, tuple[float, float]] = {}
    known: dict[tuple[int, int, float, float], int] = {}
    current: dict[tuple[int, int], int] = {}
    count = 0
    stated = zip(
        rows.lifter.tolist(),
        rows.day.tolist(),
        np.nan_to_num(rows.session_rpe, nan=-1.0).tolist(),
        np.nan_to_num(rows.session_minutes, nan=-1.0).tolist(),
        strict=True,
    )
    for at, (lifter, day, rpe, minutes) in enumerate(stated):
        session = current.get((lifter, day))
        if rpe < 0 and minutes < 0:
            if session is None:
                session, count = count, count + 1
        else:
            key = (lifter, day, rpe, minutes)
            if key in known:
                session = known[key]
            else:
                if session is None or session in ratings:
                    session, count = count, count + 1
                known[key] = session
                ratings[session] = (
                    rpe if rpe >= 0 else float("nan"),
                    minutes if minutes >= 0 else float("nan"),
                )
        current[lifter, day] = session
        number[at] = session
    return number, ratings


def select(rows: LogRows, keep: Bools) -> LogRows:
    """The rows a mask keeps; names and their indices stay."""
    at = np.flatnonzero(keep)
    picked = at.tolist()
    return replace(
        rows,
        **{
            name: getattr(rows, name)[at]
            for name in (
                "lifter",
                "exercise",
                "day",
                "set_number",
                "occurrence",
                "load_g",
                "pounds",
                "reps",
                "rpe",
                "session_rpe",
                "session_minutes",
                "warm_up",
                "failed",
                "line",
            )
        },
        load_typed=[rows.load_typed[i] for i in picked],
        note=[rows.note[i] for i in picked],
    )
