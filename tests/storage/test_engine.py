"""The database is opened as promised, migrates as its models say, and writes whole or not at all."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import event, inspect, select

from app.planning import exports
from app.storage import access, backup, lifters, logs, phone, roster
from app.storage.engine import SchemaTooNew, Store, StoreBusy, _alembic, head_revision
from app.storage.models import Base, Coach
from tests import rosters
from tests.factories import NOW, TODAY, log_sets, make_coach, make_exercise, make_lifter


def test_migrating_gives_what_the_models_say(any_store: Store) -> None:
    with any_store.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True, "render_as_batch": True})
        assert compare_metadata(context, Base.metadata) == []
    assert any_store.schema_version() == head_revision()


def revisions() -> list[str]:
    """Every revision, oldest first."""
    script = ScriptDirectory.from_config(_alembic(None))
    return [str(one.revision) for one in script.walk_revisions()][::-1]


def move_to(store: Store, revision: str) -> None:
    """Bring the schema to a revision, up or down."""
    with store.engine.execution_options(terrace_write=True).begin() as connection:
        move = command.upgrade if revision == "head" else command.downgrade
        move(_alembic(connection), revision)


def test_every_revision_goes_down_and_up_again_with_its_data(any_store: Store, tmp_path: Path) -> None:
    exports.load(any_store, make_coach(any_store), rosters.tables(3), by="test", now=NOW)
    before = backup.canonical(any_store)
    try:
        for revision in revisions()[-2::-1]:
            move_to(any_store, revision)
            assert any_store.schema_version() == revision
            # A backup made then is read by the program of today.
            backup.make(any_store, tmp_path / "old.zip", program="0", at=NOW, portable=True)
            later = Store(f"sqlite:///{tmp_path / revision}.db")
            assert backup.load_portable(tmp_path / "old.zip", later).schema == revision
            assert later.schema_version() == head_revision()
            assert backup.canonical(later) == before
            later.close()
    finally:
        move_to(any_store, "head")
    assert backup.canonical(any_store) == before
    test_migrating_gives_what_the_models_say(any_store)


def test_unread_messages_are_counted_without_walking_the_others(store: Store) -> None:
    coach = make_coach(store)
    make_lifter(store, coach=coach)
    asked: list[tuple[str, Any]] = []
    event.listen(store.engine, "before_cursor_execute", lambda *one: asked.append((one[2], one[3])))
    with store.reading() as db:
        roster.rows(db, coach)
        phone.unread_from_coach(db, 1)
    queries = [one for one in asked if "messages" in one[0]]
    with store.engine.connect() as connection:
        for query, given in queries:
            plan = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {query}", given).fetchall()
            assert any("USING" in row[3] and "ix_messages_unread" in row[3] for row in plan), plan
    assert len(queries) == 2


def test_every_pooled_connection_syncs_each_commit(store: Store) -> None:
    connections = [store.engine.connect() for _ in range(5)]
    for connection in connections:
        answers = [
            connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("synchronous", "journal_mode", "foreign_keys")
        ]
        assert answers == [2, "wal", 1]
        connection.close()


def test_an_exception_undoes_the_whole_transaction(any_store: Store) -> None:
    with pytest.raises(ZeroDivisionError), any_store.transaction() as db:
        access.add_coach(db, name="A", login="a@example.org", password_hash="x", at=NOW)
        raise ZeroDivisionError
    with any_store.reading() as db:
        assert db.scalars(select(Coach)).all() == []


def test_sets_are_clustered_by_lifter_and_day(store: Store) -> None:
    with store.engine.connect() as connection:
        ddl = connection.exec_driver_sql("SELECT sql FROM sqlite_master WHERE name = 'logged_sets'").scalar()
        indexes = inspect(connection).get_indexes("logged_sets")
    assert "WITHOUT ROWID" in str(ddl)
    assert "PRIMARY KEY (lifter_id, day, position)" in str(ddl)
    assert indexes == []


def test_a_newer_database_is_refused_in_words(store: Store) -> None:
    with store.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = 'from-the-future'")
    with pytest.raises(SchemaTooNew, match="newer version of Terrace"):
        store.migrate()


def test_a_writer_waits_for_another_in_the_same_process(store: Store) -> None:
    entered, order = threading.Event(), []

    def slow() -> None:
        with store.transaction():
            entered.set()
            order.append("first")
            threading.Event().wait(0.05)
            order.append("first done")

    thread = threading.Thread(target=slow)
    thread.start()
    entered.wait()
    with store.transaction():
        order.append("second")
    thread.join()
    assert order == ["first", "first done", "second"]


def test_a_database_held_by_another_program_is_said_to_be_busy(store: Store, tmp_path: Path) -> None:
    import sqlite3

    other = sqlite3.connect(tmp_path / "terrace.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with store.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA busy_timeout=50")
    try:
        with pytest.raises(StoreBusy), store.transaction() as db:
            db.execute(select(Coach))
    finally:
        other.close()


def test_somebody_elses_lifter_looks_like_a_missing_one(any_store: Store) -> None:
    mine = make_coach(any_store)
    other = make_coach(any_store, login="other@example.org")
    lifter = make_lifter(any_store, coach=mine)
    with any_store.reading() as db:
        assert lifters.of_coach(db, mine, lifter.id).name == lifter.name
        for coach, number in ((other, lifter.id), (mine, lifter.id + 999)):
            with pytest.raises(lifters.LifterNotFound):
                lifters.of_coach(db, coach, number)


def test_sets_come_back_as_arrays_in_the_order_they_were_done(any_store: Store) -> None:
    coach = make_coach(any_store)
    lifter = make_lifter(any_store, coach=coach)
    squat = make_exercise(any_store, coach=coach)
    bench = make_exercise(any_store, coach=coach, name="Bench press")
    log_sets(any_store, lifter, bench, TODAY, [(82.5, 5, 8.5)])
    log_sets(any_store, lifter, squat, TODAY - 3, [(140, 3, 8), (142.5, 3, None)])
    with any_store.reading() as db:
        log, ids = logs.set_log(db, lifter)
    assert [log.exercises[i].name for i in log.exercise] == ["Squat", "Squat", "Bench press"]
    assert ids == [squat.id, bench.id]
    np.testing.assert_array_equal(log.day - TODAY, [-3, -3, 0])
    np.testing.assert_array_equal(log.load_kg, [140, 142.5, 82.5])
    np.testing.assert_array_equal(log.rpe, [8, np.nan, 8.5])
    assert logs.day_and_position(int(log.row[1])) == (TODAY - 3, 1)


def test_an_empty_log_is_empty_arrays(any_store: Store) -> None:
    coach = make_coach(any_store)
    with any_store.reading() as db:
        log, ids = logs.set_log(db, make_lifter(any_store, coach=coach))
    assert (len(log.day), log.exercises, ids) == (0, (), [])


def test_a_changed_or_removed_set_keeps_what_it_was(any_store: Store) -> None:
    coach = make_coach(any_store)
    lifter = make_lifter(any_store, coach=coach)
    squat = make_exercise(any_store, coach=coach)
    log_sets(any_store, lifter, squat, TODAY, [(100, 5, 8)])
    with any_store.transaction() as db:
        before = logs.one_set(db, lifter.id, TODAY, 0)
        assert before is not None
        logs.amend_set(db, lifter.id, before, {"load_grams": 105_000}, by="Ines Marto", why="typo", at=NOW)
    with any_store.transaction() as db:
        now = logs.one_set(db, lifter.id, TODAY, 0)
        assert now is not None
        assert (now.load_grams, now.version) == (105_000, 2)
        logs.remove_set(db, lifter.id, now, by="Ines Marto", at=NOW)
    with any_store.reading() as db:
        assert logs.one_set(db, lifter.id, TODAY, 0) is None
        kept = [
            (one.change, one.before["load_grams"], one.why) for one in logs.revisions(db, lifter.id, TODAY)
        ]
    assert kept == [("amended", 100_000, "typo"), ("removed", 105_000, "")]
