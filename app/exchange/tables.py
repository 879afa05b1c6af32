"""Any file or pasted text into one table of text cells, or a refusal that says where and why.

Nothing here knows what the columns mean. Text is decoded and split as it is read, so that a file costs
its own bytes and one chunk of rows; a workbook is measured (members, ratio, unpacked size, furthest
cell) before the reader that unpacks it sees it.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_SAMPLE_BYTES = 256 * 1024
_SAMPLE_ROWS = 40
HEADER_ROWS = 20
_LINES_A_RECORD = 2_000  # More line ends inside one record's quotes: a quote was left open.


@dataclass(frozen=True, slots=True)
class Limits:
    """What a file may ask of the machine. Defaults are documented in the manual and can be raised."""

    file_bytes: int = 50 * 2**20
    rows: int = 1_000_000
    columns: int = 200
    line_characters: int = 200_000
    unpacked_bytes: int = 256 * 2**20
    unpack_ratio: int = 250
    members: int = 1_000
    workbook_cells: int = 4_000_000


@dataclass(frozen=True, slots=True)
class Place:
    """Where in a file: ``line`` counts from 1, ``column`` is the header's name or a letter."""

    file: str
    sheet: str = ""
    line: int | None = None
    column: str = ""

    def __str__(self) -> str:
        if self.sheet:
            parts = [f"{self.file}, sheet {self.sheet}"] + ([f"row {self.line}"] if self.line else [])
        else:
            parts = [f"{self.file}:{self.line}" if self.line else self.file]
        return ", ".join(parts + ([f"column {self.column}"] if self.column else []))


class Refused(Exception):
    """A whole file that cannot be taken. ``str`` is a sentence: where, what is wrong, what to do."""

    def __init__(self, place: Place, sentence: str) -> None:
        super().__init__(f"{place}: {sentence}")
        self.place = place
        self.sentence = sentence


Chunk = tuple[list[int], list[list[str]]]


@dataclass(frozen=True, slots=True)
class Table:
    """A header and the rows under it, with what was recognised on the way."""

    file: str
    header: tuple[str, ...]
    header_line: int
    read: Callable[[], Iterator[tuple[int, list[str]]]] = field(repr=False)
    """The rows below the header: line number and cells, ragged as they were."""
    sheet: str = ""
    sheets: tuple[str, ...] = ()  # every visible sheet of the workbook
    encoding: str = ""
    encoding_sure: bool = True  # False: guessed from the letters
    delimiter: str = ""
    first_column: int = 0  # of the sheet; header[0] stands there
    merged: tuple[tuple[int, int, int, int], ...] = ()  # first line, first column, last line, last column

    def chunks(self, size: int = 5_000) -> Iterator[Chunk]:
        """Rows that hold anything, in lists of at most ``size``."""
        lines: list[int] = []
        rows: list[list[str]] = []
        for line, row in self.read():
            if any(row):
                lines.append(line)
                rows.append(row)
                if len(rows) == size:
                    yield lines, rows
                    lines, rows = [], []
        if rows:
            yield lines, rows

    def place(self, line: int | None, column: int | None = None) -> Place:
        if column is None:
            return Place(self.file, self.sheet, line)
        title = self.header[column] if column < len(self.header) else ""
        letter = column_letters(self.first_column + column) if self.sheet else str(column + 1)
        return Place(
            self.file, self.sheet, line, title if title and not self.sheet else _titled(letter, title)
        )

    def merged_with(self, line: int, column: int) -> str:
        """The first cell of the merged cells this one is hidden under, such as "B2"; "" if it is not."""
        at = column + self.first_column
        for top, left, bottom, right in self.merged:
            if top <= line <= bottom and left <= at <= right and (line, at) != (top, left):
                return f"{column_letters(left)}{top}"
        return ""


def _titled(letter: str, title: str) -> str:
    return f"{letter} ({title})" if title else letter


def column_letters(index: int) -> str:
    """0 -> A, 25 -> Z, 26 -> AA."""
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def normal_title(title: str) -> str:
    """A column title without the differences that do not matter: case, spaces, dashes, brackets."""
    return re.sub(r"[^0-9a-z]+", "_", title.casefold()).strip("_")


