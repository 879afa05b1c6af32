"""The planned sessions of a whole roster, for a calendar program."""

from __future__ import annotations

import hashlib
from datetime import date

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.exchange import calendar_feed
from app.planning import accounts
from app.web.dependencies import AppSettings, AppStore, Now

router = APIRouter()


@router.get("/feed/roster/{token}.ics")
def feed(request: Request, token: str, store: AppStore, settings: AppSettings, now: Now) -> Response:
    """Read-only, for whoever holds the address."""
    events = [
        calendar_feed.Event(
            uid=f"session-{session.id}@terrace",
            day=date.fromordinal(session.day),
            title=f"{name}: {session.name}",
            text=session.note,
            status="CANCELLED" if session.status == "skipped" else "CONFIRMED",
            sequence=max(session.version - 1, 0) + (session.status == "skipped"),
            link=f"{settings.address}/lifters/{session.lifter_id}",
        )
        for name, session in accounts.roster_feed(store, token, now=now)
    ]
    body = calendar_feed.calendar_bytes("Roster", events)
    tag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'
    headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
    if tag in request.headers.get("If-None-Match", ""):
        return Response(status_code=304, headers=headers)
    return Response(body, headers=headers, media_type="text/calendar; charset=utf-8")
