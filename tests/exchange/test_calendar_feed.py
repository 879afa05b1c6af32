"""Calendars by RFC 5545 and 7986."""

from datetime import UTC, date, datetime, timedelta

import icalendar
from hypothesis import given
from hypothesis import strategies as st

from app.exchange.calendar_feed import Event, calendar_bytes

SESSION = Event(
    "session-7@terrace.example",
    date(2026, 3, 9),
    "Squat, bench; heavy",
    "Squat 3 × 5\nBench 3 × 5",
    sequence=2,
    changed_at=datetime(2026, 3, 1, 8, tzinfo=UTC),
    link="http://127.0.0.1:8000/today",
)


def lines(*events: Event) -> list[str]:
    return calendar_bytes("Ines: training", events).decode().replace("\r\n ", "").split("\r\n")


def test_a_session_is_an_all_day_event() -> None:
    # RFC 5545, 3.6.1: with a DATE start, DTEND is the first day that is not part of the event.
    found = lines(SESSION)
    assert "DTSTART;VALUE=DATE:20260309" in found
    assert "DTEND;VALUE=DATE:20260310" in found
    assert "UID:session-7@terrace.example" in found
    assert "SEQUENCE:2" in found
    assert "STATUS:CONFIRMED" in found
    assert "DTSTAMP:20260301T080000Z" in found
    assert r"SUMMARY:Squat\, bench\; heavy" in found
    assert "DESCRIPTION:Squat 3 × 5\\nBench 3 × 5" in found


def test_a_dropped_session_stays_as_cancelled() -> None:
    assert "STATUS:CANCELLED" in lines(Event("a@b", date(2026, 3, 9), "Squat", status="CANCELLED"))


def test_the_calendar_says_its_name_and_how_often_to_look() -> None:
    # RFC 7986, 5.1 and 5.7.
    found = lines()
    assert "NAME:Ines: training" in found
    assert "REFRESH-INTERVAL;VALUE=DURATION:PT6H" in found
    assert "X-PUBLISHED-TTL:PT6H" in found
    assert "METHOD:PUBLISH" in found


def test_the_same_events_give_the_same_bytes_in_any_order() -> None:
    later = Event("b@b", date(2026, 3, 11), "Bench")
    assert calendar_bytes("x", [SESSION, later]) == calendar_bytes("x", [later, SESSION])


@given(st.text(st.characters(exclude_categories=("Cs",)), max_size=200), st.dates(date(1970, 1, 1)))
def test_any_text_is_folded_and_comes_back(text: str, day: date) -> None:
    day = min(day, date(9000, 1, 1))
    data = calendar_bytes(text, [Event("a@b", day, text, text)])
    # RFC 5545, 3.1: no line is longer than 75 octets.
    assert max(map(len, data.split(b"\r\n"))) <= 75
    (event,) = icalendar.Calendar.from_ical(data).walk("VEVENT")
    kept = "".join(
        c for c in text.replace("\r\n", "\n").replace("\r", "\n") if c in "\n\t" or (c >= " " and c != "\x7f")
    )
    assert str(event["summary"]) == kept
    assert event.decoded("dtstart") == day
    assert event.decoded("dtend") == day + timedelta(days=1)
