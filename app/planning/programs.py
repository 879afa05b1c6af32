"""What programs do with a token: read a coach's data page by page, and write sets that are taken once."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import orjson

from app.planning.days import today_in
from app.storage import audit, blocks, exercises, lifters, logs, programs, snapshots
from app.storage.engine import Store, Transaction
from app.storage.logs import StoredSet
from app.storage.models import (
    Baseline,
    Block,
    Coach,
    Decision,
    Exercise,
    Flag,
    Lifter,
    PlannedSession,
    Prescription,
    SetMark,
)
from app.training.units import TypedMass, mass_number

MOST_SETS = 500
LAST_DAY = 4_000_000


class DayNotBegun(Exception):
    """A set is dated after today where the lifter lives."""


class KeyUsedBefore(Exception):
    """The idempotency key came with other sets before."""


class DayFull(Exception):
    """A day holds no more sets."""


@dataclass(frozen=True, slots=True)
class NewSet:
    """One set as a program sends it."""

    day: int
    exercise: str
    load: TypedMass
    reps: int
    rpe_tenths: int | None
    set_number: int | None
    seconds: int | None
    metres: int | None
    warm_up: bool
    failed: bool
    note: str


def lifters_of(store: Store, coach: Coach, *, after: int, limit: int) -> Sequence[Lifter]:
    with store.reading() as db:
        return programs.lifters(db, coach, after=after, limit=limit)


def exercises_of(store: Store, coach: Coach, *, after: int, limit: int) -> Sequence[Exercise]:
    with store.reading() as db:
        return programs.exercises(db, coach, after=after, limit=limit)


def sets_of(
    store: Store,
    coach: Coach,
    lifter_id: int,
    *,
    first_day: int = 0,
    last_day: int = LAST_DAY,
    after: tuple[int, int] = (0, -1),
    limit: int,
) -> list[tuple[StoredSet, str]]:
    """A lifter's sets in the order they were done, with the name of each exercise.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.reading() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        return programs.sets(db, lifter.id, first_day=first_day, last_day=last_day, after=after, limit=limit)


def blocks_of(store: Store, coach: Coach, lifter_id: int, *, after: int, limit: int) -> Sequence[Block]:
    """A lifter's blocks.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.reading() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        return programs.blocks(db, lifter.id, after=after, limit=limit)


@dataclass(frozen=True, slots=True)
class BlockFound:
    """A block with its sessions, what each asks for, and its baseline."""

    block: Block
    sessions: Sequence[tuple[PlannedSession, Sequence[Prescription]]]
    baseline: Sequence[Baseline]
    exercises: Mapping[int, str]


def block_of(store: Store, coach: Coach, block_id: int) -> BlockFound:
    """A block with all that was given out.

    Raises
    ------
    BlockNotFound
        If it is not a block of one of this coach's lifters.
    """
    with store.reading() as db:
        block, _ = blocks.of_coach(db, coach, block_id)
        sessions = blocks.sessions(db, block.id)
        asked: dict[int, list[Prescription]] = {one.id: [] for one in sessions}
        for one in blocks.prescriptions(db, list(asked)):
            asked[one.planned_session_id].append(one)
        return BlockFound(
            block,
            [(one, asked[one.id]) for one in sessions],
            blocks.baselines(db, block.id),
            {one.id: one.name for one in exercises.all_of(db, coach)},
        )


def flags_of(
    store: Store, coach: Coach, *, lifter_id: int | None = None, cleared: bool, after: int, limit: int
) -> Sequence[tuple[Flag, str | None]]:
    """Flags about the roster or one lifter, with the name of the exercise each is about.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.reading() as db:
        if lifter_id is not None:
            lifters.of_coach(db, coach, lifter_id)
        return programs.flags(db, coach, lifter_id=lifter_id, cleared=cleared, after=after, limit=limit)


