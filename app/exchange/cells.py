"""Single cells: text that no spreadsheet runs, numbers and days as people type them.

Every function reads or writes one cell and raises ``ValueError`` with what was expected, in words
that fit after "expected".
"""

from __future__ import annotations

import math
import re
import unicodedata
from datetime import date, timedelta
from typing import Literal

DateStyle = Literal["iso", "day-month-year", "month-day-year", "year-month-day", "serial"]
DATE_STYLES: tuple[DateStyle, ...] = ("iso", "day-month-year", "month-day-year", "year-month-day", "serial")

FIRST_YEAR, LAST_YEAR = 1950, 2199
NAME_CHARACTERS = 120
NOTE_CHARACTERS = 10_000

# A spreadsheet may run a text that begins with one of these (ASVS 5.0, 1.2.10; the full-width forms are
# folded to the plain ones by some programs). Apostrophes before it count as text, or taking exactly one
# away on the way in would not restore what was there.
_RUNS = re.compile(r"'*[=+\-@\t\r\n\0＝＋－＠]")
_ESCAPED = re.compile(r"''*[=+\-@\t\r\n\0＝＋－＠]")


def escape_formula(text: str) -> str:
    """The text with one leading apostrophe if a spreadsheet might run it."""
    return "'" + text if _RUNS.match(text) else text


def unescape_formula(text: str) -> str:
    """Exactly what ``escape_formula`` was given."""
    return text[1:] if _ESCAPED.match(text) else text


_NUMBER = re.compile(r"\+?\d{1,15}(?:([.,])(\d{1,15}))?", re.ASCII)


def number(text: str) -> tuple[float, str]:
    """A number not below zero, and the decimal mark it was typed with ("" for none).

    Both marks are taken, because a file sets them by the locale of whoever saved it. "1,250" is
    refused: one reader sees one and a quarter, another a thousand.
    """
    found = _NUMBER.fullmatch(text)
    if found is None:
        raise ValueError("a number such as 82.5")
    mark, decimals = found.groups(default="")
    if mark == "," and len(decimals) == 3 and text.lstrip("+0")[:1] != ",":
        raise ValueError(
            f"a number without thousands mark: {text.replace(',', '')} or {text.replace(',', '.')}"
        )
    return float(text.replace(",", ".")), mark


def whole_number(text: str) -> int:
    """A whole number; "5.0" counts, because programs write columns with gaps that way."""
    value, _ = number(text)
    if not value.is_integer():
        raise ValueError("a whole number")
    return int(value)


def name(text: str, what: str) -> str:
    """A name as people see it: composed, trimmed, single spaces, nothing invisible."""
    plain = " ".join(unicodedata.normalize("NFC", unescape_formula(text.strip())).split())
    if not plain:
        raise ValueError(f"the name of the {what}")
    if len(plain) > NAME_CHARACTERS:
        raise ValueError(f"a name of at most {NAME_CHARACTERS} characters")
    if not plain.isprintable():
        raise ValueError("a name without control characters")
    return plain


def note(text: str) -> str:
    plain = unescape_formula(text)
    if len(plain) > NOTE_CHARACTERS:
        raise ValueError(f"a note of at most {NOTE_CHARACTERS} characters")
    if any(unicodedata.category(c) in ("Cc", "Cs") and c not in "\t\r\n" for c in plain):
        raise ValueError("a note without control characters")
    return plain


_ISO = re.compile(r"(\d{4})-(\d\d)-(\d\d)(?:[T ]00:00(?::00(?:\.0+)?)?)?", re.ASCII)
_LOCAL = re.compile(r"(\d{1,4})\s?[./-]\s?(\d{1,2})\s?[./-]\s?(\d{2,4})\.?(?:[T ]00:00(?::00)?)?", re.ASCII)
_SERIAL = re.compile(r"(\d{5})(?:\.0+)?", re.ASCII)
_EPOCH_1900 = date(1899, 12, 30)  # Day 0 after the 29 February 1900 that never was; right from 1 March 1900.


def iso_day(text: str) -> int:
    """Ordinal of an ISO 8601 calendar date (a midnight after it is let pass)."""
    found = _ISO.fullmatch(text)
    if found is None:
        raise ValueError("a date as YYYY-MM-DD")
    return _ordinal(*map(int, found.groups()))


def local_day(text: str, style: DateStyle) -> int:
    """Ordinal of a date in the stated style.

    ISO dates are taken in any style: a spreadsheet mangles some cells of a column and leaves others.
    """
    if _ISO.fullmatch(text) or style == "iso":
        return iso_day(text)
    if style == "serial":
        found = _SERIAL.fullmatch(text)
        if found is None:
            raise ValueError("a spreadsheet's day number, such as 46082")
        day = _EPOCH_1900 + timedelta(days=int(found[1]))
        return _ordinal(day.year, day.month, day.day)
    found = _LOCAL.fullmatch(text)
    if found is None:
        raise ValueError(f"a date as {style}")
    a, b, c = found.groups()
    if style == "year-month-day":
        if len(a) != 4 or len(c) > 2:
            raise ValueError("a date as year-month-day")
        return _ordinal(int(a), int(b), int(c))
    if len(a) > 2 or len(c) == 3:
        raise ValueError(f"a date as {style}")
    year = int(c) + 2000 if len(c) == 2 else int(c)
    return _ordinal(year, int(b), int(a)) if style == "day-month-year" else _ordinal(year, int(a), int(b))


def looks_like_date(text: str) -> bool:
    return bool(_ISO.fullmatch(text) or _LOCAL.fullmatch(text))


def _ordinal(year: int, month: int, day: int) -> int:
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise ValueError(f"a year from {FIRST_YEAR} to {LAST_YEAR}")
    try:
        return date(year, month, day).toordinal()
    except ValueError:
        raise ValueError("a day that exists") from None


def within(value: float, low: float, high: float, expected: str) -> float:
    if not low <= value <= high or math.isnan(value):
        raise ValueError(expected)
    return value
