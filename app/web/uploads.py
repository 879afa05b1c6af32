"""Files a coach sent and has not yet decided about: kept for a day, under a name of ours, for that coach."""

from __future__ import annotations

import re
import secrets
import time
from pathlib import Path

from app.config import Settings
from app.storage.models import Coach

KEPT_SECONDS = 86_400
_TOKEN = re.compile(r"[0-9a-f]{32}")


class UploadNotFound(LookupError):
    """The upload is not there, is another coach's, or was dropped after a day."""


def keep(settings: Settings, coach: Coach, data: bytes) -> str:
    """Store a file's bytes; the token by which this coach finds them again.

    Raises
    ------
    OSError
        If there is no room for it; no half of it is left.
    """
    folder = _folder(settings)
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    for old in folder.iterdir():
        if time.time() - old.stat().st_mtime > KEPT_SECONDS:
            old.unlink(missing_ok=True)
    token = secrets.token_hex(16)
    path = folder / f"{coach.id}-{token}"
    try:
        path.write_bytes(data)
    except OSError:
        path.unlink(missing_ok=True)  # half a file only takes the room that was missing
        raise
    return token


def read(settings: Settings, coach: Coach, token: str) -> bytes:
    """The bytes of an upload.

    Raises
    ------
    UploadNotFound
        If it is not there or not this coach's.
    """
    if not _TOKEN.fullmatch(token):
        raise UploadNotFound(token)
    try:
        return (_folder(settings) / f"{coach.id}-{token}").read_bytes()
    except OSError:
        raise UploadNotFound(token) from None


def drop(settings: Settings, coach: Coach, token: str) -> None:
    if _TOKEN.fullmatch(token):
        (_folder(settings) / f"{coach.id}-{token}").unlink(missing_ok=True)


def _folder(settings: Settings) -> Path:
    return settings.data_dir / "uploads"
