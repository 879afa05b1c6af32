"""Who is asking, of which database, at what time. Every route answers these before anything else."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Annotated

from fastapi import Depends, Request
from starlette.datastructures import FormData as StarletteFormData

from app.config import Settings
from app.planning import access
from app.storage.engine import Store
from app.storage.models import Coach, Lifter
from app.web.pages import COACH_COOKIE, LIFTER_COOKIE, VISIT_COOKIE, cookie_name, csrf_token

ROSTER_COOKIE = "terrace_roster"  # whose roster an assistant is looking at
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})


class SignInNeeded(Exception):
    """Nobody is signed in; the browser is sent to the sign-in page."""


class LinkNeeded(Exception):
    """No lifter's session; the phone is told to open its private link."""


class Refused(Exception):
    """A request this app will not act on; the words say why."""


@dataclass(frozen=True, slots=True)
class DeskView:
    """Whose roster is being looked at, by whom, and whether they may change it."""

    owner: Coach
    actor: Coach
    can_write: bool


# Dependencies that only hand something on are coroutines: a plain function costs a hop to another thread.


def clock() -> datetime:
    return datetime.now(UTC)


async def get_store(request: Request) -> Store:
    store: Store = request.app.state.store
    return store


async def get_settings(request: Request) -> Settings:
    settings: Settings = request.app.state.settings
    return settings


async def get_now(request: Request) -> datetime:
    now: datetime = request.app.state.clock()
    return now


AppStore = Annotated[Store, Depends(get_store)]
AppSettings = Annotated[Settings, Depends(get_settings)]
Now = Annotated[datetime, Depends(get_now)]


async def get_form(request: Request) -> StarletteFormData:
    return await request.form(max_files=4, max_fields=2000, max_part_size=2_000_000)


FormData = Annotated[StarletteFormData, Depends(get_form)]


async def guard(request: Request) -> AsyncIterator[None]:
    """Refuse a change that another site could have caused; close what its form opened afterwards.

    The browser's own word on where the request comes from is checked first, then the token that only
    a page of this app can know.

    Raises
    ------
    Refused
        If the request comes from elsewhere or carries no token of this session.
    """
    try:
        await check(request)
        yield
    finally:
        await request.close()


async def check(request: Request) -> None:
    # The programs' interface looks at no cookie, so no other site can borrow somebody's right to it.
    if request.method in SAFE or request.url.path.startswith("/api/"):
        return
    site = request.headers.get("Sec-Fetch-Site")
    origin = request.headers.get("Origin")
    if site is not None and site not in ("same-origin", "none"):
        raise Refused("The request came from another site.")
    if site is None and origin is not None and origin.split("://")[-1] != request.headers.get("Host"):
        raise Refused("The request came from another site.")
    https: bool = request.app.state.settings.https
    good = {
        csrf_token(request.cookies[name])
        for name in (cookie_name(one, https=https) for one in (COACH_COOKIE, LIFTER_COOKIE, VISIT_COOKIE))
        if name in request.cookies
    }
    given = request.headers.get("X-CSRF")
    if given is None and request.headers.get("Content-Type", "").startswith(
        ("application/x-www-form-urlencoded", "multipart/form-data")
    ):
        value = (await get_form(request)).get("csrf")
        given = value if isinstance(value, str) else None
    if given is None or given not in good:
        raise Refused(
            "The page was open too long or in another session. Load it again and repeat the change."
        )


def get_desk(request: Request, store: AppStore, settings: AppSettings, now: Now) -> DeskView:
    """The signed-in coach and the roster looked at.

    Raises
    ------
    SignInNeeded
        If no live session came with the request.
    Refused
        If an assistant who may only read tries to change something.
    """
    token = request.cookies.get(cookie_name(COACH_COOKIE, https=settings.https))
    roster = request.cookies.get(cookie_name(ROSTER_COOKIE, https=settings.https), "")
    found = (
        None
        if token is None
        else access.desk(
            store,
            token,
            roster=int(roster) if roster.isascii() and roster.isdigit() and len(roster) < 10 else None,
            idle=timedelta(hours=settings.coach_idle_hours),
            absolute=timedelta(days=settings.coach_absolute_days),
            now=now,
        )
    )
    if found is None:
        raise SignInNeeded
    desk = DeskView(*found)
    if (
        not desk.can_write
        and request.method not in SAFE
        and request.url.path != "/roster-of"
        and not request.url.path.startswith("/account/")  # their own account, whosever roster they look at
    ):
        raise Refused(
            "You may read this roster but not change it. Its coach can give you the right to write."
        )
    request.state.desk = desk
    request.state.cookie = COACH_COOKIE
    return desk


Desk = Annotated[DeskView, Depends(get_desk)]


async def own(desk: Desk) -> Coach:
    """The coach whose roster this is, and nobody who assists: for what is the account's alone.

    Raises
    ------
    Refused
        If an assistant asks.
    """
    if desk.actor.id != desk.owner.id:
        raise Refused("Only the coach whose roster this is may do that.")
    return desk.owner


OwnDesk = Annotated[Coach, Depends(own)]


async def get_coach(desk: Desk) -> Coach:
    return desk.owner


CurrentCoach = Annotated[Coach, Depends(get_coach)]


def get_lifter(request: Request, store: AppStore, settings: AppSettings, now: Now) -> Lifter:
    """The lifter whose phone this is.

    Raises
    ------
    LinkNeeded
        If the phone has no live session: never had one, or its link was revoked or has expired.
    """
    token = request.cookies.get(cookie_name(LIFTER_COOKIE, https=settings.https))
    found = (
        None
        if token is None
        else access.lifter_of(store, token, idle=timedelta(days=settings.lifter_idle_days), now=now)
    )
    if found is None:
        raise LinkNeeded
    request.state.cookie = LIFTER_COOKIE
    return found


CurrentLifter = Annotated[Lifter, Depends(get_lifter)]


async def client_address(request: Request) -> str:
    """The caller's address; a forwarding header counts only from a proxy named in the settings."""
    direct = request.client.host if request.client else ""
    settings: Settings = request.app.state.settings
    if direct in settings.trusted_proxies:
        hops = [one.strip() for one in request.headers.get("X-Forwarded-For", "").split(",") if one.strip()]
        for hop in reversed(hops):
            if hop not in settings.trusted_proxies:
                return hop
    return direct


Address = Annotated[str, Depends(client_address)]
