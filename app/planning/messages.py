"""What a coach writes to lifters: one thread a lifter, drafts from the evidence, one text to many."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from app.planning import decisions as deciding
from app.planning import history, room, yardstick
from app.planning.analysis import LifterView
from app.planning.days import short
from app.planning.decisions import Choice
from app.planning.flags import FlagView
from app.storage import audit, decisions, lifters, messages
from app.storage.engine import Store, Transaction
from app.storage.models import Coach, Lifter, Message
from app.training.records import BlockKind, Exposure, Mark
from app.training.units import Unit

LONGEST = 4000
NAME = "{name}"  # in a text to many: the lifter's first name


class NothingWritten(ValueError):
    """A message needs words."""


@dataclass(frozen=True, slots=True)
class Conversation:
    """A lifter's thread oldest first, and the text begun and not yet sent."""

    lifter: Lifter
    sent: tuple[Message, ...]
    draft: str


@dataclass(frozen=True, slots=True)
class Explainable:
    """A planned exposure that can be explained to the lifter."""

    exercise_id: int
    words: str


def conversation(store: Store, coach: Coach, lifter_id: int) -> Conversation:
    """What coach and lifter wrote.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.reading() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        found = decisions.thread(db, lifter.id)
    sent = tuple(reversed([one for one in found if one.author == "lifter" or one.sent_at is not None]))
    begun = next((one.body for one in found if one.sent_at is None and one.about == {}), "")
    return Conversation(lifter, sent, begun)


def seen(store: Store, coach: Coach, lifter_id: int, *, now: datetime) -> None:
    """The coach has read what the lifter wrote.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.transaction() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        decisions.read_by_coach(db, lifter.id, now)


def unread(store: Store, coach: Coach, lifter_id: int) -> int:
    """How many messages of a lifter the coach has not read."""
    with store.reading() as db:
        return messages.unread(db, lifters.of_coach(db, coach, lifter_id))


def keep(store: Store, coach: Coach, lifter_id: int, body: str, *, now: datetime) -> None:
    """Keep a text to go on with later; an empty one throws the draft away."""
    with store.transaction() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        if body.strip():
            messages.keep_draft(db, lifter.id, body.strip()[:LONGEST], {}, now)
        else:
            messages.drop_drafts(db, lifter.id, {})


def send(store: Store, coach: Coach, lifter_ids: Sequence[int], body: str, *, by: str, now: datetime) -> int:
    """Send a text to each of these lifters, all or none; to how many. ``{name}`` is their first name.

    Raises
    ------
    LifterNotFound, NothingWritten
        If one of them is not this coach's, or there are no words.
    """
    if not body.strip():
        raise NothingWritten
    chosen = list(dict.fromkeys(lifter_ids))
    with store.transaction() as db:
        for number in chosen:
            lifter = lifters.of_coach(db, coach, number)
            text = body.strip()[:LONGEST].replace(NAME, lifter.name.split()[0])
            post(db, coach, lifter, text, {}, by=by, now=now)
            if len(chosen) == 1:
                messages.drop_drafts(db, lifter.id, {})
    return len(chosen)


def post(
    db: Transaction, coach: Coach, lifter: Lifter, text: str, about: dict[str, Any], *, by: str, now: datetime
) -> Message:
    """Put a message on a lifter's phone, inside a transaction that also does something else."""
    decisions.read_by_coach(db, lifter.id, now)  # Who answers has read.
    audit.record(db, kind="message sent", actor=by, coach_id=coach.id, lifter_id=lifter.id, at=now)
    return decisions.add_message(db, lifter.id, author="coach", body=text, about=about, at=now, sent=True)


# Drafts -------------------------------------------------------------------------------------------


