"""Everything a coach owns in one open file: JSON, a workbook, or CSV tables in an archive.

The file describes itself: every table and field has its kind, unit and meaning in a dictionary that
travels along, and reading goes by that dictionary. A later version can therefore load an older file,
and a person can read it without the program. What is written comes back equal, in all three forms.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from typing import IO, Any, Literal, get_args

from app.exchange import archives, writers
from app.exchange.cells import escape_formula, unescape_formula
from app.exchange.log_file import RowError
from app.exchange.tables import Limits, Place, Refused, Table, read_table
from app.exchange.writers import XLSX_TEXT, Cell, Sheet, csv_pieces

FORMAT = "terrace-coach"
FORMAT_VERSION = 1
FILE_LIMITS = Limits(file_bytes=200 * 2**20, rows=10_000_000, unpacked_bytes=2**30, workbook_cells=8_000_000)

Kind = Literal["text", "integer", "number", "yes-no", "day", "instant", "document"]
Value = str | int | float | bool | date | datetime | dict[str, Any] | list[Any] | None
KINDS: tuple[Kind, ...] = get_args(Kind)

_NAME = re.compile(r"[a-z][a-z0-9_]{0,30}")
_LONG = "→ long text "
_LONG_SHEET, _DICTIONARY, _ABOUT = "long texts", "dictionary", "about"
_DICTIONARY_HEAD = ("table", "field", "kind", "may be empty", "unit", "meaning")
_WORDS = {
    "text": "a text",
    "integer": "a whole number",
    "number": "a number",
    "yes-no": "yes or no",
    "day": "a date as YYYY-MM-DD",
    "instant": "an instant as YYYY-MM-DDThh:mm:ss+00:00",
    "document": "a JSON document",
}


@dataclass(frozen=True, slots=True)
class Field:
    """One column. ``optional``: it may hold nothing, which is not the same as an empty text."""

    name: str
    kind: Kind
    optional: bool = False
    unit: str = ""
    meaning: str = ""


@dataclass(frozen=True, slots=True)
class Shape:
    """A table's name and fields, in order."""

    name: str
    fields: tuple[Field, ...]
    meaning: str = ""


@dataclass(frozen=True, slots=True)
class CoachFile:
    """The tables, rows in the order of their fields; a writer walks over each table once, in this order."""

    program_version: str
    made_at: datetime
    shapes: tuple[Shape, ...]
    tables: Mapping[str, Iterable[tuple[Value, ...]]]

    def records(self, table: str) -> Iterator[dict[str, Value]]:
        """The rows of a table by field name."""
        shape = next(shape for shape in self.shapes if shape.name == table)
        names = [field.name for field in shape.fields]
        return (dict(zip(names, row, strict=True)) for row in self.tables.get(table, ()))


@dataclass(frozen=True, slots=True)
class ReadCoachFile:
    file: CoachFile
    errors: tuple[RowError, ...]


Described = Mapping[str, tuple[str, Sequence[tuple[str, str, bool, str, str]]]]
"""Table -> its meaning, and of each field the name, kind, whether it may be empty, unit and meaning."""


def file_of(
    described: Described,
    tables: Mapping[str, Iterable[tuple[Value, ...]]],
    *,
    program_version: str,
    made_at: datetime,
) -> CoachFile:
    """A file of plainly described tables."""
    shapes = [
        Shape(name, tuple(Field(*field) for field in fields), meaning)  # type: ignore[arg-type]
        for name, (meaning, fields) in described.items()
    ]
    return CoachFile(program_version, made_at, _checked(shapes, Place("export")), tables)


Writer = Callable[[CoachFile, IO[bytes]], None]
WRITERS: Mapping[str, tuple[Writer, str]]
"""Form -> how it is written, row by row, and its media type."""


# JSON


def to_json(file: CoachFile) -> bytes:
    return as_bytes(file, "json")


def as_bytes(file: CoachFile, form: str) -> bytes:
    """The whole in memory, for what is small."""
    buffer = io.BytesIO()
    WRITERS[form][0](file, buffer)
    return buffer.getvalue()


