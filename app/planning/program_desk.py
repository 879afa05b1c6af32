"""What programs do at the desk: write to lifters once, decide once, read what lifters said of themselves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any

from app.planning import blocks, decisions, drafts, messages
from app.planning.decisions import Choice
from app.planning.programs import Sent, lifter_to_write
from app.storage import decisions as stored_decisions
from app.storage import flags, lifters, programs
from app.storage.engine import Store, Transaction
from app.storage.models import CheckIn, Coach, Decision, Flag, Message, PainReport
from app.training.plan import PlanError

REFUSALS = (
    decisions.NoBlock,
    decisions.CannotDo,
    drafts.BlockChanged,
    drafts.NotRunning,
    blocks.BlockOverlaps,
    blocks.PlanNotReady,
    PlanError,
    LookupError,
)


class _DoneMeanwhile(Exception):
    """The same request was sent twice, and the other one was done first."""


def one_flag(store: Store, coach: Coach, lifter_id: int, flag_id: int) -> tuple[Flag, str | None]:
    """A flag with the name of the exercise it is about.

    Raises
    ------
    LifterNotFound, FlagNotFound
        If there is no such flag about one of this coach's lifters.
    """
    with store.reading() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        flag = flags.of_lifter(db, lifter.id, flag_id)
        return flag, _exercise(programs.exercise_names(db, coach), flag.exercise_id)


def one_decision(store: Store, coach: Coach, decision_id: int) -> tuple[Decision, str | None]:
    """A decision with the name of the exercise it is about.

    Raises
    ------
    DecisionNotFound
        If it is not about one of this coach's lifters.
    """
    with store.reading() as db:
        decision, _ = stored_decisions.of_coach(db, coach, decision_id)
        return decision, _exercise(programs.exercise_names(db, coach), decision.exercise_id)


def _exercise(names: dict[int, str], number: int | None) -> str | None:
    return None if number is None else names.get(number)


def decide_once(
    store: Store,
    coach: Coach,
    lifter_id: int,
    flag_id: int,
    choice: Choice,
    key: str | None,
    *,
    note: str,
    look_again_day: int | None,
    seen_version: int | None,
    by: str,
    now: datetime,
) -> Decision:
    """Decide about a flag; a key makes sure that it is done once.

    Raises
    ------
    KeyUsedBefore
        If the key came with something else.
    LifterNotFound, FlagNotFound, NoBlock, CannotDo, BlockChanged
        As `decisions.decide`.
    """
    sent = None
    if key is not None:
        what = ["decide", flag_id, asdict(choice), note, look_again_day, seen_version]
        sent = Sent.of(key, what)
        with store.reading() as db:
            known = sent.answer_before(db, lifters.of_coach(db, coach, lifter_id))
            if known is not None:
                return stored_decisions.of_coach(db, coach, known["decision"])[0]

    def keep(db: Transaction, made: Decision) -> None:
        """The key with the decision; if the same request came twice, the first to end stands."""
        if sent is not None:
            lifter = lifter_to_write(db, coach, lifter_id)
            if sent.answer_before(db, lifter) is not None:
                raise _DoneMeanwhile
            sent.remember(db, lifter, {"decision": made.id}, now)

    try:
        return decisions.decide(
            store,
            coach,
            lifter_id,
            flag_id,
            choice,
            note=note,
            look_again_day=look_again_day,
            seen_version=seen_version,
            by=by,
            also=keep,
            now=now,
        )
    except (_DoneMeanwhile, *REFUSALS):
        # Its own repetition may have changed the plan that this one was about.
        if sent is not None:
            with store.reading() as db:
                known = sent.answer_before(db, lifters.of_coach(db, coach, lifter_id))
                if known is not None:
                    return stored_decisions.of_coach(db, coach, known["decision"])[0]
        raise


# Messages -----------------------------------------------------------------------------------------


def messages_of(
    store: Store, coach: Coach, *, lifter_id: int | None = None, after: int, limit: int
) -> Sequence[Message]:
    """What was written to and by the roster's lifters, or one of them, in that order; drafts are left out.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.reading() as db:
        if lifter_id is not None:
            lifters.of_coach(db, coach, lifter_id)
        return programs.messages(db, coach, lifter_id=lifter_id, after=after, limit=limit)


def send_message(
    store: Store, coach: Coach, lifter_id: int, body: str, key: str, *, by: str, now: datetime
) -> Message:
    """Put a message on a lifter's phone, once.

    Raises
    ------
    LifterNotFound, KeyUsedBefore, NothingWritten
        If the lifter is not one of this coach's, the key came with something else, or there are no words.
    """
    if not body.strip():
        raise messages.NothingWritten
    sent = Sent.of(key, ["message", body])
    with store.transaction() as db:
        lifter = lifter_to_write(db, coach, lifter_id)
        known = sent.answer_before(db, lifter)
        if known is not None:
            found = programs.message(db, lifter.id, known["message"])
            if found is not None:
                return found
        made = messages.post(db, coach, lifter, body.strip(), {}, by=by, now=now)
        if known is None:
            sent.remember(db, lifter, {"message": made.id}, now)
        return made


# What lifters said of themselves ------------------------------------------------------------------


def check_ins_of(
    store: Store, coach: Coach, lifter_id: int, *, first_day: int, last_day: int, after: int, limit: int
) -> Sequence[CheckIn]:
    """A lifter's check-ins in the order they came.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.reading() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        return programs.check_ins(
            db, lifter.id, first_day=first_day, last_day=last_day, after=after, limit=limit
        )


def pains_of(
    store: Store, coach: Coach, lifter_id: int, *, resolved: bool, after: int, limit: int
) -> list[tuple[PainReport, str | None]]:
    """A lifter's reports of pain, each with the name of the exercise it came with.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.reading() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        names: dict[int, str] = programs.exercise_names(db, coach)
        found: Sequence[Any] = programs.pains(db, lifter.id, resolved=resolved, after=after, limit=limit)
        return [(one, _exercise(names, one.exercise_id)) for one in found]
