"""Bad files end in a sentence with a place: never in an exception, never in a full memory."""

import re
import time
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from app.exchange import archives
from app.exchange.log_file import FIELDS, LogFile, read_log
from app.exchange.tables import Limits, Refused, pasted_cells, read_pasted, read_table
from tests.exchange import nasty

FILES = nasty.all_files()


def outcome(data: bytes, name: str) -> tuple[str, LogFile | None]:
    """What is said against the file ("" if nothing is), and the log if there is one."""
    try:
        log = read_log(read_table(data, name, expected=FIELDS))
    except Refused as refused:
        return str(refused), None
    return (str(log.errors[0]) if log.errors else ""), log


@pytest.mark.parametrize("file", FILES, ids=[file.name for file in FILES])
def test_a_nasty_file_is_taken_or_refused_with_its_place(file: nasty.Nasty) -> None:
    began = time.process_time()
    said, log = outcome(file.data, file.name)
    assert time.process_time() - began < 5
    if file.refused is None:
        assert said == ""
        assert log is not None
        assert len(log.rows) == file.rows
    else:
        assert re.search(file.refused, said), said
        assert said.startswith(file.name)
        assert said.endswith(".")


def test_there_are_sixty_and_more() -> None:
    assert len(FILES) >= 60
    assert sum(file.refused is not None for file in FILES) >= 50


@pytest.mark.parametrize(
    "file", [file for file in FILES if len(file.data) > 50_000], ids=lambda file: file.name
)
def test_no_nasty_file_fills_the_memory(file: nasty.Nasty) -> None:
    assert nasty.grown_by(lambda: outcome(file.data, file.name)) < 200


CELLS = st.sampled_from(
    [
        "",
        "Ines",
        "2026-03-09",
        "09/03/2026",
        "46090",
        "100",
        "82,5",
        "1,250",
        "5",
        "-1",
        "nan",
        "=1",
        '"',
        "é",
    ]
) | st.sampled_from(['a"b', "\x00", "\ufeff", "\u2028", "x\ny", "\r", "'", "3-5", "1e309", "９", " 7 ", '""'])


@st.composite
def mutated(draw: st.DrawFn) -> bytes:
    """A good log with cells exchanged, lines cut or doubled, and bytes broken."""
    rows = [nasty.HEAD.split(","), *([nasty.ROW.split(",")] * draw(st.integers(0, 4)))]
    for _ in range(draw(st.integers(0, 6))):
        row = draw(st.integers(0, len(rows) - 1))
        column = draw(st.integers(0, 5))
        rows[row] = [*rows[row][:column], draw(CELLS), *rows[row][column + draw(st.integers(0, 1)) :]]
    mark = draw(st.sampled_from([",", ";", "\t", "|", ",,"]))
    end = draw(st.sampled_from(["\n", "\r\n", "\r", ""]))
    data = bytearray(
        end.join(mark.join(row) for row in rows).encode(
            draw(st.sampled_from(["utf-8", "utf-16", "utf-16-le"]))
        )
    )
    for _ in range(draw(st.integers(0, 3))):
        if data:
            at = draw(st.integers(0, len(data) - 1))
            data[at : at + draw(st.integers(0, 3))] = draw(st.binary(max_size=3))
    return bytes(data)


@settings(max_examples=1_000, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(mutated())
def test_mutated_logs_are_typed_or_refused(data: bytes) -> None:
    said, log = outcome(data, "LOG.csv")
    assert said == "" or re.match(r"LOG\.csv.*: .+\.$", said, re.DOTALL)
    if log is None:
        return
    assert log.error_count == len(log.errors)
    for error in log.errors:
        assert re.match(r"LOG\.csv:\d+, column .+: found .+, expected .+\.$", str(error), re.DOTALL)
    rows = log.rows
    assert len(rows) <= log.facts.rows
    assert all(0 <= grams <= 1_000_000 for grams in rows.load_g.tolist())
    assert len({rows.key(at) for at in range(len(rows))}) == len(rows)


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=400))
def test_noise_is_refused(data: bytes) -> None:
    assert outcome(data, "LOG.csv")[0].endswith(".")


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_broken_workbooks_are_refused(data: st.DataObject) -> None:
    book = bytearray(GOOD_BOOK)
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(4, len(book) - 1))
        book[at : at + data.draw(st.integers(0, 4))] = data.draw(st.binary(max_size=4))
    said, _ = outcome(bytes(book), "LOG.xlsx")
    assert said == "" or said.startswith("LOG.xlsx")


GOOD_BOOK = nasty.good_book()


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=300))
def test_broken_sheets_are_refused(noise: bytes) -> None:
    data = nasty.with_sheet(nasty.sheet_with(noise))
    said, _ = outcome(data, "LOG.xlsx")
    assert said == "" or said.startswith("LOG.xlsx")


