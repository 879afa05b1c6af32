"""The database, opened in one place: pragmas, transactions, the write lock, migrations."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, create_engine, event, exc, text
from sqlalchemy.engine import URL, Engine, make_url
from sqlalchemy.orm import Session

from app.storage.prepared import straight

MIGRATIONS = Path(__file__).resolve().parents[2] / "migrations"
BUSY_SECONDS = 5.0

Transaction = Session
"""What a use case hands from one query to the next. Named here, so that nothing above imports the ORM."""


class StoreError(Exception):
    """The database could not do what was asked; nothing was stored."""


class StoreBusy(StoreError):
    """Another program holds the database."""


class StoreFull(StoreError):
    """The disk is full or the file cannot be written."""


class SchemaTooNew(StoreError):
    """The database was written by a newer version of the program."""


class Store:
    """A database and the rules by which it is used.

    Writes go through `transaction`, which commits on leaving and undoes everything on an exception.
    On SQLite one writer at a time enters, because SQLite's own waiting starves writers; the lock is
    inside this process, so run one worker.
    """

    def __init__(self, url: str) -> None:
        parsed: URL = make_url(url)
        self.is_sqlite = parsed.get_backend_name() == "sqlite"
        if self.is_sqlite and parsed.database:
            Path(parsed.database).parent.mkdir(parents=True, exist_ok=True)
        options: dict[str, Any] = {"pool_pre_ping": not self.is_sqlite}
        if self.is_sqlite:
            options |= {
                "pool_size": 40,
                "connect_args": {"timeout": BUSY_SECONDS, "check_same_thread": False},
            }
        self.engine: Engine = create_engine(parsed, **options)
        if self.is_sqlite:
            event.listen(self.engine, "connect", _prepare_sqlite)
            event.listen(self.engine, "begin", _begin_sqlite)
        self._writing: Engine = self.engine.execution_options(terrace_write=True)
        self._lock = threading.Lock()

    @contextmanager
    def transaction(self) -> Iterator[Session]:
        """One write transaction.

        Raises
        ------
        StoreBusy, StoreFull, StoreError
            If the database is held by another program, full, or otherwise fails; nothing is stored.
        """
        with self._alone(), Session(self._writing, expire_on_commit=False) as db, db.begin():
            yield db

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """`transaction` on the bare connection, where each tenth of a millisecond counts."""
        with self._alone(), self._writing.begin() as connection:
            yield connection

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """Let one writer in at a time, and name what goes wrong in the words of this module."""
        locked = self.is_sqlite and self._lock.acquire(timeout=BUSY_SECONDS)
        if self.is_sqlite and not locked:
            raise StoreBusy("the database is busy with another change")
        try:
            yield
        except exc.OperationalError as error:
            raise _named(error) from error
        finally:
            if locked:
                self._lock.release()

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """One consistent view of the database; nothing is written."""
        try:
            with Session(self.engine, expire_on_commit=False, autoflush=False) as db:
                yield db
        except exc.OperationalError as error:
            raise _named(error) from error

    @contextmanager
    def connection(self) -> Iterator[Connection]:
        """A plain connection for reads of many rows."""
        with self.engine.connect() as connection:
            yield connection

    def migrate(self) -> None:
        """Bring the schema to this program's version.

        Raises
        ------
        SchemaTooNew
            If the database knows revisions that this program does not.
        StoreBusy, StoreFull, StoreError
            If the database cannot be written; its schema is what it was.
        """
        from alembic import command
        from alembic.util.exc import CommandError

        try:
            with self._writing.begin() as connection:
                command.upgrade(_alembic(connection), "head")
        except CommandError as error:
            if "Can't locate revision" in str(error):
                raise SchemaTooNew(
                    "The database was written by a newer version of Terrace. "
                    "Start that version, or restore the backup made before the upgrade."
                ) from error
            raise
        except exc.OperationalError as error:
            raise _named(error) from error

    def schema_version(self) -> str | None:
        """Revision of the database, None for an empty one.

        Raises
        ------
        StoreError
            If the database cannot be reached.
        """
        from alembic.runtime.migration import MigrationContext

        try:
            with self.engine.connect() as connection:
                return MigrationContext.configure(connection).get_current_revision()
        except exc.OperationalError as error:
            raise _named(error) from error

    def prove_writable(self) -> None:
        """Write something that changes nothing.

        Raises
        ------
        StoreBusy, StoreFull, StoreError
            If nothing can be written now.
        """
        with self.writing() as connection:
            # BEGIN IMMEDIATE alone is let pass on a read-only file.
            connection.execute(text("UPDATE alembic_version SET version_num = version_num"))

    def is_healthy(self) -> bool:
        """True if the database answers a query."""
        try:
            with self.engine.connect() as connection:
                connection.execute(text("SELECT 1"))
        except exc.SQLAlchemyError:
            return False
        return True

    def integrity_problems(self) -> list[str]:
        """What the database's own checks find wrong; PostgreSQL checks its pages by itself."""
        if not self.is_sqlite:
            return []
        with self.engine.connect() as connection:
            found = [str(row[0]) for row in connection.exec_driver_sql("PRAGMA integrity_check")]
            broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
        problems = [one for one in found if one != "ok"]
        return problems + [f"a row of {row[0]} refers to a missing row of {row[2]}" for row in broken]

    def close(self) -> None:
        self.engine.dispose()


def head_revision() -> str:
    """The newest revision this program knows."""
    from alembic.script import ScriptDirectory

    return str(ScriptDirectory.from_config(_alembic(None)).get_current_head())


def _alembic(connection: Connection | None) -> Any:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.attributes["connection"] = connection
    return config


def _prepare_sqlite(connection: sqlite3.Connection, _record: object) -> None:
    # The driver must not begin transactions on its own: BEGIN IMMEDIATE is emitted below.
    connection.isolation_level = None
    cursor = connection.cursor()
    for pragma in (
        "journal_mode=WAL",
        "synchronous=FULL",  # an acknowledged set survives a power cut; NORMAL would not sync each commit
        "foreign_keys=ON",
        f"busy_timeout={int(BUSY_SECONDS * 1000)}",
        "cache_size=-16000",
        "temp_store=MEMORY",
    ):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    write = connection.get_execution_options().get("terrace_write", False)
    straight(connection, "BEGIN IMMEDIATE" if write else "BEGIN")


def _named(error: exc.OperationalError) -> StoreError:
    words = str(error.orig).lower()
    if "locked" in words or "busy" in words:
        return StoreBusy("the database is held by another program")
    if "full" in words or "readonly" in words or "disk i/o" in words or "unable to open" in words:
        return StoreFull(f"the database cannot be written: {error.orig}")
    return StoreError(str(error.orig))