def write_json(file: CoachFile, to: IO[bytes]) -> None:
    """What it is, its dictionary, its schema, then its tables: a row a line, without the nulls."""
    import orjson

    about = orjson.dumps(_about_json(file), option=orjson.OPT_INDENT_2)
    to.write(about.removesuffix(b"\n}") + b',\n  "tables": {')
    for number, shape in enumerate(file.shapes):
        to.write(b"%s\n    %s: [" % (b"," if number else b"", orjson.dumps(shape.name)))
        names = [field.name for field in shape.fields]
        between = b"\n      "
        for row in file.tables.get(shape.name, ()):
            named = zip(names, row, strict=True)
            to.write(between)
            to.write(orjson.dumps({name: _json_value(value) for name, value in named if value is not None}))
            between = b",\n      "
        to.write(b"]")
    to.write(b"\n  }\n}\n")


def _about_json(file: CoachFile) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "program_version": file.program_version,
        "made_at": file.made_at.astimezone(UTC).isoformat(),
        "dictionary": [
            {
                "table": shape.name,
                "meaning": shape.meaning,
                "fields": [
                    {
                        "name": field.name,
                        "kind": field.kind,
                        "optional": field.optional,
                        "unit": field.unit,
                        "meaning": field.meaning,
                    }
                    for field in shape.fields
                ],
            }
            for shape in file.shapes
        ],
        "schema": json_schema(file.shapes),
    }


def _json_value(value: Value) -> Any:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    return value.isoformat() if isinstance(value, date) else value


_SCHEMAS: dict[Kind, dict[str, Any]] = {
    "text": {"type": "string"},
    "integer": {"type": "integer"},
    "number": {"type": "number"},
    "yes-no": {"type": "boolean"},
    "day": {"type": "string", "format": "date"},
    "instant": {"type": "string", "format": "date-time"},
    "document": {"type": ["object", "array"]},
}


def json_schema(shapes: Sequence[Shape]) -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the ``tables`` of a file."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "type": "object",
        "properties": {
            shape.name: {
                "type": "array",
                "description": shape.meaning,
                "items": {
                    "type": "object",
                    "properties": {
                        field.name: _SCHEMAS[field.kind]
                        | {"description": f"{field.meaning}{f' [{field.unit}]' if field.unit else ''}"}
                        for field in shape.fields
                    },
                    "required": [field.name for field in shape.fields if not field.optional],
                    "additionalProperties": False,
                },
            }
            for shape in shapes
        },
    }


def from_json(data: bytes, file: str, *, limits: Limits = FILE_LIMITS) -> ReadCoachFile:
    """Read a JSON export.

    Raises
    ------
    Refused
        If it is no such file, or of a newer format.
    """
    import orjson

    place = Place(file)
    if len(data) > limits.file_bytes:
        raise Refused(place, f"the file has more than {limits.file_bytes / 2**20:g} MB.")
    try:
        whole = orjson.loads(data)
    except orjson.JSONDecodeError as error:
        raise Refused(Place(file, line=error.lineno), f"this is no JSON: {error.msg}.") from None
    if not isinstance(whole, dict):
        raise Refused(place, "this is no export of a coach's data.")
    made_at = _about(whole.get("format"), whole.get("format_version"), whole.get("made_at"), place)
    shapes = _shapes_of_json(whole.get("dictionary"), place)
    tables = whole.get("tables")
    if not isinstance(tables, dict):
        raise Refused(place, "the tables are missing.")
    errors: list[RowError] = []
    rows: dict[str, list[tuple[Value, ...]]] = {}
    for shape in shapes:
        records = tables.get(shape.name, [])
        if not isinstance(records, list):
            raise Refused(Place(file, shape.name), "this table is no list of rows.")
        rows[shape.name] = []
        for number, record in enumerate(records, 1):
            row = _row_of_json(record, shape, Place(file, shape.name, number), errors)
            if row is not None:
                rows[shape.name].append(row)
    return ReadCoachFile(
        CoachFile(str(whole.get("program_version", "")), made_at, shapes, rows), tuple(errors)
    )


def _row_of_json(
    record: object, shape: Shape, place: Place, errors: list[RowError]
) -> tuple[Value, ...] | None:
    names = {field.name for field in shape.fields}
    if not isinstance(record, dict) or not record.keys() <= names:
        errors.append(RowError(place, str(record)[:60], f"the fields {', '.join(sorted(names))}"))
        return None
    row: list[Value] = []
    for field in shape.fields:
        value = record.get(field.name)
        try:
            row.append(_of_json(value, field))
        except (ValueError, OverflowError):
            where = Place(place.file, place.sheet, place.line, field.name)
            errors.append(RowError(where, "" if value is None else str(value), _WORDS[field.kind]))
            return None
    return tuple(row)


