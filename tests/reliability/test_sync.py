"""Nothing is called saved before the disk has been told to keep it."""

from __future__ import annotations

import http.client
import re
import shutil
import subprocess
import time
from datetime import UTC, datetime
from pathlib import Path

from app.storage.engine import Store
from tests.phone_factories import make_world, phone_token
from tests.reliability.servers import Nursery, free_port
from tests.reliability.test_kill import Client

SETS = 25


def test_every_pooled_connection_syncs_each_commit(store: Store) -> None:
    # SQLite, "PRAGMA synchronous": 2 is FULL, with which a WAL commit is synced before it returns.
    opened = [store.engine.connect() for _ in range(12)]
    for connection in opened:
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
        connection.close()


def may_trace() -> bool:
    """Whether this machine has strace and lets it look."""
    tried = shutil.which("strace") and subprocess.run(
        ["strace", "-o", "/dev/null", "true"], capture_output=True, check=False
    )
    return bool(tried) and tried.returncode == 0  # type: ignore[union-attr]


def test_each_answer_waits_for_a_sync(tmp_path: Path) -> None:
    """Between a request's arrival and its answer the write-ahead log is synced, for every set sent alone."""
    url = f"sqlite:///{tmp_path / 'terrace.db'}"
    store = Store(url)
    store.migrate()
    now = datetime.now(UTC)
    world = make_world(store, today=now.date().toordinal())
    client = Client(0, world, phone_token(store, world.lifter, now), free_port())
    store.close()
    trace = tmp_path / "trace"
    watch = ["strace", "-f", "-q", "-e", "trace=fdatasync,fsync", "-o", str(trace)] if may_trace() else []
    nursery = Nursery(*watch)
    syncs = []
    try:
        nursery.start(url, client.port)
        connection = http.client.HTTPConnection("127.0.0.1", client.port, timeout=20)
        for _ in range(SETS):
            before = _count(trace)
            client.pending = [client.write()]
            client.exchange(connection)
            time.sleep(0.01)  # the tracer writes its line a moment after the call returns
            syncs.append(_count(trace) - before)
        connection.close()
    finally:
        nursery.close()
    assert len(client.saved) == SETS
    if watch:
        print(f"{sum(syncs)} syncs for {SETS} answers")
        assert min(syncs) >= 1
    else:
        with Store(url).engine.connect() as connection_:
            assert connection_.exec_driver_sql("PRAGMA synchronous").scalar() == 2


def _count(trace: Path) -> int:
    return len(re.findall(r"f(?:data)?sync\(", trace.read_text())) if trace.exists() else 0
