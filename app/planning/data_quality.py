"""What becomes of logged sets that cannot be what they say: corrected, confirmed, or left out for good.

The sets are held out of every estimate until the coach decides. Whatever is decided, the set as it was logged
stays in its history, the decision stands in the journal, and a set can be brought back as it was logged.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from app.planning import decisions as planning_decisions
from app.planning.analysis import VERSION, LifterView, lifter_view
from app.planning.flags import FlagView
from app.planning.history import CONFIRMED
from app.planning.plain import record
from app.planning.roster import refresh_needs
from app.storage import audit, decisions, flags, history, lifters, logs, phone, snapshots
from app.storage.engine import Store, Transaction
from app.storage.logs import StoredSet, row_of
from app.storage.models import Coach, Decision, Lifter, SetMark, SetRevision
from app.training.records import DataError
from app.training.units import mass_number, parse_mass

Fix = Literal["correct", "right", "out"]
FIXES: tuple[Fix, ...] = ("correct", "right", "out")
ACTION = "correct_data"
BROUGHT_BACK = "the decision about it was taken back"
DID: Mapping[Fix, str] = {
    "correct": "put right as proposed",
    "right": "kept as logged",
    "out": "left out of the log",
}


class SetsChanged(Exception):
    """A set is no longer as it was shown: changed on a phone or by another coach, or taken out."""


@dataclass(frozen=True, slots=True)
class Pick:
    """A set as the coach saw it."""

    day: int
    position: int
    version: int


@dataclass(frozen=True, slots=True)
class OddSet:
    """A set held out of the estimates with what it probably should have been.

    ``proposed`` is None where the proposal is to leave the set out.
    """

    logged: StoredSet
    lift: str
    reason: str
    proposed: Corrected | None


@dataclass(frozen=True, slots=True)
class Corrected:
    """What a set should have been; ``typed`` is the number and unit it would then have been typed in."""

    load_grams: int
    reps: int
    typed: str | None


def odd_sets(store: Store, coach: Coach, lifter_id: int) -> tuple[OddSet, ...]:
    """Sets that wait for the coach, oldest first; what has been decided since the analysis is not among them.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.reading() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        held = history.held_out_sets(db, lifter.id)
        if not held:
            return ()
        proposals = _proposals(db, lifter.id)
        names = history.exercises_known(db, sorted({one.exercise_id for one in held}))
    found = []
    for one in held:
        proposal = proposals.get(row_of(one.day, one.position))
        if proposal is not None:
            known = names.get(one.exercise_id)
            name = known.name if known else "An exercise that was removed"
            found.append(OddSet(one, name, proposal.reason, _corrected(one, proposal)))
    return tuple(found)


def fix(
    store: Store,
    coach: Coach,
    lifter_id: int,
    picks: Sequence[Pick],
    how: Fix,
    *,
    by: str,
    now: datetime,
) -> int:
    """Decide about held-out sets, all or none of them; the number of sets decided about.

    The journal gets a decision for each exercise, with the state it was made on and a day to look again.

    ``correct`` takes the proposal, ``right`` says that the set is what it says, ``out`` takes it out of the
    log. A set whose proposal is to leave it out is taken out by ``correct``.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    SetsChanged
        If a set is no longer as it was shown; nothing is stored.
    """
    view = lifter_view(store, coach, lifter_id, now=now)
    with store.transaction() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        proposals = _proposals(db, lifter.id)
        decided: dict[int, list[StoredSet]] = {}
        for pick in picks:
            found = logs.one_set(db, lifter.id, pick.day, pick.position)
            if found is None or found.version != pick.version:
                raise SetsChanged
            _decide(db, lifter, found, how, proposals.get(row_of(pick.day, pick.position)), by=by, now=now)
            decided.setdefault(found.exercise_id, []).append(found)
        for exercise_id, sets in decided.items():
            _keep(db, coach, view, exercise_id, sets, how, by=by, now=now)
        if picks:
            lifters.mark_stale(db, [lifter.id], now)
            audit.record(
                db,
                kind="odd sets decided",
                actor=by,
                at=now,
                coach_id=coach.id,
                lifter_id=lifter.id,
                how=how,
                sets=[f"{one.day}-{one.position}" for one in picks],
            )
    return len(picks)


