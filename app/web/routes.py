"""Every router of the app, in one list."""

from __future__ import annotations

from fastapi import APIRouter

from app.web import access, health, libraries
from app.web.coach import account, builder, data, lifter, lifter_settings, methods, response, roster, season
from app.web.lifter import door, history, pages, sync, takeaway, words


def routers() -> list[APIRouter]:
    return [
        sync.router,  # first: routes are tried in order, and this one is asked most and timed
        health.router,
        libraries.router,
        access.router,
        account.router,
        data.router,
        builder.router,
        season.router,
        roster.router,
        lifter_settings.router,
        lifter.router,
        response.router,
        methods.router,
        door.router,
        pages.router,
        words.router,
        history.router,
        takeaway.router,
    ]
