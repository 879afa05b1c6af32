"""Pages for paper: a block's review, and the sheet a lifter takes to the gym. A4 or Letter, legible in grey.

No font travels with the program. A TrueType font of the system is used if one is found (DejaVu,
Liberation, Noto, Arial); else the built-in Helvetica, which knows the letters of Western Europe only:
other accented letters then lose their accent, and signs it lacks print as "?". Nothing is fetched.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

Paper = Literal["A4", "Letter"]
Align = Literal["left", "right", "center"]

MARGIN = 15.0  # [mm]
_INK, _GREY, _PALE = 0, 110, 225

_FOLDERS = (
    "/usr/share/fonts/truetype/dejavu",
    "/usr/share/fonts/dejavu-sans-fonts",
    "/usr/share/fonts/TTF",
    "/usr/share/fonts/dejavu",
    "/usr/share/fonts/truetype/liberation",
    "/usr/share/fonts/liberation-sans",
    "/usr/share/fonts/truetype/noto",
    "/usr/local/share/fonts",
    "~/.fonts",
    "~/.local/share/fonts",
    "~/Library/Fonts",
    "/Library/Fonts",
    "/System/Library/Fonts/Supplemental",
    "C:/Windows/Fonts",
)
_FACES = (
    ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf"),
    ("LiberationSans-Regular.ttf", "LiberationSans-Bold.ttf"),
    ("NotoSans-Regular.ttf", "NotoSans-Bold.ttf"),
    ("Arial.ttf", "Arial Bold.ttf"),
    ("arial.ttf", "arialbd.ttf"),
)

# Letters and signs beyond Latin-1 that take no accent off by themselves.
_PLAIN = dict(zip("–—−’‘“”„•…ŁłĐđıŒœŞşŠš", '---\'\'"""*.LlDdiOoSsSs', strict=True))


def system_faces(folders: Sequence[str] = _FOLDERS) -> tuple[Path, Path] | None:
    """Regular and bold TrueType files of the first family that is there, or None."""
    for regular, bold in _FACES:
        for folder in folders:
            found = Path(folder).expanduser() / regular, Path(folder).expanduser() / bold
            if found[0].is_file() and found[1].is_file():
                return found
    return None


# What a page is made of


@dataclass(frozen=True, slots=True)
class Heading:
    text: str


@dataclass(frozen=True, slots=True)
class Paragraph:
    text: str
    quiet: bool = False


@dataclass(frozen=True, slots=True)
class Grid:
    """A table. ``widths`` are shares of the page; ``align`` one a column."""

    header: Sequence[str]
    rows: Sequence[Sequence[str]]
    widths: Sequence[float]
    align: Sequence[Align] = ()


@dataclass(frozen=True, slots=True)
class Columns:
    """Columns side by side: planned as an outline, done as grey. None where there is nothing to show."""

    title: str
    unit: str
    labels: Sequence[str]
    planned: Sequence[float | None]
    done: Sequence[float | None]


@dataclass(frozen=True, slots=True)
class Course:
    """A line over days with its interval as a band, and the single points beside it."""

    title: str
    unit: str
    day: Sequence[int]
    level: Sequence[float]
    low: Sequence[float]
    high: Sequence[float]
    labels: Sequence[tuple[int, str]]  # day, words under the axis
    points: Sequence[tuple[int, float]] = ()


Part = Heading | Paragraph | Grid | Columns | Course


@dataclass(frozen=True, slots=True)
class Document:
    """A flowing document such as a block's review."""

    title: str
    subtitle: str
    parts: Sequence[Part]
    made_at: datetime
    language: str = "en"


@dataclass(frozen=True, slots=True)
class SheetSet:
    """One planned set, in words for the page."""

    load: str
    reps: str
    rpe: str = ""


@dataclass(frozen=True, slots=True)
class SheetExercise:
    name: str
    sets: Sequence[SheetSet]
    note: str = ""


@dataclass(frozen=True, slots=True)
class SheetDay:
    """One training day, with a link back to its page."""

    title: str
    exercises: Sequence[SheetExercise]
    note: str = ""
    link: str = ""


@dataclass(frozen=True, slots=True)
class Sheet:
    lifter: str
    days: Sequence[SheetDay]
    made_at: datetime
    caution: str = (
        "Warm up first, use safeties or a spotter, and stop at pain. Log it on the phone, or write it here."
    )


