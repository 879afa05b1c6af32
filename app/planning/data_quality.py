"""What becomes of logged sets that cannot be what they say: corrected, confirmed, or left out for good.

The sets are held out of every estimate until the coach decides. Whatever is decided, the set as it was logged
stays in its history.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from app.planning.analysis import VERSION
from app.planning.history import CONFIRMED
from app.planning.plain import record
from app.storage import audit, history, lifters, logs, snapshots
from app.storage.engine import Store, Transaction
from app.storage.logs import StoredSet, row_of
from app.storage.models import Coach, Lifter, SetMark
from app.training.records import DataError
from app.training.units import mass_number, parse_mass

Fix = Literal["correct", "right", "out"]
FIXES: tuple[Fix, ...] = ("correct", "right", "out")


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

    ``correct`` takes the proposal, ``right`` says that the set is what it says, ``out`` takes it out of the
    log. A set whose proposal is to leave it out is taken out by ``correct``.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    SetsChanged
        If a set is no longer as it was shown; nothing is stored.
    """
    with store.transaction() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        proposals = _proposals(db, lifter.id)
        for pick in picks:
            found = logs.one_set(db, lifter.id, pick.day, pick.position)
            if found is None or found.version != pick.version:
                raise SetsChanged
            _decide(db, lifter, found, how, proposals.get(row_of(pick.day, pick.position)), by=by, now=now)
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