def read_file(path: Path, limits: Limits = Limits()) -> bytes:
    """The bytes of a file that is there and not too large."""
    place = Place(path.name)
    try:
        size = path.stat().st_size
        if path.is_dir():
            raise Refused(place, "this is a folder; name a file.")
        _check_size(size, place, limits)
        return path.read_bytes()
    except FileNotFoundError:
        raise Refused(Place(str(path)), "there is no such file; check the name and the folder.") from None
    except OSError as error:
        raise Refused(Place(str(path)), f"the file cannot be read ({error.strerror}).") from None


def read_table(
    data: bytes,
    file: str,
    *,
    limits: Limits = Limits(),
    expected: Collection[str] = (),
    sheet: str = "",
    delimiter: str = "",
    encoding: str = "",
) -> Table:
    """Read a file's bytes as a table.

    ``expected`` holds normal titles (see ``normal_title``): a header is looked for below title rows by
    how many of them it has, and the sheet of a workbook is chosen the same way. ``sheet``, ``delimiter``
    and ``encoding`` overrule what would be recognised.

    Raises
    ------
    Refused
        If the file is empty, too large, not a table, or broken beyond single rows.
    """
    place = Place(file)
    _check_size(len(data), place, limits)
    kind = _kind(data)
    suffix = Path(file).suffix.lower()
    if kind == "zip":
        if suffix in (".csv", ".txt", ".tsv"):
            raise Refused(place, f"the name ends in {suffix} but this is a workbook; rename it to .xlsx.")
        return _read_workbook(data, file, limits, expected, sheet)
    if kind:
        raise Refused(place, f"this is {kind}; save the table as XLSX or CSV and take that file.")
    if suffix in (".xlsx", ".xlsm"):
        raise Refused(
            place, f"the name ends in {suffix} but this is no workbook; if it is text, name it .csv."
        )
    return _read_text(data, file, limits, expected, delimiter, encoding)


def _check_size(size: int, place: Place, limits: Limits) -> None:
    if size == 0:
        raise Refused(place, "the file is empty; expected a header line and one row a set.")
    if size > limits.file_bytes:
        raise Refused(
            place,
            f"the file has {size / 2**20:.1f} MB, more than the {limits.file_bytes / 2**20:g} MB "
            "that are taken; split it by lifter or by year.",
        )


_SIGNATURES = (
    (b"PK\x03\x04", "zip"),
    (b"PK\x05\x06", "an empty archive"),
    (b"\xd0\xcf\x11\xe0", "a workbook of the old binary kind, or one locked with a password"),
    (b"%PDF", "a PDF page"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"GIF8", "a picture"),
    (b"\x1f\x8b", "a compressed file"),
    (b"7z\xbc\xaf", "a compressed file"),
    (b"SQLite format 3\0", "a database"),
    (b"{\\rtf", "a text document"),
)


def _kind(data: bytes) -> str:
    """What the content says it is; "" when it may be text. The name is not believed."""
    for start, kind in _SIGNATURES:
        if data.startswith(start):
            return kind
    start = data[:512].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if start.startswith((b"<!doctype", b"<html", b"<?xml", b"<table")):
        return "a web page or XML"
    return ""


# Text


def _read_text(
    data: bytes, file: str, limits: Limits, expected: Collection[str], delimiter: str, encoding: str
) -> Table:
    encoding, sure = (encoding, True) if encoding else _encoding(data, Place(file))
    _check_decodes(data, encoding, Place(file))
    return _text_table(
        lambda: io.TextIOWrapper(io.BytesIO(data), encoding=encoding, newline=""),
        file,
        limits,
        expected,
        delimiter,
        encoding,
        sure,
    )


def read_pasted(
    text: str,
    *,
    limits: Limits = Limits(),
    expected: Collection[str] = (),
    file: str = "pasted text",
) -> Table:
    """A table pasted from a spreadsheet (tabs, quotes around cells that hold line ends) or from CSV."""
    _check_size(len(text.encode("utf-8", "surrogatepass")), Place(file), limits)
    return _text_table(lambda: io.StringIO(text, newline=""), file, limits, expected, "", "", True)


def pasted_cells(text: str, *, limits: Limits = Limits()) -> list[list[str]]:
    """The cells of a pasted range without a header, for a grid; a single cell is a range of one."""
    place = Place("pasted text")
    if len(text) > limits.file_bytes:
        _check_size(len(text), place, limits)
    delimiter = "\t" if "\t" in text else _guess_delimiter(text) if "\n" in text.strip() else "\t"
    return [row for _, row in _records(io.StringIO(text, newline=""), delimiter, place, limits)]


