"""Copies of a running database that are proved to be whole before they are called backups.

A copy of the SQLite file alone would pass ``integrity_check`` and still lack what stands in the
write-ahead log, so the copy is made by the database itself (``VACUUM INTO``), opened, counted and hashed.
A portable backup holds every table as lines of JSON and can be loaded into SQLite or PostgreSQL, also by
a later version of the program.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
import tempfile
import time
import zipfile
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import IO, Any

import orjson
from sqlalchemy import MetaData, String, Table, collate, func, insert, inspect, select, text

from app.storage.engine import SchemaTooNew, Store, _alembic

CHUNK = 5_000
LEFT_SECONDS = 86_400  # [s] nothing is worked on that long
MOST_UNPACKED = 200_000_000_000  # [bytes] a backup larger than this is no backup of ours


class BackupRefused(Exception):
    """The file is not a whole backup of this program, or cannot be put where it should go."""


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup says of itself; all of it is checked before anything is touched."""

    made_at: str
    program: str
    schema: str
    kind: str  # sqlite or portable
    counts: dict[str, int]  # rows by table
    sha256: dict[str, str]  # by member


def make(store: Store, target: Path, *, program: str, at: datetime, portable: bool = False) -> Manifest:
    """Write a backup to ``target`` and prove it; the file appears only when it is good.

    Raises
    ------
    BackupRefused
        If the fresh copy does not hold what it should.
    OSError
        If the folder cannot be written.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    schema = store.schema_version() or ""
    with tempfile.TemporaryDirectory(prefix=".backup-", dir=target.parent) as folder:
        room = Path(folder)
        if store.is_sqlite and not portable:
            copy = room / "terrace.db"
            with store.engine.connect() as connection:
                # VACUUM cannot run inside a transaction, which the engine begins on its own.
                raw = connection.connection.driver_connection
                assert isinstance(raw, sqlite3.Connection)
                raw.execute("VACUUM INTO ?", (str(copy),))
            members, counts = [copy], _check_sqlite(copy)
        else:
            members, counts = _dump(store, room)
        manifest = Manifest(
            made_at=at.astimezone(UTC).isoformat(timespec="seconds"),
            program=program,
            schema=schema,
            kind="sqlite" if store.is_sqlite and not portable else "portable",
            counts=counts,
            sha256={one.name: _sha256(one) for one in members},
        )
        packed = room / "packed.zip"
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
            for one in members:
                archive.write(one, one.name)
            archive.writestr("manifest.json", json.dumps(asdict(manifest), indent=1, sort_keys=True))
        verify(packed)
        with packed.open("rb+") as written:
            os.fsync(written.fileno())
        packed.replace(target)
        _sync_folder(target.parent)
    return manifest


def verify(path: Path) -> Manifest:
    """Open a backup as a restore would and check all it says of itself.

    Raises
    ------
    BackupRefused
        If anything is missing, changed, or not as the manifest says.
    """
    with _unpacked(path) as (manifest, room):
        if manifest.kind == "sqlite":
            _compare(manifest.counts, _check_sqlite(room / "terrace.db"))
        else:
            _compare(manifest.counts, {one.stem: _lines(one) for one in room.glob("*.jsonl")})
    return manifest


def restore_file(path: Path, database: Path, *, at: datetime) -> Path | None:
    """Put a SQLite backup in the database's place; where the old state was moved, None if there was none.

    Raises
    ------
    BackupRefused
        If the backup is not whole or not of this kind. Nothing has been touched then.
    """
    database.parent.mkdir(parents=True, exist_ok=True)
    with _unpacked(path) as (manifest, room):
        if manifest.kind != "sqlite":
            raise BackupRefused("This is a portable backup; it is loaded into an empty database.")
        _compare(manifest.counts, _check_sqlite(room / "terrace.db"))
        fresh = database.with_suffix(".restoring")
        fresh.write_bytes((room / "terrace.db").read_bytes())
        with fresh.open("rb+") as written:
            os.fsync(written.fileno())
    kept: Path | None = None
    if database.exists():
        kept = database.parent / f"before-restore-{at.astimezone(UTC):%Y%m%dT%H%M%SZ}"
        _keep_old(database, kept)
    # The one step between old and new: whenever the program is stopped, one of them is in its place.
    fresh.replace(database)
    _sync_folder(database.parent)
    return kept


def _keep_old(database: Path, kept: Path) -> None:
    """Copy the state of before beside, and leave all of it in the one file that is about to be replaced.

    The write-ahead log belongs to the old file: left beside the new one it would be applied to it.
    """
    sides = [database.with_name(database.name + suffix) for suffix in ("-wal", "-shm")]
    part = kept.with_name(f".{kept.name}")
    shutil.rmtree(part, ignore_errors=True)
    part.mkdir()
    for old in (database, *sides):
        if old.exists():
            shutil.copy2(old, part / old.name)
            with (part / old.name).open("rb+") as written:
                os.fsync(written.fileno())
    part.rename(kept)
    _sync_folder(kept.parent)
    # A database too damaged for this is the reason for many a restore; its copy is kept as it was found.
    with suppress(sqlite3.DatabaseError), closing(sqlite3.connect(database)) as old_one:
        old_one.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    for one in sides:
        one.unlink(missing_ok=True)


def sweep(folder: Path) -> None:
    """Drop what backups that were killed on their way left in a folder more than a day ago."""
    for name in (".backup-*", ".verify-*", ".before-restore-*"):
        for left in folder.glob(name):
            if time.time() - left.stat().st_mtime > LEFT_SECONDS:
                shutil.rmtree(left, ignore_errors=True)


def load_portable(path: Path, store: Store) -> Manifest:
    """Load a portable backup into an empty database of either engine and bring it up to date.

    Raises
    ------
    BackupRefused
        If the backup is not whole, or the database is not empty.
    SchemaTooNew
        If the backup was made by a newer version of the program.
    """
    from alembic import command
    from alembic.util.exc import CommandError

    with _unpacked(path) as (manifest, room):
        if manifest.kind != "portable":
            raise BackupRefused("This is a copy of a SQLite file; it is restored in the file's place.")
        _compare(manifest.counts, {one.stem: _lines(one) for one in room.glob("*.jsonl")})
        if inspect(store.engine).get_table_names():
            raise BackupRefused("The database is not empty. Give an empty one by TERRACE_DATABASE_URL.")
        try:
            with store.engine.execution_options(terrace_write=True).begin() as connection:
                command.upgrade(_alembic(connection), manifest.schema)
                known = MetaData()
                known.reflect(connection)
                for table in known.sorted_tables:
                    if table.name in manifest.counts:
                        _load_table(connection, table, room / f"{table.name}.jsonl")
                if not store.is_sqlite:
                    _move_sequences(connection, known)
        except CommandError as error:
            raise SchemaTooNew("The backup was made by a newer version of Terrace.") from error
        store.migrate()
    return manifest


def canonical(store: Store) -> dict[str, str]:
    """A hash of every table's rows in key order, equal on both engines when the content is equal."""
    with tempfile.TemporaryDirectory() as folder:
        members, _ = _dump(store, Path(folder))
        return {one.stem: _sha256(one) for one in members}