def _decide(
    db: Transaction,
    lifter: Lifter,
    found: StoredSet,
    how: Fix,
    proposal: DataError | None,
    *,
    by: str,
    now: datetime,
) -> None:
    kept = found.marks & ~SetMark.HELD_OUT
    if how == "right":
        values: dict[str, Any] = {"marks": kept | SetMark.ACCEPTED}
        logs.amend_set(db, lifter.id, found, values, by=by, why=CONFIRMED, at=now)
        return
    better = None if proposal is None else _corrected(found, proposal)
    reason = "left out" if proposal is None else proposal.reason.replace("_", " ")
    if how == "out" or better is None:
        logs.remove_set(db, lifter.id, found, by=by, why=reason, at=now)
        return
    values = {"load_grams": better.load_grams, "reps": better.reps, "typed": better.typed, "marks": kept}
    logs.amend_set(db, lifter.id, found, values, by=by, why=reason, at=now)


def _keep(
    db: Transaction,
    coach: Coach,
    view: LifterView,
    exercise_id: int,
    sets: Sequence[StoredSet],
    how: Fix,
    *,
    by: str,
    now: datetime,
) -> None:
    """Put the decision about one exercise's sets into the journal, linked to the flag that asked for it."""
    flag: FlagView | None = next((one for one in view.flags if one.kind == "data_error"), None)
    decisions.add(
        db,
        lifter_id=view.lifter.id,
        coach_id=coach.id,
        flag_id=None if flag is None else flag.id,
        exercise_id=exercise_id if history.exercises_known(db, [exercise_id]) else None,
        action=ACTION,
        detail={
            "sentence": f"{len(sets)} set{'s' * (len(sets) != 1)} {DID[how]}.",
            "how": how,
            # The set as it was logged is its revision of this very instant.
            "sets": [[one.day, one.position] for one in sets],
            "changes": [],
            "next_before": "",
            "next_after": "",
            "by": by,
        },
        evidence=planning_decisions.evidence_of(view, exercise_id, flag),
        note="",
        day=view.today,
        made_at=now,
        look_again_day=planning_decisions.default_look_again(ACTION, view.today),
        outcome=None,
        looked_at=None,
        undone_at=None,
    )


# Looking back, and bringing back -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class DecidedSet:
    """A set that was decided about. ``state`` is standing, back, or changed since by somebody else.

    ``before`` is the set as it was logged, ``after`` as it stands; None where it was left out.
    """

    pick: Pick
    before: Mapping[str, Any]
    after: StoredSet | None
    state: Literal["standing", "back", "changed"]


@dataclass(frozen=True, slots=True)
class PastFix:
    """A decision about odd sets of one exercise."""

    decision: Decision
    lift: str
    by: str
    sets: tuple[DecidedSet, ...]

    @property
    def standing(self) -> tuple[DecidedSet, ...]:
        return tuple(one for one in self.sets if one.state == "standing")


