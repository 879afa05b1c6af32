"""How a phone gets in and out: the private link, the home-screen manifest, the worker, leaving."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path
from typing import Any

import orjson
from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from app.planning import access
from app.web.dependencies import Address, AppSettings, AppStore, Now
from app.web.pages import LIFTER_COOKIE, ROOT, cookie_name, page, set_cookie

router = APIRouter()
SHEETS = [f"static/css/{name}.css" for name in ("properties", "elements", "layout", "phone")]
SCRIPT = "static/js/phone.js"
ASSETS = ["/phone.css", f"/{SCRIPT}"]


@cache
def asset_version() -> str:
    """Changes whenever anything the phone keeps does, so that old copies are not asked for again."""
    kept = hashlib.sha256()
    for name in [*SHEETS, SCRIPT, "static/js/phone-worker.js"]:
        kept.update((ROOT / name).read_bytes())
    return kept.hexdigest()[:12]


def door_page(request: Request, template: str, *, status: int = 200, **more: Any) -> Response:
    """A page of the phone for somebody who is not let in yet, or not any more."""
    outside: dict[str, Any] = {
        "lifter_id": 0,
        "asset_version": asset_version(),
        "made_ms": 0,
        "tab": "",
        "unread": 0,
    }
    return page(request, template, status=status, **outside, **more)


@router.get("/open/{token}")
def open_page(request: Request, token: str) -> Response:
    # Looking at a link does not use it up: chat and mail programs open links by themselves.
    return door_page(request, "phone/open.html", errors={})


@router.post("/open/{token}")
def open_link(
    request: Request, token: str, store: AppStore, settings: AppSettings, address: Address, now: Now
) -> Response:
    device = request.headers.get("User-Agent", "unknown device")[:200]
    try:
        secret = access.open_link(store, token, device=device, address=address, now=now)
    except access.TooManyTries:
        words = "There were too many tries. Wait a few minutes, then try again."
        return door_page(request, "phone/open.html", status=429, errors={"": words})
    except access.LinkNotOpen:
        words = "This link was ended or has expired. Ask your coach for a new one."
        return door_page(request, "phone/open.html", status=404, errors={"": words})
    response = RedirectResponse("/today", status_code=303)
    set_cookie(
        response,
        LIFTER_COOKIE,
        secret,
        https=settings.https,
        max_age=settings.lifter_idle_days * 86_400,
    )
    return response


@router.post("/leave")
def leave(request: Request, store: AppStore, settings: AppSettings) -> Response:
    """End this phone's session and clear what it kept."""
    name = cookie_name(LIFTER_COOKIE, https=settings.https)
    if name in request.cookies:
        access.leave(store, request.cookies[name])
    response = door_page(request, "phone/left.html")
    response.delete_cookie(name, path="/", secure=settings.https, httponly=True, samesite="lax")
    response.headers["Clear-Site-Data"] = '"cache", "storage"'
    return response


@router.get("/phone.css")
def sheets() -> Response:
    """The phone's style sheets as one: in a basement each request costs more than its bytes."""
    body = "".join(_read(ROOT / name) for name in SHEETS)
    headers = {"Cache-Control": "public, max-age=31536000, immutable"}
    return Response(body, headers=headers, media_type="text/css")


@router.get("/phone-sw.js")
def worker() -> Response:
    """The service worker, served from the top so that it may answer for the phone's pages."""
    head = f"const VERSION = {orjson.dumps(asset_version()).decode()};\n"
    listed = orjson.dumps([f"{name}?v={asset_version()}" for name in ASSETS]).decode()
    body = head + f"const ASSETS = {listed};\n" + _read(ROOT / "static/js/phone-worker.js")
    return Response(body, headers={"Cache-Control": "no-cache"}, media_type="text/javascript")


@cache
def _read(path: Path) -> str:
    return path.read_text(encoding="utf-8")


@router.get("/phone.webmanifest")
def manifest() -> Response:
    body = {
        "id": "/today",
        "name": "Terrace",
        "short_name": "Terrace",
        "description": "Today's session, logged as it is lifted.",
        "start_url": "/today",
        "scope": "/",
        "display": "standalone",
        "background_color": "#f4f1e9",
        "theme_color": "#0b5a5c",
        "icons": [
            {"src": "/static/mark.svg", "sizes": "any", "type": "image/svg+xml", "purpose": "any"},
            {"src": "/static/mark-192.png", "sizes": "192x192", "type": "image/png"},
            {
                "src": "/static/mark-512.png",
                "sizes": "512x512",
                "type": "image/png",
                "purpose": "maskable any",
            },
        ],
    }
    return Response(
        orjson.dumps(body),
        headers={"Cache-Control": "public, max-age=86400"},
        media_type="application/manifest+json",
    )
