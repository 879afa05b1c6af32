"""Coaches, sessions, links, one-time codes and the buckets that limit guessing. Only hashes are kept."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Sequence
from datetime import datetime, timedelta

from sqlalchemy import delete, func, select, update
from sqlalchemy.orm import Session

from app.storage.models import (
    ApiToken,
    Attempt,
    AuditEvent,
    Coach,
    CoachMember,
    CoachSession,
    Lifter,
    LifterLink,
    LifterSession,
    OneTimeCode,
)


def new_token() -> str:
    """A fresh 256-bit token."""
    return secrets.token_urlsafe(32)


def digest(token: str) -> bytes:
    """What is stored of a token; the token itself has 256 random bits, so no salt is needed."""
    return hashlib.sha256(token.encode()).digest()


def any_coach(db: Session) -> bool:
    return db.scalar(select(func.count()).select_from(Coach)) != 0


def coach_by_login(db: Session, login: str) -> Coach | None:
    return db.scalar(select(Coach).where(Coach.login == login.strip().casefold()))


def has_signed_in_from(db: Session, coach: Coach, address: str) -> bool:
    """Whether this coach has entered the right password from this address before."""
    query = select(AuditEvent.id).where(
        AuditEvent.coach_id == coach.id, AuditEvent.kind == "sign-in", AuditEvent.address == address
    )
    return db.scalar(query.limit(1)) is not None


def only_coach(db: Session) -> Coach | None:
    """The coach, if there is exactly one."""
    found = db.scalars(select(Coach).limit(2)).all()
    return found[0] if len(found) == 1 else None


def coach_by_id(db: Session, coach_id: int) -> Coach | None:
    return db.get(Coach, coach_id)


def add_coach(
    db: Session,
    *,
    name: str,
    login: str,
    password_hash: str,
    club: str = "",
    unit: str = "kg",
    time_zone: str = "UTC",
    at: datetime,
) -> Coach:
    coach = Coach(
        name=name,
        login=login.strip().casefold(),
        password_hash=password_hash,
        club=club,
        unit=unit,
        time_zone=time_zone,
        created_at=at,
    )
    db.add(coach)
    db.flush()
    return coach


def coach_session(db: Session, token: str) -> tuple[CoachSession, Coach] | None:
    """The session a cookie stands for and its coach, unless the account is disabled."""
    row = db.execute(
        select(CoachSession, Coach)
        .join(Coach, Coach.id == CoachSession.coach_id)
        .where(CoachSession.token_hash == digest(token), Coach.disabled_at.is_(None))
    ).first()
    return None if row is None else (row[0], row[1])


def open_coach_session(db: Session, coach: Coach, *, device: str, at: datetime) -> str:
    token = new_token()
    db.add(
        CoachSession(
            token_hash=digest(token), coach_id=coach.id, created_at=at, last_used_at=at, device=device[:200]
        )
    )
    return token


def touch_coach_session(db: Session, session: CoachSession, at: datetime) -> None:
    db.execute(
        update(CoachSession).where(CoachSession.token_hash == session.token_hash).values(last_used_at=at)
    )


def coach_sessions(db: Session, coach: Coach) -> Sequence[CoachSession]:
    return db.scalars(
        select(CoachSession)
        .where(CoachSession.coach_id == coach.id)
        .order_by(CoachSession.last_used_at.desc())
    ).all()


def close_coach_session(db: Session, token_hash: bytes) -> None:
    db.execute(delete(CoachSession).where(CoachSession.token_hash == token_hash))


def close_coach_sessions(db: Session, coach: Coach, *, except_hash: bytes | None = None) -> None:
    query = delete(CoachSession).where(CoachSession.coach_id == coach.id)
    if except_hash is not None:
        query = query.where(CoachSession.token_hash != except_hash)
    db.execute(query)


def issue_code(db: Session, *, purpose: str, coach_id: int | None, at: datetime, valid: timedelta) -> str:
    """A code that works once, for the stated purpose, until it expires."""
    code = new_token()
    db.add(
        OneTimeCode(
            code_hash=digest(code), purpose=purpose, coach_id=coach_id, expires_at=at + valid, used_at=None
        )
    )
    return code


def use_code(db: Session, code: str, *, purpose: str, at: datetime) -> OneTimeCode | None:
    """Use a code up; None if it is unknown, used, expired or meant for something else."""
    found = db.get(OneTimeCode, digest(code))
    if found is None or found.purpose != purpose or found.used_at is not None or found.expires_at < at:
        return None
    found.used_at = at
    return found


def is_code_open(db: Session, code: str, *, purpose: str, at: datetime) -> bool:
    found = db.get(OneTimeCode, digest(code))
    return found is not None and found.purpose == purpose and found.used_at is None and found.expires_at >= at


def drop_codes(db: Session, *, purpose: str) -> None:
    db.execute(delete(OneTimeCode).where(OneTimeCode.purpose == purpose))


def take_attempt(db: Session, bucket: str, *, burst: int, every: timedelta, at: datetime) -> bool:
    """Take one try from a bucket of ``burst`` that gains one ``every`` so often; False if it is empty."""
    found = db.get(Attempt, bucket)
    if found is None:
        found = Attempt(bucket=bucket, tokens=float(burst), refilled_at=at)
        db.add(found)
    gained = max(0.0, (at - found.refilled_at) / every)
    found.tokens = min(float(burst), found.tokens + gained)
    found.refilled_at = at
    if found.tokens < 1:
        return False
    found.tokens -= 1
    return True


def refill(db: Session, bucket: str) -> None:
    db.execute(delete(Attempt).where(Attempt.bucket == bucket))


# Lifters' links -----------------------------------------------------------------------------------


def issue_link(db: Session, lifter: Lifter, *, at: datetime, valid: timedelta) -> str:
    token = new_token()
    db.add(
        LifterLink(
            lifter_id=lifter.id,
            token_hash=digest(token),
            created_at=at,
            expires_at=at + valid,
            revoked_at=None,
            last_used_at=None,
        )
    )
    db.flush()
    return token


def links(db: Session, lifter: Lifter) -> Sequence[LifterLink]:
    return db.scalars(
        select(LifterLink).where(LifterLink.lifter_id == lifter.id).order_by(LifterLink.id.desc())
    ).all()


def live_link(db: Session, token: str, at: datetime) -> tuple[LifterLink, Lifter] | None:
    """A link that is neither revoked nor expired, and whose lifter still exists."""
    row = db.execute(
        select(LifterLink, Lifter)
        .join(Lifter, Lifter.id == LifterLink.lifter_id)
        .where(
            LifterLink.token_hash == digest(token),
            LifterLink.revoked_at.is_(None),
            LifterLink.expires_at > at,
            Lifter.deleted_at.is_(None),
        )
    ).first()
    return None if row is None else (row[0], row[1])


def open_lifter_session(db: Session, link: LifterLink, *, device: str, at: datetime) -> str:
    token = new_token()
    db.add(
        LifterSession(
            token_hash=digest(token),
            lifter_id=link.lifter_id,
            link_id=link.id,
            created_at=at,
            last_used_at=at,
            device=device[:200],
        )
    )
    db.execute(update(LifterLink).where(LifterLink.id == link.id).values(last_used_at=at))
    return token


def lifter_session(db: Session, token: str, at: datetime) -> tuple[LifterSession, Lifter] | None:
    """The session a lifter's cookie stands for; a revoked link ends every session it opened."""
    row = db.execute(
        select(LifterSession, Lifter)
        .join(Lifter, Lifter.id == LifterSession.lifter_id)
        .join(LifterLink, LifterLink.id == LifterSession.link_id)
        .where(
            LifterSession.token_hash == digest(token),
            LifterLink.revoked_at.is_(None),
            LifterLink.expires_at > at,
            Lifter.deleted_at.is_(None),
        )
    ).first()
    return None if row is None else (row[0], row[1])


