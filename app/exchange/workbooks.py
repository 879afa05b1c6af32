"""XLSX in: measured member by member before the unpacking reader sees it.

The sizes an archive states about itself are not believed. Every member is inflated once in pieces,
against a budget, and its XML is looked through for what a sheet never needs (document types) and for
the furthest cell, because the reader lays a sheet out as a full rectangle: two cells in opposite
corners would ask for 17 thousand million.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime, time, timedelta
from typing import Any
from xml.parsers import expat

from app.exchange import archives
from app.exchange.tables import HEADER_ROWS, Limits, Place, Refused

SHEET_ROWS = 1_048_576  # rows of a sheet, its header among them


@contextmanager
def opened(data: bytes, file: str, limits: Limits) -> Iterator[Any]:
    """The workbook behind ``data``, after ``measure`` let it pass."""
    measure(data, file, limits)
    from python_calamine import CalamineWorkbook

    with _readable(Place(file)):
        book = CalamineWorkbook.from_filelike(io.BytesIO(data))
    yield book


@contextmanager
def _readable(place: Place) -> Iterator[None]:
    try:
        yield
    except (KeyboardInterrupt, SystemExit, Refused):
        raise
    except BaseException as error:
        sentence = (
            "the workbook is locked with a password; save it without."
            if "assword" in repr(error)
            else archives.NOT_READ
        )
        raise Refused(place, sentence) from None


def visible_sheets(book: Any) -> list[str]:
    from python_calamine import SheetTypeEnum, SheetVisibleEnum

    return [
        one.name
        for one in book.sheets_metadata
        if one.visible == SheetVisibleEnum.Visible and one.typ == SheetTypeEnum.WorkSheet
    ]


def sheet(book: Any, title: str, place: Place) -> Any:
    with _readable(place):
        return book.get_sheet_by_name(title)


def as_text(value: object) -> str:
    """A cell that is no text, as a person would type it: ISO dates, 15 digits, no ".0"."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        # Spreadsheets keep and show 15 significant digits; the rest is binary dust (82.50000000000001).
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else f"{value:.15g}"
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat(" ")
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, timedelta):
        minutes, seconds = divmod(round(value.total_seconds()), 60)
        return f"{minutes // 60}:{minutes % 60:02}:{seconds:02}"
    return str(value)


def measure(data: bytes, file: str, limits: Limits) -> None:
    """Refuse an archive that is no workbook, is broken, or would unpack to more than the limits."""
    place = Place(file)
    members = archives.members(data, place, limits)
    names = {member.filename for member in members}
    if "xl/workbook.xml" not in names:
        open_document = {"content.xml", "mimetype"} <= names
        kind = "an OpenDocument file" if open_document else "an archive without a workbook in it"
        raise Refused(place, f"this is {kind}; save the table as XLSX or CSV and take that file.")
    budget = limits.unpacked_bytes
    for member in members:
        budget -= _measure_member(data, member, place, limits, budget)


def _measure_member(data: bytes, member: zipfile.ZipInfo, place: Place, limits: Limits, budget: int) -> int:
    is_xml = member.filename.lower().endswith((".xml", ".rels"))
    extent = _Extent()
    size, rest, is_sheet = 0, b"", False
    for piece in archives.inflated(data, member, place, limits, budget):
        size += len(piece)
        piece = rest + piece
        # A workbook may keep a sheet under any name, so the content decides what is one.
        is_sheet = is_sheet or b"sheetData" in piece
        if (is_xml or is_sheet) and (b"\0" in piece or b"<!DOCTYPE" in piece or b"<!ENTITY" in piece):
            raise Refused(
                place, f"the part {member.filename} declares entities or is no UTF-8; it is not read."
            )
        cut = piece.rfind(b"<")
        if len(piece) - cut > archives.PIECE:
            cut = len(piece) - 16  # Text longer than a piece: only a tag that straddles the border matters.
        piece, rest = piece[:cut], piece[cut:]
        if is_sheet:
            extent.add(piece)
            _check_extent(extent, place, limits)  # Not only once a sheet without end is unpacked whole.
    if is_sheet:
        extent.add(rest)
        if extent.unusual:
            extent = _ParsedExtent(place)
            for piece in archives.inflated(data, member, place, limits, budget):
                extent.add(piece)
                _check_extent(extent, place, limits)
        _check_extent(extent, place, limits)
    return size


_COLUMN = re.compile(rb'<c r="([A-Z]{1,3})\d{1,7}"')
_ROW = re.compile(rb'<c r="[A-Z]{1,3}(\d{1,7})"')
_UNUSUAL = (b":c", b"<c>", b"<c/", b"<c\n", b"<c\r", b"<c\t", b"<c  ")


class _Extent:
    """The rectangle a sheet's cells span, found by pattern, which is quick.

    ``unusual`` says that a cell was written another way (no reference, other quotes, a prefix), so that
    the pattern may have missed it.
    """

    def __init__(self) -> None:
        self.last_row = self.last_column = 0
        self.unusual = False

    def add(self, piece: bytes) -> None:
        columns = _COLUMN.findall(piece)
        self.unusual |= len(columns) != piece.count(b"<c ") or any(odd in piece for odd in _UNUSUAL)
        self.last_column = max(self.last_column, *map(_column_number, {b"", *columns}))
        self.last_row = max(self.last_row, *map(int, {b"0", *_ROW.findall(piece)}))


class _ParsedExtent(_Extent):
    """The same by a real parser, for the sheets whose cells are written in an unusual way."""

    def __init__(self, place: Place) -> None:
        super().__init__()
        self._place = place
        self._at = (0, 0)
        self._parser = expat.ParserCreate(namespace_separator=" ")
        self._parser.StartElementHandler = self._start

    def add(self, piece: bytes) -> None:
        try:
            self._parser.Parse(piece, False)
        except expat.ExpatError:
            raise Refused(self._place, archives.NOT_READ) from None

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        local = tag.rsplit(" ", 1)[-1]
        stated = attributes.get("r", "").strip().upper()
        row, column = self._at
        if local == "row":
            self._at = (int(stated) if re.fullmatch(r"[0-9]{1,9}", stated) else row + 1), 0
        elif local == "c":
            reference = re.fullmatch(r"([A-Z]{1,3})([0-9]{1,9})", stated)
            if reference:
                self._at = int(reference[2]), _column_number(reference[1].encode())
            else:
                self._at = row, column + 1
            self.last_row = max(self.last_row, self._at[0])
            self.last_column = max(self.last_column, self._at[1])


def _check_extent(extent: _Extent, place: Place, limits: Limits) -> None:
    if extent.last_row * extent.last_column > limits.workbook_cells:
        raise Refused(
            place,
            f"a sheet's cells reach down to row {extent.last_row:,} and over to column "
            f"{extent.last_column:,}, more than {limits.workbook_cells:,} cells; "
            "delete stray cells, or save it as CSV.",
        )
    if extent.last_row > min(limits.rows + HEADER_ROWS, SHEET_ROWS):
        raise Refused(
            place,
            f"a sheet's cells reach down to row {extent.last_row:,}, more than "
            f"{min(limits.rows, SHEET_ROWS):,} rows; delete stray cells, or split it by lifter or by year.",
        )


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number
