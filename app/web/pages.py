"""Pages and parts of pages: the template environment, its filters, and the two kinds of answer."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Mapping
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import jinja2
import orjson
from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from app.training.units import KG_PER_LB, format_mass

ROOT = Path(__file__).resolve().parents[2]
COACH_COOKIE = "terrace"
LIFTER_COOKIE = "terrace_lifter"
VISIT_COOKIE = "terrace_visit"
MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
WEEKDAYS = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"]


def cookie_name(name: str, *, https: bool) -> str:
    """The ``__Host-`` prefix binds a cookie to this host and to TLS; browsers refuse it without TLS."""
    return f"__Host-{name}" if https else name


def csrf_token(secret: str) -> str:
    """The form token that belongs to one session or visit; it cannot be turned back into the cookie."""
    return hashlib.sha256(b"terrace form token " + secret.encode()).hexdigest()[:40]


def page(
    request: Request, template: str, *, block: str | None = None, status: int = 200, **context: Any
) -> Response:
    """The whole page, or only the named block of it when htmx asks for a part."""
    environment: jinja2.Environment = request.app.state.templates
    loaded = environment.get_template(template)
    https: bool = request.app.state.settings.https
    fresh_visit = ""
    secret = next(
        (
            request.cookies[name]
            for name in (
                cookie_name(getattr(request.state, "cookie", COACH_COOKIE), https=https),
                cookie_name(VISIT_COOKIE, https=https),
            )
            if name in request.cookies
        ),
        "",
    )
    if not secret:
        secret = fresh_visit = secrets.token_urlsafe(24)
    full = {
        "request": request,
        "csrf_value": csrf_token(secret),
        "errors": {},
        "desk": getattr(request.state, "desk", None),
        "settings": request.app.state.settings,
        **context,
    }
    is_part = request.headers.get("HX-Request") == "true" and "HX-Boosted" not in request.headers
    if block is not None and is_part:
        part = loaded.new_context(full)
        body = "".join(loaded.blocks[block](part))
    else:
        body = loaded.render(full)
    response = HTMLResponse(
        body, status_code=status, headers={"Vary": "HX-Request", "Cache-Control": "no-store"}
    )
    if fresh_visit:
        set_cookie(response, VISIT_COOKIE, fresh_visit, https=https, max_age=86_400)
    return response


def set_cookie(response: Response, name: str, value: str, *, https: bool, max_age: int) -> None:
    response.set_cookie(
        cookie_name(name, https=https),
        value,
        max_age=max_age,
        path="/",
        secure=https,
        httponly=True,
        samesite="lax",
    )


def see_other(request: Request, url: str) -> Response:
    """After a write: the browser, or htmx, is sent on to ``url``."""
    if request.headers.get("HX-Request") == "true":
        return Response(status_code=204, headers={"HX-Redirect": url})
    return RedirectResponse(url, status_code=303)


def json_bytes(value: Any) -> bytes:
    return orjson.dumps(value, option=orjson.OPT_SERIALIZE_NUMPY | orjson.OPT_NON_STR_KEYS)


def json_answer(value: Any, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    return Response(
        json_bytes(value), status, {"Cache-Control": "no-store", **(headers or {})}, "application/json"
    )


def problem(status: int, title: str, detail: str, **more: Any) -> Response:
    """An error for a program, as RFC 9457 problem details."""
    body = {"type": "about:blank", "title": title, "status": status, "detail": detail, **more}
    return Response(json_bytes(body), status, {"Cache-Control": "no-store"}, "application/problem+json")


# What templates may ask for ------------------------------------------------------------------------


def day(ordinal: int) -> str:
    found = date.fromordinal(ordinal)
    return f"{WEEKDAYS[found.weekday()]} {found.day} {MONTHS[found.month - 1]} {found.year}"


def short_day(ordinal: int) -> str:
    found = date.fromordinal(ordinal)
    return f"{found.day} {MONTHS[found.month - 1]}"


def iso(ordinal: int) -> str:
    return date.fromordinal(ordinal).isoformat()


def ago(ordinal: int, today: int) -> str:
    """A past day as people say it; days to come read as dates."""
    days = today - ordinal
    if days in (0, 1):
        return ("today", "yesterday")[days]
    if days == -1:
        return "tomorrow"
    if 1 < days < 7:
        return WEEKDAYS[date.fromordinal(ordinal).weekday()]
    if 0 < days < 60:
        return f"{days} days ago"
    same_year = date.fromordinal(ordinal).year == date.fromordinal(today).year
    return short_day(ordinal) if same_year else day(ordinal).split(" ", 1)[1]


def clock(instant: datetime, zone: str) -> str:
    """An instant on somebody's clock: "Mon 9 Mar 2026, 18:02"."""
    local = instant.astimezone(ZoneInfo(zone))
    return f"{day(local.date().toordinal())}, {local:%H:%M}"


def num(value: float, decimals: int = 1) -> str:
    """A number without trailing zeros, and with a true minus sign."""
    rounded = f"{Decimal(repr(float(value))):.{decimals}f}"
    if "." in rounded:
        rounded = rounded.rstrip("0").rstrip(".")
    return rounded.replace("-", "\u2212") if rounded != "-0" else "0"


def signed(value: float, decimals: int = 1) -> str:
    text = num(value, decimals)
    return text if text.startswith("\u2212") or text == "0" else f"+{text}"


def kg(value_kg: float, unit: str, decimals: int = 1) -> str:
    """A mass in the reader's unit, with the unit."""
    value = value_kg if unit == "kg" else value_kg / KG_PER_LB
    return f"{num(value, decimals if unit == 'kg' else 0)} {unit}"


def environment() -> jinja2.Environment:
    made = jinja2.Environment(
        loader=jinja2.FileSystemLoader(ROOT / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters.update(
        mass=format_mass,
        kg=kg,
        day=day,
        short_day=short_day,
        iso=iso,
        ago=ago,
        clock=clock,
        num=num,
        signed=signed,
    )
    return made
