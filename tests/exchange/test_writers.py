"""Tables out: by RFC 4180, with nothing in them that a spreadsheet runs, and the same when read again."""

import csv
import io
from datetime import date

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from app.exchange import writers
from app.exchange.blocks_file import read_blocks
from app.exchange.cells import name as clean_name
from app.exchange.log_file import read_log
from app.exchange.tables import read_table
from app.exchange.writers import (
    LogLine,
    Sheet,
    blocks_sheet,
    csv_bytes,
    log_csv,
    log_lines,
    log_sheet,
    xlsx_bytes,
)

STARTS = ("=", "+", "-", "@", "\t", "\r", "\0")


def test_lines_end_in_crlf_and_quotes_are_doubled() -> None:
    # RFC 4180, section 2, rules 1, 6 and 7.
    assert csv_bytes(["a", "b"], [['say "hi"', "one,\r\ntwo"], [None, 1.5]]) == (
        b'a,b\r\n"say ""hi""","one,\r\ntwo"\r\n,1.5\r\n'
    )


@pytest.mark.parametrize("start", STARTS)
def test_text_that_would_run_gets_an_apostrophe_and_numbers_do_not(start: str) -> None:
    # ASVS 5.0.0, 1.2.10.
    (row,) = csv.reader(io.StringIO(csv_bytes([start + "x"], []).decode(), newline=""))
    assert row == ["'" + start + "x"]
    assert csv_bytes(["a"], [[-5], [-0.5]]) == b"a\r\n-5\r\n-0.5\r\n"


def test_a_file_can_begin_with_a_mark_for_spreadsheets() -> None:
    assert csv_bytes(["é"], [], bom=True) == b"\xef\xbb\xbf\xc3\xa9\r\n"


def test_a_long_file_comes_in_pieces() -> None:
    pieces = list(writers.csv_pieces(["a"], ([n] for n in range(10_000))))
    assert len(pieces) > 3
    assert b"".join(pieces).count(b"\r\n") == 10_001


def test_workbook_cells_are_what_they_look_like() -> None:
    data = xlsx_bytes(
        [Sheet("Log", ["note", "n", "d"], [["=1+1", 1.5, date(2026, 3, 9)], ["3-5", 1 / 3, None]])]
    )
    page = openpyxl.load_workbook(io.BytesIO(data))["Log"]
    assert [(cell.value, cell.data_type) for cell in page[2]] == [
        ("'=1+1", "s"),
        (1.5, "n"),
        ("2026-03-09", "s"),
    ]
    # One third has more digits than a spreadsheet keeps, so it stands as text.
    assert [cell.value for cell in page[3]] == ["3-5", repr(1 / 3), None]


def test_a_text_longer_than_a_cell_is_not_cut_in_silence() -> None:
    with pytest.raises(ValueError, match="32767"):
        xlsx_bytes([Sheet("Log", ["note"], [["x" * 40_000]])])


NAMES = st.text(st.characters(categories=("L", "N", "P", "S", "Zs")), min_size=1, max_size=20).map(
    lambda text: clean_name("x" + text, "lifter")
)
NOTES = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=30) | st.text(
    "'=+-@\t\r\n x,\"", max_size=9
)
TYPED = st.sampled_from(["0", "82.5", "82,5", "82.50", "100", "1.25", "007", "999.999", ".5", "20."]).filter(
    lambda text: text[0] != "." and text[-1] != "."
)
LINES = st.lists(
    st.builds(
        LogLine,
        lifter=NAMES | st.sampled_from(["=Ines", "'=Ines", "-", "@home"]),
        day=st.dates(date(1950, 1, 1), date(2199, 12, 31)),
        exercise=NAMES,
        set_number=st.integers(1, 1000),
        load_typed=TYPED,
        unit=st.sampled_from(["kg", "lb"]),
        reps=st.integers(0, 1000),
        rpe=st.none() | st.integers(10, 100).map(lambda tenths: tenths / 10),
        session_rpe=st.none() | st.integers(0, 100).map(lambda tenths: tenths / 10),
        session_minutes=st.none() | st.integers(0, 1440).map(float),
        note=NOTES,
        warm_up=st.booleans(),
        failed=st.booleans(),
    ),
    max_size=6,
)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(LINES)
def test_a_log_comes_back_equal_from_csv(lines: list[LogLine]) -> None:
    log = read_log(read_table(log_csv(lines), "LOG.csv"))
    assert log.errors == ()
    assert list(log_lines(log.rows)) == lines


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(LINES)
def test_a_log_comes_back_equal_from_a_workbook(lines: list[LogLine]) -> None:
    log = read_log(read_table(xlsx_bytes([log_sheet(lines)]), "LOG.xlsx"))
    assert log.errors == ()
    assert list(log_lines(log.rows)) == lines


def test_a_plain_log_has_the_contract_s_columns_and_no_more() -> None:
    line = LogLine("Ines", date(2026, 3, 9), "Squat", 1, "82.5", "kg", 5, 8.5)
    assert log_csv([line]) == (
        b"lifter,date,exercise,set_number,load_kg,reps,rpe,session_rpe,session_minutes,note\r\n"
        b"Ines,2026-03-09,Squat,1,82.5,5,8.5,,,\r\n"
    )


def test_blocks_come_back_equal() -> None:
    rows = [("Ines", "=Base", "re-entry", date(2026, 1, 5), date(2026, 2, 1))]
    sheet = blocks_sheet(rows)
    for data, name in ((csv_bytes(sheet.header, sheet.rows), "B.csv"), (xlsx_bytes([sheet]), "B.xlsx")):
        found = read_blocks(read_table(data, name))
        assert found.errors == ()
        (span,) = found.blocks["Ines"]
        assert (span.name, span.kind) == ("=Base", "re-entry")
        assert (span.start, span.end) == (rows[0][3].toordinal(), rows[0][4].toordinal())
