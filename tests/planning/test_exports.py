"""What a coach owns goes out and comes back equal, on both engines, in every form of file."""

from __future__ import annotations

import copy
from collections import Counter
from typing import Any

import pytest
from sqlalchemy import select, update

from app.exchange import coach_file
from app.exchange.log_file import read_log
from app.exchange.tables import read_table
from app.exchange.writers import LogLine, log_csv
from app.planning import documents, exports
from app.planning.exports import CannotLoad, NotEmpty
from app.storage import belongings, lifters
from app.storage.engine import Store
from app.storage.lifters import LifterNotFound
from app.storage.models import (
    Base,
    Block,
    Coach,
    Exercise,
    Flag,
    ImportBatch,
    LoggedSession,
    Message,
    PlannedSession,
    SetRevision,
)
from app.training.units import parse_mass
from tests import rosters
from tests.factories import NOW, TODAY, log_sets, make_coach, make_exercise, make_lifter

KEPT_AT_HOME = {
    "coach_members": "who may see the roster here",
    "coach_sessions": "signed in here",
    "one_time_codes": "secrets of this server",
    "api_tokens": "secrets of this server",
    "attempts": "guesses at this server",
    "audit_events": "what happened on this server",
    "lifter_links": "secrets of this server",
    "lifter_sessions": "phones that were let in here",
    "handovers": "between accounts of this server",
    "set_keys": "answers to requests of phones",
    "snapshots": "follows from the logs",
    "roster_rows": "follows from the logs",
}


def out(store: Store, coach: Coach) -> exports.Everything:
    return exports.everything(store, coach, by="test", now=NOW)


def file_of(found: exports.Everything) -> coach_file.CoachFile:
    return coach_file.file_of(found.described, found.tables, program_version="0", made_at=NOW)


def rows_of(file: coach_file.CoachFile) -> dict[str, list[dict[str, Any]]]:
    return {shape.name: list(file.records(shape.name)) for shape in file.shapes}


def generated(seed: int) -> dict[str, list[dict[str, Any]]]:
    return rosters.tables(seed)


def as_rows(found: exports.Everything) -> dict[str, list[dict[str, Any]]]:
    return {
        name: [dict(zip((one.name for one in found.described[name][1]), row, strict=True)) for row in rows]
        for name, rows in found.tables.items()
    }


def test_every_table_is_exported_or_has_a_reason_to_stay() -> None:
    exported = {one.name for one in belongings.BELONGINGS}
    assert exported | KEPT_AT_HOME.keys() == set(Base.metadata.tables)
    assert not exported & KEPT_AT_HOME.keys()


def test_every_column_that_points_at_a_row_is_known_to() -> None:
    for one in belongings.BELONGINGS:
        for column in one.columns:
            for key in column.foreign_keys:
                assert one.references.get(column.name) == key.column.table.name, f"{one.name}.{column.name}"


def test_rosters_go_out_and_come_back_equal(any_store: Store) -> None:
    seen: set[str] = set()
    for seed in range(12):
        first = make_coach(any_store, login=f"first{seed}@example.org")
        second = make_coach(any_store, login=f"second{seed}@example.org")
        given = generated(seed)
        exports.load(any_store, first, copy.deepcopy(given), by="test", now=NOW)
        found = out(any_store, first)
        assert as_rows(found) == given
        form = ("json", "xlsx", "zip")[seed % 3]
        read = coach_file.read(coach_file.as_bytes(file_of(found), form), f"all.{form}")
        assert read.errors == ()
        exports.load(any_store, second, rows_of(read.file), by="test", now=NOW)
        assert out(any_store, second) == found
        assert out(any_store, first) == found
        seen |= {name for name, rows in found.tables.items() if rows}
    assert seen == {one.name for one in belongings.BELONGINGS}


def test_a_roster_moves_from_one_engine_to_the_other(store: Store, postgres_store: Store) -> None:
    for here, there in ((store, postgres_store), (postgres_store, store)):
        given = generated(7)
        first = make_coach(here, login=f"a{here is store}@example.org")
        second = make_coach(there, login=f"b{here is store}@example.org")
        exports.load(here, first, given, by="test", now=NOW)
        exports.load(there, second, rows_of(file_of(out(here, first))), by="test", now=NOW)
        assert out(there, second) == out(here, first)