def decisions_of(
    store: Store, coach: Coach, *, lifter_id: int | None = None, after: int, limit: int
) -> Sequence[tuple[Decision, str | None]]:
    """Decisions about the roster or one lifter, with the name of the exercise each is about.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.reading() as db:
        if lifter_id is not None:
            lifters.of_coach(db, coach, lifter_id)
        return programs.decisions(db, coach, lifter_id=lifter_id, after=after, limit=limit)


def take_sets(
    store: Store,
    coach: Coach,
    lifter_id: int,
    new: Sequence[NewSet],
    key: str,
    *,
    guess: Callable[[str], tuple[str | None, float]],
    by: str,
    now: datetime,
) -> dict[str, Any]:
    """Store sets, all or none; the same key with the same sets is answered as before and stores nothing.

    ``guess`` gives main lift and body-mass share for the name of a new exercise.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    KeyUsedBefore, DayNotBegun, DayFull
        If the key came with other sets, a day is still to come, or holds as many sets as it can.
    """
    # Phones name their writes in the same table; theirs never look like this.
    client_id = "program-" + hashlib.sha256(key.encode()).hexdigest()[:28]
    plain = [asdict(one) for one in new]
    fingerprint = hashlib.blake2b(orjson.dumps(plain, option=orjson.OPT_SORT_KEYS), digest_size=16).digest()
    with store.transaction() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        snapshots.analysed_lifter(
            db, lifter.id, lock=True
        )  # one writer a lifter, where several can be at work
        known = logs.known_write(db, lifter.id, client_id)
        if known is not None:
            if known.fingerprint != fingerprint:
                raise KeyUsedBefore
            return known.answer
        if max(one.day for one in new) > today_in(lifter.time_zone, now):
            raise DayNotBegun
        numbers = _exercises(db, coach, [one.exercise for one in new], guess)
        added = _add(db, lifter, new, numbers)
        answer = {"added": added}
        logs.remember_write(db, lifter.id, client_id, fingerprint=fingerprint, answer=answer, at=now)
        lifters.mark_stale(db, [lifter.id], now)
        audit.record(
            db, kind="import", actor=by, coach_id=coach.id, lifter_id=lifter.id, at=now, new=len(new)
        )
        return answer


def _exercises(
    db: Transaction,
    coach: Coach,
    names: Sequence[str],
    guess: Callable[[str], tuple[str | None, float]],
) -> dict[str, int]:
    known = exercises.by_key(db, coach)
    found = {}
    for name in dict.fromkeys(names):
        exercise = known.get(exercises.key_of(name))
        if exercise is None:
            main_lift, share = guess(name)
            exercise = exercises.add(db, coach, name, main_lift=main_lift, body_mass_share=share)
            known[exercise.key] = exercise
        found[name] = exercise.id
    return found


def _add(db: Transaction, lifter: Lifter, new: Sequence[NewSet], numbers: Mapping[str, int]) -> list[str]:
    added = []
    rows = []
    for day in dict.fromkeys(one.day for one in new):
        there = logs.sessions_between(db, lifter.id, day, day)
        session = there[0] if there else logs.add_session(db, lifter.id, day)
        position = logs.next_position(db, lifter.id, day)
        done: dict[int, int] = {}
        for known in logs.sets_between(db, lifter.id, day, day):
            done[known.exercise_id] = max(done.get(known.exercise_id, 0), known.set_number)
        for one in (one for one in new if one.day == day):
            if position >= logs.ROW_BASE:
                raise DayFull
            exercise = numbers[one.exercise]
            number = one.set_number or min(done.get(exercise, 0) + 1, 99)
            done[exercise] = number
            failed = one.failed or (one.reps == 0 and one.seconds is None and one.metres is None)
            as_kg = one.load.unit == "kg" and one.load.text == mass_number(one.load.grams, "kg")
            rows.append(
                {
                    "lifter_id": lifter.id,
                    "day": day,
                    "position": position,
                    "session_id": session.id,
                    "exercise_id": exercise,
                    "set_number": number,
                    "load_grams": one.load.grams,
                    "reps": one.reps,
                    "rpe_tenths": one.rpe_tenths,
                    "marks": SetMark.WARM_UP * one.warm_up | SetMark.FAILED * failed,
                    "typed": None if as_kg else f"{one.load.text} {one.load.unit}"[:16],
                    "seconds": one.seconds,
                    "metres": one.metres,
                    "note": one.note or None,
                }
            )
            added.append(f"{day}-{position}")
            position += 1
    logs.add_sets(db, rows)
    return added
