"""Files that people and programs really send, and some that only an attacker would.

Each has the sentence it is refused with (a pattern), or None where it is to be taken as a good log of
one set or more. Written by hand; the workbooks are made with openpyxl and then bent.
"""

from __future__ import annotations

import gc
import io
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import openpyxl

HEAD = "lifter,date,exercise,load_kg,reps"
ROW = "Ines,2026-03-09,Squat,100,5"
GOOD = f"{HEAD}\n{ROW}\n"


@dataclass(frozen=True)
class Nasty:
    name: str
    data: bytes
    refused: str | None  # pattern of the refusal or of the first error; None: taken
    rows: int = 1


def workbook(fill: Callable[[Any], object], title: str = "Log") -> bytes:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = title
    fill(sheet)
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def rows_of(*rows: list[object]) -> Callable[[Any], None]:
    def fill(sheet: Any) -> None:
        for row in (HEAD.split(","), *rows):
            sheet.append(row)

    return fill


def good_book() -> bytes:
    return workbook(rows_of(["Ines", date(2026, 3, 9), "Squat", 100, 5]))


def repacked(change: Callable[[str, bytes], bytes | None], extra: dict[str, bytes] | None = None) -> bytes:
    """The good workbook with some of its parts changed, left out (None) or added."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(good_book())) as old, zipfile.ZipFile(buffer, "w", 8) as new:
        for name in old.namelist():
            part = change(name, old.read(name))
            if part is not None:
                new.writestr(name, part)
        for name, part in (extra or {}).items():
            new.writestr(name, part)
    return buffer.getvalue()


def with_sheet(xml: bytes) -> bytes:
    """A workbook whose sheet is this XML."""
    return repacked(lambda name, part: xml if name == "xl/worksheets/sheet1.xml" else part)


SHEET = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>%s</sheetData></worksheet>'


def inline(reference: str, text: str) -> bytes:
    return f'<c r="{reference}" t="inlineStr"><is><t>{text}</t></is></c>'.encode()


def sheet_with(*cells: bytes) -> bytes:
    header = b"".join(inline(f"{'ABCDE'[at]}1", title) for at, title in enumerate(HEAD.split(",")))
    return SHEET % (b'<row r="1">' + header + b"</row>" + b"".join(cells))


def lying_about_size() -> bytes:
    """A sheet of 100 MB that says it has 1,000 bytes, with the checksum of those."""
    packed = zlib.compressobj(9, zlib.DEFLATED, -15)
    shown = sheet_with()[:1000].ljust(1000)
    stream = (
        packed.compress(shown) + b"".join(packed.compress(b" " * 2**20) for _ in range(100)) + packed.flush()
    )
    data = bytearray(with_sheet(b"@" * 64))
    with zipfile.ZipFile(io.BytesIO(bytes(data))) as book:
        member = book.getinfo("xl/worksheets/sheet1.xml")
        parts = {name: book.read(name) for name in book.namelist() if name != member.filename}
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", 8) as new:
        for name, part in parts.items():
            new.writestr(name, part)
        at = buffer.tell()
    # The member is put together by hand, since no library writes a wrong size.
    name = b"xl/worksheets/sheet1.xml"
    body = buffer.getvalue()[:at]
    local = struct.pack(
        "<4sHHHHHIIIHH", b"PK\x03\x04", 20, 0, 8, 0, 0x21, zlib.crc32(shown), len(stream), 1000, len(name), 0
    )
    with zipfile.ZipFile(io.BytesIO(buffer.getvalue())) as book:
        start = book.start_dir
        count = len(book.namelist())
    end = buffer.getvalue()[start:]
    central, tail = end[:-22], end[-22:]
    entry = struct.pack(
        "<4sHHHHHHIIIHHHHHII",
        b"PK\x01\x02",
        20,
        20,
        0,
        8,
        0,
        0x21,
        zlib.crc32(shown),
        len(stream),
        1000,
        len(name),
        0,
        0,
        0,
        0,
        0,
        start,
    )
    member_bytes = local + name + stream
    new_start = start + len(member_bytes)
    new_central = central + entry + name
    tail = struct.pack(
        "<4sHHHHIIH", b"PK\x05\x06", 0, 0, count + 1, count + 1, len(new_central), new_start, 0
    )
    return body[:start] + member_bytes + new_central + tail


def merged(sheet: Any) -> None:
    rows_of(
        ["Ines", date(2026, 3, 9), "Squat", 100, 5],
        [None, date(2026, 3, 9), "Squat", 102.5, 5],
    )(sheet)
    sheet.merge_cells("A2:A3")


def moved(sheet: Any) -> None:
    """A title, a gap, and the table further down and to the right."""
    sheet["C2"] = "My training log"
    for at, title in enumerate(HEAD.split(",")):
        sheet.cell(5, 3 + at, title)
    for at, value in enumerate(["Ines", date(2026, 3, 9), "Squat", 100, "five"]):
        sheet.cell(6, 3 + at, value)


def two_sheets(hidden: bool) -> bytes:
    book = openpyxl.Workbook()
    first = book.active
    assert first is not None
    first.append(["Notes of the club"])
    second = book.create_sheet("Sets")
    rows_of(["Ines", date(2026, 3, 9), "Squat", 100, 5])(second)
    if hidden:
        second.sheet_state = "hidden"
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def text_files() -> Iterator[Nasty]:
    yield Nasty("empty.csv", b"", "empty.csv: the file is empty")
    yield Nasty("blank.csv", b" \r\n\r\n,,,\n", "blank.csv: the file holds no text")
    yield Nasty("bom-only.csv", b"\xef\xbb\xbf", "the file holds no text")
    yield Nasty("bom.csv", b"\xef\xbb\xbf" + GOOD.encode(), None)
    yield Nasty("utf-16-le.csv", b"\xff\xfe" + GOOD.encode("utf-16-le"), None)
    yield Nasty("utf-16-be.csv", b"\xfe\xff" + GOOD.encode("utf-16-be"), None)
    yield Nasty("utf-16-without-bom.csv", GOOD.encode("utf-16-le"), None)
    yield Nasty("utf-32.csv", GOOD.encode("utf-32"), None)
    yield Nasty("utf-16-cut.csv", b"\xff\xfe" + GOOD.encode("utf-16-le")[:-1], "no utf-16 text")
    yield Nasty("latin.csv", GOOD.replace("Ines", "José").encode("latin-1"), None)
    yield Nasty("polish.csv", GOOD.replace("Ines", "Łukasz Wiśniewski").encode("cp1250"), None)
    yield Nasty("nul.csv", GOOD.replace("Squat", "Squ\0at").encode(), r"nul.csv:2: character 20 is NUL")
    yield Nasty("all-nul.csv", bytes(5_000), "is NUL|no text|no utf-16")
    yield Nasty("noise.csv", bytes(range(1, 256)) * 40, r"noise.csv:\d")
    yield Nasty("header-only.csv", (HEAD + "\n").encode(), None, rows=0)
    yield Nasty("no-header.csv", f"{ROW}\n{ROW}\n".encode(), "no-header.csv:1: the header lacks the columns")
    yield Nasty("one-column.csv", b"lifter\nInes\nIvo\n", "lacks the columns date, exercise, reps, load_kg")
    yield Nasty(
        "10000-columns.csv", (",".join(f"c{n}" for n in range(10_000)) + "\n").encode(), "has 10,000 columns"
    )
    yield Nasty(
        "wide-row.csv", (GOOD + "a," * 90_000 + "\n").encode(), "wide-row.csv:3, column 6: found .90001 cells"
    )
    yield Nasty("commas.csv", b"," * 2**20, "commas.csv:1: this line has 1,048,576 characters")
    yield Nasty(
        "one-line.csv", GOOD.encode() + b"x" * 2**21, "one-line.csv:3: this line has 2,097,152 characters"
    )
    yield Nasty("cr-only.csv", GOOD.replace("\n", "\r").encode(), None)
    yield Nasty("crlf.csv", GOOD.replace("\n", "\r\n").encode(), None)
    yield Nasty("mixed-ends.csv", f"{HEAD}\r{ROW}\n{ROW}\r\n{ROW}".encode(), None, rows=3)
    yield Nasty(
        "open-quote.csv",
        f'{HEAD}\n{ROW}\n"Ines,2026-03-09,Squat,1,5\n{ROW}\n'.encode(),
        "open-quote.csv:3: a quote is opened here",
    )
    yield Nasty(
        "open-quote-long.csv",
        (f'{HEAD}\n"{ROW}\n' + f"{ROW}\n" * 9_000).encode(),
        "open-quote-long.csv:2: a quote is opened",
    )
    yield Nasty(
        "after-quote.csv",
        f'{HEAD}\n"Ines"x,2026-03-09,Squat,1,5\n'.encode(),
        "after-quote.csv:2: text follows a closing quote",
    )
    yield Nasty("inner-quote.csv", GOOD.replace("Squat", 'Squat 3" block').encode(), None)
    yield Nasty("semicolon.csv", GOOD.replace(",", ";").replace("100", "82,5").encode(), None)
    yield Nasty("tabs.txt", GOOD.replace(",", "\t").encode(), None)
    yield Nasty("bars.csv", GOOD.replace(",", "|").encode(), None)
    yield Nasty("sep-line.csv", f"sep=;\n{GOOD.replace(',', ';')}".encode(), None)
    yield Nasty(
        "comma-decimal.csv",
        GOOD.replace("100", "82,5").encode(),
        "comma-decimal.csv:2, column 6: found .6 cells., expected 5 cells",
    )
    yield Nasty(
        "thousands.csv",
        GOOD.replace("100", '"1,250"').encode(),
        "thousands.csv:2, column load_kg: .* without thousands mark",
    )
    yield Nasty(
        "serial-dates.csv",
        GOOD.replace("2026-03-09", "46090").encode(),
        "serial-dates.csv:2, column date: .*day number",
    )
    yield Nasty(
        "local-dates.csv", GOOD.replace("2026-03-09", "9/3/2026").encode(), "local-dates.csv:2, column date"
    )
    yield Nasty(
        "no-such-day.csv", GOOD.replace("2026-03-09", "2026-02-29").encode(), "no-such-day.csv:2, column date"
    )
    yield Nasty(
        "formula.csv",
        GOOD.replace("100", "=50+50").encode(),
        "formula.csv:2, column load_kg: found .=50\\+50.",
    )
    yield Nasty("formula-name.csv", GOOD.replace("Ines", "'=Ines").encode(), None)
    yield Nasty(
        "twice.csv", f"{HEAD},reps\n{ROW},5\n".encode(), "twice.csv:1: the column reps is there twice"
    )
    yield Nasty(
        "swapped.csv", f"{HEAD}\nInes,2026-03-09,100,Squat,5\n".encode(), "swapped.csv:2, column load_kg"
    )
    yield Nasty("negative.csv", GOOD.replace("100", "-100").encode(), "negative.csv:2, column load_kg")
    yield Nasty(
        "huge-number.csv", GOOD.replace("100", "9" * 400).encode(), "huge-number.csv:2, column load_kg"
    )
    yield Nasty("infinity.csv", GOOD.replace("100", "Infinity").encode(), "infinity.csv:2, column load_kg")
    yield Nasty("words.csv", GOOD.replace(",5", ",five").encode(), "words.csv:2, column reps: found .five.")
    yield Nasty("control.csv", GOOD.replace("Ines", "In\x08es").encode(), "control.csv:2, column lifter")
    yield Nasty("bidi.csv", GOOD.replace("Ines", "In\u202ees").encode(), "bidi.csv:2, column lifter")
    yield Nasty(
        "long-name.csv", GOOD.replace("Ines", "I" * 50_000).encode(), "long-name.csv:2, column lifter"
    )
    yield Nasty(
        "million-errors.csv",
        (HEAD + "\n" + "x,x,x,x,x\n" * 100_000).encode(),
        "million-errors.csv:2, column date",
    )
    yield Nasty("page.csv", b"<!DOCTYPE html><table><tr><td>lifter</td></tr></table>", "a web page")
    yield Nasty("log.json", b'[{"lifter": "Ines", "date": "2026-03-09"}]', "log.json:1: the header lacks")


def other_files() -> Iterator[Nasty]:
    yield Nasty("workbook.csv", good_book(), "ends in .csv but this is a workbook")
    yield Nasty("text.xlsx", GOOD.encode(), "ends in .xlsx but this is no workbook")
    yield Nasty("page.pdf", b"%PDF-1.7\n" + bytes(200), "a PDF page")
    yield Nasty("picture.csv", b"\x89PNG\r\n\x1a\n" + bytes(200), "a picture")
    yield Nasty("old.xls", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "of the old binary kind")
    yield Nasty("packed.csv.gz", b"\x1f\x8b\x08" + bytes(50), "a compressed file")
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("LOG.csv", GOOD)
    yield Nasty("archive.zip", buffer.getvalue(), "an archive without a workbook")
    yield Nasty("no-parts.xlsx", b"PK\x05\x06" + bytes(18), "an empty archive")
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", "<a/>")
    yield Nasty("open.ods", buffer.getvalue(), "an OpenDocument file")


def workbooks() -> Iterator[Nasty]:
    yield Nasty("good.xlsx", good_book(), None)
    yield Nasty(
        "merged.xlsx",
        workbook(merged),
        r"merged.xlsx, sheet Log, row 3, column A \(lifter\): found nothing.* merged with A2",
    )
    yield Nasty(
        "moved.xlsx", workbook(moved), r"moved.xlsx, sheet Log, row 6, column G \(reps\): found .five."
    )
    yield Nasty(
        "formula.xlsx",
        workbook(rows_of(["Ines", date(2026, 3, 9), "Squat", "=50+50", 5])),
        r"row 2, column D \(load_kg\): found nothing",
    )
    yield Nasty(
        "serial.xlsx",
        workbook(rows_of(["Ines", 46090, "Squat", 100, 5])),
        r"column B \(date\): found .46090.*day number",
    )
    yield Nasty(
        "reps-became-date.xlsx",
        workbook(rows_of(["Ines", date(2026, 3, 9), "Squat", 100, date(2026, 5, 3)])),
        r"column E \(reps\).* a text such as 3-5",
    )
    yield Nasty(
        "time.xlsx",
        workbook(rows_of(["Ines", datetime.fromisoformat("2026-03-09T18:30"), "Squat", 100, 5])),
        r"column B \(date\): found .2026-03-09 18:30:00.",
    )
    yield Nasty(
        "bool.xlsx",
        workbook(rows_of(["Ines", date(2026, 3, 9), "Squat", True, time(1, 2)])),
        r"column D \(load_kg\): found .yes.",
    )
    yield Nasty("dust.xlsx", workbook(rows_of(["Ines", date(2026, 3, 9), "Squat", 0.1 + 0.2, 5.0])), None)
    yield Nasty("text-numbers.xlsx", workbook(rows_of(["Ines", "2026-03-09", "Squat", "82,5", "5"])), None)
    yield Nasty(
        "no-cells.xlsx", workbook(lambda sheet: None), "no-cells.xlsx, sheet Log: the file holds no text"
    )
    yield Nasty("second-sheet.xlsx", two_sheets(hidden=False), None)
    yield Nasty(
        "hidden-sheet.xlsx",
        two_sheets(hidden=True),
        r"hidden-sheet.xlsx, sheet Sheet, row 1: the header lacks",
    )
    yield Nasty(
        "wide.xlsx",
        workbook(lambda sheet: sheet.append([f"c{n}" for n in range(10_000)])),
        "has 10,000 columns",
    )
    yield Nasty(
        "far-corner.xlsx",
        with_sheet(sheet_with(b'<row r="1048576">' + inline("XFD1048576", "x") + b"</row>")),
        "down to row 1,048,576 and over to column 16,384",
    )
    yield Nasty(
        "far-corner-hidden.xlsx",
        with_sheet(
            sheet_with(b"<row r='1048576'><c r='XFD1048576' t='inlineStr'><is><t>x</t></is></c></row>")
        ),
        "over to column 16,384",
    )
    yield Nasty(
        "far-corner-prefixed.xlsx",
        with_sheet(
            b'<x:worksheet xmlns:x="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
            b'<x:sheetData><x:row r="1"><x:c r="A1"/><x:c r="&#88;FD1048576"/></x:row></x:sheetData>'
            b"</x:worksheet>"
        ),
        "over to column 16,384",
    )
    yield Nasty(
        "far-corner-elsewhere.xlsx",
        repacked(
            lambda name, part: (
                part.replace(b"worksheets/sheet1.xml", b"media/picture.png")
                if name.endswith(".rels")
                else part
            ),
            {
                "xl/media/picture.png": sheet_with(
                    b'<row r="1048576">' + inline("XFD1048576", "x") + b"</row>"
                )
            },
        ),
        "over to column 16,384",
    )
    yield Nasty("bomb.xlsx", with_sheet(sheet_with(b" " * (100 * 2**20))), "sheet1.xml unpacks to more than")
    yield Nasty(
        "many-bombs.xlsx",
        repacked(
            lambda name, part: part, {f"xl/media/{n}.bin": bytes(range(256)) * 16_000 for n in range(80)}
        ),
        "unpacks to more than",
    )
    yield Nasty(
        "lying-size.xlsx", lying_about_size(), "unpacks to more than|not as long as the workbook says"
    )
    yield Nasty(
        "entities.xlsx",
        with_sheet(b'<!DOCTYPE a [<!ENTITY b "c"><!ENTITY d "&b;&b;&b;">]>' + sheet_with()),
        "declares entities",
    )
    yield Nasty(
        "strings-entities.xlsx",
        repacked(
            lambda name, part: part,
            {
                "xl/sharedStrings.xml": b'<!DOCTYPE sst [<!ENTITY a SYSTEM "file:///etc/passwd">]><sst>&a;</sst>'
            },
        ),
        "sharedStrings.xml declares entities",
    )
    yield Nasty("utf-16-part.xlsx", with_sheet(sheet_with().decode().encode("utf-16")), "no UTF-8")
    yield Nasty(
        "slip.xlsx", repacked(lambda name, part: part, {"../../evil.txt": b"x"}), "outside its folder"
    )
    yield Nasty(
        "slip-absolute.xlsx", repacked(lambda name, part: part, {"/etc/evil": b"x"}), "outside its folder"
    )
    yield Nasty(
        "many-parts.xlsx",
        repacked(lambda name, part: part, {f"p/{n}": b"" for n in range(2_000)}),
        "parts, more than 1,000",
    )
    yield Nasty("cut.xlsx", good_book()[:-300], "cannot be read")
    yield Nasty(
        "flipped.xlsx",
        bytes(b ^ 255 if 400 < at < 900 else b for at, b in enumerate(good_book())),
        "cannot be read|locked|packed|not as long|outside|archive",
    )
    yield Nasty(
        "no-sheet-part.xlsx",
        repacked(lambda name, part: None if "worksheets" in name else part),
        "no-sheet-part.xlsx",
    )
    yield Nasty(
        "broken-sheet.xlsx",
        with_sheet(b"<worksheet><sheetData><row r='x'><c r='??'"),
        "cannot be read|no text",
    )
    yield Nasty("deep.xlsx", with_sheet(SHEET % (b"<row>" * 50_000)), "cannot be read|no text")


def grown_by(call: Callable[[], object]) -> float:
    """Megabytes by which the process grew at most while ``call`` ran (Linux keeps that mark)."""
    status, marks = Path("/proc/self/status"), Path("/proc/self/clear_refs")

    def megabytes(name: str) -> float:
        line = next(line for line in status.read_text().splitlines() if line.startswith(name))
        return int(line.split()[1]) / 1024

    gc.collect()
    marks.write_text("5")
    before = megabytes("VmRSS")
    call()
    return megabytes("VmHWM") - before


def all_files() -> list[Nasty]:
    return [*text_files(), *other_files(), *workbooks()]
