"""What a lifter takes away from the phone: a sheet to write on, and an address for a calendar."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from app.planning.days import today_in
from app.planning.today import Target, target_of
from app.storage import access, phone, seasons
from app.storage.engine import Store
from app.storage.models import Lifter, PlannedSession
from app.training.units import Unit

SHEET_DAYS = 7
FEED_BACK_DAYS, FEED_AHEAD_DAYS = 60, 365


class FeedNotFound(LookupError):
    """No calendar has this address, or it was ended."""


@dataclass(frozen=True, slots=True)
class SheetLift:
    name: str
    text: str
    note: str
    sets: tuple[Target, ...]


@dataclass(frozen=True, slots=True)
class SheetDay:
    """A planned session as it goes on paper."""

    id: int
    name: str
    day: int
    note: str
    lifts: tuple[SheetLift, ...]


def sheet(store: Store, lifter: Lifter, *, now: datetime, only: int | None = None) -> tuple[SheetDay, ...]:
    """The sessions of the coming week that are still to be done, or the one asked for."""
    unit: Unit = "lb" if lifter.unit == "lb" else "kg"
    today = today_in(lifter.time_zone, now)
    found = []
    with store.reading() as db:
        due = seasons.planned_between(db, lifter.id, today, today + SHEET_DAYS - 1)
        chosen = [one.id for one in due if one.status == "planned"] if only is None else [only]
        for number in chosen:
            row = phone.planned_session(db, lifter.id, number)
            if row is None:
                continue
            planned = row[0]
            lifts = tuple(
                SheetLift(
                    exercise.name,
                    prescription.text,
                    prescription.note,
                    tuple(target_of(raw, unit) for raw in prescription.sets),
                )
                for prescription, exercise in phone.prescriptions(db, number)
            )
            found.append(SheetDay(number, planned.name, planned.day, planned.note, lifts))
    return tuple(found)


def issue_feed(store: Store, lifter: Lifter) -> str:
    """A new token for the calendar's address; the address before it ends. Only its hash is kept."""
    token = access.new_token()
    with store.transaction() as db:
        phone.set_feed(db, lifter.id, access.digest(token))
    return token


def end_feed(store: Store, lifter: Lifter) -> None:
    with store.transaction() as db:
        phone.set_feed(db, lifter.id, None)


@dataclass(frozen=True, slots=True)
class Feed:
    """Planned sessions of a lifter around today, with the exercises of each."""

    lifter: Lifter
    sessions: tuple[tuple[PlannedSession, Sequence[str]], ...]


def feed(store: Store, token: str, *, now: datetime) -> Feed:
    """What the calendar at this address holds.

    Raises
    ------
    FeedNotFound
        If no lifter's calendar has this token.
    """
    with store.reading() as db:
        lifter = phone.lifter_of_feed(db, access.digest(token))
        if lifter is None:
            raise FeedNotFound
        today = today_in(lifter.time_zone, now)
        rows = phone.sessions_with_exercises(db, lifter.id, today - FEED_BACK_DAYS, today + FEED_AHEAD_DAYS)
    return Feed(lifter, tuple(rows))