def test_the_database_can_number_new_rows_after_a_load(any_store: Store) -> None:
    coach = make_coach(any_store)
    exports.load(any_store, coach, generated(1), by="test", now=NOW)
    lifter = make_lifter(any_store, coach=coach, name="Somebody new")
    exercise = make_exercise(any_store, coach=coach, name="Something new")
    log_sets(any_store, lifter, exercise, TODAY, [(100, 5, 8)])
    assert len(as_rows(out(any_store, coach))["lifters"]) == len(generated(1)["lifters"]) + 1


def test_a_whole_file_is_taken_into_an_empty_account_only(store: Store) -> None:
    coach = make_coach(store)
    make_exercise(store, coach=coach)
    before = out(store, coach)
    with pytest.raises(NotEmpty):
        exports.load(store, coach, generated(2), by="test", now=NOW)
    assert out(store, coach) == before


SPOILT = next(
    seed for seed in range(99) if generated(seed)["logged_sets"] and generated(seed)["block_templates"]
)


def _no_name(given: Any) -> None:
    given["lifters"][0]["name"] = None


def _text_for_number(given: Any) -> None:
    given["lifters"][0]["bar_grams"] = "20"


def _too_large(given: Any) -> None:
    given["lifters"][0]["bar_grams"] = 2**40


def _unknown_field(given: Any) -> None:
    given["lifters"][0]["password_hash"] = "x"


def _unknown_table(given: Any) -> None:
    given["coach_sessions"] = [{"token_hash": "00"}]


def _points_nowhere(given: Any) -> None:
    given["logged_sets"][0]["exercise_id"] = 99


def _twice(given: Any) -> None:
    given["lifters"].append(given["lifters"][0])


def _bad_plan(given: Any) -> None:
    given["block_templates"][0]["plan"] = {"weeks": 3}


def _bad_zone(given: Any) -> None:
    given["lifters"][0]["time_zone"] = "Atlantis/City"


def _nul(given: Any) -> None:
    given["lifters"][0]["note"] = "a\0b"


def _bad_plates(given: Any) -> None:
    given["lifters"][0]["plates"] = [["25", 1]]


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (_no_name, "lifters, row 1, name: expected a value"),
        (_text_for_number, "lifters, row 1, bar_grams: expected a whole number"),
        (_too_large, "lifters, row 1, bar_grams: expected a number from 0 to"),
        (_unknown_field, "lifters, row 1, password_hash: expected a field that this version knows"),
        (_unknown_table, "coach_sessions, row 0, : expected a table that this version knows"),
        (_points_nowhere, "logged_sets, row 1, exercise_id: expected the number of a row of exercises"),
        (_twice, "id: expected a row that is not there twice"),
        (_bad_plan, "block_templates, row 1, plan"),
        (_bad_zone, "lifters, row 1, time_zone"),
        (_nul, "lifters, row 1, note: expected a text without NUL"),
        (_bad_plates, "lifters, row 1, plates"),
    ],
)
def test_a_file_that_cannot_be_stored_says_where_and_stores_nothing(
    store: Store, spoil: Any, words: str
) -> None:
    coach = make_coach(store)
    given = generated(SPOILT)
    assert given["logged_sets"]
    spoil(given)
    with pytest.raises(CannotLoad) as refused:
        exports.load(store, coach, given, by="test", now=NOW)
    assert words in "\n".join(refused.value.errors)
    assert exports.is_empty(store, coach)


SAID = next(
    seed
    for seed in range(999)
    if (made := generated(seed))
    and all(made[table] for table, _ in documents.SHAPES)
    and made["plan_changes"]
    and any(one["sets"] for one in made["prescriptions"])
)
PLACES = [*documents.SHAPES, ("plan_changes", "before"), ("plan_changes", "after"), ("lifters", "plates")]


