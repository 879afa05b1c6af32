"""What programs do with a token: read a coach's data page by page, and write sets that are taken once."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import orjson

from app.planning.days import today_in
from app.planning.logging import Work, amend, bring_back, take_out, typed_text
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
    LoggedSession,
    PlannedSession,
    Prescription,
    SetKey,
    SetMark,
    SetRevision,
)
from app.training.units import TypedMass, mass_number

MOST_SETS = 500
LAST_DAY = 4_000_000


class SetNotFound(LookupError):
    """There is no such set in this lifter's log."""


class SessionNotFound(LookupError):
    """There is no such session in this lifter's log."""


class SetChanged(Exception):
    """The set is no longer what the program saw. What it is now comes along."""

    def __init__(self, now: tuple[StoredSet, str]) -> None:
        super().__init__(f"version {now[0].version} was stored meanwhile")
        self.now = now


class SessionChanged(Exception):
    """The session is no longer what the program saw. What it is now comes along."""

    def __init__(self, now: LoggedSession) -> None:
        super().__init__(f"version {now.version} was stored meanwhile")
        self.now = now


class NothingDone(ValueError):
    """A set of timed or measured work without time, distance or repetitions."""


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


# Writing a log ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Sent:
    """A write as it was sent: its key, and what it was, so that it is taken once."""

    client_id: str
    fingerprint: bytes

    @classmethod
    def of(cls, key: str, what: Any) -> Sent:
        # Phones name their writes in the same table; theirs never look like this.
        client_id = "program-" + hashlib.sha256(key.encode()).hexdigest()[:28]
        plain = orjson.dumps(what, option=orjson.OPT_SORT_KEYS)
        return cls(client_id, hashlib.blake2b(plain, digest_size=16).digest())

    def answer_before(self, db: Transaction, lifter: Lifter) -> dict[str, Any] | None:
        """What was answered to it before, if it was here.

        Raises
        ------
        KeyUsedBefore
            If the key came with something else.
        """
        return self.answer_of(logs.known_write(db, lifter.id, self.client_id))

    def answer_of(self, known: SetKey | None) -> dict[str, Any] | None:
        """The same of a write that was found by its key."""
        if known is not None and known.fingerprint != self.fingerprint:
            raise KeyUsedBefore
        return None if known is None else known.answer

    def remember(self, db: Transaction, lifter: Lifter, answer: dict[str, Any], now: datetime) -> None:
        logs.remember_write(
            db, lifter.id, self.client_id, fingerprint=self.fingerprint, answer=answer, at=now
        )


def lifter_to_write(db: Transaction, coach: Coach, lifter_id: int) -> Lifter:
    lifter = lifters.of_coach(db, coach, lifter_id)
    # One writer a lifter, where several can be at work.
    snapshots.analysed_lifter(db, lifter.id, lock=True)
    return lifter


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
    sent = Sent.of(key, [asdict(one) for one in new])
    with store.transaction() as db:
        lifter = lifter_to_write(db, coach, lifter_id)
        known = sent.answer_before(db, lifter)
        if known is not None:
            return known
        if max(one.day for one in new) > today_in(lifter.time_zone, now):
            raise DayNotBegun
        numbers = _exercises(db, coach, [one.exercise for one in new], guess)
        added = _add(db, lifter, new, numbers)
        answer = {"added": added}
        sent.remember(db, lifter, answer, now)
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
        gone = programs.last_versions(db, lifter.id, day)
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
                    "typed": typed_text(one.load),
                    "seconds": one.seconds,
                    "metres": one.metres,
                    "note": one.note or None,
                    # Where another set was before, so that who saw that one cannot take this for it.
                    "version": gone.get(position, 0) + 1,
                }
            )
            added.append(f"{day}-{position}")
            position += 1
    logs.add_sets(db, rows)
    return added


def one_set(store: Store, coach: Coach, lifter_id: int, day: int, position: int) -> tuple[StoredSet, str]:
    """A set with the name of its exercise.

    Raises
    ------
    LifterNotFound, SetNotFound
        If the lifter is not one of this coach's, or has no such set.
    """
    with store.reading() as db:
        return _one_set(db, lifters.of_coach(db, coach, lifter_id), day, position)


