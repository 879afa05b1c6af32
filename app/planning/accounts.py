"""Several coaches on one server: invitations, assistants, tokens, lifters handed over, the audit view.

An account's own business is its coach's alone: an assistant who may write a roster still cannot invite, hand
over, export it whole or give its tokens away.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from app.planning.access import TOUCH_AFTER
from app.planning.days import today_in
from app.storage import access, accounts, audit, decisions, lifters
from app.storage.engine import Store, Transaction
from app.storage.models import ApiToken, AuditEvent, Coach, Handover, Lifter, PlannedSession

INVITATION_VALID = timedelta(days=5)
MOST_TOKENS = 20
MOST_INVITATIONS = 20
ROLES = {"read": "may read", "write": "may read and write"}
EVENTS_A_PAGE = 50
LOOK_UPS = {"burst": 20, "every": timedelta(minutes=3)}


class NoSuchCoach(Exception):
    """Nobody here has this login."""


class IsYourself(Exception):
    """The login is the coach's own."""


class TooMany(Exception):
    """There are as many of these as an account may have."""


class TokenNotFound(LookupError):
    """There is no such token of this coach."""


class AssistantNotFound(LookupError):
    """There is no such assistant of this coach."""


class HandoverNotFound(LookupError):
    """Nothing is offered, or not to this coach."""


class AlreadyOffered(Exception):
    """The lifter is offered to a coach already."""


class NoConsent(Exception):
    """The lifter has not agreed yet."""


# Invitations and assistants -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Roster:
    """A roster somebody may look at."""

    coach_id: int
    name: str
    role: str  # own, read or write


@dataclass(frozen=True, slots=True)
class Account:
    """What a coach's account page shows of others."""

    assistants: Sequence[tuple[int, str, str]]  # number, name, role
    rosters: Sequence[Roster]
    tokens: Sequence[ApiToken]
    invitations: int
    offers: Sequence[Offer]


@dataclass(frozen=True, slots=True)
class Offer:
    """A lifter offered to this coach. The name is told once the lifter has agreed."""

    id: int
    by: str
    lifter: str | None
    offered_at: datetime


def account(store: Store, coach: Coach, *, now: datetime) -> Account:
    with store.reading() as db:
        return Account(
            [(one.id, one.name, member.role) for one, member in accounts.assistants(db, coach)],
            [Roster(one.id, one.club or one.name, role) for one, role in access.rosters_open_to(db, coach)],
            accounts.tokens(db, coach),
            accounts.open_invitations(db, coach, now),
            [
                Offer(
                    one.id,
                    by.name,
                    None if one.lifter_agreed_at is None else lifter.name,
                    one.offered_at,
                )
                for one, by, lifter in accounts.offered_to(db, coach)
            ],
        )


def invite(store: Store, coach: Coach, *, now: datetime) -> str:
    """A code with which somebody makes an account of their own on this server.

    Raises
    ------
    TooMany
        If too many invitations are open.
    """
    with store.transaction() as db:
        if accounts.open_invitations(db, coach, now) >= MOST_INVITATIONS:
            raise TooMany
        audit.record(db, kind="invitation", actor=coach.name, coach_id=coach.id, at=now)
        return access.issue_code(db, purpose="invite", coach_id=coach.id, at=now, valid=INVITATION_VALID)


def end_invitations(store: Store, coach: Coach, *, now: datetime) -> None:
    with store.transaction() as db:
        accounts.drop_invitations(db, coach)
        audit.record(db, kind="invitations ended", actor=coach.name, coach_id=coach.id, at=now)


def _other(store: Store, coach: Coach, login: str, now: datetime) -> Coach:
    """The coach with a login. Asking is limited, because the answer tells who has an account."""
    with store.transaction() as db:
        free = access.take_attempt(db, f"look-up:{coach.id}", at=now, **LOOK_UPS)  # type: ignore[arg-type]
    if not free:
        raise TooMany
    with store.reading() as db:
        found = access.coach_by_login(db, login)
    if found is None or found.disabled_at is not None:
        raise NoSuchCoach(login)
    if found.id == coach.id:
        raise IsYourself(login)
    return found


