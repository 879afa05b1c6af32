"""Backups by hand and by themselves, and the way back."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from app import __version__
from app.config import Settings
from app.storage import backup
from app.storage.engine import Store

BackupRefused = backup.BackupRefused
EVERY = timedelta(hours=24)
WORRY_AFTER = timedelta(hours=48)
WEEKLY, MONTHLY = 4, 12


class ServerRunning(Exception):
    """The server holds the database; it has to be stopped first."""


class FolderNotWritable(OSError):
    """The data folder is not this user's to write in."""


@dataclass(frozen=True, slots=True)
class Kept:
    """A verified backup on disk."""

    path: Path
    made_at: datetime
    size: int


@contextmanager
def server_lock(data_dir: Path) -> Iterator[None]:
    """Held by a running server, so that a restore cannot pull the database from under it.

    Raises
    ------
    ServerRunning, FolderNotWritable
        If another process holds it, or the folder cannot be written.
    """
    try:
        data_dir.mkdir(parents=True, exist_ok=True)
        handle = os.open(data_dir / "server.lock", os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as error:
        raise FolderNotWritable(
            f"The data folder {data_dir} cannot be written: {error.strerror}. Let the user who runs "
            "Terrace write there, or name another folder by TERRACE_DATA_DIR."
        ) from error
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(handle)
        raise ServerRunning("Terrace is running on this data folder. Stop it first.") from None
    try:
        yield
    finally:
        os.close(handle)


def folder(settings: Settings) -> Path:
    return settings.data_dir / "backups"


def make(store: Store, settings: Settings, *, target: Path | None, portable: bool, now: datetime) -> Path:
    """Write and prove one backup; where it is."""
    path = target or folder(settings) / f"terrace-{now.astimezone(UTC):%Y%m%dT%H%M%SZ}.zip"
    backup.make(store, path, program=__version__, at=now, portable=portable)
    return path


def restore(settings: Settings, path: Path, *, now: datetime) -> Path | None:
    """Bring a backup back; where the state before it was kept, None if there was none.

    Raises
    ------
    BackupRefused, ServerRunning
        If the backup is not whole or the server runs. Nothing has been touched then.
    """
    with server_lock(settings.data_dir):
        manifest = backup.verify(path)
        if manifest.kind == "sqlite" and settings.url.startswith("sqlite:///"):
            kept = backup.restore_file(path, Path(settings.url.removeprefix("sqlite:///")), at=now)
            store = Store(settings.url)
            store.migrate()
        else:
            kept, store = None, Store(settings.url)
            backup.load_portable(path, store)
        store.close()
        return kept


def kept(settings: Settings) -> list[Kept]:
    """Backups in the data folder, newest first."""
    found = []
    for path in folder(settings).glob("terrace-*.zip"):
        try:
            made_at = datetime.strptime(path.stem, "terrace-%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
        except ValueError:
            continue
        found.append(Kept(path, made_at, path.stat().st_size))
    return sorted(found, key=lambda one: one.made_at, reverse=True)


def keep(store: Store, settings: Settings, *, now: datetime) -> Path | None:
    """Make the daily backup if it is due and drop those that are no longer needed."""
    for place in (settings.data_dir, folder(settings)):
        backup.sweep(place)
    present = kept(settings)
    made = None
    if not present or now - present[0].made_at >= EVERY:
        made = make(store, settings, target=None, portable=False, now=now)
        present = kept(settings)
    for one in present:
        if one.path not in _worth_keeping(present, settings.backup_keep_days):
            one.path.unlink()
    return made


def _worth_keeping(present: list[Kept], days: int) -> set[Path]:
    """The newest of each of the last days, weeks and months."""
    worth: set[Path] = set()
    for form, most in (("%Y-%m-%d", days), ("%G-%V", WEEKLY), ("%Y-%m", MONTHLY)):
        newest: dict[str, Path] = {}
        for one in present:
            newest.setdefault(one.made_at.strftime(form), one.path)
        worth |= set(list(newest.values())[:most])
    return worth
