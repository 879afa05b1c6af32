"""Taking a decision back: the plan as it was before it, the flag as it was, and a line that says so.

A change of the plan goes only while nothing of it was trained and nothing was changed since; then the
sessions return as they were given out, loads and all. What the lifter was told stays told.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import zip_longest
from typing import Any

from app.planning import blocks as planning_blocks
from app.planning.blocks import Place
from app.planning.data_quality import ACTION as CORRECT_DATA
from app.planning.days import short, today_in
from app.planning.decisions import LABELS, PLAN_ACTIONS
from app.planning.drafts import CellChange
from app.planning.roster import refresh_needs
from app.storage import audit, blocks, decisions, exercises, flags, lifters, plan_changes
from app.storage.engine import Store, Transaction
from app.storage.models import Block, Coach, Decision, Flag, Lifter, PlanChange
from app.training.plan import plan_from_dict
from app.training.units import Unit, format_mass

SENDS = frozenset({"write", "refer_out"})


class CannotTakeBack(Exception):
    """The decision cannot be taken back any more; the message says why and what to do instead."""


class ShownOtherwise(Exception):
    """Taking it back would change something else than what was shown."""


@dataclass(frozen=True, slots=True)
class TakingBack:
    """What taking a decision back would do, before it is done. ``refusal`` says why it cannot be."""

    decision: Decision
    lifter: Lifter
    lift: str | None
    label: str
    changes: tuple[CellChange, ...]
    flag_words: str
    was_sent: bool
    block_id: int | None
    refusal: str

    @property
    def seen(self) -> str:
        """A mark of exactly this change."""
        said = repr((self.changes, self.flag_words, self.refusal))
        return hashlib.sha256(said.encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class _Ready:
    """A plan's change as it can be taken back. ``made`` is the block that took the place of the rest."""

    change: PlanChange
    block: Block
    made: Block | None
    places: frozenset[Place]
    sessions: tuple[Mapping[str, Any], ...]
    end_day: int


def propose(store: Store, coach: Coach, decision_id: int, *, now: datetime) -> TakingBack:
    """What taking a decision back would change.

    Raises
    ------
    DecisionNotFound
        If it is not a decision about one of this coach's lifters.
    """
    with store.reading() as db:
        decision, lifter = decisions.of_coach(db, coach, decision_id)
        return _propose(db, coach, decision, lifter, now=now)


def _propose(
    db: Transaction, coach: Coach, decision: Decision, lifter: Lifter, *, now: datetime
) -> TakingBack:
    today = today_in(lifter.time_zone, now)
    names = {one.id: one.name for one in exercises.all_of(db, coach)}
    changes: tuple[CellChange, ...] = ()
    refusal, block_id = "", None
    try:
        ready = _ready(db, decision, lifter, today=today)
        if ready is not None:
            block_id = ready.block.id
            changes = _changes(db, coach, lifter, ready, today=today)
    except CannotTakeBack as why:
        refusal = str(why)
    flag = _flag_to_restore(db, decision)
    return TakingBack(
        decision,
        lifter,
        None if decision.exercise_id is None else names.get(decision.exercise_id),
        LABELS.get(decision.action, decision.action),
        changes,
        "" if flag is None else _flag_words(*_flag_before(db, decision, today)),
        decision.action in SENDS,
        block_id,
        refusal,
    )


def take_back(
    store: Store, coach: Coach, decision_id: int, *, seen: str | None = None, by: str, now: datetime
) -> Decision:
    """Take a decision back, all of it or nothing.

    ``seen`` is the mark of the proposal that was looked at.

    Raises
    ------
    DecisionNotFound, CannotTakeBack, ShownOtherwise
        If there is no such decision, it stands for good, or something else would change than was shown.
    """
    with store.transaction() as db:
        decision, lifter = decisions.of_coach(db, coach, decision_id)
        # One lifter's plan is changed by one at a time, also where several processes write.
        lifters.mark_stale(db, [lifter.id], now)
        db.refresh(decision)
        shown = _propose(db, coach, decision, lifter, now=now)
        if shown.refusal:
            raise CannotTakeBack(shown.refusal)
        if seen is not None and seen != shown.seen:
            raise ShownOtherwise
        today = today_in(lifter.time_zone, now)
        ready = _ready(db, decision, lifter, today=today)
        if ready is not None:
            _revert(db, coach, decision, ready, today=today, by=by, now=now)
        flag = _flag_to_restore(db, decision)
        if flag is not None:
            flag.state, flag.snoozed_until, flag.reason = _flag_before(db, decision, today)
            flag.updated_at = now
        decision.detail = decision.detail | {"taken_back_by": by}
        decision.undone_at = now
        audit.record(
            db,
            kind="decision taken back",
            actor=by,
            coach_id=coach.id,
            lifter_id=lifter.id,
            at=now,
            action=decision.action,
            made=short(decision.day),
        )
        db.flush()
        refresh_needs(db, lifter, now=now)
        return decision