def _of_json(value: object, field: Field) -> Value:
    if value is None and field.optional:
        return None
    match field.kind, value:
        case "text", str():
            return value
        case "yes-no", bool():
            return value
        case "document", dict() | list():
            return value
        case "integer", int() if not isinstance(value, bool):
            return value
        case "number", int() | float() if not isinstance(value, bool):
            return float(value)
        case "day", str():
            return date.fromisoformat(value)
        case "instant", str():
            return _instant(value)
    raise ValueError


def _instant(text: str) -> datetime:
    value = datetime.fromisoformat(text)
    if value.tzinfo is None:
        raise ValueError
    return value.astimezone(UTC)


def _about(format_name: object, format_version: object, made_at: object, place: Place) -> datetime:
    if format_name != FORMAT:
        raise Refused(place, "this is no export of a coach's data.")
    if not str(format_version).isdigit() or int(str(format_version)) > FORMAT_VERSION:
        raise Refused(place, "this export is of a newer version; update the program, then take it in.")
    try:
        return _instant(str(made_at))
    except ValueError:
        raise Refused(place, "the export does not say when it was made.") from None


def _shapes_of_json(dictionary: object, place: Place) -> tuple[Shape, ...]:
    try:
        return _checked(
            [
                Shape(
                    one["table"],
                    tuple(
                        Field(f["name"], f["kind"], bool(f["optional"]), str(f["unit"]), str(f["meaning"]))
                        for f in one["fields"]
                    ),
                    str(one["meaning"]),
                )
                for one in dictionary  # type: ignore[attr-defined]
            ],
            place,
        )
    except (TypeError, KeyError, AttributeError):
        raise Refused(place, "the dictionary of the export is damaged.") from None


def _checked(shapes: Sequence[Shape], place: Place) -> tuple[Shape, ...]:
    names = [shape.name for shape in shapes]
    whole = len(set(names)) == len(names) and all(
        _NAME.fullmatch(shape.name)
        and len({field.name for field in shape.fields}) == len(shape.fields)
        and all(_NAME.fullmatch(field.name) and field.kind in KINDS for field in shape.fields)
        for shape in shapes
    )
    if not whole:
        raise Refused(place, "the dictionary of the export is damaged.")
    return tuple(shapes)


# Tables of text cells: the workbook and the archive of CSV files


def _to_cell(value: Value, field: Field) -> Cell:
    """An empty cell is nothing in an optional field, and the empty text in another."""
    if value is None:
        return None
    if field.kind == "text":
        return "'" if value == "" and field.optional else _marked(str(value))
    if field.kind == "document":
        import orjson

        return orjson.dumps(value).decode()
    return value.astimezone(UTC).isoformat() if isinstance(value, datetime) else value  # type: ignore[return-value]


# Texts that would read as the mark of an empty text, or of a text that stands elsewhere. Neither begins
# with what ``escape_formula`` looks for, so that a text gets an apostrophe for one reason at most.
_MARKS = re.compile(rf"'*(?:\Z|{_LONG})")


def _marked(text: str) -> str:
    return "'" + text if text and _MARKS.match(text) else text


def _of_cell(text: str, field: Field) -> Value:
    if text == "" and (field.optional or field.kind != "text"):
        if field.optional:
            return None
        raise ValueError
    return _CELL_READERS[field.kind](text)


def _text(text: str) -> str:
    plain = unescape_formula(text)
    return plain[1:] if plain == text and text.startswith("'") and _MARKS.match(text) else plain


def _yes_no(text: str) -> bool:
    return {"yes": True, "no": False}[text]


def _document(text: str) -> Value:
    import orjson

    value = orjson.loads(text)
    if not isinstance(value, dict | list):
        raise ValueError
    return value


_CELL_READERS: dict[Kind, Callable[[str], Value]] = {
    "text": _text,
    "integer": lambda text: int(unescape_formula(text)),
    "number": lambda text: float(unescape_formula(text)),
    "yes-no": _yes_no,
    "day": date.fromisoformat,
    "instant": _instant,
    "document": _document,
}