def touch_lifter_session(db: Session, session: LifterSession, at: datetime) -> None:
    db.execute(
        update(LifterSession).where(LifterSession.token_hash == session.token_hash).values(last_used_at=at)
    )


def close_lifter_session(db: Session, token_hash: bytes) -> None:
    db.execute(delete(LifterSession).where(LifterSession.token_hash == token_hash))


def revoke_links(db: Session, lifter: Lifter, *, at: datetime) -> None:
    """End every link of a lifter and every session that any of them opened."""
    db.execute(
        update(LifterLink)
        .where(LifterLink.lifter_id == lifter.id, LifterLink.revoked_at.is_(None))
        .values(revoked_at=at)
    )
    db.execute(delete(LifterSession).where(LifterSession.lifter_id == lifter.id))


def lifter_devices(db: Session, lifter: Lifter) -> Sequence[LifterSession]:
    return db.scalars(
        select(LifterSession)
        .where(LifterSession.lifter_id == lifter.id)
        .order_by(LifterSession.last_used_at.desc())
    ).all()


# Programs' tokens and shared rosters --------------------------------------------------------------


def api_token(db: Session, token: str) -> tuple[ApiToken, Coach] | None:
    row = db.execute(
        select(ApiToken, Coach)
        .join(Coach, Coach.id == ApiToken.coach_id)
        .where(
            ApiToken.token_hash == digest(token), ApiToken.revoked_at.is_(None), Coach.disabled_at.is_(None)
        )
    ).first()
    return None if row is None else (row[0], row[1])


def rosters_open_to(db: Session, coach: Coach) -> Sequence[tuple[Coach, str]]:
    """Rosters this coach may see as an assistant, with the role there."""
    rows = db.execute(
        select(Coach, CoachMember.role)
        .join(CoachMember, CoachMember.coach_id == Coach.id)
        .where(CoachMember.member_id == coach.id, Coach.disabled_at.is_(None))
    )
    return [(row[0], row[1]) for row in rows]
