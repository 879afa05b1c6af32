"""What a coach sets about a lifter, and the private link that opens the lifter's own pages."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from app.planning import attention
from app.planning.analysis import read_inputs, settings_of
from app.planning.days import today_in
from app.storage import access, audit, lifters
from app.storage.engine import Store, Transaction
from app.storage.models import Coach, Lifter, LifterLink, LifterSession
from app.training.analysis import analyse_lifter

STATUSES: Mapping[str, str] = {
    "active": "Coached now",
    "paused": "Paused: kept on the roster, asked nothing of",
    "archived": "Archived: off the roster, everything kept",
}
SENSITIVITIES: Mapping[str, str] = {
    "0.7": "Late: only what is quite sure",
    "1.0": "Usual",
    "1.4": "Early: sooner, and wrong more often",
}
STRESS_MEASURES: Mapping[str, str] = {
    "relative_volume_load": "Relative volume load (reps times share of e1RM)",
    "volume_load": "Volume load (reps times load)",
    "working_sets": "Working sets",
    "hard_sets": "Hard sets (four reps in reserve or fewer)",
    "session_rpe_load": "Session RPE times minutes",
}
EXPECTED_WEEKS = 12


class NameTaken(Exception):
    """The coach has another lifter of this name."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What a coach says about a lifter. Masses in grams; ``plates`` are (grams, pairs)."""

    name: str
    time_zone: str
    unit: str = "kg"
    status: str = "active"
    bar_grams: int = 20_000
    collar_grams: int = 0
    plates: tuple[tuple[int, int], ...] = ()
    recent_window_weeks: int = 8
    rir_floor: float = 0.0
    sensitivity: float = 1.0
    stress_measure: str = "relative_volume_load"
    body_mass_grams: int | None = None
    goal: str = ""
    goal_day: int | None = None
    note: str = ""

    def columns(self) -> dict[str, object]:
        found = {name: getattr(self, name) for name in self.__slots__}
        # Largest first, as bars are loaded.
        return found | {"plates": [list(one) for one in sorted(self.plates, reverse=True)]}


def find(store: Store, coach: Coach, lifter_id: int) -> Lifter:
    """One of this coach's lifters.

    Raises
    ------
    LifterNotFound
        If there is no such lifter on this coach's roster.
    """
    with store.reading() as db:
        return lifters.of_coach(db, coach, lifter_id)


def add(store: Store, coach: Coach, facts: Facts, *, by: str | None = None, now: datetime) -> int:
    """Put a lifter on the roster; the lifter's number.

    Raises
    ------
    NameTaken
        If the coach has a lifter of this name, archived ones too.
    """
    with store.transaction() as db:
        _refuse_taken(db, coach, facts.name)
        lifter = lifters.add(db, coach, at=now, stale_at=now, **facts.columns())
        audit.record(
            db, kind="lifter added", actor=by or coach.name, at=now, coach_id=coach.id, lifter_id=lifter.id
        )
        return lifter.id


def change(
    store: Store, coach: Coach, lifter_id: int, facts: Facts, *, by: str | None = None, now: datetime
) -> None:
    """Set what is known about a lifter; the analysis is made anew.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    NameTaken
        If another of the coach's lifters has this name.
    """
    with store.transaction() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        if facts.name.casefold() != lifter.name.casefold():
            _refuse_taken(db, coach, facts.name)
        changed = sorted(name for name, value in facts.columns().items() if getattr(lifter, name) != value)
        for name in changed:
            setattr(lifter, name, facts.columns()[name])
        if changed:
            lifters.mark_stale(db, [lifter.id], now)
            audit.record(
                db,
                kind="lifter changed",
                actor=by or coach.name,
                at=now,
                coach_id=coach.id,
                lifter_id=lifter.id,
                changed=changed,
            )


def _refuse_taken(db: Transaction, coach: Coach, name: str) -> None:
    if name.casefold() in lifters.by_name(db, coach):
        raise NameTaken(name)


def expected_flags(
    store: Store, coach: Coach, lifter_id: int, sensitivity: float, *, now: datetime
) -> tuple[int, int]:
    """How often a sensitivity would have raised something lately: (new flags, weeks looked at).

    The last weeks are judged one by one with what was known then. Reports of pain are left out: they are
    raised whatever the setting.
    """
    with store.reading() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        today = today_in(lifter.time_zone, now)
        read = read_inputs(db, lifter, today)
    if read.log.day.size == 0:
        return 0, 0
    weeks = min(EXPECTED_WEEKS, max(0, (today - int(read.log.day.min())) // 7))
    named = {one.name: one for one in read.lifts.values()}
    settings = replace(settings_of(lifter, read.accepted), sensitivity=sensitivity)
    spans = [one.span() for one in read.blocks]
    raised, before = 0, set[str]()
    for week in range(weeks, -1, -1):
        day = today - 7 * week
        analysis = analyse_lifter(read.log, spans, as_of=day, settings=settings)
        found = attention.findings(analysis, named, sensitivity=sensitivity)
        causes = {one.cause for one in found if one.severity != "notice"}
        # The first look only says what stood already.
        raised += 0 if week == weeks else len(causes - before)
        before = causes
    return raised, weeks


# The private link ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Links:
    """The lifter, the link that is open now if there is one, and the phones it let in."""

    lifter: Lifter
    live: LifterLink | None
    last: LifterLink | None
    devices: Sequence[LifterSession]


def links(store: Store, coach: Coach, lifter_id: int, *, now: datetime) -> Links:
    """What is known of a lifter's link; the link itself is not, only its hash is kept.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.reading() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        issued = access.links(db, lifter)
        live = next((one for one in issued if one.revoked_at is None and one.expires_at > now), None)
        return Links(lifter, live, issued[0] if issued else None, access.lifter_devices(db, lifter))


def issue_link(
    store: Store, coach: Coach, lifter_id: int, *, valid: timedelta, by: str | None = None, now: datetime
) -> str:
    """A new private link's token; any earlier link and every phone it let in are shut out.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.transaction() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        access.revoke_links(db, lifter, at=now)
        token = access.issue_link(db, lifter, at=now, valid=valid)
        audit.record(
            db, kind="link issued", actor=by or coach.name, at=now, coach_id=coach.id, lifter_id=lifter.id
        )
        return token


def revoke_link(store: Store, coach: Coach, lifter_id: int, *, by: str | None = None, now: datetime) -> None:
    """End a lifter's link and sign every phone out.

    Raises
    ------
    LifterNotFound
        If the lifter is not one of this coach's.
    """
    with store.transaction() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        access.revoke_links(db, lifter, at=now)
        audit.record(
            db, kind="link revoked", actor=by or coach.name, at=now, coach_id=coach.id, lifter_id=lifter.id
        )