def _rows_of_cells(table: Table, shape: Shape, errors: list[RowError]) -> list[tuple[Value, ...]]:
    names = [unescape_formula(title) for title in table.header]
    missing = [field.name for field in shape.fields if field.name not in names]
    if missing:
        raise Refused(table.place(table.header_line), f"the header lacks {', '.join(missing)}.")
    columns = [names.index(field.name) for field in shape.fields]
    rows = []
    for lines, chunk in table.chunks():
        for line, cells in zip(lines, chunk, strict=True):
            row: list[Value] = []
            for column, field in zip(columns, shape.fields, strict=True):
                text = cells[column] if column < len(cells) else ""
                try:
                    row.append(_of_cell(text, field))
                except (ValueError, KeyError, OverflowError):
                    errors.append(RowError(table.place(line, column), text, _WORDS[field.kind]))
                    break
            else:
                rows.append(tuple(row))
    return rows


def _dictionary_sheet(shapes: Sequence[Shape]) -> Sheet:
    rows: list[Sequence[Cell]] = []
    for shape in shapes:
        rows.append((shape.name, "", "", "", "", shape.meaning))
        rows += [
            (shape.name, field.name, field.kind, field.optional, field.unit, field.meaning)
            for field in shape.fields
        ]
    return Sheet(_DICTIONARY, _DICTIONARY_HEAD, rows, {"meaning": 60})


def _about_sheet(file: CoachFile) -> Sheet:
    rows: list[Sequence[Cell]] = [
        ("format", FORMAT),
        ("format_version", str(FORMAT_VERSION)),
        ("program_version", file.program_version),
        ("made_at", file.made_at.astimezone(UTC).isoformat()),
        ("how to read", _READ_ME),
    ]
    return Sheet(_ABOUT, ("name", "value"), rows, {"name": 20, "value": 90})


_READ_ME = (
    "One table a sheet (or CSV file); the dictionary names each field's kind, unit and meaning. Days are "
    "YYYY-MM-DD on the lifter's calendar, instants UTC. A text that begins with an apostrophe before "
    "= + - @ is that text without the apostrophe; a lone apostrophe is an empty text, an empty cell "
    "nothing at all."
)


def _shapes_of_cells(table: Table) -> tuple[Shape, ...]:
    fields: dict[str, list[Field]] = {}
    meanings: dict[str, str] = {}
    for _, rows in table.chunks():
        for row in rows:
            name, field, kind, optional, unit, meaning = (
                unescape_formula(cell) for cell in (*row, *[""] * 6)[:6]
            )
            if field:
                fields.setdefault(name, []).append(
                    Field(field, kind, optional == "yes", unit, meaning)  # type: ignore[arg-type]
                )
            else:
                meanings[name] = meaning
                fields.setdefault(name, [])
    shapes = [Shape(name, tuple(own), meanings.get(name, "")) for name, own in fields.items()]
    return _checked(shapes, table.place(None))


def _read_about(table: Table) -> tuple[str, datetime]:
    found = {row[0]: row[1] for _, rows in table.chunks() for row in rows if len(row) > 1}
    made_at = _about(
        found.get("format"), found.get("format_version"), found.get("made_at"), table.place(None)
    )
    return unescape_formula(found.get("program_version", "")), made_at


# Workbook


def to_xlsx(file: CoachFile) -> bytes:
    return as_bytes(file, "xlsx")


def write_xlsx(file: CoachFile, to: IO[bytes]) -> None:
    """A workbook with a sheet a table.

    Raises
    ------
    ValueError
        If a table has more rows than a sheet holds; CSV and JSON have no such bound.
    """
    for shape in file.shapes:
        writers.check_rows(shape.name, file.tables.get(shape.name))
    writers.write_xlsx(_sheets(file), to)


