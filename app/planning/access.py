"""Accounts, sign-in, sessions and private links: who may see what, and how guessing is slowed."""

from __future__ import annotations

import threading
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from app.storage import access, audit
from app.storage.engine import Store, StoreError
from app.storage.models import Coach, Lifter

# OWASP password storage cheat sheet: Argon2id with at least 19 MiB, two passes, one lane.
HASHER = PasswordHasher(time_cost=2, memory_cost=19_456, parallelism=1)
# Hashing holds 19 MiB and a core each time; two at once leave the rest of the app alive.
_HASHING = threading.Semaphore(2)
# Verified when the account is unknown, so that the answer takes as long as for a known one.
_NOBODY = HASHER.hash("nobody has this password")

SETUP_CODE_VALID = timedelta(hours=24)
SIGN_IN_LINK_VALID = timedelta(hours=24)
TOUCH_AFTER = timedelta(minutes=10)
SHORTEST_PASSWORD = 10

# Tries: a burst, then one more every so often. In the database, so a restart forgets nothing.
PER_ACCOUNT = {"burst": 10, "every": timedelta(minutes=5)}
PER_ADDRESS = {"burst": 30, "every": timedelta(minutes=1)}


class TooManyTries(Exception):
    """The bucket of tries is empty; the answer does not say whether the account exists."""


class WrongCredentials(Exception):
    """Login and password do not belong together."""


class CodeNotOpen(Exception):
    """The code is unknown, used or expired."""


class LoginTaken(Exception):
    """Another account has this login."""


class LinkNotOpen(Exception):
    """The private link is unknown, revoked or expired."""


@dataclass(frozen=True, slots=True)
class NewCoach:
    """What a coach says of themselves at first."""

    name: str
    login: str
    password: str
    club: str
    unit: str
    time_zone: str


def password_problem(password: str, *, about: tuple[str, ...] = ()) -> str | None:
    """What is wrong with a password, as a sentence, or None."""
    if len(password) < SHORTEST_PASSWORD:
        return f"Password must be {SHORTEST_PASSWORD} characters or more; a sentence of four words is good"
    if len(password) > 200:
        return "Password must be 200 characters or fewer"
    from zxcvbn import zxcvbn

    if zxcvbn(password[:72], user_inputs=list(about))["score"] < 2:
        return "Password is among those guessed first; choose one that is not a common word or pattern"
    return None


def hash_password(password: str) -> str:
    with _HASHING:
        return HASHER.hash(password)


def needs_setup(store: Store) -> bool:
    """True as long as there is no coach account."""
    with store.reading() as db:
        return not access.any_coach(db)


def issue_setup_code(store: Store, *, now: datetime) -> str:
    """The code that the first coach account is made with; an older one stops working."""
    with store.transaction() as db:
        access.drop_codes(db, purpose="setup")
        return access.issue_code(db, purpose="setup", coach_id=None, at=now, valid=SETUP_CODE_VALID)


def issue_sign_in_link(store: Store, login: str, *, now: datetime) -> str:
    """A code that signs this coach in once, for the console of the machine."""
    with store.transaction() as db:
        coach = access.coach_by_login(db, login)
        if coach is None:
            raise WrongCredentials(login)
        return access.issue_code(db, purpose="sign-in", coach_id=coach.id, at=now, valid=SIGN_IN_LINK_VALID)


def create_coach(
    store: Store,
    code: str,
    new: NewCoach,
    *,
    purpose: str = "setup",
    device: str,
    address: str,
    now: datetime,
) -> str:
    """Make a coach account with a code and sign in; the session's token.

    Raises
    ------
    TooManyTries, CodeNotOpen, LoginTaken
        If codes are being guessed, this one does not work, or the login is in use.
    """
    hashed = hash_password(new.password)
    _take(store, f"code:{address}", PER_ADDRESS, now)
    with store.transaction() as db:
        if access.use_code(db, code, purpose=purpose, at=now) is None:
            raise CodeNotOpen
        if access.coach_by_login(db, new.login) is not None:
            raise LoginTaken
        coach = access.add_coach(
            db,
            name=new.name,
            login=new.login,
            password_hash=hashed,
            club=new.club,
            unit=new.unit,
            time_zone=new.time_zone,
            at=now,
        )
        audit.record(db, kind="account made", actor=coach.name, coach_id=coach.id, at=now, address=address)
        return access.open_coach_session(db, coach, device=device, at=now)