def _text_table(
    open_text: Callable[[], io.TextIOBase],
    file: str,
    limits: Limits,
    expected: Collection[str],
    delimiter: str,
    encoding: str,
    sure: bool,
) -> Table:
    place = Place(file)
    sample = open_text().read(_SAMPLE_BYTES)
    stated = re.match(r"sep=(.)\r?\n?$", sample.split("\n", 1)[0])  # A line some spreadsheets write first.
    if not delimiter:
        delimiter = stated[1] if stated else _guess_delimiter(sample)
    if len(delimiter) != 1 or delimiter in '"\r\n':
        raise Refused(place, "the delimiter has to be one character such as a comma, semicolon or tab.")

    def rows() -> Iterator[tuple[int, list[str]]]:
        records = _records(open_text(), delimiter, place, limits)
        if stated:
            next(records, None)
        return records

    header_line, header = _find_header(rows(), expected, place, limits)

    def below() -> Iterator[tuple[int, list[str]]]:
        return ((line, row) for line, row in rows() if line > header_line)

    return Table(
        file,
        header,
        header_line,
        below,
        encoding=encoding,
        encoding_sure=sure,
        delimiter=delimiter,
    )


def _records(
    text: io.TextIOBase, delimiter: str, place: Place, limits: Limits
) -> Iterator[tuple[int, list[str]]]:
    """Records with the line each begins on. Bounds lines and records, so that no file can fill memory."""
    lines_open = 0

    def bounded_lines() -> Iterator[str]:
        nonlocal lines_open
        longest = limits.line_characters
        for line in text:
            lines_open += 1
            if len(line) > longest:
                raise Refused(
                    Place(place.file, line=start + lines_open - 1),
                    f"this line has {len(line):,} characters, more than {longest:,}; "
                    "the file may not be a table, or its line ends are missing.",
                )
            if "\0" in line:
                raise Refused(
                    Place(place.file, line=start + lines_open - 1),
                    f"character {line.index(chr(0)) + 1} is NUL, which no table holds; "
                    "save the file again as CSV (UTF-8).",
                )
            if lines_open > _LINES_A_RECORD:
                raise Refused(Place(place.file, line=start), _OPEN_QUOTE)
            yield line

    start, count = 1, 0
    reader = csv.reader(bounded_lines(), delimiter=delimiter, strict=True)
    try:
        for row in reader:
            yield start, row
            start = reader.line_num + 1
            lines_open = 0
            count += 1
            if count > limits.rows + HEADER_ROWS:
                raise Refused(
                    Place(place.file, line=start),
                    f"the file has more than {limits.rows:,} rows; split it by lifter or by year.",
                )
    except csv.Error as error:
        raise Refused(Place(place.file, line=start), _csv_sentence(str(error), delimiter)) from None


_OPEN_QUOTE = (
    "a quote is opened here and not closed; close it, or double it if the text itself holds a quote."
)


def _csv_sentence(error: str, delimiter: str) -> str:
    if "unexpected end" in error or "field limit" in error:
        return _OPEN_QUOTE
    if "expected after" in error:
        return (
            f"text follows a closing quote; expected a {DELIMITERS.get(delimiter, delimiter)} or the "
            "line's end (a quote inside quotes is doubled)."
        )
    return f"the line cannot be split into cells ({error})."


def _find_header(
    rows: Iterator[tuple[int, list[str]]], expected: Collection[str], place: Place, limits: Limits
) -> tuple[int, tuple[str, ...]]:
    best: tuple[int, int, list[str]] | None = None  # titles known, line, cells
    for seen, (line, row) in enumerate(rows):
        if seen >= HEADER_ROWS:
            break
        if not any(cell.strip() for cell in row):
            continue
        known = len({normal_title(cell) for cell in row} & set(expected))
        if best is None or known > best[0]:
            best = known, line, row
    if best is None:
        raise Refused(place, "the file holds no text; expected a header line and one row a set.")
    _, line, cells = best
    while cells and not cells[-1].strip():
        cells = cells[:-1]
    if len(cells) > limits.columns:
        raise Refused(
            Place(place.file, place.sheet, line),
            f"the header has {len(cells):,} columns, more than {limits.columns}; keep those of the log.",
        )
    return line, tuple(cell.strip() for cell in cells)