# Inside -------------------------------------------------------------------------------------------


def _dump(store: Store, room: Path) -> tuple[list[Path], dict[str, int]]:
    from app.storage.models import Base

    members, counts = [], {}
    isolation = {} if store.is_sqlite else {"isolation_level": "REPEATABLE READ"}
    with store.engine.connect().execution_options(**isolation) as connection, connection.begin():
        for table in Base.metadata.sorted_tables:
            path = room / f"{table.name}.jsonl"
            counts[table.name] = 0
            names = [str(column.name) for column in table.columns]
            # PostgreSQL sorts text by language, SQLite by bytes: ask for bytes.
            order = [
                collate(column, "C") if not store.is_sqlite and isinstance(column.type, String) else column
                for column in table.primary_key.columns
            ]
            rows = connection.execution_options(yield_per=CHUNK).execute(select(table).order_by(*order))
            with path.open("wb") as out:
                for row in rows:
                    line = dict(zip(names, row, strict=True))
                    out.write(orjson.dumps(line, default=_plain) + b"\n")
                    counts[table.name] += 1
            members.append(path)
    return members, counts


def _plain(value: object) -> object:
    if isinstance(value, bytes):
        return {"hex": value.hex()}
    raise TypeError(f"no plain form for {value!r}")


def _load_table(connection: Any, table: Table, path: Path) -> None:
    instants = {c.name for c in table.columns if c.type.python_type in (datetime, date)}
    documents = _documents(table.name)
    chunk: list[dict[str, Any]] = []
    with path.open("rb") as lines:
        for line in lines:
            row = orjson.loads(line)
            for name, value in row.items():
                if isinstance(value, dict) and set(value) == {"hex"} and name not in documents:
                    row[name] = bytes.fromhex(value["hex"])
                elif name in instants and value is not None:
                    row[name] = datetime.fromisoformat(value)
                elif name in documents and value is not None:
                    row[name] = orjson.dumps(value, option=orjson.OPT_SORT_KEYS).decode()
            chunk.append(row)
            if len(chunk) == CHUNK:
                connection.execute(insert(table), chunk)
                chunk = []
    if chunk:
        connection.execute(insert(table), chunk)


