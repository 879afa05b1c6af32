"""Every router of the app, in one list."""

from __future__ import annotations

from fastapi import APIRouter

from app.web import access, health, libraries
from app.web.api import block_routes, document, logs
from app.web.api import routes as programs
from app.web.api import words as desk_words
from app.web.coach import (
    account,
    acting,
    builder,
    bulk,
    data,
    decisions,
    feed,
    lifter,
    lifter_settings,
    messages,
    methods,
    out,
    response,
    review,
    roster,
    season,
    taking_back,
    what_if,
)
from app.web.lifter import door, history, moving, pages, sync, takeaway, words


def routers() -> list[APIRouter]:
    return [
        sync.router,  # first: routes are tried in order, and this one is asked most and timed
        health.router,
        libraries.router,
        access.router,
        account.router,
        data.router,
        out.router,
        feed.router,
        bulk.router,  # before the grid: /blocks/assign is no number of a block
        builder.router,
        season.router,
        what_if.router,
        roster.router,
        acting.router,
        decisions.router,
        taking_back.router,
        messages.router,
        review.router,
        lifter_settings.router,
        lifter.router,
        response.router,
        methods.router,
        door.router,
        pages.router,
        words.router,
        history.router,
        takeaway.router,
        moving.router,
        document.router,
        programs.router,
        logs.router,
        block_routes.router,
        desk_words.router,
    ]
