"""Logs through the interface for programs: put right, taken out and put back, once and never unseen."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import select

from app.planning import data_quality, worker
from app.storage import logs
from app.storage.models import AuditEvent, LoggedSession, SetMark, SetRevision
from tests.factories import NOW, TODAY, log_sets, make_exercise, make_lifter
from tests.web.conftest import Client
from tests.web.programs import Program

DAY = TODAY - 1
KEYS = [f"key-of-a-log-test-{number}" for number in range(9)]


class Log:
    """A lifter with three sets of a day, and where a program finds them."""

    def __init__(self, client: Client) -> None:
        self.store, self.coach = client.store, client.coach
        self.lifter = make_lifter(client.store, coach=client.coach)
        self.squat = make_exercise(client.store, coach=client.coach)
        self.session = log_sets(
            client.store, self.lifter, self.squat, DAY, [(100, 5, 8), (102.5, 5, 8.5), (105, 4, 9)]
        )
        worker.run_pending(client.store, NOW)
        self.path = f"/lifters/{self.lifter.id}/sets"

    def at(self, position: int) -> str:
        return f"{self.path}/{DAY}-{position}"

    def stored(self) -> list[logs.StoredSet]:
        with self.store.reading() as db:
            return logs.sets_between(db, self.lifter.id, DAY, DAY)

    def is_stale(self) -> bool:
        with self.store.reading() as db:
            return db.merge(self.lifter, load=True).stale_at is not None

    def changes(self) -> int:
        with self.store.reading() as db:
            return len(logs.revisions(db, self.lifter.id, DAY))


@pytest.fixture
def log(client: Client) -> Log:
    return Log(client)


def test_a_set_is_put_right_and_what_it_was_is_kept(writing: Program, log: Log) -> None:
    one = writing.get(log.path).json()["items"][1]
    assert writing.get(log.at(1)).json() == one
    assert not log.is_stale()
    right = {"version": 1, "load": 225, "unit": "lb", "reps": 3, "rpe": None, "warm_up": True, "note": "belt"}
    made = writing.send("PATCH", log.at(1), right, KEYS[0])
    assert made.status_code == 200, made.text
    # 225 x 0.45359237 = 102.058
    now = {"load": "225", "unit": "lb", "load_kg": 102.058, "reps": 3, "rpe": None, "warm_up": True}
    assert made.json() == one | now | {"note": "belt", "version": 2}
    assert writing.get(log.at(1)).json() == made.json()
    change = writing.get(f"/lifters/{log.lifter.id}/set-changes").json()["items"][0]
    assert (change["change"], change["by"], change["before"]) == ("amended", "the program “writes”", one)
    assert log.is_stale()
    with log.store.reading() as db:
        told = db.scalars(select(AuditEvent).where(AuditEvent.kind == "set amended")).one()
    assert (told.actor, told.lifter_id, told.detail) == (
        "the program “writes”",
        log.lifter.id,
        {"what": f"{DAY}-1"},
    )


def test_what_is_not_named_stays_as_it_was_typed(writing: Program, log: Log) -> None:
    pounds = {"sets": [{"date": "2026-03-08", "exercise": "Squat", "load": 45.5, "unit": "lb", "reps": 8}]}
    [place] = writing.send("POST", log.path, pounds, KEYS[0]).json()["added"]
    before = writing.get(f"{log.path}/{place}").json()
    after = writing.send("PATCH", f"{log.path}/{place}", {"version": 1, "reps": 9}, KEYS[1]).json()
    assert after == before | {"reps": 9, "version": 2}


def test_a_set_can_be_moved_to_the_exercise_it_was_done_on(writing: Program, log: Log) -> None:
    body = {"version": 1, "exercise": "Front  squat"}
    made = writing.send("PATCH", log.at(0), body, KEYS[0]).json()
    assert (made["exercise"], made["exercise_id"] != log.squat.id) == ("Front squat", True)
    assert [one["exercise"] for one in writing.get(log.path).json()["items"]] == [
        "Front squat",
        "Squat",
        "Squat",
    ]


def test_a_set_put_right_is_judged_anew(writing: Program, client: Client) -> None:
    log = Log(client)
    log_sets(log.store, log.lifter, log.squat, DAY - 1, [(1000, 5, 8)], marks=SetMark.HELD_OUT)
    path = f"{log.path}/{DAY - 1}-0"
    assert writing.get(path).json()["held_out"] is True
    made = writing.send("PATCH", path, {"version": 1, "load": 100, "unit": "kg"}, KEYS[0])
    assert made.json()["held_out"] is False
    assert data_quality.odd_sets(log.store, log.coach, log.lifter.id) == ()


def test_a_set_somebody_changed_meanwhile_is_not_overwritten(writing: Program, log: Log) -> None:
    writing.send("PATCH", log.at(0), {"version": 1, "reps": 6}, KEYS[0])
    now = writing.get(log.at(0)).json()
    for answer in (
        writing.send("PATCH", log.at(0), {"version": 1, "reps": 7}, KEYS[1]),
        writing.send("DELETE", log.at(0) + "?version=1", key=KEYS[2]),
    ):
        assert answer.status_code == 409, answer.text
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["current"] == now
    assert writing.get(log.at(0)).json() == now
    assert log.changes() == 1
    assert writing.send("PATCH", log.at(0), {"version": 2, "reps": 7}, KEYS[1]).status_code == 200


def test_each_change_of_a_log_is_made_once(writing: Program, log: Log) -> None:
    """The answer that was lost on its way is given again; nothing is done twice."""
    body = {"version": 1, "reps": 6}
    first = writing.send("PATCH", log.at(0), body, KEYS[0])
    writing.send("PATCH", log.at(0), {"version": 2, "reps": 8}, KEYS[1])
    assert writing.send("PATCH", log.at(0), body, KEYS[0]).json() == first.json()
    assert writing.get(log.at(0)).json()["reps"] == 8
    assert writing.send("PATCH", log.at(0), body | {"reps": 7}, KEYS[0]).status_code == 422
    gone = writing.send("DELETE", log.at(1) + "?version=1", key=KEYS[2])
    assert gone.status_code == 200, gone.text
    assert writing.send("DELETE", log.at(1) + "?version=1", key=KEYS[2]).json() == gone.json()
    back = f"/lifters/{log.lifter.id}/set-changes/{gone.json()['change']}/put-back"
    restored = writing.send("POST", back, key=KEYS[3])
    assert restored.status_code == 201, restored.text
    assert writing.send("POST", back, key=KEYS[3]).json() == restored.json()
    # Another request for the same would put it there twice.
    assert writing.send("POST", back, key=KEYS[4]).status_code == 409
    assert len(log.stored()) == 3
    assert log.changes() == 4
    assert writing.send("PATCH", log.at(0), {"version": 3, "reps": 9}).status_code == 422


def test_a_set_taken_out_is_put_back_as_it_was(writing: Program, log: Log) -> None:
    before = log.stored()
    one = writing.get(log.at(1)).json()
    change = writing.send("DELETE", log.at(1) + "?version=1", key=KEYS[0]).json()["change"]
    assert [one.position for one in log.stored()] == [0, 2]
    assert writing.get(log.at(1)).status_code == 404
    assert writing.send("DELETE", log.at(1) + "?version=1", key=KEYS[1]).status_code == 404
    path = f"/lifters/{log.lifter.id}/set-changes"
    listed = writing.get(path).json()["items"]
    assert [(each["id"], each["change"], each["before"]) for each in listed] == [(change, "removed", one)]
    back = writing.send("POST", f"{path}/{change}/put-back", key=KEYS[2])
    assert back.json() == one | {"version": 2}
    assert [each.plain() | {"version": 1} for each in log.stored()] == [each.plain() for each in before]
    with log.store.reading() as db:
        kinds = [one.kind for one in db.scalars(select(AuditEvent).order_by(AuditEvent.id))]
    assert kinds[-2:] == ["set taken out", "set put back"]


def test_a_set_of_which_nothing_is_left_keeps_no_empty_session(writing: Program, log: Log) -> None:
    change = 0
    for position in range(3):
        answer = writing.send("DELETE", f"{log.at(position)}?version=1", key=KEYS[position])
        change = answer.json()["change"]
    with log.store.reading() as db:
        assert db.get(LoggedSession, log.session) is None
    back = f"/lifters/{log.lifter.id}/set-changes/{change}/put-back"
    assert writing.send("POST", back, key=KEYS[3]).json()["load_kg"] == 105.0


def test_a_new_set_in_the_place_of_another_is_not_taken_for_it(writing: Program, log: Log) -> None:
    writing.send("DELETE", log.at(2) + "?version=1", key=KEYS[0])
    sets = {"sets": [{"date": "2026-03-08", "exercise": "Squat", "load": 60, "unit": "kg", "reps": 10}]}
    assert writing.send("POST", log.path, sets, KEYS[1]).json()["added"] == [f"{DAY}-2"]
    # The program that read the old one still believes that version 1 is at this place.
    assert writing.send("PATCH", log.at(2), {"version": 1, "reps": 1}, KEYS[2]).status_code == 409
    assert writing.get(log.at(2)).json()["reps"] == 10


@pytest.mark.parametrize(
    "body",
    [
        {"reps": 5},
        {"version": 1, "load": 100},
        {"version": 1, "unit": "kg"},
        {"version": 1, "reps": None},
        {"version": 1, "exercise": " "},
        {"version": 1, "reps": 0},
        {"version": 1, "date": "2026-03-08"},
        {"version": "1"},
        {"version": 1, "rpe": 0.5},
        {"version": 1, "note": "\x00"},
    ],
)
def test_a_change_that_cannot_be_stores_nothing(writing: Program, log: Log, body: dict[str, Any]) -> None:
    before = log.stored()
    assert writing.send("PATCH", log.at(0), body, KEYS[0]).status_code == 422
    assert log.stored() == before
    assert not log.is_stale()


def test_a_session_is_rated_and_a_rating_is_not_overwritten(writing: Program, log: Log) -> None:
    path = f"/lifters/{log.lifter.id}/sessions"
    [one] = writing.get(path).json()["items"]
    assert (one["id"], one["date"], one["session_rpe"], one["version"]) == (
        log.session,
        "2026-03-08",
        None,
        1,
    )
    rated = {"version": 1, "session_rpe": 7.5, "minutes": 65}
    made = writing.send("PATCH", f"{path}/{log.session}", rated, KEYS[0])
    assert made.json() == one | {"session_rpe": 7.5, "minutes": 65, "version": 2}
    assert writing.send("PATCH", f"{path}/{log.session}", rated, KEYS[0]).json() == made.json()
    late = writing.send("PATCH", f"{path}/{log.session}", rated | {"minutes": 90}, KEYS[1])
    assert (late.status_code, late.json()["current"]) == (409, made.json())
    cleared = {"version": 2, "minutes": None, "note": "short"}
    assert writing.send("PATCH", f"{path}/{log.session}", cleared, KEYS[2]).json()["minutes"] is None
    assert writing.get(f"{path}?from=2026-03-09").json()["items"] == []
    assert log.is_stale()


def test_another_coachs_log_is_not_there(foreign: Program, log: Log) -> None:
    before = log.stored()
    lifter = f"/lifters/{log.lifter.id}"
    own = make_lifter(log.store, coach=foreign.client.coach, name="Bo Elsewhere")
    with log.store.transaction() as db:
        logs.remove_set(db, log.lifter.id, before[2], by="test", at=NOW)
        db.flush()
        change = db.scalars(select(SetRevision)).one().id
    for whose in (lifter, f"/lifters/{own.id}"):
        tried = [
            foreign.get(f"{whose}/sets/{DAY}-0"),
            foreign.send("PATCH", f"{whose}/sets/{DAY}-0", {"version": 1, "reps": 1}, KEYS[0]),
            foreign.send("DELETE", f"{whose}/sets/{DAY}-0?version=1", key=KEYS[1]),
            foreign.send("POST", f"{whose}/set-changes/{change}/put-back", key=KEYS[2]),
            foreign.send("PATCH", f"{whose}/sessions/{log.session}", {"version": 1, "minutes": 5}, KEYS[3]),
        ]
        assert [one.status_code for one in tried] == [404] * len(tried)
    for path in ("set-changes", "sessions"):
        assert foreign.get(f"{lifter}/{path}").status_code == 404
        assert foreign.get(f"/lifters/{own.id}/{path}").json()["items"] == []
    assert log.stored() == before[:2]


def test_a_token_that_reads_changes_no_log(reading: Program, log: Log) -> None:
    before = log.stored()
    for method, path, body in (
        ("PATCH", log.at(0), {"version": 1, "reps": 1}),
        ("DELETE", log.at(0) + "?version=1", None),
        ("POST", f"/lifters/{log.lifter.id}/set-changes/1/put-back", None),
        ("PATCH", f"/lifters/{log.lifter.id}/sessions/{log.session}", {"version": 1, "minutes": 5}),
    ):
        answer = reading.send(method, path, body, KEYS[0])
        assert (answer.status_code, answer.json()["detail"]) == (403, "This token may read but not write.")
    assert log.stored() == before


def test_changes_come_in_pages(writing: Program, log: Log) -> None:
    for number in range(3):
        body = {"version": number + 1, "reps": number + 1}
        assert writing.send("PATCH", log.at(0), body, KEYS[number]).status_code == 200
    path = f"/lifters/{log.lifter.id}/set-changes"
    whole = writing.get(path).json()["items"]
    first = writing.get(f"{path}?limit=2").json()
    rest = writing.get(f"{path}?limit=2&after={first['next']}").json()
    assert (first["items"] + rest["items"], rest["next"]) == (whole, None)
