"""Is the program alive, and can it work?"""

from __future__ import annotations

import shutil

from fastapi import APIRouter
from fastapi.responses import Response

from app import __version__
from app.storage.engine import head_revision
from app.web.dependencies import AppSettings, AppStore
from app.web.pages import json_answer

router = APIRouter()
LEAST_FREE = 100_000_000  # [bytes] below this a write may soon fail


@router.get("/health")
def health(store: AppStore, settings: AppSettings) -> Response:
    """200 with version and database state; 503 if the database does not answer or is not up to date."""
    answers = store.is_healthy()
    current = answers and store.schema_version() == head_revision()
    free = shutil.disk_usage(settings.data_dir if settings.data_dir.exists() else ".").free
    state = "ok" if current else "schema not up to date" if answers else "not reachable"
    body = {"version": __version__, "database": state, "disk": "ok" if free > LEAST_FREE else "nearly full"}
    return json_answer(body, 200 if current else 503)


@router.get("/live")
def live() -> Response:
    """200 as long as the process runs."""
    return json_answer({"alive": True})
