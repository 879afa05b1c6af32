"""What a coach says to a flag without changing the plan: not now, or not at all."""

from __future__ import annotations

from datetime import datetime

from app.planning.days import today_in
from app.planning.roster import refresh_needs
from app.storage import audit, flags, lifters
from app.storage.engine import Store, Transaction
from app.storage.models import Coach, Flag


class SnoozeInThePast(ValueError):
    """A snooze has to end after today."""


def snooze(
    store: Store,
    coach: Coach,
    lifter_id: int,
    flag_id: int,
    *,
    until: int,
    reason: str = "",
    by: str | None = None,
    now: datetime,
) -> None:
    """Take a flag off the roster until a day, unless it gets clearly worse before.

    Raises
    ------
    LifterNotFound, FlagNotFound
        If there is no such flag about one of this coach's lifters.
    SnoozeInThePast
        If the day is not after today.
    """
    _answer(store, coach, lifter_id, flag_id, state="snoozed", until=until, reason=reason, by=by, now=now)


def dismiss(
    store: Store,
    coach: Coach,
    lifter_id: int,
    flag_id: int,
    *,
    reason: str,
    by: str | None = None,
    now: datetime,
) -> None:
    """Take a flag off the roster for as long as it gets no worse; the reason is kept."""
    _answer(store, coach, lifter_id, flag_id, state="dismissed", until=None, reason=reason, by=by, now=now)


def reopen(
    store: Store, coach: Coach, lifter_id: int, flag_id: int, *, by: str | None = None, now: datetime
) -> None:
    """Take back a snooze or a dismissal."""
    _answer(store, coach, lifter_id, flag_id, state="open", until=None, reason="", by=by, now=now)


def _answer(
    store: Store,
    coach: Coach,
    lifter_id: int,
    flag_id: int,
    *,
    state: str,
    until: int | None,
    reason: str,
    by: str | None,
    now: datetime,
) -> None:
    with store.transaction() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        flag = flags.of_lifter(db, lifter.id, flag_id)
        if until is not None and until <= today_in(lifter.time_zone, now):
            raise SnoozeInThePast("Snooze until a day after today")
        answer(db, flag, state=state, until=until, reason=reason, now=now)
        audit.record(
            db,
            kind=f"flag {state}",
            actor=by or coach.name,
            at=now,
            coach_id=coach.id,
            lifter_id=lifter.id,
            flag=flag.kind,
            reason=reason,
        )
        refresh_needs(db, lifter, now=now)


def answer(db: Transaction, flag: Flag, *, state: str, until: int | None, reason: str, now: datetime) -> None:
    """Set what the coach said about a flag, inside a transaction that also does something else."""
    if flag.cleared_at is None:
        flag.state, flag.snoozed_until, flag.reason, flag.updated_at = state, until, reason, now