def is_invitation(store: Store, code: str, *, now: datetime) -> bool:
    """Whether an account can be made with this code."""
    with store.reading() as db:
        return access.is_code_open(db, code, purpose="invite", at=now)


def only_coach(store: Store, login: str | None) -> Coach | None:
    """The coach with this login; without one, the only coach there is."""
    with store.reading() as db:
        return access.coach_by_login(db, login) if login is not None else access.only_coach(db)


def sign_in(store: Store, login: str, password: str, *, device: str, address: str, now: datetime) -> str:
    """Check a login and password and open a session; its token.

    Raises
    ------
    TooManyTries, WrongCredentials
        If there were too many tries, or the two do not belong together.
    """
    _take(store, f"address:{address}", PER_ADDRESS, now)
    with store.reading() as db:
        coach = access.coach_by_login(db, login)
        at_home = coach is not None and access.has_signed_in_from(db, coach, address)
    # Tries from where this coach has signed in before are counted apart: somebody who goes on guessing
    # from elsewhere must not keep the owner out.
    place = f"@{address[:60]}" if at_home else ""
    account = f"account:{login.strip().casefold()[:120]}{place}"
    _take(store, account, PER_ACCOUNT, now)
    stored = _NOBODY if coach is None or coach.disabled_at is not None else coach.password_hash
    with _HASHING:
        try:
            HASHER.verify(stored, password)
            right = stored is not _NOBODY
        except (VerificationError, InvalidHashError):
            right = False
    with store.transaction() as db:
        if coach is None or not right:
            audit.record(
                db,
                kind="sign-in refused",
                actor=login.strip()[:160],
                coach_id=None if coach is None else coach.id,
                at=now,
                address=address,
            )
        else:
            access.refill(db, account)
            audit.record(db, kind="sign-in", actor=coach.name, coach_id=coach.id, at=now, address=address)
            return access.open_coach_session(db, coach, device=device, at=now)
    raise WrongCredentials


def sign_in_by_code(store: Store, code: str, *, device: str, address: str, now: datetime) -> str:
    """Open a session with a one-time sign-in link; its token.

    Raises
    ------
    TooManyTries, CodeNotOpen
        If links are being guessed, or this one was used or has expired.
    """
    _take(store, f"code:{address}", PER_ADDRESS, now)
    with store.transaction() as db:
        used = access.use_code(db, code, purpose="sign-in", at=now)
        coach = None if used is None or used.coach_id is None else access.coach_by_id(db, used.coach_id)
        if coach is None or coach.disabled_at is not None:
            raise CodeNotOpen
        audit.record(db, kind="sign-in by link", actor=coach.name, coach_id=coach.id, at=now, address=address)
        return access.open_coach_session(db, coach, device=device, at=now)


def sign_out(store: Store, token: str) -> None:
    with store.transaction() as db:
        access.close_coach_session(db, access.digest(token))


def desk(
    store: Store,
    token: str,
    *,
    roster: int | None,
    idle: timedelta,
    absolute: timedelta,
    now: datetime,
) -> tuple[Coach, Coach, bool] | None:
    """Owner of the roster looked at, the signed-in coach, and whether they may write; None if signed out."""
    with store.reading() as db:
        found = access.coach_session(db, token)
        if found is None:
            return None
        session, coach = found
        # Counted both ways: a session opened while the clock was years ahead must not last that long.
        if abs(now - session.last_used_at) > idle or abs(now - session.created_at) > absolute:
            return None
        owner, can_write = coach, True
        if roster is not None and roster != coach.id:
            for other, role in access.rosters_open_to(db, coach):
                if other.id == roster:
                    owner, can_write = other, role == "write"
    if abs(now - session.last_used_at) > TOUCH_AFTER:
        # A full or busy disk must not keep anybody from reading: the use is noted next time.
        with suppress(StoreError), store.transaction() as db:
            access.touch_coach_session(db, session, now)
    return owner, coach, can_write