def set_assistant(store: Store, coach: Coach, login: str, role: str, *, now: datetime) -> None:
    """Let another coach read, or read and write, this roster.

    Raises
    ------
    NoSuchCoach, IsYourself, TooMany
        If the login is nobody's or the coach's own, or too many logins were tried.
    """
    member = _other(store, coach, login, now)
    with store.transaction() as db:
        accounts.put_assistant(db, coach, member, role=role, at=now)
        audit.record(
            db, kind="assistant", actor=coach.name, coach_id=coach.id, at=now, who=member.name, role=role
        )


def drop_assistant(store: Store, coach: Coach, member_id: int, *, now: datetime) -> None:
    """End an assistant's right at once.

    Raises
    ------
    AssistantNotFound
        If that coach is no assistant here.
    """
    with store.transaction() as db:
        if not accounts.drop_assistant(db, coach.id, member_id):
            raise AssistantNotFound(member_id)
        audit.record(db, kind="assistant ended", actor=coach.name, coach_id=coach.id, at=now, who=member_id)


def leave_roster(store: Store, member: Coach, coach_id: int, *, now: datetime) -> None:
    """Stop being an assistant.

    Raises
    ------
    AssistantNotFound
        If the coach is no assistant there.
    """
    with store.transaction() as db:
        if not accounts.drop_assistant(db, coach_id, member.id):
            raise AssistantNotFound(coach_id)
        audit.record(db, kind="assistant left", actor=member.name, coach_id=coach_id, at=now)


def rosters_of(store: Store, coach: Coach) -> list[Roster]:
    """The rosters a coach may look at, their own first."""
    with store.reading() as db:
        others = access.rosters_open_to(db, coach)
    return [
        Roster(coach.id, coach.club or coach.name, "own"),
        *(Roster(one.id, one.club or one.name, role) for one, role in others),
    ]


# Programs' tokens -----------------------------------------------------------------------------------


def issue_token(store: Store, coach: Coach, name: str, scope: str, *, now: datetime) -> str:
    """A token for a program, shown this once; scope "read", "write", or "feed" for a calendar.

    Raises
    ------
    TooMany
        If the account has as many as it may.
    """
    with store.transaction() as db:
        if len(accounts.tokens(db, coach)) >= MOST_TOKENS:
            raise TooMany
        audit.record(
            db, kind="token issued", actor=coach.name, coach_id=coach.id, at=now, name=name, scope=scope
        )
        return accounts.add_token(db, coach, name=name, scope=scope, at=now)


def revoke_token(store: Store, coach: Coach, token_id: int, *, now: datetime) -> None:
    """End a token; the next request with it is refused.

    Raises
    ------
    TokenNotFound
        If it is not one of this coach's, or was revoked before.
    """
    with store.transaction() as db:
        found = accounts.revoke_token(db, coach, token_id, now)
        if found is None:
            raise TokenNotFound(token_id)
        audit.record(db, kind="token revoked", actor=coach.name, coach_id=coach.id, at=now, name=found.name)


def holder_of_token(store: Store, token: str, *, now: datetime) -> tuple[Coach, str] | None:
    """Whose data a token opens, and its scope; None if it is unknown or revoked."""
    found = token_in_use(store, token, now=now)
    return None if found is None else (found[1], found[0].scope)


def token_in_use(store: Store, token: str, *, now: datetime) -> tuple[ApiToken, Coach] | None:
    """A token's row and whose data it opens, with the time of its use kept; None as above."""
    with store.reading() as db:
        found = access.api_token(db, token)
    if found is None:
        return None
    row, coach = found
    if row.last_used_at is None or now - row.last_used_at > TOUCH_AFTER:
        with store.transaction() as db:
            accounts.touch_token(db, row, now)
    return row, coach


FEED_BACK_DAYS, FEED_AHEAD_DAYS = 30, 180


