"""Planned sessions as a calendar (RFC 5545, 7986), to subscribe to or to take in once.

A training day is a day on the lifter's own calendar, so events are all-day and carry no zone. A client
polls when it likes; the refresh interval is only a hint.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Literal

Status = Literal["CONFIRMED", "TENTATIVE", "CANCELLED"]


@dataclass(frozen=True, slots=True)
class Event:
    """One session. ``uid`` never changes; ``sequence`` grows with every change a client should take over."""

    uid: str
    day: date
    title: str
    text: str = ""
    status: Status = "CONFIRMED"
    sequence: int = 0
    changed_at: datetime = datetime(2000, 1, 1, tzinfo=UTC)
    link: str = ""


def calendar_bytes(name: str, events: Iterable[Event], *, refresh: timedelta = timedelta(hours=6)) -> bytes:
    """A whole calendar. The same events give the same bytes, so that an ETag can be taken from them."""
    from icalendar import Calendar, vDuration, vText
    from icalendar import Event as Entry

    calendar = Calendar()
    calendar.add("prodid", "-//Terrace//Training calendar//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    title = vText(" ".join(_text(name).split()))
    calendar.add("name", title)
    calendar.add("x-wr-calname", title)  # The older name of the same, which most clients still read.
    calendar.add("refresh-interval", refresh, parameters={"VALUE": "DURATION"})
    calendar.add("x-published-ttl", vDuration(refresh))
    for event in sorted(events, key=lambda event: (event.day, event.uid)):
        entry = Entry()
        entry.add("uid", event.uid)
        entry.add("dtstamp", event.changed_at.astimezone(UTC))
        entry.add("last-modified", event.changed_at.astimezone(UTC))
        entry.add("sequence", event.sequence)
        entry.add("dtstart", event.day)
        entry.add("dtend", event.day + timedelta(days=1))
        entry.add("summary", _text(event.title))
        if event.text:
            entry.add("description", _text(event.text))
        if event.link:
            entry.add("url", event.link)
        entry.add("status", event.status)
        entry.add("transp", "TRANSPARENT")  # A training day does not make its lifter busy all day.
        calendar.add_component(entry)
    return bytes(calendar.to_ical())


def _text(text: str) -> str:
    """Text without the control characters that no calendar may hold; line ends are kept."""
    plain = text.replace("\r\n", "\n").replace("\r", "\n")
    return "".join(c for c in plain if c in "\n\t" or (c >= " " and c != "\x7f"))
