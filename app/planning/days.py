"""Days on the lifter's own calendar, as ordinals."""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]


def today_in(time_zone: str, now: datetime) -> int:
    """The day it is where the lifter lives. [d]"""
    return now.astimezone(ZoneInfo(time_zone)).date().toordinal()


def monday_of(day: int) -> int:
    """The Monday of a day's week. [d]"""
    # Ordinal 1 was a Monday.
    return day - (day - 1) % 7


def short(day: int) -> str:
    """A day inside a sentence: "9 Mar"."""
    found = date.fromordinal(day)
    return f"{found.day} {MONTHS[found.month - 1]}"