def test_every_document_has_a_shape_or_a_reason() -> None:
    found = {
        (one.name, column.name)
        for one in belongings.BELONGINGS
        for column in one.columns
        if belongings.kind_of(column) == "document"
    }
    assert documents.SHAPES.keys() | documents.FREE.keys() == found
    assert not documents.SHAPES.keys() & documents.FREE.keys()


@pytest.mark.parametrize(
    ("table", "column", "value", "words"),
    [
        ("decisions", "outcome", {}, "outcome, verdict: expected a value"),
        ("decisions", "outcome", {"verdict": "fine"}, "outcome, verdict: expected one of better, "),
        (
            "decisions",
            "outcome",
            {"verdict": "better", "level_pct": [1.0]},
            "level_pct: expected a list of 3",
        ),
        (
            "decisions",
            "outcome",
            {"verdict": "better", "level_pct": [1, 2, "3"]},
            "level_pct, item 3: expected",
        ),
        ("decisions", "outcome", {"verdict": "better", "level_pct": [1, 2, 3]}, "outcome, better: expected"),
        ("decisions", "outcome", {"verdict": "worse", "day": "2026-03-09"}, "outcome, day: expected a whole"),
        ("decisions", "outcome", {"verdict": "worse", "day": 10**7}, "outcome, day: expected a whole number"),
        ("decisions", "outcome", {"verdict": "worse", "done": 3}, "outcome, done: expected a list of 2"),
        ("decisions", "evidence", {"e1rm": 120}, "evidence, e1rm: expected a list of 3"),
        ("decisions", "evidence", {"flag": {"kind": "stall"}}, "evidence, flag, severity: expected a value"),
        ("decisions", "evidence", {"stress": 3.0}, "evidence, measure: expected a value"),
        ("decisions", "evidence", {"stress": 3.0, "measure": "sweat"}, "evidence, measure: expected one of"),
        ("decisions", "detail", {"by": "x"}, "detail, sentence: expected a value"),
        ("flags", "evidence", {"also": 3}, "evidence, also: expected a list"),
        ("flags", "evidence", {"last_day": "yesterday"}, "evidence, last_day: expected a whole number"),
        ("flags", "evidence", {"weeks": {"a": 1}}, "evidence, weeks: expected a number, a text or a list"),
        ("flags", "evidence", {"stress_ratio": 1e300}, "evidence, stress_ratio: expected a number, a text"),
        ("prescriptions", "sets", [{"reps": 5}, {"load_grams": "20"}], "sets, item 2, load_grams: expected"),
        ("prescriptions", "predicted", {"rir": None}, "predicted, rir: expected a number"),
        ("prescriptions", "novelty", {"step_pct": "much"}, "novelty, step_pct: expected a number"),
        ("block_weeks", "planned_stress", {"hard_sets": "9"}, "planned_stress, hard_sets: expected a number"),
        ("blocks", "rules", {"answered": [None]}, "rules, answered, item 1: expected a whole number"),
        ("set_revisions", "before", {"day": 1}, "before, position: expected a value"),
        ("messages", "about", {"skipped": []}, "about, skipped: expected a whole number"),
        ("messages", "about", {"set": [1]}, "about, set: expected a number or a text"),
        ("import_batches", "counts", {"new": 1}, "counts, changed: expected a value"),
        ("column_mappings", "mapping", {"columns": ["a"]}, "mapping, columns: expected a JSON object"),
        ("lifters", "increments", {"dumbbell": "2 kg"}, "increments, dumbbell: expected a whole number"),
        ("plan_changes", "before", [{"week": 1}], "before, item 1, "),
        ("plan_changes", "after", ["r1"], "after, item 1: expected a JSON object"),
    ],
)
def test_a_document_of_another_shape_is_refused_with_its_place(
    store: Store, table: str, column: str, value: Any, words: str
) -> None:
    coach = make_coach(store)
    given = generated(SAID)
    given[table][0][column] = value
    with pytest.raises(CannotLoad) as refused:
        exports.load(store, coach, given, by="test", now=NOW)
    (said,) = refused.value.errors
    assert said.startswith(f"{table}, row 1, {column}, "), said
    assert words in said
    assert exports.is_empty(store, coach)


