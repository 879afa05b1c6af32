"""First account, sign-in and out."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from app.planning import access
from app.web.dependencies import Address, AppSettings, AppStore, FormData, Now
from app.web.forms import Form
from app.web.pages import COACH_COOKIE, cookie_name, page, see_other, set_cookie

router = APIRouter()
UNITS = {"kg": "kilograms", "lb": "pounds"}
TOO_MANY = "There were too many tries. Wait a few minutes, then try again"


@router.get("/sign-in")
def sign_in_page(request: Request, store: AppStore) -> Response:
    if access.needs_setup(store):
        return RedirectResponse("/set-up", status_code=303)
    return page(request, "access/sign_in.html", form=Form())


@router.post("/sign-in")
def sign_in(
    request: Request, store: AppStore, settings: AppSettings, data: FormData, address: Address, now: Now
) -> Response:
    form = Form.of(data)
    login = form.text("login", "your login", longest=254)
    password = form.values.get("password", "")
    if not password:
        form.errors["password"] = "Enter your password"
    status = 422
    if not form.errors:
        try:
            token = access.sign_in(store, login, password, device=_device(request), address=address, now=now)
        except access.TooManyTries:
            form.errors["login"], status = TOO_MANY, 429
        except access.WrongCredentials:
            form.errors["login"] = "Login and password do not belong together. Check both and try again"
        else:
            return _let_in(request, settings, token)
    form.values.pop("password", None)
    return page(request, "access/sign_in.html", block="form", status=status, form=form, errors=form.errors)


@router.get("/sign-in/{code}")
def sign_in_link_page(request: Request, code: str) -> Response:
    # Looking at a link does not use it up: mail and chat programs open links by themselves.
    return page(request, "access/sign_in_link.html", errors={})


@router.post("/sign-in/{code}")
def sign_in_by_link(
    request: Request, code: str, store: AppStore, settings: AppSettings, address: Address, now: Now
) -> Response:
    try:
        token = access.sign_in_by_code(store, code, device=_device(request), address=address, now=now)
    except access.TooManyTries:
        return page(request, "access/sign_in_link.html", status=429, errors={"": TOO_MANY})
    except access.CodeNotOpen:
        words = (
            "This sign-in link was used or has expired. Make a new one on the server: terrace sign-in-link"
        )
        return page(request, "access/sign_in_link.html", status=410, errors={"": words})
    return _let_in(request, settings, token)


@router.get("/set-up")
def set_up_page(request: Request, store: AppStore) -> Response:
    if not access.needs_setup(store):
        return RedirectResponse("/sign-in", status_code=303)
    return page(request, "access/set_up.html", form=Form(), units=UNITS)


@router.post("/set-up")
def set_up(
    request: Request, store: AppStore, settings: AppSettings, data: FormData, address: Address, now: Now
) -> Response:
    if not access.needs_setup(store):
        return RedirectResponse("/sign-in", status_code=303)
    form = Form.of(data)
    new = new_coach(form)
    code = form.text("code", "the code from the server's console", longest=100)
    status = 422
    if not form.errors:
        try:
            token = access.create_coach(store, code, new, device=_device(request), address=address, now=now)
        except access.TooManyTries:
            form.errors["code"], status = TOO_MANY, 429
        except access.CodeNotOpen:
            form.errors["code"] = (
                "Code is not the one on the console, or is older than a day. Restart to get one"
            )
        except access.LoginTaken:
            form.errors["login"] = "Another account has this login. Choose another"
        else:
            return _let_in(request, settings, token)
    form.values.pop("password", None)
    return page(
        request, "access/set_up.html", block="form", status=status, form=form, errors=form.errors, units=UNITS
    )


@router.get("/join/{code}")
def join_page(request: Request, code: str, store: AppStore, now: Now) -> Response:
    """An invitation by another coach of this server."""
    if not access.is_invitation(store, code, now=now):
        return page(request, "access/join.html", status=410, form=Form(), units=UNITS, is_open=False)
    return page(request, "access/join.html", form=Form(), units=UNITS, is_open=True)


@router.post("/join/{code}")
def join(
    request: Request,
    code: str,
    store: AppStore,
    settings: AppSettings,
    data: FormData,
    address: Address,
    now: Now,
) -> Response:
    form = Form.of(data)
    if not access.is_invitation(store, code, now=now):
        return page(request, "access/join.html", status=410, form=Form(), units=UNITS, is_open=False)
    new = new_coach(form)
    status = 422
    if not form.errors:
        try:
            token = access.create_coach(
                store, code, new, purpose="invite", device=_device(request), address=address, now=now
            )
        except access.TooManyTries:
            form.errors["name"], status = TOO_MANY, 429
        except access.CodeNotOpen:
            return page(request, "access/join.html", status=410, form=Form(), units=UNITS, is_open=False)
        except access.LoginTaken:
            form.errors["login"] = "Another account has this login. Choose another"
        else:
            return _let_in(request, settings, token)
    form.values.pop("password", None)
    return page(
        request, "access/join.html", status=status, form=form, errors=form.errors, units=UNITS, is_open=True
    )


@router.post("/sign-out")
def sign_out(request: Request, store: AppStore, settings: AppSettings) -> Response:
    name = cookie_name(COACH_COOKIE, https=settings.https)
    if name in request.cookies:
        access.sign_out(store, request.cookies[name])
    response = see_other(request, "/sign-in")
    response.delete_cookie(name, path="/", secure=settings.https, httponly=True, samesite="lax")
    response.headers["Clear-Site-Data"] = '"cache"'
    return response


def new_coach(form: Form) -> access.NewCoach:
    """What a form says of a new coach; what is wrong is left in ``form.errors``."""
    name = form.text("name", "your name", longest=120)
    login = form.text("login", "a login, such as your mail address", longest=254)
    club = form.text("club", "the club's name", longest=120, needed=False)
    unit = form.one_of("unit", "kilograms or pounds", UNITS)
    zone = form.zone("time_zone", "your time zone")
    password = form.values.get("password", "")
    problem = access.password_problem(password, about=(name, login, club, "terrace"))
    if problem is not None:
        form.errors["password"] = problem
    return access.NewCoach(name, login, password, club, unit, zone)


def _let_in(request: Request, settings: AppSettings, token: str) -> Response:
    response = see_other(request, "/")
    set_cookie(
        response,
        COACH_COOKIE,
        token,
        https=settings.https,
        max_age=settings.coach_absolute_days * 86_400,
    )
    return response


def _device(request: Request) -> str:
    return request.headers.get("User-Agent", "unknown device")[:200]