def document_pdf(document: Document, *, paper: Paper = "A4") -> bytes:
    """The document as PDF."""
    page = _Page(paper, document.title, document.made_at, document.language)
    page.pdf.add_page()
    page.title(document.title, document.subtitle)
    for part in document.parts:
        match part:
            case Heading():
                page.heading(part.text)
            case Paragraph():
                page.paragraph(part.text, quiet=part.quiet)
            case Grid():
                page.grid(part)
            case Columns():
                page.columns(part)
            case Course():
                page.course(part)
    return page.bytes()


def sheet_pdf(sheet: Sheet, *, paper: Paper = "A4") -> bytes:
    """A sheet to write on: each training day begins a page, with boxes for what was done."""
    page = _Page(paper, f"Training of {sheet.lifter}", sheet.made_at, "en")
    for day in sheet.days:
        page.pdf.add_page()
        page.day(sheet, day)
    if not sheet.days:
        page.pdf.add_page()
        page.title(f"Training of {sheet.lifter}", "No session is planned.")
    return page.bytes()


def _short(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}"


class _Page:
    def __init__(self, paper: Paper, title: str, made_at: datetime, language: str) -> None:
        from fpdf import FPDF

        page = self

        class Footed(FPDF):
            def footer(self) -> None:
                self.set_y(-MARGIN + 3)
                page.font(8, grey=_GREY)
                self.cell(0, 4, page.words(f"{title}, page {self.page_no()} of {{nb}}"), align="R")

        self.pdf: Any = Footed(unit="mm", format=paper)
        self.pdf.set_margin(MARGIN)
        self.pdf.set_auto_page_break(True, MARGIN + 4)
        self.pdf.c_margin = 0
        self.pdf.set_creation_date(made_at)
        self.pdf.set_lang(language)
        self.pdf.set_creator("Terrace")
        self.known: frozenset[int] | None = None
        faces = system_faces()
        self.family = "helvetica"
        if faces is not None:
            for style, face in zip(("", "B"), faces, strict=True):
                self.pdf.add_font("page", style, face)
            self.family = "page"
            loaded: Any = self.pdf.fonts["page"]
            self.known = frozenset(loaded.cmap)
        self.pdf.set_title(title)

    # Text

    def words(self, text: str) -> str:
        """The text in signs that the font has."""
        plain = "".join(c for c in text if c == "\n" or unicodedata.category(c)[0] != "C")
        if self.known is not None:
            return "".join(c if c == "\n" or ord(c) in self.known else "?" for c in plain)
        letters = (
            c if ord(c) < 256 else _PLAIN.get(c) or unicodedata.normalize("NFKD", c)[0]
            for c in unicodedata.normalize("NFC", plain)
        )
        return "".join(c if ord(c) < 256 else "?" for c in letters)

    def font(self, size: float, *, bold: bool = False, grey: int = _INK) -> None:
        self.pdf.set_font(self.family, "B" if bold else "", size)
        self.pdf.set_text_color(grey)

    @contextmanager
    def lines(self, width: float = 0.2, grey: int = _INK) -> Iterator[None]:
        self.pdf.set_line_width(width)
        self.pdf.set_draw_color(grey)
        yield
        self.pdf.set_line_width(0.2)
        self.pdf.set_draw_color(_INK)

    @contextmanager
    def filled(self, grey: int) -> Iterator[None]:
        """A fill colour for one shape; tables fill their cells with whatever is left behind."""
        self.pdf.set_fill_color(grey)
        yield
        self.pdf.set_fill_color(_INK)

    def text(self, text: str, size: float, *, bold: bool = False, grey: int = _INK, after: float = 2) -> None:
        self.font(size, bold=bold, grey=grey)
        self.pdf.multi_cell(
            0, size * 0.47, self.words(text), align="L", new_x="LMARGIN", new_y="NEXT", wrapmode="WORD"
        )
        self.pdf.ln(after)

    def title(self, title: str, subtitle: str) -> None:
        self.text(title, 18, bold=True, after=1)
        if subtitle:
            self.text(subtitle, 11, grey=_GREY)
        self.pdf.ln(2)

    def heading(self, text: str) -> None:
        self.room(22)  # A heading does not stand alone at the foot of a page.
        self.pdf.ln(3)
        self.text(text, 13, bold=True, after=1.5)

    def paragraph(self, text: str, *, quiet: bool = False) -> None:
        self.text(text, 8.5 if quiet else 10, grey=_GREY if quiet else _INK)

    def room(self, height: float) -> None:
        """Begin a new page unless this height is left."""
        if self.pdf.get_y() + height > self.pdf.h - MARGIN - 4:
            self.pdf.add_page()

    # Parts

    def grid(self, grid: Grid) -> None:
        from fpdf.enums import TableBordersLayout
        from fpdf.fonts import FontFace

        align = {"left": "L", "right": "R", "center": "C"}
        columns = tuple(align[a] for a in (*grid.align, *["left"] * len(grid.header))[: len(grid.header)])
        self.font(9)
        with (
            self.lines(0.15, _GREY),
            self.pdf.table(
                borders_layout=TableBordersLayout.HORIZONTAL_LINES,
                col_widths=tuple(grid.widths),
                text_align=columns,
                line_height=4.6,
                padding=(0.8, 1.2),
                headings_style=FontFace(emphasis="BOLD"),
            ) as table,
        ):
            for cells in (grid.header, *grid.rows):
                row = table.row()
                for cell in cells:
                    row.cell(self.words(cell))
        self.pdf.ln(3)

    def frame(self, title: str, unit: str, height: float) -> tuple[float, float, float]:
        """Room for a chart under its title; left, top and width of the drawing."""
        self.room(height + 18)
        self.font(10, bold=True)
        self.pdf.cell(0, 6, self.words(f"{title} [{unit}]" if unit else title), new_x="LMARGIN", new_y="NEXT")
        return MARGIN + 14, self.pdf.get_y() + 2, self.pdf.epw - 14

    def axis(self, left: float, top: float, width: float, height: float, low: float, high: float) -> None:
        """Three ruled lines with their numbers."""
        self.font(8, grey=_GREY)
        with self.lines(0.1, _PALE - 40):
            for share in (0.0, 0.5, 1.0):
                y = top + height * (1 - share)
                self.pdf.line(left, y, left + width, y)
                self.pdf.set_xy(MARGIN, y - 2)
                self.pdf.cell(12, 4, _short(low + share * (high - low)), align="R")

    def labels(self, at: Sequence[tuple[float, str]], y: float) -> None:
        """Words centred under the axis, left out where they would run into the ones before."""
        self.font(8, grey=_GREY)
        free_from = 0.0
        for x, label in at:
            words = self.words(label)
            width = self.pdf.get_string_width(words) + 2
            if x - width / 2 >= free_from and x + width / 2 <= self.pdf.w - MARGIN + 6:
                self.pdf.set_xy(x - width / 2, y)
                self.pdf.cell(width, 4, words, align="C")
                free_from = x + width / 2
        self.pdf.set_xy(MARGIN, y + 6)

    def columns(self, chart: Columns) -> None:
        height = 38.0
        highest = max([v for v in (*chart.planned, *chart.done) if v is not None], default=0) or 1.0
        left, top, width = self.frame(chart.title, chart.unit, height)
        self.axis(left, top, width, height, 0, highest)
        step = width / max(len(chart.labels), 1)
        for at, (planned, done) in enumerate(zip(chart.planned, chart.done, strict=True)):
            x = left + at * step
            if done:
                tall = height * done / highest
                with self.filled(150):
                    self.pdf.rect(x + step * 0.25, top + height - tall, step * 0.5, tall, style="F")
            if planned:
                tall = height * planned / highest
                with self.lines(0.4):
                    self.pdf.rect(x + step * 0.15, top + height - tall, step * 0.7, tall)
        self.labels(
            [(left + (at + 0.5) * step, label) for at, label in enumerate(chart.labels)], top + height + 1
        )
        self.paragraph("Outline: planned. Grey: done.", quiet=True)

    def course(self, chart: Course) -> None:
        height = 45.0
        left, top, width = self.frame(chart.title, chart.unit, height)
        values = [*chart.low, *chart.high, *(value for _, value in chart.points)] or [0.0, 1.0]
        low, high = min(values), max(values)
        margin = (high - low) * 0.05 or 1.0
        low, high = low - margin, high + margin
        days = [*chart.day, *(day for day, _ in chart.points), *(day for day, _ in chart.labels)] or [0]
        first, span = min(days), max(max(days) - min(days), 1)

        def xy(day: int, value: float) -> tuple[float, float]:
            return left + width * (day - first) / span, top + height * (high - value) / (high - low)

        self.axis(left, top, width, height, low, high)
        if len(chart.day) > 1:
            above = [xy(d, v) for d, v in zip(chart.day, chart.high, strict=True)]
            below = [xy(d, v) for d, v in zip(chart.day, chart.low, strict=True)]
            with self.filled(_PALE):
                self.pdf.polygon(above + below[::-1], style="F")
            with self.lines(0.6):
                self.pdf.polyline([xy(d, v) for d, v in zip(chart.day, chart.level, strict=True)])
        with self.lines(0.2, 60):
            for day, value in chart.points:
                x, y = xy(day, value)
                self.pdf.circle(x, y, 0.8)
        self.labels([(xy(day, low)[0], label) for day, label in chart.labels], top + height + 1)
        self.paragraph("Line: trend. Band: 90 % interval. Circles: single sessions.", quiet=True)

    def day(self, sheet: Sheet, day: SheetDay) -> None:
        """One training day. The rows grow smaller before they need a second page."""
        top = self.pdf.get_y()
        code = 30.0 if day.link else 0.0
        if code:
            self.qr(day.link, self.pdf.w - MARGIN - code, top, code)
        self.pdf.set_right_margin(MARGIN + code + 3)
        self.text(day.title, 16, bold=True, after=1)
        self.text(sheet.lifter, 11, grey=_GREY, after=1)
        if day.note:
            self.text(day.note, 9.5, after=1)
        self.text(sheet.caution, 8, grey=_GREY, after=3)
        self.text("Session RPE (0-10) ______    minutes ______    pain, where ______________", 9, after=0)
        self.pdf.set_right_margin(MARGIN)
        self.pdf.set_y(max(self.pdf.get_y(), top + code) + 3)
        rows = sum(len(one.sets) for one in day.exercises)
        heads = sum(12.0 + (5 if one.note else 0) for one in day.exercises)
        left = self.pdf.h - MARGIN - 4 - self.pdf.get_y() - heads
        height = min(8.5, max(6.0, left / max(rows, 1)))
        for one in day.exercises:
            self.exercise(one, height)

    def exercise(self, one: SheetExercise, height: float) -> None:
        self.room(12 + height * min(len(one.sets), 3))
        self.text(one.name, 11, bold=True, after=0.5)
        if one.note:
            self.text(one.note, 8.5, grey=_GREY, after=0.5)
        shares = (0.07, 0.2, 0.12, 0.11, 0.2, 0.15, 0.15)
        widths = [share * self.pdf.epw for share in shares]
        self.font(8, grey=_GREY)
        for width, title in zip(
            widths, ("set", "load", "reps", "RPE", "load done", "reps done", "RPE"), strict=True
        ):
            self.pdf.cell(width, 4.5, title, align="C")
        self.pdf.ln(4.5)
        for number, each in enumerate(one.sets, 1):
            self.room(height)
            self.font(10)
            for at, (width, words) in enumerate(
                zip(widths, (str(number), each.load, each.reps, each.rpe, "", "", ""), strict=True)
            ):
                # What is to be written stands in a box with a stronger line, so that it is found at a glance.
                with self.lines(0.4 if at > 3 else 0.1, _INK if at > 3 else _GREY):
                    self.pdf.cell(width, height, self.words(words), border=1, align="C")
            self.pdf.ln(height)
        self.pdf.ln(2.5)

    def qr(self, link: str, x: float, y: float, side: float) -> None:
        from app.exchange import qr

        rows = qr.modules(link)
        cell = side / len(rows)
        for down, row in enumerate(rows):
            for across, dark in enumerate(row):
                if dark:
                    # A hair wider than its place, or viewers show white lines between dark neighbours.
                    self.pdf.rect(x + across * cell, y + down * cell, cell * 1.02, cell * 1.02, style="F")

    def bytes(self) -> bytes:
        return bytes(self.pdf.output())