def test_limits_can_be_set() -> None:
    with pytest.raises(Refused, match="more than 3 rows"):
        read_log(read_table((nasty.GOOD + f"{nasty.ROW}\n" * 40).encode(), "LOG.csv", limits=Limits(rows=3)))
    with pytest.raises(Refused, match=r"LOG.csv: the file has 1\.0 MB, more than the 0\.5 MB"):
        read_table(b"x" * 2**20, "LOG.csv", limits=Limits(file_bytes=2**19))


@pytest.mark.parametrize(
    ("cell", "limits", "words"),
    [
        (b'<c r="A%d"><v>1</v></c>', Limits(rows=3), "down to row .*, more than 3 rows"),
        (b'<c r="A%d"><v>1</v></c>', Limits(workbook_cells=99), "down to row .*, more than 99 cells"),
        (b"<c r='A%d'><v>1</v></c>", Limits(rows=3), "down to row .*, more than 3 rows"),  # read by a parser
    ],
)
def test_a_sheet_that_is_too_large_is_not_unpacked_to_its_end(
    monkeypatch: pytest.MonkeyPatch, cell: bytes, limits: Limits, words: str
) -> None:
    rows = b"".join(b'<row r="%d">%s</row>' % (at, cell % at) for at in range(1, 300_000))
    unpacked = 0
    pieces = archives.inflated

    def counted(*given: Any) -> Iterator[bytes]:
        nonlocal unpacked
        for piece in pieces(*given):
            unpacked += len(piece)
            yield piece

    monkeypatch.setattr(archives, "inflated", counted)
    with pytest.raises(Refused, match=words):
        read_table(nasty.with_sheet(nasty.SHEET % rows), "LOG.xlsx", limits=limits)
    # A sheet written in an unusual way is gone through once to find that it is.
    assert unpacked < len(rows) / 4 + (b"'" in cell) * 1.1 * len(rows)


def test_no_sheet_ends_under_the_last_row_there_is() -> None:
    below = nasty.with_sheet(
        nasty.sheet_with(b'<row r="1048577">' + nasty.inline("A1048577", "x") + b"</row>")
    )
    roomy = Limits(rows=10**7, workbook_cells=10**9)
    with pytest.raises(Refused, match="down to row 1,048,577, more than 1,048,576 rows"):
        read_table(below, "LOG.xlsx", limits=roomy)


def test_a_guessed_encoding_is_said_to_be_guessed() -> None:
    table = read_table(nasty.GOOD.replace("Ines", "José Müller-Núñez").encode("latin-1"), "LOG.csv")
    assert not table.encoding_sure
    assert read_log(table).rows.lifters == ("José Müller-Núñez",)
    overruled = read_table(nasty.GOOD.replace("Ines", "Łuk").encode("cp1250"), "LOG.csv", encoding="cp1250")
    assert read_log(overruled).rows.lifters == ("Łuk",)
    with pytest.raises(Refused, match="there is no encoding named klingon"):
        read_table(nasty.GOOD.encode(), "LOG.csv", encoding="klingon")


@pytest.mark.parametrize(
    ("name", "encoding"),
    [
        ("Gößmann, “café” – 5×5", "cp1252"),
        ("Søren Bjørn", "latin-1"),
        ("Łukasz Wiśniewski", "cp1250"),
        ("Ľuboš Dvořák", "cp1250"),
        ("Иван Петров", "cp1251"),
        ("Γιώργος Παπαδόπουλος", "cp1253"),
        ("Renée Müller", "mac_roman"),
    ],
)
def test_old_encodings_are_told_apart_by_their_words(name: str, encoding: str) -> None:
    text = nasty.GOOD.replace("Ines", f'"{name}"').encode(encoding)
    assert read_log(read_table(text, "LOG.csv")).rows.lifters == (name,)


def test_a_workbook_s_sheet_can_be_named() -> None:
    data = nasty.two_sheets(hidden=True)
    with pytest.raises(Refused, match="there is no sheet named Sets; there are Sheet"):
        read_table(data, "LOG.xlsx", sheet="Sets")
    table = read_table(nasty.two_sheets(hidden=False), "LOG.xlsx", expected=nasty.HEAD.split(","))
    assert (table.sheet, table.sheets) == ("Sets", ("Sheet", "Sets"))


def test_a_pasted_range_is_cells_and_a_pasted_log_is_a_table() -> None:
    assert pasted_cells('100\t5\n"two\nlines"\t\n') == [["100", "5"], ["two\nlines", ""]]
    assert pasted_cells("82,5") == [["82,5"]]
    table = read_pasted(nasty.GOOD.replace(",", "\t"))
    assert read_log(table).rows.reps.tolist() == [5]
    assert table.place(2, 0).file == "pasted text"


def test_a_big_paste_is_quick() -> None:
    text = "\n".join("\t".join(str(n) for n in range(10)) for _ in range(200))
    began = time.process_time()
    assert len(pasted_cells(text)) == 200
    assert time.process_time() - began < 1