def _one_set(db: Transaction, lifter: Lifter, day: int, position: int) -> tuple[StoredSet, str]:
    found = programs.one_set(db, lifter.id, day, position)
    if found is None:
        raise SetNotFound(day, position)
    return found


def amend_set(
    store: Store,
    coach: Coach,
    lifter_id: int,
    day: int,
    position: int,
    changes: Mapping[str, Any],
    key: str,
    *,
    version: int,
    guess: Callable[[str], tuple[str | None, float]],
    by: str,
    now: datetime,
) -> tuple[StoredSet, str]:
    """Change a set and keep what it was; what ``changes`` does not name stays.

    They are fields of `NewSet` except day and number.

    Raises
    ------
    LifterNotFound, SetNotFound
        If the lifter is not one of this coach's, or has no such set.
    KeyUsedBefore, SetChanged, NothingDone
        If the key came with something else, somebody changed the set meanwhile, or nothing would be left.
    """
    plain = {name: asdict(one) if isinstance(one, TypedMass) else one for name, one in changes.items()}
    sent = Sent.of(key, ["amend", day, position, version, plain])
    with store.transaction() as db:
        lifter = lifter_to_write(db, coach, lifter_id)
        known = sent.answer_before(db, lifter)
        if known is not None:
            return StoredSet(**known["set"]), known["exercise"]
        before, exercise = _one_set(db, lifter, day, position)
        if before.version != version:
            raise SetChanged((before, exercise))
        number = None
        if "exercise" in changes:
            number = _exercises(db, coach, [changes["exercise"]], guess)[changes["exercise"]]
        work = _amended(before, changes)
        amend(db, lifter.id, before, work, exercise_id=number, by=by, at=now)
        after = _one_set(db, lifter, day, position)
        sent.remember(db, lifter, {"set": after[0].plain(), "exercise": after[1]}, now)
        _changed(db, coach, lifter, "set amended", f"{day}-{position}", by=by, now=now)
        return after


def _amended(before: StoredSet, changes: Mapping[str, Any]) -> Work:
    """The work of a set after some of it was changed."""
    number, _, unit = (before.typed or f"{mass_number(before.load_grams, 'kg')} kg").rpartition(" ")
    stays: dict[str, Any] = {
        "load": TypedMass(before.load_grams, number, "lb" if unit == "lb" else "kg"),
        "reps": before.reps,
        "rpe_tenths": before.rpe_tenths,
        "seconds": before.seconds,
        "metres": before.metres,
        "note": before.note or "",
    }
    new = stays | {name: value for name, value in changes.items() if name in stays}
    warm_up = changes.get("warm_up", bool(before.marks & SetMark.WARM_UP))
    failed = changes.get("failed", bool(before.marks & SetMark.FAILED))
    if new["reps"] == 0 and new["seconds"] is None and new["metres"] is None and not failed:
        raise NothingDone("No repetition, time or distance is left: mark the set as failed or take it out")
    return Work(
        **(new | {"note": new["note"] or None}), marks=SetMark.WARM_UP * warm_up | SetMark.FAILED * failed
    )


def _changed(
    db: Transaction, coach: Coach, lifter: Lifter, kind: str, what: Any, *, by: str, now: datetime
) -> None:
    """Let the lifter be analysed anew, and keep who did it."""
    lifters.mark_stale(db, [lifter.id], now)
    audit.record(db, kind=kind, actor=by, coach_id=coach.id, lifter_id=lifter.id, at=now, what=what)


