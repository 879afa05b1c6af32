"""A file is taken in whole or not at all, without doubles, and can be taken back."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import func, select

from app.exchange import exercise_names
from app.exchange.log_file import LogRows, read_log
from app.exchange.tables import read_pasted
from app.planning import imports
from app.storage import backup, lifters, logs
from app.storage.engine import Store
from app.storage.models import Coach, Exercise, Lifter, LoggedSession, logged_sets
from tests.factories import NOW, make_coach, make_lifter

HEADER = "lifter\tdate\texercise\tset_number\tload_kg\treps\trpe\tsession_rpe\tsession_minutes\tnote"
LINES = [
    "Vilde Aas\t2026-03-02\tSquat\t1\t100\t5\t7\t6\t70\t",
    "Vilde Aas\t2026-03-02\tSquat\t2\t102,5\t5\t8\t6\t70\tbelt",
    "Vilde Aas\t2026-03-04\tBench press\t1\t60\t8\t\t\t\t",
    "Otto Hale\t2026-03-04\tPull-up\t1\t0\t8\t9\t\t\t",
]


def rows_of(*lines: str, header: str = HEADER) -> LogRows:
    found = read_log(read_pasted("\n".join([header, *lines])))
    assert found.errors == ()
    return found.rows


def take(store: Store, coach: Coach, rows: LogRows, **options: Any) -> imports.Imported:
    return imports.apply(
        store,
        coach,
        rows,
        file_name="LOG.csv",
        sha256=b"0" * 32,
        guess=exercise_names.guess,
        now=NOW,
        **options,
    )


def count(store: Store, table: Any) -> int:
    with store.reading() as db:
        return db.scalar(select(func.count()).select_from(table)) or 0


def test_a_dry_run_tells_and_stores_nothing(any_store: Store) -> None:
    coach = make_coach(any_store)
    make_lifter(any_store, coach=coach)
    told = imports.dry_run(any_store, coach, rows_of(*LINES))
    assert (told.new, told.changed, told.same) == (4, 0, 0)
    assert told.new_lifters == ("Otto Hale",)
    assert told.new_exercises == ("Squat", "Bench press", "Pull-up")
    assert count(any_store, logged_sets) == count(any_store, Exercise) == 0


def test_what_was_typed_is_stored_and_the_session_is_rated(any_store: Store) -> None:
    coach = make_coach(any_store)
    assert take(any_store, coach, rows_of(*LINES)).new == 4
    with any_store.reading() as db:
        vilde = lifters.by_name(db, coach)["vilde aas"]
        stored = logs.sets_between(db, vilde.id, 0, 4_000_000)
        log, _ = logs.set_log(db, vilde)
        pull_up = db.scalar(select(Exercise).where(Exercise.key == "pull-up"))
    assert [(one.load_grams, one.typed, one.note) for one in stored][:2] == [
        (100_000, None, None),
        (102_500, "102,5 kg", "belt"),
    ]
    assert list(log.session_load.values()) == [(6.0, 70.0)]
    assert pull_up is not None
    assert pull_up.body_mass_share > 0.5
    assert vilde.stale_at == NOW


def test_importing_again_makes_no_doubles(any_store: Store) -> None:
    coach = make_coach(any_store)
    take(any_store, coach, rows_of(*LINES))
    again = take(any_store, coach, rows_of(*LINES))
    assert (again.new, again.changed, again.same) == (0, 0, 4)
    assert count(any_store, logged_sets) == 4
    assert count(any_store, LoggedSession) == 3


def test_a_corrected_row_changes_its_set_and_keeps_what_it_was(any_store: Store) -> None:
    coach = make_coach(any_store)
    take(any_store, coach, rows_of(*LINES))
    corrected = [LINES[0].replace("\t100\t", "\t110\t"), *LINES[1:]]
    told = imports.dry_run(any_store, coach, rows_of(*corrected))
    assert (told.new, told.changed, told.same) == (0, 1, 3)
    assert told.examples == ((0, "100 kg x 5 @ RPE 7", "110 kg x 5 @ RPE 7"),)
    take(any_store, coach, rows_of(*corrected))
    with any_store.reading() as db:
        vilde = lifters.by_name(db, coach)["vilde aas"]
        first = logs.sets_between(db, vilde.id, 0, 4_000_000)[0]
        history = logs.revisions(db, vilde.id, first.day)
    assert (first.load_grams, first.version) == (110_000, 2)
    assert [(one.before["load_grams"], one.why) for one in history] == [(100_000, "import")]


def test_an_import_is_undone_whole(any_store: Store) -> None:
    coach = make_coach(any_store)
    take(any_store, coach, rows_of(*LINES[:2]))
    before = backup.canonical(any_store)
    second = take(any_store, coach, rows_of(LINES[0].replace("\t100\t", "\t110\t"), LINES[2], LINES[3]))
    assert imports.undo(any_store, coach, second.batch_id, now=NOW) == 3
    after = backup.canonical(any_store)
    # The batch, its audit lines and the amendment's history stay; the log is as it was.
    same = {"logged_sets", "logged_sessions", "lifters", "exercises"}
    assert {name for name in same if before[name] == after[name]} == same
    with pytest.raises(imports.AlreadyUndone):
        imports.undo(any_store, coach, second.batch_id, now=NOW)


def test_another_coachs_import_is_not_there(any_store: Store) -> None:
    coach, other = make_coach(any_store), make_coach(any_store, login="other@example.org")
    batch = take(any_store, coach, rows_of(*LINES)).batch_id
    with pytest.raises(imports.BatchNotFound):
        imports.undo(any_store, other, batch, now=NOW)
    assert imports.batches(any_store, other) == []


def test_sets_join_what_was_logged_on_the_day(any_store: Store) -> None:
    coach = make_coach(any_store)
    take(any_store, coach, rows_of(*LINES[:2]))
    take(any_store, coach, rows_of("Vilde Aas\t2026-03-02\tDeadlift\t1\t150\t3\t\t\t\t"))
    with any_store.reading() as db:
        vilde = lifters.by_name(db, coach)["vilde aas"]
        stored = logs.sets_between(db, vilde.id, 0, 4_000_000)
    assert [one.position for one in stored] == [0, 1, 2]
    assert len({one.session_id for one in stored}) == 1


def test_a_name_the_coach_confirmed_is_not_a_new_exercise(any_store: Store) -> None:
    coach = make_coach(any_store)
    take(any_store, coach, rows_of(*LINES))
    with any_store.reading() as db:
        squat = db.scalar(select(Exercise).where(Exercise.key == "squat"))
    assert squat is not None
    rows = rows_of("Vilde Aas\t2026-03-06\tBack squat\t1\t100\t5\t\t\t\t")
    take(any_store, coach, rows, choices=imports.Choices({"Back squat": squat.id}))
    told = imports.dry_run(any_store, coach, rows)
    assert (told.same, told.new_exercises) == (1, ())


def test_a_failure_on_the_way_stores_nothing(any_store: Store) -> None:
    coach = make_coach(any_store)

    def fail(_count: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        take(any_store, coach, rows_of(*LINES), progress=fail)
    assert count(any_store, logged_sets) == count(any_store, Lifter) == count(any_store, Exercise) == 0