def _guess_delimiter(sample: str) -> str:
    """The delimiter under which most records are as wide as the header, and the header is wide."""

    def score(delimiter: str) -> tuple[bool, float, int]:
        widths = []
        try:
            for row in csv.reader(io.StringIO(sample, newline=""), delimiter=delimiter):
                if any(row):
                    widths.append(len(row))
                if len(widths) == _SAMPLE_ROWS:
                    break
        except csv.Error:
            return False, 0.0, 0
        usual = max(set(widths), key=widths.count, default=0)
        # A header of several cells counts even if no row under it is whole.
        return max([usual, *widths[:1]]) > 1, widths.count(usual) / max(len(widths), 1), usual

    return max(DELIMITERS, key=score)


_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


def _encoding(data: bytes, place: Place) -> tuple[str, bool]:
    """Name of the encoding, and whether it is certain."""
    for mark, encoding in _BOMS:
        if data.startswith(mark):
            return encoding, True
    head = data[:4096]
    if len(head) >= 4 and head.count(0) > len(head) // 4:
        # Latin letters in UTF-16 are every second byte zero, on the side the byte order says.
        return ("utf-16-le" if head[1::2].count(0) > head[0::2].count(0) else "utf-16-be"), True
    try:
        _decode_through(data, "utf-8")
        return "utf-8", True
    except UnicodeDecodeError:
        pass
    from app.exchange.legacy_text import likeliest

    return likeliest(data[: 2**22]), False


def _decode_through(data: bytes, encoding: str) -> None:
    decoder = codecs.getincrementaldecoder(encoding)()
    view = memoryview(data)
    for at in range(0, len(data), 2**20):
        decoder.decode(view[at : at + 2**20])
    decoder.decode(b"", final=True)


def _check_decodes(data: bytes, encoding: str, place: Place) -> None:
    """Decode all of it before any row is taken, or an error would come half way."""
    try:
        _decode_through(data, encoding)
    except LookupError:
        raise Refused(place, f"there is no encoding named {encoding}; try utf-8.") from None
    except UnicodeError as error:
        at = error.start if isinstance(error, UnicodeDecodeError) else 0
        line = data.count(b"\n", 0, at) + 1
        raise Refused(
            Place(place.file, line=line),
            f"the bytes are no {encoding} text; save the file again as CSV (UTF-8).",
        ) from None


# Workbooks


def _read_workbook(data: bytes, file: str, limits: Limits, expected: Collection[str], sheet: str) -> Table:
    from app.exchange import workbooks

    with workbooks.opened(data, file, limits) as book:
        visible = workbooks.visible_sheets(book)
        if sheet and sheet not in visible:
            raise Refused(Place(file), f"there is no sheet named {sheet}; there are {', '.join(visible)}.")
        best: Table | None = None
        problem: Refused | None = None
        for title in [sheet] if sheet else visible:
            try:
                table = _sheet_table(book, file, title, visible, limits, expected)
            except Refused as refused:
                problem = problem or refused
                continue
            if best is None or _known(table, expected) > _known(best, expected):
                best = table
        if best is None:
            raise problem or Refused(Place(file), "the workbook has no sheet with cells.")
        return best


def _known(table: Table, expected: Collection[str]) -> int:
    return len({normal_title(title) for title in table.header} & set(expected))


def _sheet_table(
    book: Any, file: str, title: str, visible: list[str], limits: Limits, expected: Collection[str]
) -> Table:
    from app.exchange import workbooks

    place = Place(file, title)
    cells = workbooks.sheet(book, title, place)
    first_column = (cells.start or (0, 0))[1]

    def rows() -> Iterator[tuple[int, list[str]]]:
        for line, row in enumerate(cells.iter_rows(), 1):
            yield line, [value if type(value) is str else workbooks.as_text(value) for value in row]

    header_line, header = _find_header(rows(), expected, place, limits)
    merged = tuple(
        (top + 1, left, bottom + 1, right)
        for (top, left), (bottom, right) in (cells.merged_cell_ranges or ())[:10_000]
    )

    def below() -> Iterator[tuple[int, list[str]]]:
        return ((line, row) for line, row in rows() if line > header_line)

    return Table(
        file,
        header,
        header_line,
        below,
        sheet=title,
        sheets=tuple(visible),
        first_column=first_column,
        merged=merged,
    )