def roster_feed(store: Store, token: str, *, now: datetime) -> Sequence[tuple[str, PlannedSession]]:
    """What the calendar at this address holds: planned sessions around today, each with its lifter's name.

    Raises
    ------
    TokenNotFound
        If no roster's calendar has this token.
    """
    found = holder_of_token(store, token, now=now)
    if found is None or found[1] != "feed":
        raise TokenNotFound
    today = today_in(found[0].time_zone, now)
    with store.reading() as db:
        return accounts.planned_of_roster(db, found[0], today - FEED_BACK_DAYS, today + FEED_AHEAD_DAYS)


# Handing a lifter over ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class OfferView:
    """What is offered about a lifter: from whom, to whom, and whether the lifter has agreed."""

    id: int
    by: str
    to: str
    club: str
    offered_at: datetime
    agreed_at: datetime | None


def offer_of(store: Store, lifter: Lifter) -> OfferView | None:
    """What is offered about a lifter, if anything."""
    with store.reading() as db:
        found = accounts.open_handover(db, lifter.id)
    return None if found is None else _view(*found)


def _view(one: Handover, by: Coach, to: Coach) -> OfferView:
    return OfferView(one.id, by.name, to.name, to.club, one.offered_at, one.lifter_agreed_at)


def offer(store: Store, coach: Coach, lifter_id: int, login: str, *, now: datetime) -> None:
    """Offer a lifter to another coach, and ask the lifter.

    Raises
    ------
    LifterNotFound, AlreadyOffered
        If the lifter is not this coach's or is offered already.
    NoSuchCoach, IsYourself, TooMany
        If the login is nobody's or the coach's own, or too many logins were tried.
    """
    to = _other(store, coach, login, now)
    with store.transaction() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        if accounts.open_handover(db, lifter.id) is not None:
            raise AlreadyOffered
        accounts.add_handover(db, lifter, to, at=now)
        club = f" ({to.club})" if to.club else ""
        decisions.add_message(
            db,
            lifter.id,
            author="coach",
            body=f"I would like to hand your coaching over to {to.name}{club}. Your logs would go with you. "
            "Nothing happens unless you agree: open More, then Another coach, and say yes or no.",
            about={},
            at=now,
            sent=True,
        )
        _record(db, "handover offered", coach, lifter, now, to=to.name)


def withdraw(store: Store, coach: Coach, lifter_id: int, *, now: datetime) -> None:
    """Take an offer back.

    Raises
    ------
    LifterNotFound, HandoverNotFound
        If the lifter is not this coach's or is not offered.
    """
    with store.transaction() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        _open_offer(db, lifter)[0].ended_at = now
        _record(db, "handover withdrawn", coach, lifter, now)


def record_consent(store: Store, coach: Coach, lifter_id: int, how: str, *, now: datetime) -> None:
    """Keep that the lifter agreed elsewhere, and how.

    Raises
    ------
    LifterNotFound, HandoverNotFound
        If the lifter is not this coach's or is not offered.
    """
    with store.transaction() as db:
        lifter = lifters.of_coach(db, coach, lifter_id)
        offered, _, _ = _open_offer(db, lifter)
        offered.lifter_agreed_at = offered.lifter_agreed_at or now
        _record(db, "handover consent recorded", coach, lifter, now, how=how)


def answer_offer(store: Store, lifter: Lifter, *, agree: bool, now: datetime) -> None:
    """The lifter says yes or no.

    Raises
    ------
    HandoverNotFound
        If nothing is offered any more.
    """
    with store.transaction() as db:
        handover, by, _ = _open_offer(db, lifter)
        if agree:
            handover.lifter_agreed_at = handover.lifter_agreed_at or now
        else:
            handover.ended_at = now
        audit.record(
            db,
            kind="handover agreed" if agree else "handover declined",
            actor=lifter.name,
            coach_id=by.id,
            lifter_id=lifter.id,
            at=now,
        )


