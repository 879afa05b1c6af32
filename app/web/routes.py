"""Every router of the app, in one list."""

from __future__ import annotations

from fastapi import APIRouter

from app.web import access, health, libraries
from app.web.coach import account, data, lifter_settings, roster


def routers() -> list[APIRouter]:
    return [
        health.router,
        libraries.router,
        access.router,
        account.router,
        data.router,
        roster.router,
        lifter_settings.router,
    ]
