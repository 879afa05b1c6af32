"""Tables out: CSV by RFC 4180 and XLSX, with text that no spreadsheet runs."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence, Sized
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import IO, Any

from app.exchange.cells import escape_formula
from app.exchange.log_file import LogRows
from app.training.units import Unit

Cell = str | int | float | bool | date | datetime | None
_ROWS_A_PIECE = 2_000
XLSX_ROWS = 1_048_575  # rows of a sheet under its header
XLSX_TEXT = 32_767  # characters a cell of a workbook holds


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table to be written."""

    name: str
    header: Sequence[str]
    rows: Iterable[Sequence[Cell]]
    widths: Mapping[str, float] = field(default_factory=dict)  # title -> characters


def csv_pieces(
    header: Sequence[str], rows: Iterable[Sequence[Cell]], *, bom: bool = False
) -> Iterator[bytes]:
    """The file in pieces, for a response that begins before the last row is read.

    ``bom`` helps the spreadsheets that take UTF-8 for something else without it.
    """
    buffer = io.StringIO("\ufeff" if bom else "", newline="")
    buffer.seek(0, io.SEEK_END)
    writer = csv.writer(buffer)  # CRLF and doubled quotes are its default.
    writer.writerow(map(_plain, header))
    for count, row in enumerate(rows, 1):
        writer.writerow(map(_plain, row))
        if count % _ROWS_A_PIECE == 0:
            yield buffer.getvalue().encode()
            buffer.seek(0)
            buffer.truncate()
    yield buffer.getvalue().encode()


def csv_bytes(header: Sequence[str], rows: Iterable[Sequence[Cell]], *, bom: bool = False) -> bytes:
    return b"".join(csv_pieces(header, rows, bom=bom))


def _plain(value: Cell) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return escape_formula(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return _number(value)
    if isinstance(value, datetime):
        return value.isoformat(" ")
    return value.isoformat() if isinstance(value, date) else str(value)


def _number(value: float) -> str:
    if math.isnan(value):
        return ""
    return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)


def xlsx_bytes(sheets: Iterable[Sheet]) -> bytes:
    buffer = io.BytesIO()
    write_xlsx(sheets, buffer)
    return buffer.getvalue()


def write_xlsx(sheets: Iterable[Sheet], to: IO[bytes]) -> None:
    """A workbook. Text is written as text and dates as ISO text, so that no program turns them into others.

    Numbers that would lose digits in a spreadsheet's 15 are written as text too. A row is forgotten once it
    is written; sheets wait in temporary files.

    Raises
    ------
    ValueError
        If a sheet has more rows, or a text more characters, than a workbook holds.
    """
    import xlsxwriter
    from xlsxwriter.exceptions import FileCreateError

    book = xlsxwriter.Workbook(to, {"constant_memory": True, "strings_to_formulas": False})
    head = book.add_format({"bold": True, "bottom": 1, "text_wrap": True})
    text = book.add_format({"num_format": "@"})
    try:
        for sheet in sheets:
            _write_sheet(book.add_worksheet(sheet.name), sheet, head, text)
    except BaseException:
        for page in book.worksheets():  # The library leaves the files of a workbook that is not closed.
            page.row_data_fh.close()
            Path(page.row_data_filename).unlink(missing_ok=True)
        raise
    try:
        book.close()
    except FileCreateError as error:
        # Wrapped, a full disk would look like a fault of the program.
        raise error.args[0] from None


def check_rows(name: str, rows: object) -> None:
    """Say before the first row is written that a sheet cannot hold them all, where their number is known.

    Raises
    ------
    ValueError
        If there are more rows than a workbook's sheet holds.
    """
    if isinstance(rows, Sized) and len(rows) > XLSX_ROWS:
        raise ValueError(
            f"{name} has {len(rows):,} rows and a workbook's sheet holds {XLSX_ROWS:,}; take CSV or JSON"
        )