def _documents(table: str) -> set[str]:
    """Columns of a table that hold JSON documents; a reflected table knows them only as text."""
    from app.storage.models import Base
    from app.storage.types import Document

    known = Base.metadata.tables.get(table)
    return set() if known is None else {c.name for c in known.columns if isinstance(c.type, Document)}


def _move_sequences(connection: Any, known: MetaData) -> None:
    """Loaded rows brought their own ids; the next new row must not take one of them."""
    for table in known.sorted_tables:
        if "id" in table.columns:
            top = connection.scalar(select(func.max(table.c.id)))
            if top is not None:
                connection.execute(
                    text("SELECT setval(pg_get_serial_sequence(:name, 'id'), :top)"),
                    {"name": table.name, "top": top},
                )


def _check_sqlite(path: Path) -> dict[str, int]:
    """Row counts of a copy, once it has passed SQLite's own checks."""
    try:
        connection = sqlite3.connect(f"file:{path}?mode=ro&immutable=1", uri=True)
    except sqlite3.Error as error:
        raise BackupRefused(f"The copy cannot be opened: {error}") from error
    try:
        if connection.execute("PRAGMA integrity_check").fetchone() != ("ok",):
            raise BackupRefused("The copy fails the database's integrity check.")
        if connection.execute("PRAGMA foreign_key_check").fetchone() is not None:
            raise BackupRefused("Rows in the copy refer to rows that are not there.")
        names = [
            row[0]
            for row in connection.execute(
                "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
            )
        ]
        # Names come from the file's own schema and are quoted.
        return {
            name: connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]  # noqa: S608
            for name in names
        }
    except sqlite3.DatabaseError as error:
        raise BackupRefused(f"The copy is damaged: {error}") from error
    finally:
        connection.close()


@contextmanager
def _unpacked(path: Path) -> Iterator[tuple[Manifest, Path]]:
    """A backup's members in a folder of their own, each with the hash the manifest gives it."""
    try:
        archive = zipfile.ZipFile(path)
    except (OSError, zipfile.BadZipFile) as error:
        raise BackupRefused(f"{path.name} is not a backup: {error}") from error
    with archive, tempfile.TemporaryDirectory(prefix=".verify-", dir=path.parent) as folder:
        room = Path(folder)
        try:
            manifest = Manifest(**json.loads(archive.read("manifest.json")))
            if {one for one in archive.namelist() if one != "manifest.json"} != set(manifest.sha256):
                raise BackupRefused(f"{path.name} does not hold the files its manifest names.")
            if sum(one.file_size for one in archive.infolist()) > MOST_UNPACKED:
                raise BackupRefused(f"{path.name} would unpack to more than a backup can hold.")
            for name, promised in manifest.sha256.items():
                if Path(name).name != name:
                    raise BackupRefused(f"{path.name} names a file outside its own folder.")
                with archive.open(name) as packed, (room / name).open("wb") as out:
                    if _copy_hashed(packed, out) != promised:
                        raise BackupRefused(f"{name} in {path.name} was changed or damaged.")
        except BackupRefused:
            raise
        # A flipped byte can break the archive at any of its layers.
        except Exception as error:
            raise BackupRefused(f"{path.name} is damaged: {error}") from error
        yield manifest, room


def _copy_hashed(packed: IO[bytes], out: IO[bytes]) -> str:
    seen = hashlib.sha256()
    while part := packed.read(1 << 20):
        seen.update(part)
        out.write(part)
    return seen.hexdigest()


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _lines(path: Path) -> int:
    with path.open("rb") as file:
        return sum(1 for _ in file)


def _compare(promised: dict[str, int], found: dict[str, int]) -> None:
    if promised != found:
        wrong = sorted(one for one in promised.keys() | found.keys() if promised.get(one) != found.get(one))
        raise BackupRefused(f"The backup does not hold the rows its manifest counts: {', '.join(wrong)}.")


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