def places_in(inside: Any, place: Any) -> list[tuple[Any, Any]]:
    """Every place within a document, itself first: what it stands in, and where."""
    one = inside[place]
    keys = [*one] if isinstance(one, dict) else range(len(one)) if isinstance(one, list) else []
    return [(inside, place), *(found for key in keys for found in places_in(one, key))]


@pytest.mark.parametrize(("table", "column"), PLACES)
def test_whatever_stands_in_a_document_it_is_taken_or_refused_in_words(
    store: Store, table: str, column: str
) -> None:
    make = rosters.Maker(5)
    coach = make_coach(store)
    odd: list[Any] = [None, True, -1, 2**70, 1e300, "x", [], {}, [[]], [{}], {"": None}]
    for trial in range(40):
        given = generated(SAID)
        inside, place = make.one_of(places_in(make.one_of(given[table]), column))
        inside[place] = make.one_of(odd)
        said: tuple[str, ...] = ()
        try:
            exports.load(store, coach, given, by="test", now=NOW)
        except CannotLoad as refused:
            said = refused.errors
        assert all(f"{table}, row " in one for one in said)
        assert exports.is_empty(store, coach) == bool(said)
        if not said:
            coach = make_coach(store, login=f"next{trial}@example.org")


def test_a_document_nested_without_end_is_refused(store: Store) -> None:
    coach = make_coach(store)
    given = generated(1)
    deep: Any = {}
    for _ in range(300):
        deep = {"a": deep}
    given["coaches"][0]["settings"] = deep
    with pytest.raises(CannotLoad, match="coaches, row 1, settings: expected a JSON object less deep"):
        exports.load(store, coach, given, by="test", now=NOW)


def test_a_field_that_an_older_file_lacks_takes_its_usual_value(store: Store) -> None:
    coach = make_coach(store)
    given = {"lifters": [{"id": 4, "name": "Vilde Aas", "created_at": NOW}]}
    exports.load(store, coach, given, by="test", now=NOW)
    with store.reading() as db:
        lifter = lifters.roster(db, coach)[0]
    assert (lifter.status, lifter.bar_grams, lifter.plates) == ("active", 20_000, [])


def test_one_persons_data_holds_nothing_of_anybody_else(store: Store) -> None:
    coach = make_coach(store)
    mine, other = make_lifter(store, coach=coach), make_lifter(store, coach=coach, name="Otto Hale")
    squat, secret = make_exercise(store, coach=coach), make_exercise(store, coach=coach, name="Otto's own")
    log_sets(store, mine, squat, TODAY, [(100, 5, 8)])
    log_sets(store, other, secret, TODAY, [(50, 5, 8)], note="of Otto")
    found = exports.everything(store, coach, lifter_id=mine.id, by="test", now=NOW)
    text = coach_file.to_json(file_of(found)).decode()
    assert "Vilde Aas" in text
    assert "Otto" not in text
    assert found.tables["lifters"][0][0] == found.tables["exercises"][0][0] == 1
    with pytest.raises(LifterNotFound):
        exports.everything(
            store, make_coach(store, login="other@example.org"), lifter_id=mine.id, by="test", now=NOW
        )


def test_rows_are_counted_as_they_are_given(any_store: Store) -> None:
    coach = make_coach(any_store)
    exports.load(any_store, coach, generated(SAID), by="test", now=NOW)
    with any_store.reading() as db:
        about = [None, *(one.id for one in lifters.roster(db, coach, archived=True))]
    for lifter_id in about:
        with exports.opened(any_store, coach, lifter_id=lifter_id, by="test", now=NOW) as found:
            counted = {name: len(rows) for name, rows in found.tables.items()}
            assert counted == {name: sum(1 for _ in rows) for name, rows in found.tables.items()}
            assert sum(counted.values()) > 3


