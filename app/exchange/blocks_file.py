"""BLOCKS.csv: ``lifter, block, kind, start, end``, one row a block, past or planned."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from typing import Any

from app.exchange import cells
from app.exchange.log_file import RowError
from app.exchange.tables import Refused, Table, normal_title
from app.training.records import BLOCK_KINDS, BlockSpan

FIELDS = ("lifter", "block", "kind", "start", "end")
_KINDS = {normal_title(kind): kind for kind in BLOCK_KINDS}
_DATE = f"a date as YYYY-MM-DD, from {cells.FIRST_YEAR} to {cells.LAST_YEAR}"
_EXPECTED = {
    "lifter": "the name of the lifter",
    "block": "the name of the block",
    "kind": f"one of {', '.join(BLOCK_KINDS)}",
    "start": _DATE,
    "end": _DATE,
}


@dataclass(frozen=True, slots=True)
class BlocksFile:
    blocks: Mapping[str, tuple[BlockSpan, ...]]  # by lifter, earliest first
    errors: tuple[RowError, ...]
    overlaps: tuple[RowError, ...]
    """Blocks that begin before the one before has ended; the earlier is taken to end the day before."""
    unknown_columns: tuple[str, ...]


def read_blocks(table: Table) -> BlocksFile:
    """Type the rows; a lifter has at most one block on a day.

    Raises
    ------
    Refused
        If a column is missing or there twice.
    """
    titles = [normal_title(title) for title in table.header]
    missing = [name for name in FIELDS if titles.count(name) != 1]
    if missing:
        raise Refused(
            table.place(table.header_line),
            f"the header needs the columns {', '.join(FIELDS)}, each once; look at {', '.join(missing)}.",
        )
    columns = {name: titles.index(name) for name in FIELDS}
    spans: dict[str, list[tuple[BlockSpan, int]]] = defaultdict(list)
    errors: list[RowError] = []
    for lines, rows in table.chunks():
        for line, row in zip(lines, rows, strict=True):
            values, wrong = _read_row(table, line, row, columns)
            errors += wrong
            if not wrong:
                lifter, name, kind, start, end = values
                spans[str(lifter)].append((BlockSpan(name, kind, start, end), line))
    blocks: dict[str, tuple[BlockSpan, ...]] = {}
    overlaps: list[RowError] = []
    for lifter, pairs in spans.items():
        pairs.sort(key=lambda pair: (pair[0].start, pair[1]))
        for at, ((before, first), (after, second)) in enumerate(pairwise(pairs)):
            if after.start > before.end:
                continue
            clash = RowError(
                table.place(second, columns["start"]),
                date.fromordinal(after.start).isoformat(),
                f"a day after {date.fromordinal(before.end)}, when {lifter}'s block {before.name} of line "
                f"{first} ends: a lifter has one block at a time",
            )
            if after.start == before.start:
                errors.append(clash)
            else:
                overlaps.append(clash)
                pairs[at] = replace(before, end=after.start - 1), first
        blocks[lifter] = tuple(span for span, _ in pairs)
    errors.sort(key=lambda error: error.place.line or 0)
    unknown = tuple(
        title for title, plain in zip(table.header, titles, strict=True) if plain and plain not in FIELDS
    )
    return BlocksFile(blocks, tuple(errors), tuple(overlaps), unknown)


def _read_row(
    table: Table, line: int, row: list[str], columns: Mapping[str, int]
) -> tuple[tuple[Any, ...], list[RowError]]:
    readers: dict[str, Callable[[str], Any]] = {
        "lifter": lambda text: cells.name(text, "lifter"),
        "block": lambda text: cells.name(text, "block"),
        "kind": _kind,
        "start": lambda text: cells.iso_day(text.strip()),
        "end": lambda text: cells.iso_day(text.strip()),
    }
    values: list[Any] = []
    errors = []
    for name, read in readers.items():
        text = row[columns[name]] if columns[name] < len(row) else ""
        try:
            values.append(read(text))
        except ValueError:
            errors.append(RowError(table.place(line, columns[name]), text, _EXPECTED[name]))
    if len(row) > len(table.header) and any(row[len(table.header) :]):
        errors.append(
            RowError(
                table.place(line, len(table.header)),
                f"{len(row)} cells",
                f"{len(table.header)} cells, as in the header",
            )
        )
    if not errors and values[4] < values[3]:
        start = date.fromordinal(values[3])
        errors.append(
            RowError(table.place(line, columns["end"]), row[columns["end"]], f"a day not before {start}")
        )
    return tuple(values), errors


def _kind(text: str) -> str:
    try:
        return _KINDS[normal_title(text)]
    except KeyError:
        raise ValueError("a kind of block") from None
