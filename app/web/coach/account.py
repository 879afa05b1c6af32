"""The coach's own account: password, devices, and who and what else may see the roster.

All of it is about the one who is signed in, whosever roster they are looking at.
"""

from __future__ import annotations

from collections.abc import Mapping

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.planning import access, accounts
from app.web.access import TOO_MANY
from app.web.dependencies import ROSTER_COOKIE, AppSettings, AppStore, Desk, FormData, Now
from app.web.devices import device_words
from app.web.forms import Form
from app.web.pages import COACH_COOKIE, cookie_name, page, see_other, set_cookie

router = APIRouter()
SCOPES = {"read": "read", "write": "read and write"}


@router.get("/account")
def account(request: Request, desk: Desk, store: AppStore, settings: AppSettings) -> Response:
    return _show(request, desk, store, settings, Form())


@router.post("/account/password")
def change_password(
    request: Request, desk: Desk, store: AppStore, settings: AppSettings, data: FormData, now: Now
) -> Response:
    form = Form.of(data)
    old, new = form.values.get("old", ""), form.values.get("new", "")
    problem = access.password_problem(new, about=(desk.actor.name, desk.actor.login, "terrace"))
    if problem is not None:
        form.errors["new"] = problem
    status = 422
    if not form.errors:
        try:
            access.change_password(store, desk.actor, _token(request, settings), old=old, new=new, now=now)
        except access.TooManyTries:
            form.errors["old"], status = "There were too many tries. Wait a few minutes, then try again", 429
        except access.WrongCredentials:
            form.errors["old"] = "This is not your present password"
        else:
            return see_other(request, "/account")
    form.values.clear()
    return _show(request, desk, store, settings, form, status)


@router.post("/account/sessions/end")
def end_sessions(request: Request, desk: Desk, store: AppStore, settings: AppSettings, now: Now) -> Response:
    access.end_other_sessions(store, desk.actor, _token(request, settings), now=now)
    return see_other(request, "/account")


# Invitations, assistants, rosters ---------------------------------------------------------------------


@router.post("/account/invitations")
def invite(request: Request, desk: Desk, store: AppStore, settings: AppSettings, now: Now) -> Response:
    try:
        code = accounts.invite(store, desk.actor, now=now)
    except accounts.TooMany:
        form = Form(errors={"": "Many invitations are open already. End them, then make new ones"})
        return _show(request, desk, store, settings, form, 409)
    # Shown in this answer and never again: only the code's hash is kept.
    shown = {"invitation": f"{settings.address}/join/{code}"}
    return _show(request, desk, store, settings, Form(), shown=shown)


@router.post("/account/invitations/end")
def end_invitations(request: Request, desk: Desk, store: AppStore, now: Now) -> Response:
    accounts.end_invitations(store, desk.actor, now=now)
    return see_other(request, "/account#people")


@router.post("/account/assistants")
def set_assistant(
    request: Request, desk: Desk, store: AppStore, settings: AppSettings, data: FormData, now: Now
) -> Response:
    form = Form.of(data)
    login = form.text("login", "the login of the other coach", longest=254)
    role = form.one_of("role", "what they may do", accounts.ROLES)
    status = 422
    if not form.errors:
        try:
            accounts.set_assistant(store, desk.actor, login, role, now=now)
        except accounts.NoSuchCoach:
            form.errors["login"] = "Nobody on this server has this login. Invite them first"
        except accounts.IsYourself:
            form.errors["login"] = "This is your own login"
        except accounts.TooMany:
            form.errors["login"], status = TOO_MANY, 429
        else:
            return see_other(request, "/account#people")
    return _show(request, desk, store, settings, form, status)


@router.post("/account/assistants/{member_id}/end")
def end_assistant(request: Request, member_id: int, desk: Desk, store: AppStore, now: Now) -> Response:
    accounts.drop_assistant(store, desk.actor, member_id, now=now)
    return see_other(request, "/account#people")


@router.post("/account/rosters/{coach_id}/leave")
def leave_roster(request: Request, coach_id: int, desk: Desk, store: AppStore, now: Now) -> Response:
    accounts.leave_roster(store, desk.actor, coach_id, now=now)
    return see_other(request, "/account#people")