def accept(store: Store, coach: Coach, handover_id: int, *, now: datetime) -> int:
    """Take a lifter over; the lifter's number. Links and phones of before are shut out: a new link is needed.

    Raises
    ------
    HandoverNotFound, NoConsent
        If nothing is offered to this coach, or the lifter has not agreed yet.
    """
    with store.transaction() as db:
        found = _offer_to(db, coach, handover_id)
        if found.lifter_agreed_at is None:
            raise NoConsent
        old = access.coach_by_id(db, found.from_coach_id)
        assert old is not None  # An offer goes with its coach.
        lifter = lifters.of_coach(db, old, found.lifter_id)
        _record(db, "handed over", old, lifter, now, by=coach.name, to=coach.name)
        access.revoke_links(db, lifter, at=now)
        accounts.move_lifter(db, lifter, old, coach, name=_free_name(db, coach, lifter.name))
        lifters.mark_stale(db, [lifter.id], now)
        found.accepted_at = found.ended_at = now
        _record(db, "taken over", coach, lifter, now, by=old.name)
        return lifter.id


def decline(store: Store, coach: Coach, handover_id: int, *, now: datetime) -> None:
    """Say no to an offer.

    Raises
    ------
    HandoverNotFound
        If nothing is offered to this coach.
    """
    with store.transaction() as db:
        found = _offer_to(db, coach, handover_id)
        found.ended_at = now
        audit.record(
            db,
            kind="handover declined",
            actor=coach.name,
            coach_id=found.from_coach_id,
            lifter_id=found.lifter_id,
            at=now,
        )


def _open_offer(db: Transaction, lifter: Lifter) -> tuple[Handover, Coach, Coach]:
    found = accounts.open_handover(db, lifter.id)
    if found is None:
        raise HandoverNotFound(lifter.id)
    return found


def _offer_to(db: Transaction, coach: Coach, handover_id: int) -> Handover:
    found = accounts.handover_to(db, coach, handover_id)
    if found is None:
        raise HandoverNotFound(handover_id)
    return found


def _free_name(db: Transaction, coach: Coach, name: str) -> str:
    taken = lifters.by_name(db, coach)
    number, found = 2, name
    while found.casefold() in taken:
        found, number = f"{name[:110]} ({number})", number + 1
    return found


def _record(
    db: Transaction, kind: str, coach: Coach, lifter: Lifter, now: datetime, *, by: str = "", **detail: str
) -> None:
    actor = by or coach.name
    audit.record(db, kind=kind, actor=actor, coach_id=coach.id, lifter_id=lifter.id, at=now, **detail)


# The audit view -------------------------------------------------------------------------------------

GROUPS: dict[str, tuple[str, ...]] = {
    "sign-ins": (
        "sign-in",
        "sign-in by link",
        "sign-in refused",
        "account made",
        "other sessions ended",
        "password changed",
    ),
    "links": ("link issued", "link opened", "link revoked"),
    "data in and out": (
        "import",
        "import undone",
        "export",
        "whole file taken in",
        "backup made",
        "past blocks added",
    ),
    "logs": (
        "set amended",
        "set taken out",
        "set put back",
        "session rated",
        "odd sets decided",
        "odd sets brought back",
    ),
    "decisions": ("decision", "block assigned", "block changed"),
    "blocks": (
        "draft begun",
        "draft changed",
        "draft thrown away",
        "block assigned",
        "block changed",
        "season changed",
    ),
    "people": (
        "invitation",
        "invitations ended",
        "assistant",
        "assistant ended",
        "assistant left",
        "token issued",
        "token revoked",
        "handover offered",
        "handover withdrawn",
        "handover agreed",
        "handover declined",
        "handover consent recorded",
        "handed over",
        "taken over",
        "lifter added",
        "lifter changed",
        "lifter removed",
        "lifter brought back",
    ),
}
"""What the audit view can be narrowed to -> the kinds of events in it."""


def events(
    store: Store, coach: Coach, *, group: str = "", before: int | None = None
) -> tuple[Sequence[tuple[AuditEvent, str | None]], int | None]:
    """A page of what happened, newest first, and where the next page begins."""
    with store.reading() as db:
        found = accounts.events(
            db, coach, before=before, kinds=GROUPS.get(group, ()), limit=EVENTS_A_PAGE + 1
        )
    shown = [
        (one, None if name is None else name.removesuffix(f" (removed {one.lifter_id})"))
        for one, name in found[:EVENTS_A_PAGE]
    ]
    return shown, shown[-1][0].id if len(found) > EVENTS_A_PAGE else None
