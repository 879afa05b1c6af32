"""The plan document of a block, made for a grid: weeks across, sessions and exercises down.

A :class:`PlanDocument` is a value. An edit is a value too: :func:`apply` gives the next document and the
edit that takes it back, so that undo is a list of edits, kept as data beside the document. What the grid does
(fill, paste, duplicate, move) is written as functions that return the edits to apply.

Cells keep the text; the text is read once for each distinct wording. Text that is not understood stays in
its cell with its error, as it would in any spreadsheet: nothing typed is ever thrown away.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from decimal import Decimal
from functools import lru_cache
from typing import Any, Literal, cast, get_args

from app.training.prescription import Mass, Prescription, PrescriptionError, parse, plain, print_prescription
from app.training.records import BLOCK_KINDS, BlockKind
from app.training.rules import (
    DayOf,
    Emphases,
    Percent,
    Rule,
    RuleError,
    Step,
    advance,
    change_at,
    read_step,
    rule_from_dict,
    rule_to_dict,
)
from app.training.units import Unit

FORMAT = 1
OFF = "off"
MOST_WEEKS = 52
MOST_SESSIONS = 14
MOST_ROWS = 400
MOST_NAME = 120
MOST_TYPED = 400  # [characters] a cell that is not understood may be longer than a prescription can be
MOST_PASTED = 2_000_000  # [characters]

Missed = Literal["repeat", "continue"]
EffortAnswer = Literal["keep", "adjust"]


class PlanError(ValueError):
    """A plan or an edit that cannot be; the message is a sentence saying where and why."""


@dataclass(frozen=True, slots=True)
class Cell:
    """What stands in one week of a row.

    Exactly one holds: empty (follows the row's rules, or is not trained), ``off`` (not trained this week), a
    prescription, or an ``error`` about text that is not one, with its ``position``.
    """

    text: str = ""
    prescription: Prescription | None = None
    error: str = ""
    position: int = -1

    @property
    def off(self) -> bool:
        return self.text == OFF


EMPTY = Cell()


@lru_cache(maxsize=16384)
def read_cell(text: str, unit: Unit) -> Cell:
    """What a typed text means; canonical text where it is understood."""
    typed = " ".join(text.split())
    if not typed:
        return EMPTY
    if typed.lower() in (OFF, "-", "–", "—"):
        return Cell(OFF)
    try:
        prescription = parse(typed, unit)
    except PrescriptionError as error:
        return Cell(typed[:MOST_TYPED], None, error.sentence, error.position)
    return Cell(print_prescription(prescription), prescription)


@dataclass(frozen=True, slots=True)
class Row:
    """An exercise in a session: one cell a week, and the rules by which empty cells follow."""

    id: str
    exercise: str
    cells: tuple[Cell, ...]
    rules: tuple[Rule, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class Session:
    """A session of the week. ``day`` counts from the day of the week the block starts on, 0 to 6. [d]"""

    id: str
    name: str
    day: int
    rows: tuple[Row, ...] = ()


@dataclass(frozen=True, slots=True)
class LivingRules:
    """What the block does by itself when training does not go as written.

    A missed session is repeated in its next week or left behind. An effort further than ``tolerance`` RPE
    from the one prescribed moves the next exposure's load, by ``most_percent`` at most, or changes nothing.
    """

    missed: Missed = "continue"
    effort: EffortAnswer = "keep"
    tolerance: Decimal = Decimal(1)
    most_percent: Decimal = Decimal(5)


@dataclass(frozen=True, slots=True)
class PlanDocument:
    """A block as written, before any lifter.

    ``goal_day`` is the day of a meet or test, counted from the block's first day (0). [d] ``most_step``
    bounds the rise from one exposure of a row to the next where rules compute it.
    """

    name: str
    kind: BlockKind
    weeks: int
    purpose: str = ""
    unit: Unit = "kg"
    sessions: tuple[Session, ...] = ()
    living: LivingRules = LivingRules()
    goal_day: int | None = None
    most_step: Step | None = None
    next_id: int = field(default=1, compare=False)  # grows only: an id is never given out twice.

    @property
    def lines(self) -> tuple[tuple[Session, Row], ...]:
        """The grid's rows from the top down."""
        return tuple((session, row) for session in self.sessions for row in session.rows)

    def session(self, session_id: str) -> Session:
        for session in self.sessions:
            if session.id == session_id:
                return session
        raise PlanError(f"The plan has no session “{session_id}” any more. Load it again.")

    def row(self, row_id: str) -> Row:
        return self.place(row_id)[2]

    def place(self, row_id: str) -> tuple[Session, int, Row]:
        """The session of a row, its position there, and the row."""
        for session in self.sessions:
            for position, row in enumerate(session.rows):
                if row.id == row_id:
                    return session, position, row
        raise PlanError(f"The plan has no row “{row_id}” any more. Load it again.")

    @property
    def empty(self) -> bool:
        """Whether nothing is prescribed anywhere: no cell typed, no sequence of emphases."""
        return not any(
            any(cell.prescription for cell in row.cells)
            or any(isinstance(rule, Emphases) for rule in row.rules)
            for _, row in self.lines
        )

    @property
    def errors(self) -> tuple[CellError, ...]:
        """Cells that are not understood. A plan with any of them can be kept but not assigned."""
        return tuple(
            CellError(row.id, week, cell.text, cell.error, cell.position)
            for _, row in self.lines
            for week, cell in enumerate(row.cells)
            if cell.error
        )


@dataclass(frozen=True, slots=True)
class CellError:
    """A cell's text that is not understood, and what is."""

    row: str
    week: int
    text: str
    sentence: str
    position: int


# --- edits ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SetCells:
    """Put texts into cells: (row id, week, text)."""

    cells: tuple[tuple[str, int, str], ...]


@dataclass(frozen=True, slots=True)
class SetRow:
    row: str
    exercise: str
    rules: tuple[Rule, ...]
    note: str


@dataclass(frozen=True, slots=True)
class InsertRow:
    session: str
    position: int
    new: Row


@dataclass(frozen=True, slots=True)
class DeleteRow:
    row: str


@dataclass(frozen=True, slots=True)
class MoveRow:
    row: str
    session: str
    position: int


@dataclass(frozen=True, slots=True)
class InsertSession:
    position: int
    new: Session


@dataclass(frozen=True, slots=True)
class DeleteSession:
    session: str


@dataclass(frozen=True, slots=True)
class MoveSession:
    session: str
    position: int


@dataclass(frozen=True, slots=True)
class SetSession:
    session: str
    name: str
    day: int


@dataclass(frozen=True, slots=True)
class InsertWeek:
    """Put a week in before ``week``, with texts for some rows: (row id, text)."""

    week: int
    cells: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class DeleteWeek:
    week: int


@dataclass(frozen=True, slots=True)
class MoveWeek:
    week: int
    to: int


@dataclass(frozen=True, slots=True)
class SetHead:
    """Everything of a plan that is not in the grid."""

    name: str
    kind: BlockKind
    purpose: str
    unit: Unit
    living: LivingRules
    goal_day: int | None
    most_step: Step | None


Edit = (
    SetCells
    | SetRow
    | InsertRow
    | DeleteRow
    | MoveRow
    | InsertSession
    | DeleteSession
    | MoveSession
    | SetSession
    | InsertWeek
    | DeleteWeek
    | MoveWeek
    | SetHead
)


def apply(plan: PlanDocument, edit: Edit) -> tuple[PlanDocument, Edit]:
    """The plan after an edit, and the edit that takes it back.

    Raises
    ------
    PlanError
        If the edit names a row, session or week that is not there, or would leave a plan that cannot be.
    """
    changed, back = _apply(plan, edit)
    if isinstance(edit, SetRow | InsertRow | DeleteRow | InsertSession | DeleteSession):
        rows = {row.id: row for _, row in changed.lines}
        for row in rows.values():
            _check_follows(row, rows)
    return changed, back


def _apply(plan: PlanDocument, edit: Edit) -> tuple[PlanDocument, Edit]:
    match edit:
        case SetCells(cells):
            return _set_cells(plan, cells)
        case SetRow(row_id, exercise, rules, note):
            row = plan.row(row_id)
            _name(exercise, "An exercise")
            changed = replace(row, exercise=exercise, rules=rules, note=note)
            return _with_row(plan, changed), SetRow(row_id, row.exercise, row.rules, row.note)
        case InsertRow(session_id, position, row):
            return _insert_row(plan, session_id, position, row), DeleteRow(row.id)
        case DeleteRow(row_id):
            session, position, row = plan.place(row_id)
            without = replace(session, rows=session.rows[:position] + session.rows[position + 1 :])
            return _with_session(plan, without), InsertRow(session.id, position, row)
        case MoveRow(row_id, session_id, position):
            session, old, row = plan.place(row_id)
            taken, _ = _apply(plan, DeleteRow(row_id))
            return _insert_row(taken, session_id, position, row), MoveRow(row_id, session.id, old)
        case InsertSession(position, new):
            return _insert_session(plan, position, new), DeleteSession(new.id)
        case DeleteSession(session_id):
            old = plan.sessions.index(plan.session(session_id))
            return (
                replace(plan, sessions=plan.sessions[:old] + plan.sessions[old + 1 :]),
                InsertSession(old, plan.sessions[old]),
            )
        case MoveSession(session_id, position):
            session = plan.session(session_id)
            old = plan.sessions.index(session)
            rest = plan.sessions[:old] + plan.sessions[old + 1 :]
            _inside(position, len(rest), "session")
            moved = (*rest[:position], session, *rest[position:])
            return replace(plan, sessions=moved), MoveSession(session_id, old)
        case SetSession(session_id, name, day):
            session = plan.session(session_id)
            changed_session = replace(session, name=name, day=day)
            _check_session(changed_session)
            return _with_session(plan, changed_session), SetSession(session_id, session.name, session.day)
        case InsertWeek(week, texts):
            return _insert_week(plan, week, texts), DeleteWeek(week)
        case DeleteWeek(week):
            return _delete_week(plan, week)
        case MoveWeek(week, to):
            _inside(week, plan.weeks - 1, "week")
            _inside(to, plan.weeks - 1, "week")
            order = [w for w in range(plan.weeks) if w != week]
            order.insert(to, week)
            return _each_row(plan, lambda row: tuple(row.cells[w] for w in order)), MoveWeek(to, week)
        case SetHead():
            old_head = SetHead(**{item.name: getattr(plan, item.name) for item in fields(SetHead)})
            changed_plan = replace(plan, **{item.name: getattr(edit, item.name) for item in fields(SetHead)})
            _check_head(changed_plan)
            return changed_plan, old_head


def apply_all(plan: PlanDocument, edits: Iterable[Edit]) -> tuple[PlanDocument, tuple[Edit, ...]]:
    """Apply edits one after another; the second value takes all of them back, in order."""
    inverse: list[Edit] = []
    for edit in edits:
        plan, back = apply(plan, edit)
        inverse.append(back)
    return plan, tuple(reversed(inverse))


def _set_cells(plan: PlanDocument, cells: tuple[tuple[str, int, str], ...]) -> tuple[PlanDocument, Edit]:
    rows = {row.id: list(row.cells) for _, row in plan.lines}
    old: list[tuple[str, int, str]] = []
    touched: set[str] = set()
    for row_id, week, text in cells:
        if row_id not in rows:
            plan.row(row_id)
        _inside(week, plan.weeks - 1, "week")
        if len(text) > MOST_TYPED:
            raise PlanError(f"A cell holds up to {MOST_TYPED} characters; this text has {len(text)}.")
        old.append((row_id, week, rows[row_id][week].text))
        rows[row_id][week] = read_cell(text, plan.unit)
        touched.add(row_id)
    sessions = tuple(
        replace(
            session,
            rows=tuple(
                replace(row, cells=tuple(rows[row.id])) if row.id in touched else row for row in session.rows
            ),
        )
        if any(row.id in touched for row in session.rows)
        else session
        for session in plan.sessions
    )
    # Reversed, so that a cell set twice in one edit gets back what it held first.
    return replace(plan, sessions=sessions), SetCells(tuple(reversed(old)))


def _with_session(plan: PlanDocument, changed: Session) -> PlanDocument:
    return replace(plan, sessions=tuple(changed if s.id == changed.id else s for s in plan.sessions))


def _with_row(plan: PlanDocument, changed: Row) -> PlanDocument:
    session, position, _ = plan.place(changed.id)
    rows = (*session.rows[:position], changed, *session.rows[position + 1 :])
    return _with_session(plan, replace(session, rows=rows))


def _insert_row(plan: PlanDocument, session_id: str, position: int, row: Row) -> PlanDocument:
    session = plan.session(session_id)
    _inside(position, len(session.rows), "row")
    if any(row.id == other.id for _, other in plan.lines):
        raise PlanError(f"The plan already has a row “{row.id}”.")
    if len(plan.lines) >= MOST_ROWS:
        raise PlanError(f"A plan holds up to {MOST_ROWS} rows.")
    if len(row.cells) != plan.weeks:
        raise PlanError(f"The row has {len(row.cells)} cells and the plan {plan.weeks} weeks.")
    _name(row.exercise, "An exercise")
    rows = (*session.rows[:position], row, *session.rows[position:])
    changed = _with_session(plan, replace(session, rows=rows))
    return replace(changed, next_id=max(plan.next_id, _number(row.id) + 1))


def _insert_session(plan: PlanDocument, position: int, session: Session) -> PlanDocument:
    _inside(position, len(plan.sessions), "session")
    if any(session.id == other.id for other in plan.sessions):
        raise PlanError(f"The plan already has a session “{session.id}”.")
    if len(plan.sessions) >= MOST_SESSIONS:
        raise PlanError(f"A plan holds up to {MOST_SESSIONS} sessions a week.")
    _check_session(session)
    empty = replace(session, rows=())
    changed = replace(plan, sessions=(*plan.sessions[:position], empty, *plan.sessions[position:]))
    changed = replace(changed, next_id=max(plan.next_id, _number(session.id) + 1))
    for at, row in enumerate(session.rows):
        changed = _insert_row(changed, session.id, at, row)
    return changed


def _insert_week(plan: PlanDocument, week: int, texts: tuple[tuple[str, str], ...]) -> PlanDocument:
    _inside(week, plan.weeks, "week")
    if plan.weeks >= MOST_WEEKS:
        raise PlanError(f"A plan holds up to {MOST_WEEKS} weeks.")
    given = dict(texts)
    for row_id in given:
        plan.row(row_id)
    longer = _each_row(
        plan,
        lambda row: (*row.cells[:week], read_cell(given.get(row.id, ""), plan.unit), *row.cells[week:]),
    )
    return replace(longer, weeks=plan.weeks + 1)


def _delete_week(plan: PlanDocument, week: int) -> tuple[PlanDocument, Edit]:
    _inside(week, plan.weeks - 1, "week")
    if plan.weeks == 1:
        raise PlanError("A plan has at least one week.")
    old = tuple((row.id, row.cells[week].text) for _, row in plan.lines if row.cells[week].text)
    shorter = _each_row(plan, lambda row: row.cells[:week] + row.cells[week + 1 :])
    return replace(shorter, weeks=plan.weeks - 1), InsertWeek(week, old)


def _each_row(plan: PlanDocument, cells: Callable[[Row], tuple[Cell, ...]]) -> PlanDocument:
    return replace(
        plan,
        sessions=tuple(
            replace(session, rows=tuple(replace(row, cells=cells(row)) for row in session.rows))
            for session in plan.sessions
        ),
    )


def _inside(position: int, most: int, what: str) -> None:
    if not 0 <= position <= most:
        raise PlanError(f"There is no {what} {position + 1} in the plan.")


def _number(identity: str) -> int:
    digits = identity[1:]
    return int(digits) if digits.isascii() and digits.isdigit() and len(digits) < 10 else 0


# --- undo -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Deed:
    """One step of undo: what was done, in words, the edits, and the edits that take them back."""

    label: str
    edits: tuple[Edit, ...]
    inverse: tuple[Edit, ...]


@dataclass(frozen=True, slots=True)
class History:
    """What can be undone, newest last, and what was undone and can be done again."""

    done: tuple[Deed, ...] = ()
    undone: tuple[Deed, ...] = ()


MOST_UNDO = 200


def do(
    plan: PlanDocument, history: History, label: str, edits: Sequence[Edit]
) -> tuple[PlanDocument, History]:
    """Apply edits as one step of undo. Whatever had been undone before is given up."""
    changed, inverse = apply_all(plan, edits)
    if not edits:
        return plan, history
    return changed, History((*history.done, Deed(label, tuple(edits), inverse))[-MOST_UNDO:])


def undo(plan: PlanDocument, history: History) -> tuple[PlanDocument, History]:
    """Take back the newest step; nothing happens if there is none."""
    if not history.done:
        return plan, history
    deed = history.done[-1]
    changed, _ = apply_all(plan, deed.inverse)
    return changed, History(history.done[:-1], (*history.undone, deed))


def redo(plan: PlanDocument, history: History) -> tuple[PlanDocument, History]:
    """Do again what was undone last; nothing happens if there is nothing."""
    if not history.undone:
        return plan, history
    deed = history.undone[-1]
    changed, inverse = apply_all(plan, deed.edits)
    return changed, History((*history.done, replace(deed, inverse=inverse)), history.undone[:-1])


# --- what the grid does -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Rect:
    """A rectangle of cells: lines of the grid and weeks, all inclusive, from 0."""

    top: int
    left: int
    bottom: int
    right: int


def _rows_in(plan: PlanDocument, rect: Rect) -> list[Row]:
    lines = plan.lines
    if not (0 <= rect.top <= rect.bottom < len(lines) and 0 <= rect.left <= rect.right < plan.weeks):
        raise PlanError("The marked cells reach outside the plan.")
    return [row for _, row in lines[rect.top : rect.bottom + 1]]


def _changes(plan: PlanDocument, cells: Iterable[tuple[str, int, str]]) -> list[Edit]:
    """Only what differs, so that an edit that changes nothing is no step of undo."""
    now = {row.id: row.cells for _, row in plan.lines}
    wanted = tuple((r, w, text) for r, w, text in cells if read_cell(text, plan.unit).text != now[r][w].text)
    return [SetCells(wanted)] if wanted else []


def set_cell(plan: PlanDocument, row_id: str, week: int, text: str) -> list[Edit]:
    """Type into one cell."""
    plan.row(row_id)
    _inside(week, plan.weeks - 1, "week")
    return _changes(plan, [(row_id, week, text)])


def clear(plan: PlanDocument, rect: Rect) -> list[Edit]:
    """Empty the marked cells."""
    weeks = range(rect.left, rect.right + 1)
    return _changes(plan, ((row.id, week, "") for row in _rows_in(plan, rect) for week in weeks))


def fill_right(plan: PlanDocument, rect: Rect, rules: tuple[Rule, ...] = ()) -> list[Edit]:
    """Carry the first marked week into the others, advanced by ``rules`` a week if there are any."""
    cells = []
    for row in _rows_in(plan, rect):
        first = row.cells[rect.left]
        for week in range(rect.left + 1, rect.right + 1):
            text = first.text
            if rules and first.prescription is not None:
                n = week - rect.left
                text = print_prescription(advance(first.prescription, change_at(rules, n, n)))
            cells.append((row.id, week, text))
    return _changes(plan, cells)


def fill_down(plan: PlanDocument, rect: Rect) -> list[Edit]:
    """Carry the first marked line into the others."""
    first, *others = _rows_in(plan, rect)
    weeks = range(rect.left, rect.right + 1)
    return _changes(plan, ((row.id, week, first.cells[week].text) for row in others for week in weeks))


def copy(plan: PlanDocument, rect: Rect) -> str:
    """The marked cells as tab-separated text that a spreadsheet takes."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter="\t", lineterminator="\n")
    for row in _rows_in(plan, rect):
        writer.writerow([cell.text for cell in row.cells[rect.left : rect.right + 1]])
    return out.getvalue()


@dataclass(frozen=True, slots=True)
class Pasted:
    """What a paste would do: the edits, the cells not understood, and how much found no place."""

    edits: tuple[Edit, ...]
    errors: tuple[CellError, ...]
    cells: int
    left_out: int


def paste(plan: PlanDocument, line: int, week: int, text: str, *, grow: bool = False) -> Pasted:
    """Read a rectangle from a spreadsheet into the grid.

    Parameters
    ----------
    plan : PlanDocument
    line, week : int
        Upper left cell. Week -1 is the column of exercise names, which the first pasted column then holds.
    text : str
        Tab-separated, quoted as spreadsheets quote. One value pasted is one cell.
    grow : bool
        Add weeks, and with a column of names add rows, for what reaches beyond the plan.

    Returns
    -------
    Pasted
        Text that is not understood is put into its cell too, and is listed in ``errors``.

    Raises
    ------
    PlanError
        If the start is outside the plan, or the text is too large or cannot be read as a table.
    """
    if len(text) > MOST_PASTED:
        raise PlanError("That is more text than a plan can hold. Paste a part of it.")
    lines = plan.lines
    _inside(week + 1, plan.weeks, "week")
    _inside(line, len(lines) if week == -1 and grow else len(lines) - 1, "row")
    if week == -1 and not plan.sessions:
        raise PlanError("Add a session first; pasted exercises need one to stand in.")
    try:
        table = list(csv.reader(io.StringIO(text.replace("\r\n", "\n").replace("\r", "\n")), delimiter="\t"))
    except csv.Error as error:
        raise PlanError("The pasted text is not a table of cells.") from error
    while table and not any(value.strip() for value in table[-1]):
        table.pop()

    edits: list[Edit] = []
    width = max((len(values) for values in table), default=0)
    weeks = plan.weeks
    if grow:
        wanted = min(week + width, MOST_WEEKS)
        edits += [InsertWeek(w) for w in range(weeks, wanted)]
        weeks = max(weeks, wanted)
    into = lines[min(line, len(lines) - 1)][0] if lines else (plan.sessions[-1] if plan.sessions else None)
    cells: list[tuple[str, int, str]] = []
    errors: list[CellError] = []
    left_out = 0
    new = plan.next_id
    for offset, values in enumerate(table):
        at = line + offset
        name = " ".join(values[0].split())[:MOST_NAME] if week == -1 and values else ""
        if at < len(lines):
            row = lines[at][1]
            row_id = row.id
            if name and name != row.exercise:
                edits.append(SetRow(row.id, name, row.rules, row.note))
        elif grow and name and into is not None and len(lines) + new - plan.next_id < MOST_ROWS:
            row_id = f"r{new}"
            last = plan.sessions[-1]
            edits.append(
                InsertRow(last.id, len(last.rows) + new - plan.next_id, Row(row_id, name, (EMPTY,) * weeks))
            )
            new += 1
        else:
            left_out += sum(bool(value.strip()) for value in values)
            continue
        for column, value in enumerate(values):
            target = week + column
            if target < 0:
                continue
            if target >= weeks:
                left_out += bool(value.strip())
                continue
            typed = " ".join(value.split())[:MOST_TYPED]
            cell = read_cell(typed, plan.unit)
            cells.append((row_id, target, typed))
            if cell.error:
                errors.append(CellError(row_id, target, cell.text, cell.error, cell.position))
    if cells:
        edits.append(SetCells(tuple(cells)))
    return Pasted(tuple(edits), tuple(errors), len(cells), left_out)


def add_row(plan: PlanDocument, session_id: str, exercise: str, position: int | None = None) -> list[Edit]:
    """A new exercise in a session, at its end if no position is given."""
    session = plan.session(session_id)
    at = len(session.rows) if position is None else position
    return [InsertRow(session_id, at, Row(f"r{plan.next_id}", exercise, (EMPTY,) * plan.weeks))]


def delete_row(plan: PlanDocument, row_id: str) -> list[Edit]:
    """Take a row out; rows that followed it keep what they have and follow it no longer."""
    return [*_unfollow(plan, {row_id}), DeleteRow(row_id)]


def _unfollow(plan: PlanDocument, gone: set[str]) -> list[Edit]:
    edits: list[Edit] = []
    for _, row in plan.lines:
        kept = tuple(rule for rule in row.rules if not (isinstance(rule, DayOf) and rule.row in gone))
        if row.id not in gone and kept != row.rules:
            edits.append(SetRow(row.id, row.exercise, kept, row.note))
    return edits


def duplicate_row(plan: PlanDocument, row_id: str) -> list[Edit]:
    """The same row once more, below."""
    session, position, row = plan.place(row_id)
    return [InsertRow(session.id, position + 1, replace(row, id=f"r{plan.next_id}"))]


def add_session(plan: PlanDocument, name: str = "", day: int | None = None) -> list[Edit]:
    """A new session at the end of the week, on the first day that is still free."""
    used = {session.day for session in plan.sessions}
    free = next((d for d in range(7) if d not in used), 6)
    number = len(plan.sessions)
    new = Session(f"s{plan.next_id}", name or f"Session {number + 1}", free if day is None else day)
    return [InsertSession(number, new)]


def duplicate_session(plan: PlanDocument, session_id: str) -> list[Edit]:
    """The same session once more, below, on the next free day."""
    session = plan.session(session_id)
    used = {other.day for other in plan.sessions}
    day = next((d % 7 for d in range(session.day + 1, session.day + 7) if d % 7 not in used), session.day)
    at = plan.next_id
    ids = {row.id: f"r{at + 1 + i}" for i, row in enumerate(session.rows)}
    rows = tuple(
        replace(
            row,
            id=ids[row.id],
            rules=tuple(
                replace(rule, row=ids.get(rule.row, rule.row)) if isinstance(rule, DayOf) else rule
                for rule in row.rules
            ),
        )
        for row in session.rows
    )
    name = f"{session.name} again"[:MOST_NAME]
    return [InsertSession(plan.sessions.index(session) + 1, Session(f"s{at}", name, day, rows))]


def delete_session(plan: PlanDocument, session_id: str) -> list[Edit]:
    """Take a session out with its rows."""
    gone = {row.id for row in plan.session(session_id).rows}
    return [*_unfollow(plan, gone), DeleteSession(session_id)]


def duplicate_week(plan: PlanDocument, week: int) -> list[Edit]:
    """The same week once more, after itself."""
    _inside(week, plan.weeks - 1, "week")
    return [
        InsertWeek(week + 1, tuple((r.id, r.cells[week].text) for _, r in plan.lines if r.cells[week].text))
    ]


def set_rules(plan: PlanDocument, row_id: str, rules: tuple[Rule, ...]) -> list[Edit]:
    """Give a row these rules."""
    row = plan.row(row_id)
    return [SetRow(row_id, row.exercise, rules, row.note)] if rules != row.rules else []


def with_rule(plan: PlanDocument, row_id: str, rule: Rule) -> list[Edit]:
    """Give a row a rule, in place of one of the same kind if it has one."""
    kept = tuple(other for other in plan.row(row_id).rules if type(other) is not type(rule))
    return set_rules(plan, row_id, (*kept, rule))


def swap_exercise(plan: PlanDocument, old: str, new: str) -> list[Edit]:
    """One exercise in place of another, everywhere."""
    return [SetRow(r.id, new, r.rules, r.note) for _, r in plan.lines if r.exercise == old and old != new]


def set_head(plan: PlanDocument, **changes: Any) -> list[Edit]:
    """Change name, kind, purpose, unit, living rules, goal day or bound of step."""
    head = SetHead(**({item.name: getattr(plan, item.name) for item in fields(SetHead)} | changes))
    return (
        [head]
        if any(getattr(plan, item.name) != getattr(head, item.name) for item in fields(SetHead))
        else []
    )


def changed_cells(before: PlanDocument, after: PlanDocument) -> tuple[tuple[str, int, str, str], ...]:
    """Cells whose text differs: (row id, week, before, after). Rows only one of them has are whole."""
    old = {row.id: row for _, row in before.lines}
    new = {row.id: row for _, row in after.lines}
    found = []
    for row_id in [*old, *(row_id for row_id in new if row_id not in old)]:
        then = old[row_id].cells if row_id in old else ()
        now = new[row_id].cells if row_id in new else ()
        for week in range(max(len(then), len(now))):
            a = then[week].text if week < len(then) else ""
            b = now[week].text if week < len(now) else ""
            if a != b:
                found.append((row_id, week, a, b))
    return tuple(found)


# --- plain dictionaries -----------------------------------------------------------------------------


def _name(value: object, what: str) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > MOST_NAME or not value.isprintable():
        raise PlanError(f"{what} needs a name of 1 to {MOST_NAME} printable characters.")
    return value


def _check_session(session: Session) -> None:
    _name(session.name, "A session")
    if type(session.day) is not int or not 0 <= session.day <= 6:
        raise PlanError(f"The session “{session.name}” needs a day from 0 to 6.")


def _check_head(plan: PlanDocument) -> None:
    _name(plan.name, "A plan")
    if plan.kind not in BLOCK_KINDS:
        raise PlanError(f"The kind of a block is one of: {', '.join(BLOCK_KINDS)}.")
    if plan.unit not in get_args(Unit):
        raise PlanError("The unit of a plan is kg or lb.")
    if len(plan.purpose) > 1000:
        raise PlanError("The purpose of a block is up to 1000 characters.")
    if plan.goal_day is not None and not 0 <= plan.goal_day <= 7 * MOST_WEEKS + 28:
        raise PlanError("The goal date is too far from the block.")


def plan_to_dict(plan: PlanDocument) -> dict[str, Any]:
    """The plan as plain JSON values, cells as their texts."""
    return {
        "format": FORMAT,
        "name": plan.name,
        "kind": plan.kind,
        "weeks": plan.weeks,
        "purpose": plan.purpose,
        "unit": plan.unit,
        "goal_day": plan.goal_day,
        "most_step": None if plan.most_step is None else str(plan.most_step),
        "living": _living_to_dict(plan.living),
        "next_id": plan.next_id,
        "sessions": [_session_to_dict(session) for session in plan.sessions],
    }


def _living_to_dict(living: LivingRules) -> dict[str, Any]:
    return {
        "missed": living.missed,
        "effort": living.effort,
        "tolerance": plain(living.tolerance),
        "most_percent": plain(living.most_percent),
    }


def _session_to_dict(session: Session) -> dict[str, Any]:
    rows = [_row_to_dict(row) for row in session.rows]
    return {"id": session.id, "name": session.name, "day": session.day, "rows": rows}


def _row_to_dict(row: Row) -> dict[str, Any]:
    return {
        "id": row.id,
        "exercise": row.exercise,
        "note": row.note,
        "rules": [rule_to_dict(rule) for rule in row.rules],
        "cells": [cell.text for cell in row.cells],
    }


def plan_from_dict(data: object) -> PlanDocument:
    """Read a plan back, strictly.

    Raises
    ------
    PlanError
        With a sentence naming the place, for anything missing, unknown, of another type or out of bounds.
    """
    keys = "format name kind weeks purpose unit goal_day most_step living next_id sessions"
    given = _object(data, "The plan", keys.split())
    if given["format"] != FORMAT:
        raise PlanError(f"This plan has format {given['format']!r}; format {FORMAT} is understood.")
    weeks = _whole(given["weeks"], "The number of weeks", 1, MOST_WEEKS)
    unit = _one_of(given["unit"], "The unit of the plan", get_args(Unit))
    goal_day = given["goal_day"]
    if goal_day is not None:
        _whole(goal_day, "The goal day", 0, 7 * MOST_WEEKS + 28)
    plan = PlanDocument(
        name=_name(given["name"], "A plan"),
        kind=cast(BlockKind, _one_of(given["kind"], "The kind of the block", BLOCK_KINDS)),
        weeks=weeks,
        purpose=_text(given["purpose"], "The purpose", 1000),
        unit=cast(Unit, unit),
        living=_living(given["living"]),
        goal_day=goal_day,
        most_step=_most_step(given["most_step"]),
    )
    sessions = _list(given["sessions"], "The sessions", MOST_SESSIONS)
    for position, entry in enumerate(sessions):
        plan = _insert_session(plan, position, _session(entry, plan))
    rows = {row.id: row for _, row in plan.lines}
    for _, row in plan.lines:
        _check_follows(row, rows)
    return replace(plan, next_id=max(plan.next_id, _whole(given["next_id"], "The next id", 1, 10**9)))


def _check_follows(row: Row, rows: Mapping[str, Row]) -> None:
    if not row.rules:
        return
    seen = {row.id}
    at = row
    while True:
        rule = next((rule for rule in at.rules if isinstance(rule, DayOf)), None)
        if rule is None:
            return
        if rule.row not in rows:
            raise PlanError(f"“{row.exercise}” follows the row “{rule.row}”, which is not in the plan.")
        if rule.row in seen:
            raise PlanError(f"“{row.exercise}” follows itself. Let the light day follow the heavy one.")
        seen.add(rule.row)
        at = rows[rule.row]


def _session(data: object, plan: PlanDocument) -> Session:
    given = _object(data, "A session", ["id", "name", "day", "rows"])
    rows = _list(given["rows"], "The rows of a session", MOST_ROWS)
    return Session(
        _identity(given["id"], "s"),
        _name(given["name"], "A session"),
        _whole(given["day"], "The day of a session", 0, 6),
        tuple(_row(row, plan) for row in rows),
    )


def _row(data: object, plan: PlanDocument) -> Row:
    given = _object(data, "A row", ["id", "exercise", "note", "rules", "cells"])
    cells = _list(given["cells"], f"The cells of “{given['exercise']}”", MOST_WEEKS)
    if len(cells) != plan.weeks:
        raise PlanError(f"“{given['exercise']}” has {len(cells)} cells and the plan {plan.weeks} weeks.")
    for text in cells:
        _text(text, "A cell", MOST_TYPED)
    try:
        rules = tuple(rule_from_dict(rule) for rule in _list(given["rules"], "The rules of a row", 12))
    except RuleError as error:
        raise PlanError(f"“{given['exercise']}”: {error}") from error
    return Row(
        _identity(given["id"], "r"),
        _name(given["exercise"], "An exercise"),
        tuple(read_cell(text, plan.unit) for text in cells),
        rules,
        _text(given["note"], "The note of a row", 500),
    )


def _living(data: object) -> LivingRules:
    given = _object(data, "The block's own rules", ["missed", "effort", "tolerance", "most_percent"])
    return LivingRules(
        cast(Missed, _one_of(given["missed"], "What a missed session does", get_args(Missed))),
        cast(EffortAnswer, _one_of(given["effort"], "What effort does", get_args(EffortAnswer))),
        _decimal(given["tolerance"], "The tolerance in RPE", Decimal("0.5"), Decimal(4)),
        _decimal(given["most_percent"], "The largest adjustment in percent", Decimal(1), Decimal(20)),
    )


def _most_step(value: object) -> Step | None:
    if value is None:
        return None
    try:
        step = read_step(value, "The largest step")
    except RuleError as error:
        raise PlanError(str(error)) from error
    if step.value <= 0:
        raise PlanError("The largest step is more than nothing.")
    return step


def _object(data: object, what: str, keys: list[str]) -> dict[str, Any]:
    if not isinstance(data, dict):
        raise PlanError(f"{what} is not an object.")
    for key in keys:
        if key not in data:
            raise PlanError(f"{what} lacks “{key}”.")
    for key in data:
        if key not in keys:
            raise PlanError(f"{what} has “{key}”, which is unknown.")
    return data


def _list(value: object, what: str, most: int) -> list[Any]:
    if not isinstance(value, list) or len(value) > most:
        raise PlanError(f"{what} are a list of at most {most}.")
    return value


def _whole(value: object, what: str, low: int, high: int) -> int:
    if type(value) is not int or not low <= value <= high:
        raise PlanError(f"{what} is a whole number from {low} to {high}.")
    return value


def _decimal(value: object, what: str, low: Decimal, high: Decimal) -> Decimal:
    try:
        parsed = Decimal(value.replace(",", ".")) if isinstance(value, str) else None
    except ArithmeticError:
        parsed = None
    if parsed is None or not parsed.is_finite() or not low <= parsed <= high:
        raise PlanError(f"{what} is a number from {plain(low)} to {plain(high)}, written as text.")
    return parsed


def _one_of(value: object, what: str, allowed: tuple[str, ...]) -> str:
    if not isinstance(value, str) or value not in allowed:
        raise PlanError(f"{what} is one of: {', '.join(allowed)}.")
    return value


def _text(value: object, what: str, most: int) -> str:
    if not isinstance(value, str) or len(value) > most:
        raise PlanError(f"{what} is text of up to {most} characters.")
    return value


def _identity(value: object, letter: str) -> str:
    if not isinstance(value, str) or not value.startswith(letter) or not 0 < _number(value) < 10**9:
        raise PlanError(f"An id is “{letter}” and a number, not {value!r}.")
    return value


_EDITS: Mapping[str, type[Any]] = {
    "set cells": SetCells,
    "set row": SetRow,
    "insert row": InsertRow,
    "delete row": DeleteRow,
    "move row": MoveRow,
    "insert session": InsertSession,
    "delete session": DeleteSession,
    "move session": MoveSession,
    "set session": SetSession,
    "insert week": InsertWeek,
    "delete week": DeleteWeek,
    "move week": MoveWeek,
    "set head": SetHead,
}
_EDIT_NAMES = {cls: name for name, cls in _EDITS.items()}


def edit_to_dict(edit: Edit) -> dict[str, Any]:
    """An edit as plain JSON values."""
    found: dict[str, Any] = {"edit": _EDIT_NAMES[type(edit)]}
    for item in fields(edit):
        value: Any = getattr(edit, item.name)
        match value:
            case Row():
                value = _row_to_dict(value)
            case Session():
                value = _session_to_dict(value)
            case LivingRules():
                value = _living_to_dict(value)
            case Mass() | Percent():
                value = str(value)
            case tuple():
                value = [rule_to_dict(v) for v in value] if item.name == "rules" else [list(v) for v in value]
        found[item.name] = value
    return found


def edit_from_dict(data: object, plan: PlanDocument) -> Edit:
    """Read an edit for a plan.

    Raises
    ------
    PlanError
        With a sentence saying what is wrong with it.
    """
    name = data.get("edit") if isinstance(data, dict) else None
    if not isinstance(name, str) or name not in _EDITS:
        raise PlanError(f"An edit is one of: {', '.join(_EDITS)}.")
    cls = _EDITS[name]
    given = _object(data, f"The edit “{name}”", ["edit", *(item.name for item in fields(cls))])
    values: dict[str, Any] = {}
    for item in fields(cls):
        key, value, what = item.name, given[item.name], f"“{item.name}” of the edit “{name}”"
        if key == "cells":
            rows = _list(value, what, MOST_ROWS * MOST_WEEKS)
            kinds = (str, int, str) if cls is SetCells else (str, str)
            for entry in rows:
                if not isinstance(entry, list | tuple) or tuple(map(type, entry)) != kinds:
                    raise PlanError(f"{what} holds an entry that is not a cell.")
            values[key] = tuple(tuple(entry) for entry in rows)
        elif key == "rules":
            try:
                values[key] = tuple(rule_from_dict(rule) for rule in _list(value, what, 12))
            except RuleError as error:
                raise PlanError(str(error)) from error
        elif key == "new":
            values[key] = _row(value, plan) if cls is InsertRow else _session(value, plan)
        elif key == "living":
            values[key] = _living(value)
        elif key == "most_step":
            values[key] = _most_step(value)
        elif key in ("position", "week", "to", "day"):
            values[key] = _whole(value, what, 0, MOST_ROWS)
        elif key == "goal_day":
            values[key] = None if value is None else _whole(value, what, 0, 7 * MOST_WEEKS + 28)
        else:
            values[key] = _text(value, what, 1000)
    edit: Edit = cls(**values)
    return edit


def deed_to_dict(deed: Deed) -> dict[str, Any]:
    """A step of undo as plain JSON values."""
    return {
        "label": deed.label,
        "edits": [edit_to_dict(edit) for edit in deed.edits],
        "inverse": [edit_to_dict(edit) for edit in deed.inverse],
    }