def take_out_set(
    store: Store,
    coach: Coach,
    lifter_id: int,
    day: int,
    position: int,
    key: str,
    *,
    version: int,
    by: str,
    now: datetime,
) -> int:
    """Take a set out of the log; the number of the change, by which it can be put back.

    Raises
    ------
    LifterNotFound, SetNotFound, KeyUsedBefore, SetChanged
        As `amend_set`.
    """
    sent = Sent.of(key, ["take out", day, position, version])
    with store.transaction() as db:
        lifter = lifter_to_write(db, coach, lifter_id)
        known = sent.answer_before(db, lifter)
        if known is not None:
            return int(known["change"])
        before = _one_set(db, lifter, day, position)
        if before[0].version != version:
            raise SetChanged(before)
        change = take_out(db, lifter.id, before[0], by=by, at=now)
        sent.remember(db, lifter, {"change": change}, now)
        _changed(db, coach, lifter, "set taken out", f"{day}-{position}", by=by, now=now)
        return change


def put_set_back(
    store: Store, coach: Coach, lifter_id: int, change: int, key: str, *, by: str, now: datetime
) -> tuple[StoredSet, str]:
    """Put a set back that was taken out, in its old place if that is still free.

    Raises
    ------
    LifterNotFound, RevisionNotFound
        If the lifter is not one of this coach's, or no set was taken out by that change.
    KeyUsedBefore, BackAlready
        If the key came with something else, or the set is in the log again.
    """
    sent = Sent.of(key, ["put back", change])
    with store.transaction() as db:
        lifter = lifter_to_write(db, coach, lifter_id)
        known = sent.answer_before(db, lifter)
        if known is not None:
            return StoredSet(**known["set"]), known["exercise"]
        found = bring_back(db, lifter.id, change, client_id=sent.client_id, by=by, at=now)
        after = _one_set(db, lifter, found.day, found.position)
        sent.remember(db, lifter, {"set": after[0].plain(), "exercise": after[1]}, now)
        _changed(db, coach, lifter, "set put back", f"{found.day}-{found.position}", by=by, now=now)
        return after


def set_changes_of(
    store: Store, coach: Coach, lifter_id: int, *, after: int, limit: int
) -> list[tuple[SetRevision, StoredSet, str]]:
    """What was amended, taken out and put back in a lifter's log, each with the set before and its exercise.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.reading() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        names = programs.exercise_names(db, coach)
        found = programs.revisions(db, lifter.id, after=after, limit=limit)
        return [(one, _as_it_was(one), names.get(int(one.before["exercise_id"] or 0), "")) for one in found]


def _as_it_was(one: SetRevision) -> StoredSet:
    # Revisions kept before a column was there lack it.
    was: dict[str, Any] = {name: one.before.get(name) for name in StoredSet.__slots__}
    return StoredSet(**was)


def sessions_of(
    store: Store, coach: Coach, lifter_id: int, *, first_day: int, last_day: int, after: int, limit: int
) -> Sequence[LoggedSession]:
    """A lifter's logged sessions in the order they were stored.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.reading() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        return programs.sessions(
            db, lifter.id, first_day=first_day, last_day=last_day, after=after, limit=limit
        )


def rate_session(
    store: Store,
    coach: Coach,
    lifter_id: int,
    session_id: int,
    changes: Mapping[str, Any],
    key: str,
    *,
    version: int,
    by: str,
    now: datetime,
) -> LoggedSession:
    """Set session RPE, minutes or note of a session; what ``changes`` does not name stays.

    Raises
    ------
    LifterNotFound, SessionNotFound
        If the lifter is not one of this coach's, or has no such session.
    KeyUsedBefore, SessionChanged
        If the key came with something else, or somebody changed the session meanwhile.
    """
    sent = Sent.of(key, ["rate", session_id, version, dict(changes)])
    with store.transaction() as db:
        lifter = lifter_to_write(db, coach, lifter_id)
        known = sent.answer_before(db, lifter)
        found = logs.session_of_lifter(db, lifter.id, session_id)
        if found is None:
            raise SessionNotFound(session_id)
        if known is not None:
            return found
        if found.version != version:
            db.expunge(found)  # It is read after all has been undone.
            raise SessionChanged(found)
        before = {name: getattr(found, name) for name in changes}
        for name, value in changes.items():
            setattr(found, name, value)
        found.version += 1
        sent.remember(db, lifter, {"session": found.id}, now)
        what = {"session": found.id, "before": before}
        _changed(db, coach, lifter, "session rated", what, by=by, now=now)
        return found