@router.post("/roster-of")
def look_at_roster(
    request: Request, desk: Desk, store: AppStore, settings: AppSettings, data: FormData
) -> Response:
    """Look at one's own roster, or at one that its coach has opened to this one."""
    asked = Form.of(data).get("coach")
    known = {str(one.coach_id): one for one in accounts.rosters_of(store, desk.actor)}
    response = see_other(request, "/")
    if asked in known:
        # The cookie only says which one is wanted; whether it may be seen is asked anew each time.
        age = settings.coach_absolute_days * 86_400
        set_cookie(response, ROSTER_COOKIE, asked, https=settings.https, max_age=age)
    return response


# Programs -------------------------------------------------------------------------------------------


@router.post("/account/tokens")
def issue_token(
    request: Request, desk: Desk, store: AppStore, settings: AppSettings, data: FormData, now: Now
) -> Response:
    form = Form.of(data)
    name = form.text("token_name", "what the token is for", longest=80)
    scope = form.one_of("scope", "what it may do", SCOPES)
    if not form.errors:
        try:
            token = accounts.issue_token(store, desk.actor, name, scope, now=now)
        except accounts.TooMany:
            form.errors["token_name"] = f"{accounts.MOST_TOKENS} tokens is the most. Revoke one first"
        else:
            return _show(request, desk, store, settings, Form(), shown={"token": token})
    return _show(request, desk, store, settings, form, 422)


@router.post("/account/calendar")
def issue_calendar(
    request: Request, desk: Desk, store: AppStore, settings: AppSettings, now: Now
) -> Response:
    try:
        token = accounts.issue_token(store, desk.actor, "Calendar of the roster", "feed", now=now)
    except accounts.TooMany:
        form = Form(errors={"": f"{accounts.MOST_TOKENS} tokens is the most. Revoke one first"})
        return _show(request, desk, store, settings, form, 422)
    shown = {"calendar": f"{settings.address}/feed/roster/{token}.ics"}
    return _show(request, desk, store, settings, Form(), shown=shown)


@router.post("/account/tokens/{token_id}/revoke")
def revoke_token(request: Request, token_id: int, desk: Desk, store: AppStore, now: Now) -> Response:
    accounts.revoke_token(store, desk.actor, token_id, now=now)
    return see_other(request, "/account#tokens")


# Lifters offered by other coaches -------------------------------------------------------------------


@router.post("/account/handovers/{handover_id}/accept")
def accept(
    request: Request, handover_id: int, desk: Desk, store: AppStore, settings: AppSettings, now: Now
) -> Response:
    try:
        number = accounts.accept(store, desk.actor, handover_id, now=now)
    except accounts.NoConsent:
        form = Form(errors={"": "The lifter has not agreed yet"})
        return _show(request, desk, store, settings, form, 409)
    response = see_other(request, f"/lifters/{number}/link")
    response.delete_cookie(cookie_name(ROSTER_COOKIE, https=settings.https), path="/", secure=settings.https)
    return response


@router.post("/account/handovers/{handover_id}/decline")
def decline(request: Request, handover_id: int, desk: Desk, store: AppStore, now: Now) -> Response:
    accounts.decline(store, desk.actor, handover_id, now=now)
    return see_other(request, "/account#people")


# The audit view -------------------------------------------------------------------------------------


@router.get("/account/audit")
def audit_page(request: Request, desk: Desk, store: AppStore, show: str = "", before: str = "") -> Response:
    group = show if show in accounts.GROUPS else ""
    first = int(before) if before.isascii() and before.isdigit() and len(before) < 10 else None
    found, more = accounts.events(store, desk.actor, group=group, before=first)
    return page(
        request, "access/audit.html", found=found, more=more, group=group, groups=list(accounts.GROUPS)
    )


def _token(request: Request, settings: AppSettings) -> str:
    return request.cookies[cookie_name(COACH_COOKIE, https=settings.https)]


def _show(
    request: Request,
    desk: Desk,
    store: AppStore,
    settings: AppSettings,
    form: Form,
    status: int = 200,
    shown: Mapping[str, str] | None = None,
) -> Response:
    return page(
        request,
        "access/account.html",
        status=status,
        form=form,
        errors=form.errors,
        devices=[
            (device_words(one.name), one)
            for one in access.devices(store, desk.actor, _token(request, settings))
        ],
        others=accounts.account(store, desk.actor, now=request.app.state.clock()),
        shown=shown or {},
        roles=accounts.ROLES,
        scopes=SCOPES,
    )