def draft_message(shown: TakingBack) -> str:
    """Words to the lifter about a decision that was taken back, to be changed before they are sent."""
    about = shown.lift.lower() if shown.lift else "plan"
    first = shown.lifter.name.split()[0]
    day = short(shown.decision.day)
    if shown.was_sent:
        middle = f"about my message of {day} on your {about}: I have thought about it again."
    else:
        middle = (
            f"I took back the change of your {about} from {day}. "
            "Your phone shows the sessions as they were before."
        )
    return f"Hi {first},\n\n{middle[:1].upper()}{middle[1:]}"


# Whether it can be ---------------------------------------------------------------------------------


def _ready(db: Transaction, decision: Decision, lifter: Lifter, *, today: int) -> _Ready | None:
    """What has to be put back on the calendar; None if the decision left the plan alone."""
    if decision.undone_at is not None:
        who = decision.detail.get("taken_back_by")
        raise CannotTakeBack(f"This decision was taken back already{f' by {who}' if who else ''}.")
    if decision.action == CORRECT_DATA:
        raise CannotTakeBack("Bring the sets back on the page of the lifter's odd sets.")
    if decision.action not in PLAN_ACTIONS:
        if decision.outcome is not None:
            raise CannotTakeBack(
                "What it led to is known already, so it stays in the journal. "
                "Decide anew on the lifter's page instead."
            )
        return None
    change = plan_changes.by_coach_at(db, lifter.id, decision.made_at)
    own = blocks.of_lifter(db, lifter.id)
    block = None if change is None else next((one for one in own if one.id == change.block_id), None)
    if change is None or block is None:
        raise CannotTakeBack(
            "What the plan was before is not known any more. Change the running block in its grid instead."
        )
    made = None
    if decision.action == "re_baseline":
        made = next(
            (
                one
                for one in own
                if one.assigned_at == decision.made_at and one.status == "assigned" and one.id != block.id
            ),
            None,
        )
        if made is None:
            raise CannotTakeBack(
                "The block that was assigned is not there any more. Assign the next block instead."
            )
    newest = {one.id: blocks.versions(db, one.id)[:1] for one in (block, made) if one is not None}
    for one in (block, made):
        last = next(iter(newest.get(one.id, ())), None) if one is not None else None
        if (
            one is not None
            and last is not None
            and (last.at > decision.made_at or last.version != one.version)
        ):
            raise CannotTakeBack(
                f"“{one.name}” was changed since, by {last.by} on {short(last.at.date().toordinal())}. "
                "Change it in its grid instead, where each version before is at hand."
            )
    places = frozenset((one["week"], one["position"]) for one in change.after)
    _refuse_trained(db, made or block, None if made is not None else places, lifter)
    before = tuple(one for one in change.before if "exercises" in one)
    if made is None and not any("weeks" in one for one in change.before):
        raise CannotTakeBack(
            "What was on the calendar before is not known any more. Change the block in its grid instead."
        )
    end_day = _end_before(db, block, made)
    if end_day < today:
        raise CannotTakeBack("The block is over, so nothing of its plan is left to be put back.")
    for other in own:
        in_the_way = other.start_day <= end_day and other.end_day > block.end_day
        if other.status != "draft" and other not in (block, made) and in_the_way:
            raise CannotTakeBack(
                f"“{other.name}” stands on days that would be taken up again. "
                "Move it in the season first, or leave the decision as it is."
            )
    return _Ready(change, block, made, places, before, end_day)


def _refuse_trained(db: Transaction, block: Block, places: frozenset[Place] | None, lifter: Lifter) -> None:
    for place, session in plan_changes.trained_places(db, block.id).items():
        if places is None or place in places:
            raise CannotTakeBack(
                f"{lifter.name.split()[0]} has trained “{session.name}” of {short(session.day)} under the "
                f"changed plan already. Change what is to come in the grid of “{block.name}” instead."
            )


def _end_before(db: Transaction, block: Block, made: Block | None) -> int:
    """The last day of the block as it was before the decision."""
    plan = block.plan
    if made is None:
        plan = _version_before(db, block).plan
    return block.start_day + 7 * plan_from_dict(plan).weeks - 1


def _version_before(db: Transaction, block: Block) -> Any:
    found = next((one for one in blocks.versions(db, block.id) if one.version == block.version - 1), None)
    if found is None:
        raise CannotTakeBack(
            "The version before is not kept any more. Change the running block in its grid instead."
        )
    return found


# Doing it ------------------------------------------------------------------------------------------


