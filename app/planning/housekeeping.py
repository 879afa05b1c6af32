"""Lifters removed and brought back, what is forgotten after its time, and the daily backup."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from app.config import Settings
from app.planning import backups
from app.storage import accounts, audit, lifters, logs
from app.storage.engine import Store
from app.storage.models import Coach, Lifter

BackupRefused = backups.BackupRefused
UNDO_FOR = timedelta(days=30)
ANSWERS_KEPT = timedelta(days=90)  # longer than a phone's session lives, so no waiting write is lost
BACKUP_PAUSE = timedelta(minutes=2)


class RemovedNotFound(LookupError):
    """There is no removed lifter of this number to bring back."""


class TooSoon(Exception):
    """A backup was made a moment ago."""


@dataclass(frozen=True, slots=True)
class Removed:
    """A lifter who can still be brought back, and until when."""

    id: int
    name: str
    removed_at: datetime
    until: datetime


@dataclass(frozen=True, slots=True)
class Put:
    """Lifters there are data of: on the roster, in the archive, and removed."""

    everybody: Sequence[Lifter]
    archived: Sequence[Lifter]
    removed: Sequence[Removed]


def put_away(store: Store, coach: Coach) -> Put:
    with store.reading() as db:
        return Put(
            lifters.roster(db, coach, archived=True),
            accounts.archived(db, coach),
            [
                Removed(one.id, _plain(one), one.deleted_at, one.deleted_at + UNDO_FOR)
                for one in accounts.removed(db, coach)
                if one.deleted_at is not None
            ],
        )


def remove(store: Store, coach: Coach, lifter_id: int, *, by: str, now: datetime) -> None:
    """Take a lifter off: shut out at once, forgotten for good after thirty days.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.transaction() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        audit.record(db, kind="lifter removed", actor=by, coach_id=coach.id, lifter_id=lifter.id, at=now)
        lifter.deleted_at = now
        # The name is free for somebody else at once.
        lifter.name = f"{lifter.name[:100]} (removed {lifter.id})"
        accounts.drop_row(db, lifter)


def bring_back(store: Store, coach: Coach, lifter_id: int, *, by: str, now: datetime) -> str:
    """Undo a removal; the lifter's name, which gets a number if it was taken meanwhile.

    Raises
    ------
    RemovedNotFound
        If this coach removed no such lifter, or it is too long ago.
    """
    with store.transaction() as db:
        lifter = accounts.removed_lifter(db, coach, lifter_id)
        if lifter is None or lifter.deleted_at is None or now - lifter.deleted_at > UNDO_FOR:
            raise RemovedNotFound(lifter_id)
        taken = lifters.by_name(db, coach)
        name, number = _plain(lifter), 2
        while name.casefold() in taken:
            name, number = f"{_plain(lifter)[:100]} ({number})", number + 1
        lifter.name, lifter.deleted_at, lifter.stale_at = name, None, now
        audit.record(db, kind="lifter brought back", actor=by, coach_id=coach.id, lifter_id=lifter.id, at=now)
        return name


def _plain(lifter: Lifter) -> str:
    """The name a removed lifter had."""
    return lifter.name.removesuffix(f" (removed {lifter.id})")


def purge(store: Store, *, now: datetime) -> int:
    """Forget removed lifters whose time is over, and old answers to phones; how many lifters that were."""
    with store.reading() as db:
        waiting = [one.id for one in accounts.removed_before(db, now - UNDO_FOR)]
    for lifter_id in waiting:
        with store.transaction() as db:  # One lifter a transaction: years of sets take a moment.
            for one in accounts.removed_before(db, now - UNDO_FOR):
                if one.id == lifter_id:
                    accounts.purge(db, one)
    with store.transaction() as db:
        logs.forget_writes_before(db, now - ANSWERS_KEPT)
    return len(waiting)


def daily(store: Store, settings: Settings, *, now: datetime) -> Path | None:
    """What is done once a day without being asked; the backup, if one was due."""
    made = backups.keep(store, settings, now=now)
    purge(store, now=now)
    return made


def back_up(store: Store, settings: Settings, coach: Coach, *, by: str, now: datetime) -> Path:
    """Make a backup now.

    Raises
    ------
    TooSoon
        If one was made a moment ago.
    """
    present = backups.kept(settings)
    if present and now - present[0].made_at < BACKUP_PAUSE:
        raise TooSoon
    path = backups.make(store, settings, target=None, portable=False, now=now)
    with store.transaction() as db:
        audit.record(db, kind="backup made", actor=by, coach_id=coach.id, at=now, file=path.name)
    return path