def _write_sheet(page: Any, sheet: Sheet, head: Any, text: Any) -> None:
    check_rows(sheet.name, sheet.rows)
    page.freeze_panes(1, 0)
    for column, title in enumerate(sheet.header):
        page.set_column(column, column, sheet.widths.get(title, min(max(len(title) + 2, 10), 40)))
    for column, title in enumerate(sheet.header):
        page.write_string(0, column, escape_formula(title), head)
    for row, values in enumerate(sheet.rows, 1):
        if row > XLSX_ROWS:
            raise ValueError(f"{sheet.name} has more rows than a workbook's sheet holds; take CSV or JSON")
        for column, value in enumerate(values):
            _write_cell(page, row, column, value, text)
    page.autofilter(0, 0, page.dim_rowmax or 0, max(len(sheet.header) - 1, 0))


def _write_cell(page: Any, row: int, column: int, value: Cell, text: Any) -> None:
    if value is None or value == "" or (isinstance(value, float) and math.isnan(value)):
        return
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if is_number and (abs(value) < 1e15 if isinstance(value, int) else float(f"{value:.15g}") == value):
        page.write_number(row, column, value)
        return
    plain = _plain(value)
    if len(plain) > XLSX_TEXT:
        raise ValueError(f"a cell of a workbook holds {XLSX_TEXT} characters, this text has {len(plain)}")
    page.write_string(row, column, plain, text)


# The log


@dataclass(frozen=True, slots=True)
class LogLine:
    """One set of an exported log."""

    lifter: str
    day: date
    exercise: str
    set_number: int
    load_typed: str
    unit: Unit
    reps: int
    rpe: float | None = None
    session_rpe: float | None = None
    session_minutes: float | None = None
    note: str = ""
    warm_up: bool = False
    failed: bool = False


def log_lines(rows: LogRows) -> Iterator[LogLine]:
    """The lines of a log that was read."""
    for at in range(len(rows)):
        yield LogLine(
            rows.lifters[rows.lifter[at]],
            date.fromordinal(int(rows.day[at])),
            rows.exercises[rows.exercise[at]],
            int(rows.set_number[at]),
            rows.load_typed[at],
            rows.unit(at),
            int(rows.reps[at]),
            _known(rows.rpe[at]),
            _known(rows.session_rpe[at]),
            _known(rows.session_minutes[at]),
            rows.note[at],
            bool(rows.warm_up[at]),
            bool(rows.failed[at]),
        )


def _known(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


def log_sheet(lines: Iterable[LogLine], *, name: str = "Log") -> Sheet:
    """LOG.csv's contract. Columns beyond it stand only where a line needs them."""
    kept = list(lines)
    units = {line.unit for line in kept} or {"kg"}
    loads = [title for unit, title in (("kg", "load_kg"), ("lb", "load_lb")) if unit in units]
    extra = [title for title in ("warm_up", "failed") if any(getattr(line, title) for line in kept)]
    header = ["lifter", "date", "exercise", "set_number", *loads, "reps", "rpe", "session_rpe"]
    header += ["session_minutes", "note", *extra]
    rows: list[list[Cell]] = [
        [
            line.lifter,
            line.day,
            line.exercise,
            line.set_number,
            *(_typed(line.load_typed) if title == f"load_{line.unit}" else None for title in loads),
            line.reps,
            line.rpe,
            line.session_rpe,
            line.session_minutes,
            line.note,
            *(getattr(line, title) for title in extra),
        ]
        for line in kept
    ]
    return Sheet(name, header, rows, {"lifter": 20, "date": 12, "exercise": 24, "note": 40})


def _typed(text: str) -> Cell:
    """A number where a number prints just as it was typed, else the text."""
    try:
        value = float(text)
    except ValueError:
        return text
    return value if _number(value) == text else text


def log_csv(lines: Iterable[LogLine]) -> bytes:
    sheet = log_sheet(lines)
    return csv_bytes(sheet.header, sheet.rows)


def blocks_sheet(blocks: Iterable[tuple[str, str, str, date, date]], *, name: str = "Blocks") -> Sheet:
    """BLOCKS.csv's contract: lifter, block, kind, first day, last day."""
    return Sheet(
        name,
        ["lifter", "block", "kind", "start", "end"],
        list(blocks),
        {"lifter": 20, "block": 24, "start": 12, "end": 12},
    )