def _revert(
    db: Transaction, coach: Coach, decision: Decision, ready: _Ready, *, today: int, by: str, now: datetime
) -> None:
    block = ready.block
    if ready.made is not None:
        blocks.remove(db, ready.made)
    else:
        before = _version_before(db, block)
        plan = plan_from_dict(before.plan)
        block.plan = before.plan
        block.name, block.kind, block.purpose = plan.name, plan.kind, plan.purpose
        # What was begun keeps its session: only what it was predicted to be differs there.
        places = ready.places | {(one["week"], one["position"]) for one in ready.sessions}
        begun = plan_changes.trained_places(db, block.id).keys()
        blocks.remove_planned(db, block.id, from_day=today, only=places - begun)
        weeks = next(one["weeks"] for one in ready.change.before if "weeks" in one)
        blocks.put_weeks(db, block.id, weeks)
    block.end_day = ready.end_day
    block.version += 1
    block.updated_at = now
    db.flush()
    planning_blocks.put_calendar(db, coach, block, ready.sessions, from_day=today)
    label = LABELS.get(decision.action, decision.action)
    blocks.save_version(db, block, by=by, why=f"Taken back: {label.lower()}", at=now)
    # Told to a lifter who has read of the change; who has not read of it need not hear of either.
    change = ready.change
    change.undone_at = now
    change.seen_by_lifter_at = None if change.seen_by_lifter_at is not None else now


def _changes(
    db: Transaction, coach: Coach, lifter: Lifter, ready: _Ready, *, today: int
) -> tuple[CellChange, ...]:
    """The sessions from today on as they are, and as they would be again."""
    unit: Unit = "lb" if lifter.unit == "lb" else "kg"
    back = {(one["week"], one["position"]): one for one in ready.sessions if one["day"] >= today}
    if ready.made is None:
        back = {place: one for place, one in back.items() if place in ready.places}
        there = planning_blocks.calendar(db, coach, ready.block, from_day=today)
        now = {place: one for place, one in there.items() if place in ready.places}
        return _compared(now, back, unit)
    first = (ready.made.start_day - ready.block.start_day) // 7
    there = planning_blocks.calendar(db, coach, ready.made, from_day=today)
    moved = {(week + first, place): one | {"week": week + first} for (week, place), one in there.items()}
    return _compared(moved, back, unit)


def _compared(
    now: Mapping[Place, Mapping[str, Any]], then: Mapping[Place, Mapping[str, Any]], unit: Unit
) -> tuple[CellChange, ...]:
    found = []
    for place in sorted(now.keys() | then.keys()):
        sessions = (now.get(place), then.get(place))
        name = next(one["name"] for one in (sessions[1], sessions[0]) if one is not None)
        lines = [list(one["exercises"]) if one is not None else [] for one in sessions]
        for is_now, will_be in _paired(*lines):
            texts = [_text(one, unit) for one in (is_now, will_be)]
            if texts[0] != texts[1]:
                lift = (will_be or is_now or {})["exercise"]
                found.append(CellChange(place[0] - 1, name, lift, *texts))
    return tuple(found)


def _paired(
    now: Sequence[Mapping[str, Any]], then: Sequence[Mapping[str, Any]]
) -> list[tuple[Mapping[str, Any] | None, Mapping[str, Any] | None]]:
    """Lines of two sessions side by side, the same exercise beside itself, in the order it comes."""
    pairs: list[tuple[Mapping[str, Any] | None, Mapping[str, Any] | None]] = []
    for name in dict.fromkeys(one["exercise"] for one in (*then, *now)):
        own = [[one for one in lines if one["exercise"] == name] for lines in (now, then)]
        pairs += zip_longest(*own)
    return pairs


def _text(line: Mapping[str, Any] | None, unit: Unit) -> str:
    if line is None:
        return "nothing"
    loads = [one["load_grams"] for one in line["sets"] if one.get("load_grams") is not None]
    load = format_mass(max(loads), unit) if loads else ""
    return f"{line['text']}: {load}" if load and load not in line["text"] else str(line["text"])


# The flag ------------------------------------------------------------------------------------------


def _flag_to_restore(db: Transaction, decision: Decision) -> Flag | None:
    """The decision's flag while it rests because of this decision and of nothing else."""
    if decision.flag_id is None:
        return None
    flag = flags.of_lifter(db, decision.lifter_id, decision.flag_id)
    label = LABELS.get(decision.action, decision.action)
    rests = flag.state == "snoozed" and flag.reason == label
    return flag if flag.cleared_at is None and rests else None


def _flag_before(db: Transaction, decision: Decision, today: int) -> tuple[str, int | None, str]:
    """State, end of the snooze and reason of the flag when it was decided about; open if that is over."""
    was = decision.detail.get("flag_was") or {}
    state, until = was.get("state", "open"), was.get("until")
    for earlier in decisions.of_flag(db, decision.flag_id or 0, before=decision.id):
        label = LABELS.get(earlier.action, earlier.action)
        if earlier.undone_at is not None and (label, earlier.look_again_day) == (was.get("reason"), until):
            # It rested because of a decision that is taken back itself.
            return _flag_before(db, earlier, today)
    if state == "dismissed" or (state == "snoozed" and until is not None and until > today):
        return state, until, str(was.get("reason", ""))
    return "open", None, ""


def _flag_words(state: str, until: int | None, _reason: str) -> str:
    if state == "snoozed" and until is not None:
        return f"The flag is snoozed until {short(until)}, as it was before."
    return (
        "The flag stays dismissed, as it was before." if state == "dismissed" else "The flag is open again."
    )