def _sheets(file: CoachFile) -> Iterator[Sheet]:
    long: list[Sequence[Cell]] = []

    def fitting(value: Cell) -> Cell:
        """A text that may not fit a cell (it counts in UTF-16) goes to a sheet of its own, in parts."""
        size = XLSX_TEXT // 2
        if not isinstance(value, str) or len(value) < size:
            return value
        number, whole = (long[-1][0] if long else 0) + 1, escape_formula(value)  # type: ignore[operator]
        # The full stop keeps a part as it is that begins with a sign or a space.
        long.extend((number, at // size, "." + whole[at : at + size]) for at in range(0, len(whole), size))
        return f"{_LONG}{number}"

    yield _about_sheet(file)
    yield _dictionary_sheet(file.shapes)
    for shape in file.shapes:
        rows = (
            [fitting(_to_cell(value, field)) for value, field in zip(row, shape.fields, strict=True)]
            for row in file.tables.get(shape.name, ())
        )
        yield Sheet(shape.name, [field.name for field in shape.fields], rows)
    if long:
        yield Sheet(_LONG_SHEET, ("number", "part", "text"), long)


def from_xlsx(data: bytes, file: str, *, limits: Limits = FILE_LIMITS) -> ReadCoachFile:
    """Read a workbook that ``to_xlsx`` wrote, also after another program saved it again."""

    def table(name: str) -> Table:
        return read_table(data, file, limits=limits, sheet=name)

    about = table(_ABOUT)
    long: dict[str, str] = {}
    if _LONG_SHEET in about.sheets:
        for _, rows in table(_LONG_SHEET).chunks():
            for number, _part, text in rows:
                long[number] = long.get(number, "") + text[1:]

    def restored(one: Table) -> Table:
        if not long:
            return one

        def read() -> Iterator[tuple[int, list[str]]]:
            for line, row in one.read():
                yield line, [long.get(c[len(_LONG) :], c) if c.startswith(_LONG) else c for c in row]

        return replace(one, read=read)

    return _from_tables(lambda name: restored(table(name)), about, table(_DICTIONARY))


def _from_tables(table: Callable[[str], Table], about: Table, dictionary: Table) -> ReadCoachFile:
    program_version, made_at = _read_about(about)
    shapes = _shapes_of_cells(dictionary)
    errors: list[RowError] = []
    tables = {
        shape.name: _rows_of_cells(table(shape.name), shape, errors) for shape in shapes if shape.fields
    }
    return ReadCoachFile(CoachFile(program_version, made_at, shapes, tables), tuple(errors))


# CSV files in an archive


def to_csv_archive(file: CoachFile) -> bytes:
    return as_bytes(file, "zip")


def write_csv_archive(file: CoachFile, to: IO[bytes]) -> None:
    """A ZIP archive of CSV files, with the dictionary, the JSON schema and a page on how to read it."""
    import orjson

    with zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED) as archive:

        def add(name: str, pieces: Iterable[bytes]) -> None:
            with member(archive, name) as part:
                for piece in pieces:
                    part.write(piece)

        for sheet in (_about_sheet(file), _dictionary_sheet(file.shapes)):
            add(f"{sheet.name}.csv", csv_pieces(sheet.header, sheet.rows))
        add("README.txt", [(_READ_ME + "\n").encode()])
        add("schema.json", [orjson.dumps(json_schema(file.shapes), option=orjson.OPT_INDENT_2)])
        for shape in file.shapes:
            rows: Iterable[Sequence[Cell]] = (
                [_to_cell(value, field) for value, field in zip(row, shape.fields, strict=True)]
                for row in file.tables.get(shape.name, ())
            )
            add(f"tables/{shape.name}.csv", csv_pieces([field.name for field in shape.fields], rows))


def member(archive: zipfile.ZipFile, name: str) -> IO[bytes]:
    """A part of an archive, to be written piece by piece; however large it becomes."""
    # A fixed time: the same data give the same bytes.
    info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    info.compress_type = zipfile.ZIP_DEFLATED
    return archive.open(info, "w", force_zip64=True)


def from_csv_archive(data: bytes, file: str, *, limits: Limits = FILE_LIMITS) -> ReadCoachFile:
    """Read an archive that ``to_csv_archive`` wrote."""
    place = Place(file)
    if len(data) > limits.file_bytes:
        raise Refused(place, f"the file has more than {limits.file_bytes / 2**20:g} MB.")
    parts = {member.filename: member for member in archives.members(data, place, limits)}

    def table(name: str) -> Table:
        if name not in parts:
            raise Refused(place, f"the part {name} is missing.")
        part = b"".join(archives.inflated(data, parts[name], place, limits, limits.unpacked_bytes))
        return read_table(part, f"{file}/{name}", limits=limits, delimiter=",", encoding="utf-8")

    return _from_tables(
        lambda name: table(f"tables/{name}.csv"), table(f"{_ABOUT}.csv"), table(f"{_DICTIONARY}.csv")
    )


def read(data: bytes, file: str, *, limits: Limits = FILE_LIMITS) -> ReadCoachFile:
    """Read an export in any of its three forms; the content says which."""
    if not data.startswith(b"PK\x03\x04"):
        return from_json(data, file, limits=limits)
    names = {member.filename for member in archives.members(data, Place(file), limits)}
    reader = from_xlsx if "xl/workbook.xml" in names else from_csv_archive
    return reader(data, file, limits=limits)


WRITERS = {
    "json": (write_json, "application/json"),
    "xlsx": (write_xlsx, "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
    "zip": (write_csv_archive, "application/zip"),
}
