"""The desk through the interface for programs: lifters, flags, decisions, words, and sets that look wrong."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import func, select

from app.planning import blocks as planning_blocks
from app.planning import decisions, library, lifters, worker
from app.storage import logs
from app.storage.models import AuditEvent, Decision, Flag, Message, PlanChange
from tests.factories import NOW, TODAY, log_sets
from tests.planning.world import World, check_in, make_world, report_pain, train
from tests.web.conftest import Client
from tests.web.programs import Program

BY = "the program “writes”"
KEYS = [f"key-of-a-desk-test-{number}" for number in range(9)]


@pytest.fixture
def world(client: Client) -> World:
    """A lifter who stands still, in a block that runs."""
    made = make_world(client.store, coach=client.coach)
    train(made, weeks=14, gain_kg=0.0, until=TODAY - 5)
    plan = library.templates()[0].plan
    planning_blocks.assign(client.store, client.coach, made.lifter.id, plan, start_day=TODAY - 7, now=NOW)
    worker.run_pending(client.store, NOW)
    return made


def count(world: World, table: Any) -> int:
    with world.store.reading() as db:
        return db.scalar(select(func.count()).select_from(table)) or 0


def audited(world: World, kind: str) -> list[str]:
    with world.store.reading() as db:
        return list(db.scalars(select(AuditEvent.actor).where(AuditEvent.kind == kind)))


# Lifters --------------------------------------------------------------------------------------------


def test_what_a_coach_sets_about_a_lifter_can_be_set(writing: Program, world: World) -> None:
    path = f"/lifters/{world.lifter.id}"
    before = writing.get(path).json()
    settings = {"recent_window_weeks": 6, "rir_floor": 1.0, "sensitivity": 1.4, "stress_measure": "hard_sets"}
    kit = {"bar_kg": 15.0, "collar_kg": 2.5, "plates": [{"mass": 10, "pairs": 2}, {"mass": 25, "pairs": 4}]}
    made = writing.send("PATCH", path, {"name": "Vilde  Aase", "goal_day": "2026-06-20"} | settings | kit)
    assert made.status_code == 200, made.text
    plates = [{"mass_kg": 25.0, "pairs": 4}, {"mass_kg": 10.0, "pairs": 2}]
    now = {"name": "Vilde Aase", "goal_day": "2026-06-20", "plates": plates}
    assert made.json() == before | settings | {"bar_kg": 15.0, "collar_kg": 2.5} | now
    assert writing.send("PATCH", path, {"goal_day": None}).json()["goal_day"] is None
    assert writing.send("PATCH", path, {"status": "archived"}).json()["status"] == "archived"
    assert set(audited(world, "lifter changed")) == {BY}
    for bad in ({"recent_window_weeks": 3}, {"sensitivity": 9}, {"plates": []}, {"stress_measure": "x"}):
        assert writing.send("PATCH", path, bad).status_code == 422, bad


# Flags and decisions --------------------------------------------------------------------------------


def flag_of(program: Program, world: World) -> dict[str, Any]:
    found = program.get(f"/lifters/{world.lifter.id}/flags").json()["items"]
    return next(one for one in found if one["kind"] in ("stall", "regression") or one["exercise"] == "Squat")


def test_a_decision_is_looked_at_made_once_and_taken_back(writing: Program, world: World) -> None:
    flag = flag_of(writing, world)
    about = f"/lifters/{world.lifter.id}/flags/{flag['id']}"
    assert writing.get(about).json() == flag
    before, events = count(world, Decision), count(world, AuditEvent)
    choice = {"action": "extend_block", "weeks": 2}
    seen = writing.send("POST", f"{about}/proposals", choice)
    assert seen.status_code == 200, seen.text
    assert seen.json()["changes"][0]["before"] == "nothing"
    assert (count(world, Decision), count(world, AuditEvent)) == (before, events)
    body = choice | {"seen_version": seen.json()["block_version"], "note": "a good run"}
    made = writing.send("POST", f"{about}/decisions", body, KEYS[0])
    assert made.status_code == 201, made.text
    assert (made.json()["note"], made.json()["exercise"]) == ("a good run", flag["exercise"])
    assert writing.send("POST", f"{about}/decisions", body, KEYS[0]).json() == made.json()
    assert count(world, Decision) == before + 1
    assert writing.send("POST", f"{about}/decisions", body | {"note": "x"}, KEYS[0]).status_code == 422
    # The plan is another by now than the one the proposal was about.
    late = writing.send("POST", f"{about}/decisions", body, KEYS[1])
    assert (late.status_code, "changed meanwhile" in late.json()["detail"]) == (409, True)
    assert audited(world, "decision") == [BY]
    path = f"/decisions/{made.json()['id']}"
    assert writing.get(path).json() == made.json()
    back = writing.get(f"{path}/take-back").json()
    assert (back["refusal"], back["changes"][0]["after"]) == ("", "nothing")
    other = writing.send("POST", f"{path}/take-back", {"seen": "0" * 16})
    assert (other.status_code, other.json()["current"]) == (409, back)
    taken = writing.send("POST", f"{path}/take-back", {"seen": back["seen"]})
    assert (taken.status_code, taken.json()["undone"]) == (200, True)
    again = writing.send("POST", f"{path}/take-back", {"seen": back["seen"]})
    assert again.status_code == 409


def test_a_refused_decision_may_be_sent_again_under_its_key(writing: Program, world: World) -> None:
    about = f"/lifters/{world.lifter.id}/flags/{flag_of(writing, world)['id']}/decisions"
    for _ in range(2):
        answer = writing.send("POST", about, {"action": "write"}, KEYS[0])
        assert (answer.status_code, "Write a message" in answer.json()["detail"]) == (409, True)


def test_a_decision_is_kept_with_its_key_or_not_at_all(
    writing: Program, world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    about = f"/lifters/{world.lifter.id}/flags/{flag_of(writing, world)['id']}/decisions"
    body = {"action": "step_back"}

    def cut_off(*_given: Any, **_named: Any) -> None:
        raise ConnectionError

    before = count(world, PlanChange)
    with monkeypatch.context() as patched:
        patched.setattr(logs, "remember_write", cut_off)
        assert writing.send("POST", about, body, KEYS[0]).status_code == 500
    assert (count(world, Decision), count(world, PlanChange)) == (0, before)
    made = writing.send("POST", about, body, KEYS[0])
    assert made.status_code == 201, made.text
    assert writing.send("POST", about, body, KEYS[0]).json() == made.json()
    assert (count(world, Decision), count(world, PlanChange)) == (1, before + 1)


@pytest.mark.parametrize("body", [{"action": "hold_course"}, {"action": "extend_block"}])
def test_a_decision_overtaken_by_its_own_repetition_gets_the_same_answer(
    writing: Program, world: World, monkeypatch: pytest.MonkeyPatch, body: dict[str, Any]
) -> None:
    about = f"/lifters/{world.lifter.id}/flags/{flag_of(writing, world)['id']}/decisions"
    propose, answers = decisions.propose, []

    def overtaken(*given: Any, **named: Any) -> Any:
        monkeypatch.setattr(decisions, "propose", propose)
        found = propose(*given, **named)
        answers.append(writing.send("POST", about, body, KEYS[0]))
        return found

    monkeypatch.setattr(decisions, "propose", overtaken)
    answers.append(writing.send("POST", about, body, KEYS[0]))
    assert [one.status_code for one in answers] == [201, 201]
    assert answers[0].json() == answers[1].json()
    assert count(world, Decision) == 1


def test_a_decision_whose_end_nobody_saw_is_not_made_twice(
    writing: Program, world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    about = f"/lifters/{world.lifter.id}/flags/{flag_of(writing, world)['id']}/decisions"
    body = {"action": "hold_course"}
    real = decisions.decide

    def cut_off(*given: Any, **named: Any) -> Any:
        real(*given, **named)
        raise ConnectionError

    with monkeypatch.context() as patched:
        patched.setattr(decisions, "decide", cut_off)
        assert writing.send("POST", about, body, KEYS[0]).status_code == 500
    assert writing.send("POST", about, body, KEYS[0]).status_code == 201
    assert count(world, Decision) == 1


def test_a_flag_is_snoozed_dismissed_and_opened_by_the_program(writing: Program, world: World) -> None:
    flag = flag_of(writing, world)
    about = f"/lifters/{world.lifter.id}/flags/{flag['id']}"
    for state, more in (
        ("snoozed", {"until": "2026-03-20"}),
        ("dismissed", {"reason": "known"}),
        ("open", {}),
    ):
        assert writing.send("POST", f"{about}/answer", {"state": state} | more).status_code == 204
        assert writing.get(about).json()["state"] == state
        assert audited(world, f"flag {state}") == [BY]


# Words ----------------------------------------------------------------------------------------------


def test_a_message_goes_out_once(writing: Program, world: World) -> None:
    path = f"/lifters/{world.lifter.id}/messages"
    made = writing.send("POST", path, {"body": " Well done. "}, KEYS[0])
    assert (made.status_code, made.json()["body"], made.json()["author"]) == (201, "Well done.", "coach")
    assert writing.send("POST", path, {"body": " Well done. "}, KEYS[0]).json() == made.json()
    assert writing.send("POST", path, {"body": "Other."}, KEYS[0]).status_code == 422
    for bad in ({"body": "  "}, {"body": ""}, {"body": "x" * 4001}, {}):
        assert writing.send("POST", path, bad, KEYS[1]).status_code == 422, bad
    assert writing.send("POST", path, {"body": "No key."}).status_code == 422
    assert writing.get(path).json() == {"items": [made.json()], "next": None}
    assert writing.get("/messages").json() == writing.get(path).json()
    assert audited(world, "message sent") == [BY]


def test_what_lifters_wrote_is_read_and_drafts_are_not_shown(writing: Program, world: World) -> None:
    with world.store.transaction() as db:
        usual = {"lifter_id": world.lifter.id, "about": {}, "created_at": NOW, "read_at": None}
        db.add(Message(author="lifter", body="My knee is fine.", sent_at=NOW, client_id="m" * 20, **usual))
        db.add(Message(author="coach", body="not sent", sent_at=None, client_id=None, **usual))
    path = f"/lifters/{world.lifter.id}/messages"
    [one] = writing.get("/messages").json()["items"]
    assert (one["body"], one["author"], one["read_at"]) == ("My knee is fine.", "lifter", None)
    assert writing.send("POST", f"{path}/read").status_code == 204
    assert writing.get(path).json()["items"][0]["read_at"] is not None


def test_check_ins_and_pain_are_read_and_pain_is_resolved(writing: Program, world: World) -> None:
    check_in(world, TODAY - 2, 3)
    report = report_pain(world, TODAY - 1, 6)
    path = f"/lifters/{world.lifter.id}"
    [answer] = writing.get(f"{path}/check-ins").json()["items"]
    assert (answer["date"], answer["sleep"], answer["body_mass_kg"]) == ("2026-03-07", 3, None)
    assert writing.get(f"{path}/check-ins?from=2026-03-08").json()["items"] == []
    [pain] = writing.get(f"{path}/pain?resolved=false").json()["items"]
    assert (pain["place"], pain["severity"], pain["exercise"]) == ("knee", 6, "Squat")
    done = writing.send("POST", f"{path}/pain/{report}/resolve", {"note": "seen by a physiotherapist"})
    assert done.status_code == 204
    assert writing.get(f"{path}/pain?resolved=false").json()["items"] == []
    assert writing.get(f"{path}/pain").json()["items"][0]["resolved_note"] == "seen by a physiotherapist"
    assert audited(world, "pain resolved") == [BY]


# Odd sets -------------------------------------------------------------------------------------------


def test_odd_sets_are_decided_about(writing: Program, world: World) -> None:
    log_sets(world.store, world.lifter, world.squat, TODAY - 1, [(1000, 5, 8)])
    with world.store.transaction() as db:
        lifters.lifters.mark_stale(db, [world.lifter.id], NOW)
    worker.run_pending(world.store, NOW)
    path = f"/lifters/{world.lifter.id}/odd-sets"
    [odd] = writing.get(path).json()["items"]
    assert (odd["set"]["load_kg"], odd["set"]["held_out"]) == (1000.0, True)
    pick = {"id": odd["set"]["id"], "version": odd["set"]["version"]}
    for bad, status in (
        ({"how": "right", "sets": [pick | {"version": 9}]}, 409),
        ({"how": "right", "sets": [pick, pick]}, 422),
        ({"how": "right", "sets": [pick | {"id": f"{TODAY - 5}-0"}]}, 409),
        ({"how": "burn", "sets": [pick]}, 422),
    ):
        assert writing.send("POST", path, bad).status_code == status, bad
    made = writing.send("POST", path, {"how": "out", "sets": [pick]})
    assert (made.status_code, made.json()) == (200, {"decided": 1})
    assert writing.get(path).json()["items"] == []
    assert writing.get(f"/lifters/{world.lifter.id}/sets/{pick['id']}").status_code == 404
    assert audited(world, "odd sets decided") == [BY]


# Who may --------------------------------------------------------------------------------------------


def _writes(world: World, flag: int, decision: int, report: int) -> list[tuple[str, str, Any]]:
    whose = f"/lifters/{world.lifter.id}"
    return [
        ("PATCH", whose, {"status": "archived"}),
        ("POST", f"{whose}/flags/{flag}/answer", {"state": "dismissed", "reason": "x"}),
        ("POST", f"{whose}/flags/{flag}/decisions", {"action": "hold_course"}),
        ("POST", f"/decisions/{decision}/take-back", {"seen": "0" * 16}),
        ("POST", f"{whose}/messages", {"body": "x"}),
        ("POST", f"{whose}/messages/read", None),
        ("POST", f"{whose}/pain/{report}/resolve", {}),
        ("POST", f"{whose}/odd-sets", {"how": "out", "sets": [{"id": f"{TODAY - 5}-0", "version": 1}]}),
    ]


def test_another_coachs_desk_is_not_there(writing: Program, foreign: Program, world: World) -> None:
    flag = flag_of(writing, world)["id"]
    report = report_pain(world, TODAY - 1, 6)
    about = f"/lifters/{world.lifter.id}/flags/{flag}"
    decision = writing.send("POST", f"{about}/decisions", {"action": "hold_course"}).json()["id"]
    writing.send("POST", f"/lifters/{world.lifter.id}/messages", {"body": "For you alone."}, KEYS[1])
    before = count(world, AuditEvent)
    for method, path, body in _writes(world, flag, decision, report):
        answer = foreign.send(method, path, body, KEYS[0])
        assert answer.status_code == 404, (path, answer.text)
    whose = f"/lifters/{world.lifter.id}"
    for path in (
        *(f"{whose}/{one}" for one in ("messages", "check-ins", "pain", "odd-sets")),
        about,
        f"/decisions/{decision}",
        f"/decisions/{decision}/take-back",
    ):
        assert foreign.get(path).status_code == 404, path
    assert foreign.send("POST", f"{about}/proposals", {"action": "hold_course"}).status_code == 404
    for path in ("/lifters", "/exercises", "/messages", "/flags?cleared=true", "/decisions"):
        assert writing.get(path).json()["items"], path
        assert foreign.get(path).json()["items"] == [], path
    assert count(world, AuditEvent) == before


def test_a_token_that_reads_decides_and_writes_nothing(
    reading: Program, client: Client, world: World
) -> None:
    with world.store.reading() as db:
        flag = db.scalars(select(Flag)).first()
    assert flag is not None
    report = report_pain(world, TODAY - 1, 6)
    before = count(world, AuditEvent)
    for method, path, body in _writes(world, flag.id, 1, report):
        answer = reading.send(method, path, body, KEYS[0])
        assert answer.status_code == 403, (path, answer.text)
    assert count(world, AuditEvent) == before
    looked = reading.send(
        "POST", f"/lifters/{world.lifter.id}/flags/{flag.id}/proposals", {"action": "hold_course"}
    )
    assert looked.status_code == 200
