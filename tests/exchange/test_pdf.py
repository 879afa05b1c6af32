"""Pages for paper: size, text, grey, and any name printed without failing."""

import io
import re
from datetime import UTC, date, datetime
from pathlib import Path

import pypdf
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from app.exchange import pdf
from app.exchange.pdf import (
    Columns,
    Course,
    Document,
    Grid,
    Heading,
    Paper,
    Paragraph,
    Sheet,
    SheetDay,
    SheetExercise,
    SheetSet,
)

MADE_AT = datetime(2026, 3, 9, tzinfo=UTC)
FIRST = date(2026, 1, 5).toordinal()
REVIEW = Document(
    "Review: Base",
    "Łucja Håkansson, 5 January to 1 February 2026",
    [
        Heading("What changed"),
        Paragraph("The trend rose from 140 to 147 kg."),
        Course(
            "Squat, e1RM",
            "kg",
            [FIRST + 3 * n for n in range(10)],
            [140 + n for n in range(10)],
            [135 + n for n in range(10)],
            [145 + n for n in range(10)],
            [(FIRST + 7 * n, f"week {n + 1}") for n in range(4)],
            [(FIRST + 3 * n, 141 + n) for n in range(10)],
        ),
        Columns("Stress a week", "hard sets", ["week 1", "week 2"], [20, None], [18, 25]),
        Grid(["exercise", "change"], [["Squat", "+6.3 %"]] * 60, [3, 1], ["left", "right"]),
    ],
    MADE_AT,
)
DAY = SheetDay(
    "Monday 9 March 2026",
    [SheetExercise("Back squat", [SheetSet("127.5 kg", "5", "8")] * 5, "Two seconds down.")],
    "Keep one in reserve.",
    "http://127.0.0.1:8000/today",
)


def pages(data: bytes) -> list[pypdf.PageObject]:
    return list(pypdf.PdfReader(io.BytesIO(data)).pages)


@pytest.mark.parametrize(("paper", "size"), [("A4", (210, 297)), ("Letter", (215.9, 279.4))])
def test_pages_have_the_size_of_the_paper(paper: Paper, size: tuple[float, float]) -> None:
    # ISO 216 A4 and ANSI/ASME Y14.1 size A, in millimetres; PDF counts in points of 25.4 / 72 mm.
    for data in (
        pdf.document_pdf(REVIEW, paper=paper),
        pdf.sheet_pdf(Sheet("Ines", [DAY], MADE_AT), paper=paper),
    ):
        for page in pages(data):
            found = (float(page.mediabox.width) * 25.4 / 72, float(page.mediabox.height) * 25.4 / 72)
            assert found == pytest.approx(size, abs=0.1)


def test_a_review_says_what_it_was_given_and_repeats_the_header() -> None:
    found = pages(pdf.document_pdf(REVIEW))
    text = [page.extract_text() for page in found]
    assert "Review: Base" in text[0]
    assert "The trend rose from 140 to 147 kg." in text[0]
    assert len(found) > 1
    assert all("exercise" in one for one in text)
    assert f"page 1 of {len(found)}" in text[0]


def test_a_training_day_is_one_page_with_boxes() -> None:
    found = pages(pdf.sheet_pdf(Sheet("Ines", [DAY, DAY], MADE_AT)))
    assert len(found) == 2
    text = found[0].extract_text()
    for words in (
        "Monday 9 March 2026",
        "Ines",
        "Back squat",
        "127.5 kg",
        "load done",
        "Session RPE",
        "Warm up first",
    ):
        assert words in text


def test_no_day_planned_is_said() -> None:
    (page,) = pages(pdf.sheet_pdf(Sheet("Ines", [], MADE_AT)))
    assert "No session is planned." in page.extract_text()


def test_everything_is_grey() -> None:
    for data in (pdf.document_pdf(REVIEW), pdf.sheet_pdf(Sheet("Ines", [DAY], MADE_AT))):
        for page in pages(data):
            contents = page.get_contents()
            assert contents is not None
            assert not re.search(rb"(?:[\d.]+ ){3}(?:rg|RG)\b|(?:[\d.]+ ){4}[kK]\b", contents.get_data())


def test_accented_names_are_printed_with_a_font_of_the_system() -> None:
    if pdf.system_faces() is None:
        pytest.fail("the test machine has none of the fonts that are looked for")
    assert "Łucja Håkansson" in pages(pdf.document_pdf(REVIEW))[0].extract_text()


def test_without_a_font_letters_lose_their_accent(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pdf, "system_faces", lambda: None)
    document = Document("Łucja Žižka – “Håkansson”", "Γ 5 × 5", [], MADE_AT)
    text = pages(pdf.document_pdf(document))[0].extract_text()
    assert 'Lucja Zizka - "Håkansson"' in text
    assert "? 5 × 5" in text


def test_faces_are_looked_for_in_the_folders_given(tmp_path: Path) -> None:
    assert pdf.system_faces([str(tmp_path)]) is None
    for name in ("NotoSans-Regular.ttf", "NotoSans-Bold.ttf"):
        (tmp_path / name).touch()
    assert pdf.system_faces([str(tmp_path)]) == (
        tmp_path / "NotoSans-Regular.ttf",
        tmp_path / "NotoSans-Bold.ttf",
    )


def test_the_same_review_gives_the_same_bytes() -> None:
    assert pdf.document_pdf(REVIEW) == pdf.document_pdf(REVIEW)


def test_nothing_is_fetched(socket_disabled: None) -> None:
    assert pdf.document_pdf(REVIEW).startswith(b"%PDF")


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.text(max_size=60), st.booleans())
def test_any_text_is_printed(monkeypatch: pytest.MonkeyPatch, text: str, font: bool) -> None:
    with monkeypatch.context() as patch:
        if not font:
            patch.setattr(pdf, "system_faces", lambda: None)
        day = SheetDay(text, [SheetExercise(text, [SheetSet(text, text, text)], text)], text, "x" + text[:9])
        assert pdf.sheet_pdf(Sheet(text, [day], MADE_AT))
        parts = [
            Heading(text),
            Paragraph(text),
            Grid([text], [[text]], [1]),
            Columns(text, text, [text], [0], [None]),
        ]
        assert pdf.document_pdf(Document(text, text, parts, MADE_AT))


def test_empty_charts_are_drawn_empty() -> None:
    parts = [
        Columns("a", "", [], [], []),
        Course("b", "kg", [], [], [], [], []),
        Course("c", "kg", [1], [1], [1], [1], []),
    ]
    assert pdf.document_pdf(Document("t", "", parts, MADE_AT))


def test_an_unbroken_word_does_not_run_off_the_page() -> None:
    assert pages(
        pdf.document_pdf(Document("x" * 500, "", [Grid(["y" * 300], [["z" * 3_000]], [1])], MADE_AT))
    )