@dataclass(frozen=True, slots=True)
class Device:
    """Where a coach is signed in."""

    name: str
    since: datetime
    last_used_at: datetime
    is_this_one: bool


def devices(store: Store, coach: Coach, token: str) -> list[Device]:
    """Every open session of a coach, the most recently used first."""
    with store.reading() as db:
        return [
            Device(one.device, one.created_at, one.last_used_at, one.token_hash == access.digest(token))
            for one in access.coach_sessions(db, coach)
        ]


def end_other_sessions(store: Store, coach: Coach, token: str, *, now: datetime) -> None:
    """Sign this coach out everywhere but here."""
    with store.transaction() as db:
        access.close_coach_sessions(db, coach, except_hash=access.digest(token))
        audit.record(db, kind="other sessions ended", actor=coach.name, coach_id=coach.id, at=now)


def confirm(store: Store, coach: Coach, password: str, *, now: datetime) -> None:
    """Ask once more for the password before something that cannot be taken back.

    Raises
    ------
    TooManyTries, WrongCredentials
        If there were too many tries, or it is not this coach's password.
    """
    _take(store, f"confirm:{coach.id}", PER_ACCOUNT, now)
    with _HASHING:
        try:
            HASHER.verify(coach.password_hash, password)
        except (VerificationError, InvalidHashError):
            raise WrongCredentials from None


def change_password(store: Store, coach: Coach, token: str, *, old: str, new: str, now: datetime) -> None:
    """Set a new password and end every other session.

    Raises
    ------
    TooManyTries, WrongCredentials
        If the old password is not right.
    """
    confirm(store, coach, old, now=now)
    hashed = hash_password(new)
    with store.transaction() as db:
        found = access.coach_by_id(db, coach.id)
        if found is None:
            raise WrongCredentials
        found.password_hash = hashed
        access.close_coach_sessions(db, coach, except_hash=access.digest(token))
        audit.record(db, kind="password changed", actor=coach.name, coach_id=coach.id, at=now)


# Lifters ------------------------------------------------------------------------------------------


def open_link(store: Store, token: str, *, device: str, address: str, now: datetime) -> str:
    """Exchange a private link for the phone's session; its token.

    Raises
    ------
    TooManyTries, LinkNotOpen
        If links are being guessed, or this one was revoked or has expired.
    """
    _take(store, f"link:{address}", PER_ADDRESS, now)
    with store.transaction() as db:
        found = access.live_link(db, token, now)
        if found is None:
            raise LinkNotOpen
        link, lifter = found
        audit.record(
            db,
            kind="link opened",
            actor=lifter.name,
            coach_id=lifter.coach_id,
            lifter_id=lifter.id,
            at=now,
            address=address,
        )
        access.refill(db, f"link:{address}")
        return access.open_lifter_session(db, link, device=device, at=now)


def lifter_of(store: Store, token: str, *, idle: timedelta, now: datetime) -> Lifter | None:
    """The lifter a phone's session belongs to, or None."""
    with store.reading() as db:
        found = access.lifter_session(db, token, now)
    if found is None:
        return None
    session, lifter = found
    if abs(now - session.last_used_at) > idle:
        return None
    if abs(now - session.last_used_at) > TOUCH_AFTER:
        with suppress(StoreError), store.transaction() as db:
            access.touch_lifter_session(db, session, now)
    return lifter


def leave(store: Store, token: str) -> None:
    """End a phone's session."""
    with store.transaction() as db:
        access.close_lifter_session(db, access.digest(token))


def _take(store: Store, bucket: str, limit: dict[str, object], now: datetime) -> None:
    with store.transaction() as db:
        free = access.take_attempt(db, bucket, at=now, **limit)  # type: ignore[arg-type]
    if not free:
        raise TooManyTries
