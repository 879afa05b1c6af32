"""The coach's own account: password and where they are signed in."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.planning import access
from app.web.dependencies import AppSettings, AppStore, Desk, FormData, Now
from app.web.forms import Form
from app.web.pages import COACH_COOKIE, cookie_name, page, see_other

router = APIRouter()


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


def _token(request: Request, settings: AppSettings) -> str:
    return request.cookies[cookie_name(COACH_COOKIE, https=settings.https)]


def _show(
    request: Request, desk: Desk, store: AppStore, settings: AppSettings, form: Form, status: int = 200
) -> Response:
    return page(
        request,
        "access/account.html",
        status=status,
        form=form,
        errors=form.errors,
        devices=access.devices(store, desk.actor, _token(request, settings)),
    )