def test_an_export_is_of_one_moment_whatever_is_written_meanwhile(any_store: Store) -> None:
    coach = make_coach(any_store)
    lifter, squat = make_lifter(any_store, coach=coach), make_exercise(any_store, coach=coach)
    log_sets(any_store, lifter, squat, TODAY, [(100, 5, 8)])
    with exports.opened(any_store, coach, by="test", now=NOW) as found:
        sessions = list(found.tables["logged_sessions"])
        log_sets(any_store, lifter, squat, TODAY + 1, [(110, 5, 8)])
        make_lifter(any_store, coach=coach, name="Otto Later")
        assert len(list(found.tables["logged_sets"])) == len(sessions) == 1
        assert len(list(found.tables["lifters"])) == 1
        assert found.tables["logged_sets"].given == 1
    assert len(out(any_store, coach).tables["logged_sets"]) == 2


def test_a_log_out_reads_back_as_typed(store: Store) -> None:
    coach = make_coach(store)
    lifter, squat = make_lifter(store, coach=coach), make_exercise(store, coach=coach)
    log_sets(store, lifter, squat, TODAY, [(100, 5, 8), (102.058, 3, None)], note="=heavy")
    with store.transaction() as db:
        db.execute(
            update(Base.metadata.tables["logged_sets"])
            .where(Base.metadata.tables["logged_sets"].c.position == 1)
            .values(typed="225 lb")
        )
    name, rows, left_out = exports.log_of(store, coach, lifter.id, by="test", now=NOW)
    data = log_csv(LogLine(**{field: getattr(one, field) for field in one.__slots__}) for one in rows)
    back = read_log(read_table(data, "LOG.csv")).rows
    assert (name, left_out, back.note) == ("Vilde Aas", 0, ["=heavy"] * 2)
    assert (back.load_g.tolist(), back.load_typed) == (
        [100_000, parse_mass("225", "lb").grams],
        ["100", "225"],
    )


def test_numbers_inside_documents_name_rows_of_the_account_they_came_into(any_store: Store) -> None:
    """The same file into a second account: what it speaks of is that account's, not the first one's."""
    named = Counter[str]()
    for seed in range(16):
        given = generated(seed)
        for n in (1, 2):
            coach = make_coach(any_store, login=f"{seed}-{n}@example.org")
            exports.load(any_store, coach, copy.deepcopy(given), by="test", now=NOW)
        with any_store.reading() as db:
            mine = {one.id for one in lifters.roster(db, coach, archived=True)}
            own = {one.id for one in db.scalars(select(Exercise).where(Exercise.coach_id == coach.id))}
            own_blocks = {one.id for one in db.scalars(select(Block).where(Block.lifter_id.in_(mine)))}
            planned = {
                one.id: one.lifter_id
                for one in db.scalars(select(PlannedSession).where(PlannedSession.lifter_id.in_(mine)))
            }
            for message in db.scalars(select(Message).where(Message.lifter_id.in_(mine))):
                about = message.about
                if "exercise" in about:
                    named["message, exercise"] += 1
                    assert about["exercise"] in own
                if "review" in about:
                    named["message, review"] += 1
                    assert about["review"] in own_blocks
                session = about.get("session")
                if session is not None:
                    named["message, session"] += 1
                    assert int(str(session).removeprefix("p")) in planned
            for block in db.scalars(select(Block).where(Block.lifter_id.in_(mine))):
                for number in block.rules.get("answered", ()):
                    named["block, answered"] += 1
                    assert number in planned
            for logged in db.scalars(select(LoggedSession).where(LoggedSession.lifter_id.in_(mine))):
                if logged.client_id is not None and logged.client_id.startswith("p"):
                    named["session, key"] += 1
                    assert int(logged.client_id[1:].partition(":")[0]) == logged.planned_session_id
            for revision in db.scalars(select(SetRevision).where(SetRevision.lifter_id.in_(mine))):
                named["revision"] += 1
                assert revision.before["lifter_id"] == revision.lifter_id
                assert revision.before["exercise_id"] in own
            for flag in db.scalars(select(Flag).where(Flag.lifter_id.in_(mine))):
                if flag.cause.startswith("pain:"):
                    named["flag, cause"] += 1
                    assert flag.cause == f"pain:{flag.exercise_id}"
            for batch in db.scalars(select(ImportBatch).where(ImportBatch.coach_id == coach.id)):
                named["import"] += 1
                assert set(batch.counts["lifters"]) <= mine
                assert {one["exercise_id"] for one in batch.changed} <= own
    assert len(named) == 8, named
