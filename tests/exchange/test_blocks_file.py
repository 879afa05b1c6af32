"""BLOCKS.csv: blocks of a lifter, one at a time."""

from datetime import date

import pytest

from app.exchange.blocks_file import BlocksFile, read_blocks
from app.exchange.tables import Refused, read_table
from app.training.records import BlockSpan

HEADER = "lifter,block,kind,start,end\n"


def read(text: str) -> BlocksFile:
    return read_blocks(read_table(text.encode(), "BLOCKS.csv"))


def test_blocks_come_by_lifter_and_in_order() -> None:
    found = read(
        HEADER
        + "Ines,Second,strength,2026-02-02,2026-03-01\nIvo,One,re-entry,2026-01-05,2026-01-05\n"
        + "Ines,First,Low-Stress,2026-01-05,2026-02-01\n"
    )
    assert found.errors == ()
    assert found.blocks["Ines"] == (
        BlockSpan("First", "low-stress", date(2026, 1, 5).toordinal(), date(2026, 2, 1).toordinal()),
        BlockSpan("Second", "strength", date(2026, 2, 2).toordinal(), date(2026, 3, 1).toordinal()),
    )


@pytest.mark.parametrize(
    ("row", "column", "expected"),
    [
        (",B,volume,2026-01-05,2026-02-01", "lifter", "the name of the lifter"),
        ("Ines,,volume,2026-01-05,2026-02-01", "block", "the name of the block"),
        ("Ines,B,bulk,2026-01-05,2026-02-01", "kind", "one of volume, strength, peak, low-stress"),
        ("Ines,B,volume,5 Jan 2026,2026-02-01", "start", "a date as YYYY-MM-DD"),
        ("Ines,B,volume,2026-01-05,2026-01-04", "end", "a day not before 2026-01-05"),
        ("Ines,B,volume,2026-01-05", "end", "a date as YYYY-MM-DD"),
        ("Ines,B,volume,2026-01-05,2026-02-01,x", "6", "5 cells, as in the header"),
    ],
)
def test_a_bad_cell_is_named(row: str, column: str, expected: str) -> None:
    (error,) = read(HEADER + row + "\n").errors
    assert str(error).startswith(f"BLOCKS.csv:2, column {column}: ")
    assert expected in str(error)


def test_an_overlap_is_told_and_ends_the_earlier_block() -> None:
    found = read(HEADER + "Ines,A,volume,2026-01-05,2026-02-02\nInes,B,peak,2026-02-02,2026-02-20\n")
    assert found.errors == ()
    assert str(found.overlaps[0]).startswith("BLOCKS.csv:3, column start: found “2026-02-02”")
    assert [date.fromordinal(span.end) for span in found.blocks["Ines"]] == [
        date(2026, 2, 1),
        date(2026, 2, 20),
    ]


def test_two_blocks_that_begin_together_are_an_error() -> None:
    found = read(HEADER + "Ines,A,volume,2026-01-05,2026-02-02\nInes,B,peak,2026-01-05,2026-02-20\n")
    assert "a lifter has one block at a time" in str(found.errors[0])


def test_missing_columns_are_named() -> None:
    with pytest.raises(Refused, match=r"BLOCKS.csv:1: the header needs the columns .* look at kind"):
        read("lifter,block,start,end\n")