def draft_about_flag(store: Store, coach: Coach, view: LifterView, flag: FlagView) -> str:
    """Words about a flag and, where something was decided about it, about that."""
    with store.reading() as db:
        made = [one for one, *_ in decisions.journal(db, coach, lifter_id=view.lifter.id)]
    last = next((one for one in made if one.flag_id == flag.id), None)
    choice = Choice("write" if last is None else last.action)
    sentence = "" if last is None else str(last.detail.get("sentence", ""))
    return deciding.draft_message(view, flag, choice, sentence)


def explainable(store: Store, coach: Coach, lifter_id: int, *, now: datetime) -> list[Explainable]:
    """The next planned exposure of each lift, in the order of the calendar."""
    found: dict[int, Explainable] = {}
    past = history.history_of(store, coach, lifter_id, now=now)
    for one in past.planned:
        if one.exercise_id not in found and one.load_kg is not None and one.exercise_id in past.exercises:
            name = past.exercises[one.exercise_id].name
            found[one.exercise_id] = Explainable(
                one.exercise_id, f"{name}, {yardstick.sets_of(one.reps)} on {short(one.day)}"
            )
    return list(found.values())


def draft_about_next(store: Store, coach: Coach, view: LifterView, exercise_id: int, *, now: datetime) -> str:
    """Why the next planned exposure of a lift is on plan although it is no record."""
    lift = view.lift(exercise_id)
    past = history.history_of(store, coach, view.lifter.id, now=now)
    planned = [one for one in past.planned if one.exercise_id == exercise_id and one.load_kg is not None]
    if lift is None or not planned:
        return ""
    first = planned[0]
    unit: Unit = "lb" if view.lifter.unit == "lb" else "kg"
    state = room.state_now(store, coach, view.lifter.id, now=now)
    doses = room.next_doses(state, lift.name, planned)
    rep_range = next((name for name, dose in doses.items() if dose.planned == first), "")
    line = next((one for one in lift.analysis.exposures if one.rep_range == rep_range), None)
    asked = yardstick.mark_text(
        Mark(first.load_kg or 0.0, first.reps, first.rpe or 0.0, first.day, 0.0), unit
    )
    said = [
        f"Hi {view.lifter.name.split()[0]},\n\nYour {lift.name.lower()} on {short(first.day)} is {asked}."
    ]
    said += _against_marks(line, doses[rep_range].novelty if rep_range else None, unit, view)
    block = view.block
    if block is not None:
        now_block = yardstick.Emphasis(block.kind, block.start_day, block.purpose)
        said.append(yardstick.purpose(now_block))
        said.append(yardstick.expected_dip(now_block, _before(view), today=view.today))
    return " ".join(one for one in said if one)


def _against_marks(line: Exposure | None, judged: Any, unit: Unit, view: LifterView) -> list[str]:
    if line is None or line.recent_best is None:
        return ["You have not done such sets lately, so it begins where you are now, and goes on from there."]
    recent, ever = line.recent_best, line.all_time_best
    said = []
    if ever is not None and ever.day != recent.day and ever.e1rm_kg > recent.e1rm_kg:
        said.append(
            f"That is no record: your best ever is {yardstick.mark_text(ever, unit)} "
            f"from {yardstick.when(ever.day, view.today)}. It is on plan all the same, because it is "
            f"measured against the last {view.lifter.recent_window_weeks} weeks."
        )
    kind = "" if judged is None else judged.kind
    against = {
        "step": "and this is a step beyond it",
        "leap": "and this is well beyond it",
        "repeats": "and this repeats it, so that it settles",
        "below": "and this is lighter on purpose",
    }.get(kind, "and this follows from it")
    said.append(
        f"Your recent mark is {yardstick.mark_text(recent, unit)} from {short(recent.day)}, {against}."
    )
    return said


def _before(view: LifterView) -> yardstick.Emphasis | None:
    """The block before the running one."""
    block = view.block
    earlier = [one for one in view.blocks if block is not None and one.end_day < block.start_day]
    if not earlier:
        return None
    last = max(earlier, key=lambda one: one.end_day)
    kind: BlockKind = last.kind
    return yardstick.Emphasis(kind, last.start_day, last.purpose)