def past_fixes(store: Store, coach: Coach, lifter_id: int) -> tuple[Lifter, tuple[PastFix, ...]]:
    """What was decided about a lifter's odd sets, newest first, and the sets as they are now.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.reading() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        made = decisions.of_action(db, lifter.id, ACTION)
        names = history.exercises_known(db, [one.exercise_id for one in made if one.exercise_id is not None])
        return lifter, tuple(
            PastFix(
                one,
                names[one.exercise_id].name if one.exercise_id in names else "An exercise that was removed",
                str(one.detail.get("by", "")),
                _decided_sets(db, one),
            )
            for one in made
        )


def _decided_sets(db: Transaction, decision: Decision) -> tuple[DecidedSet, ...]:
    back = {tuple(one) for one in decision.detail.get("back", ())}
    found = []
    changes: dict[int, Sequence[SetRevision]] = {}
    for day, position in decision.detail.get("sets", ()):
        if day not in changes:
            changes[day] = logs.revisions(db, decision.lifter_id, day)
        then = next(
            (one for one in changes[day] if one.position == position and one.at == decision.made_at), None
        )
        if then is None:
            continue
        now = logs.one_set(db, decision.lifter_id, day, position)
        pick = Pick(day, position, 0 if then.change == "removed" else int(then.before["version"]) + 1)
        if (day, position) in back or (then.change == "removed" and _was_restored(then, changes[day])):
            found.append(DecidedSet(pick, then.before, now, "back"))
        elif then.change == "removed":
            # Its place may be taken by another set; brought back, it then gets the next free one.
            found.append(DecidedSet(pick, then.before, None, "standing"))
        else:
            stands = now is not None and now.version == pick.version
            found.append(DecidedSet(pick, then.before, now, "standing" if stands else "changed"))
    return tuple(found)


def _was_restored(removed: SetRevision, changes: Sequence[SetRevision]) -> bool:
    moved = ("position", "version")
    was = {key: value for key, value in removed.before.items() if key not in moved}
    return any(
        one.change == "restored"
        and one.id > removed.id
        and {key: value for key, value in one.before.items() if key not in moved} == was
        for one in changes
    )


def bring_back(
    store: Store,
    coach: Coach,
    decision_id: int,
    picks: Sequence[Pick] | None = None,
    *,
    by: str,
    now: datetime,
) -> int:
    """Bring sets back as they were logged, all of these or none; how many.

    Without ``picks`` it is every set of the decision that still stands as decided. The analysis then judges
    the sets anew; a decision of which nothing stands any more counts as taken back.

    Raises
    ------
    DecisionNotFound
        If it is not a decision about odd sets of one of this coach's lifters.
    SetsChanged
        If a set is no longer as it was decided; nothing is stored.
    """
    with store.transaction() as db:
        decision, lifter = decisions.of_coach(db, coach, decision_id)
        if decision.action != ACTION:
            raise decisions.DecisionNotFound(decision_id)
        sets = {one.pick: one for one in _decided_sets(db, decision)}
        chosen = [one.pick for one in sets.values() if one.state == "standing"] if picks is None else picks
        if not chosen or any(one not in sets or sets[one].state != "standing" for one in chosen):
            raise SetsChanged
        for one in dict.fromkeys(chosen):
            _bring_back(db, lifter, sets[one], by=by, now=now)
        back = [*decision.detail.get("back", ()), *([one.day, one.position] for one in dict.fromkeys(chosen))]
        decision.detail = decision.detail | {"back": back, "taken_back_by": by}
        if {(one.pick.day, one.pick.position) for one in sets.values() if one.state == "standing"} <= {
            tuple(one) for one in back
        }:
            decision.undone_at = now
        db.flush()
        _raise_again(db, decision, now)
        lifters.mark_stale(db, [lifter.id], now)
        audit.record(
            db,
            kind="odd sets brought back",
            actor=by,
            at=now,
            coach_id=coach.id,
            lifter_id=lifter.id,
            sets=[f"{one.day}-{one.position}" for one in chosen],
        )
        refresh_needs(db, lifter, now=now)
        return len(set(chosen))


def _bring_back(db: Transaction, lifter: Lifter, one: DecidedSet, *, by: str, now: datetime) -> None:
    if one.after is None:
        phone.put_back(db, lifter.id, dict(one.before), by=by, why=BROUGHT_BACK, at=now)
        return
    values = {key: one.before[key] for key in ("load_grams", "reps", "typed", "marks")}
    logs.amend_set(db, lifter.id, one.after, values, by=by, why=BROUGHT_BACK, at=now)


def _raise_again(db: Transaction, decision: Decision, now: datetime) -> None:
    """Open the flag that was cleared by the decision; the next analysis clears it if nothing is odd."""
    if decision.flag_id is None:
        return
    flag = flags.of_lifter(db, decision.lifter_id, decision.flag_id)
    taken = any(one.cause == flag.cause for one in flags.not_cleared(db, decision.lifter_id))
    if flag.cleared_at is not None and not taken:
        flag.state, flag.snoozed_until, flag.reason = "open", None, ""
        flag.cleared_at, flag.updated_at = None, now


def _corrected(found: StoredSet, proposal: DataError) -> Corrected | None:
    if math.isnan(proposal.proposed_load_kg):
        return None
    if proposal.reason == "pounds_as_kilograms":
        # The number was right and its unit was not: the number is kept, and pounds are taken exactly.
        meant = parse_mass(f"{mass_number(found.load_grams, 'kg')} lb", "lb")
        return Corrected(meant.grams, proposal.proposed_reps, f"{meant.text} lb")
    return Corrected(round(proposal.proposed_load_kg * 1000), proposal.proposed_reps, None)


def _proposals(db: Transaction, lifter_id: int) -> Mapping[int, DataError]:
    """The last analysis' proposals by the core's row number."""
    whole = snapshots.of_lifter(db, lifter_id).get(snapshots.WHOLE_LIFTER)
    if whole is None or whole.version != VERSION:
        return {}
    return {one.row: one for one in (record(DataError, body) for body in whole.body["held_out"])}
