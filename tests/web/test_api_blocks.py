"""Blocks for programs: written once, looked at, given out, changed, moved; what is refused, and where."""

from __future__ import annotations

import json
import math
from copy import deepcopy
from datetime import date
from typing import Any

import pytest
from sqlalchemy import select

from app.planning import blocks, drafts, library, program_blocks
from app.storage import logs
from app.storage.models import AuditEvent, Baseline, Block, Lifter, PlannedSession
from app.training.plan import apply_all, plan_from_dict, plan_to_dict
from app.training.rules import RULES, RuleError, rule_from_dict, rule_to_dict
from app.web.api import plan_shapes
from app.web.api.document import document
from tests.factories import NOW, TODAY, make_coach, make_lifter
from tests.planning.world import World, add_block, make_world, mark_stale, train
from tests.web.conftest import Client
from tests.web.programs import API, Program

KEY = "first-key-of-a-draft"
START = "2026-03-16"
PLAN: dict[str, Any] = {
    "name": "Spring fives",
    "kind": "strength",
    "weeks": 3,
    "sessions": [
        {
            "name": "Heavy",
            "day": 0,
            "rows": [
                {
                    "id": "r1",
                    "exercise": "Squat",
                    "cells": ["3 x 5 @ RPE 8", "", ""],
                    "rules": [{"rule": "add load", "step": "2.5 kg"}],
                }
            ],
        },
        {
            "name": "Light",
            "day": 3,
            "rows": [
                {
                    "exercise": "Squat",
                    "cells": ["", "", ""],
                    "rules": [{"rule": "day", "kind": "light", "row": "r1", "load_percent": 85}],
                }
            ],
        },
    ],
}
DRAFT = {"start": START, "plan": PLAN}


@pytest.fixture
def world(client: Client) -> World:
    world = make_world(client.store, coach=client.coach)
    train(world, weeks=10)
    mark_stale(world)
    return world


def begun(world: World, writing: Program, key: str = KEY, **changes: Any) -> dict[str, Any]:
    made = writing.send("POST", f"/lifters/{world.lifter.id}/blocks", DRAFT | changes, key)
    assert made.status_code == 201, made.text
    found: dict[str, Any] = made.json()
    return found


def count(world: World, table: Any) -> int:
    with world.store.reading() as db:
        return len(db.scalars(select(table)).all())


def is_stale(world: World) -> bool:
    with world.store.reading() as db:
        return db.get_one(Lifter, world.lifter.id).stale_at is not None


def test_a_draft_is_made_once_and_reaches_nobody(world: World, writing: Program) -> None:
    first = begun(world, writing)
    assert (first["status"], first["start"], first["end"]) == ("draft", START, "2026-04-05")
    assert (first["problems"], first["not_understood"]) == ([], [])
    assert begun(world, writing) == first
    assert count(world, Block) == 1
    other = writing.send("POST", f"/lifters/{world.lifter.id}/blocks", DRAFT | {"start": "2026-03-23"}, KEY)
    assert (other.status_code, "another request" in other.json()["detail"]) == (422, True)
    assert writing.send("POST", f"/lifters/{world.lifter.id}/blocks", DRAFT).status_code == 422
    assert (count(world, Block), count(world, PlannedSession), count(world, Baseline)) == (1, 0, 0)


def test_what_is_read_can_be_sent_as_it_came(world: World, writing: Program) -> None:
    made = begun(world, writing)
    read = writing.get(f"/blocks/{made['id']}/plan").json()
    assert read == made
    again = writing.send("PUT", f"/blocks/{made['id']}/plan", {"version": 1, "plan": read["plan"]})
    assert (again.status_code, again.json()["version"]) == (200, 2)
    assert again.json()["plan"] == read["plan"]
    with world.store.reading() as db:
        assert plan_to_dict(plan_from_dict(db.get_one(Block, made["id"]).plan)) == read["plan"]
        told = db.scalars(select(AuditEvent).where(AuditEvent.kind == "draft changed")).one()
    assert (told.actor, told.lifter_id) == ("the program “writes”", world.lifter.id)


@pytest.mark.parametrize("key", [one.key for one in library.templates()])
def test_every_plan_of_the_library_can_be_sent(world: World, writing: Program, key: str) -> None:
    plan = plan_to_dict(library.template(key).plan)
    made = begun(world, writing, plan=plan)
    assert made["plan"] == plan


def test_one_plan_becomes_another_by_edits_that_can_be_taken_back() -> None:
    plans = [one.plan for one in (*library.templates(), *library.templates("lb"))]
    for before, after in zip(plans, [*plans[7:], *plans[:7]], strict=True):
        became, back = apply_all(before, program_blocks.rewriting(before, after))
        assert became == after
        assert apply_all(became, back)[0] == before


def test_a_draft_is_replaced_only_on_the_version_that_was_read(world: World, writing: Program) -> None:
    made = begun(world, writing)
    path = f"/blocks/{made['id']}/plan"
    shorter = deepcopy(PLAN) | {"weeks": 1, "name": "One week"}
    shorter["sessions"] = [
        PLAN["sessions"][0] | {"rows": [{"exercise": "Bench press", "cells": ["5 x 3 @ 8"]}]}
    ]
    saved = writing.send("PUT", path, {"version": 1, "start": "2026-03-23", "plan": shorter})
    assert saved.status_code == 200, saved.text
    assert (saved.json()["name"], saved.json()["start"], saved.json()["end"], saved.json()["version"]) == (
        "One week", "2026-03-23", "2026-03-29", 2,
    )  # fmt: skip
    repeated = writing.send("PUT", path, {"version": 1, "start": "2026-03-23", "plan": saved.json()["plan"]})
    assert (repeated.status_code, repeated.json()) == (200, saved.json())
    stale = writing.send("PUT", path, {"version": 1, "plan": PLAN})
    assert stale.status_code == 409
    assert stale.headers["content-type"] == "application/problem+json"
    assert stale.json()["current"] == saved.json()
    assert writing.get(path).json() == saved.json()


def test_a_look_ahead_computes_everything_and_stores_nothing(world: World, reading: Program) -> None:
    seen = reading.send("POST", f"/lifters/{world.lifter.id}/blocks/preview", DRAFT)
    assert seen.status_code == 200, seen.text
    found = seen.json()
    heavy = [one for one in found["cells"] if one["session"] == "Heavy"]
    assert [one["date"] for one in heavy] == ["2026-03-16", "2026-03-23", "2026-03-30"]
    loads = [one["sets"][0]["load_kg"] for one in heavy]
    # Three fives at RPE 8 were 109 kg last; then 2.5 kg more each week, as the rule says.
    assert 100 <= loads[0] <= 120
    assert [round(load - loads[0], 3) for load in loads] == [0, 2.5, 5]
    assert [one["source"] for one in heavy] == ["typed", "rule", "rule"]
    assert heavy[0]["reps_in_reserve"]["low"] < 2 < heavy[0]["reps_in_reserve"]["high"] + 1
    assert [one["week"] for one in found["weeks"]] == [1, 2, 3]
    assert found["rows"][0]["exposures"] == 3
    assert count(world, Block) == 0


def test_a_look_ahead_warns_of_what_the_grid_would_warn_of(world: World, reading: Program) -> None:
    plan = deepcopy(PLAN)
    plan["sessions"][0]["rows"][0]["cells"] = ["3 x 5 @ 200 kg", "what", ""]
    found = reading.send(
        "POST", f"/lifters/{world.lifter.id}/blocks/preview", {"start": START, "plan": plan}
    ).json()
    kinds = {(one["kind"], one["week"]) for one in found["warnings"]}
    assert ("not_understood", 2) in kinds
    assert ("leap", 1) in kinds
    assert "Squat, week 2" in found["problems"][0]


def test_a_draft_is_given_out_once_with_its_baseline_frozen(world: World, writing: Program) -> None:
    made = begun(world, writing)
    path = f"/blocks/{made['id']}/assign"
    given = writing.send("POST", path, {"version": 1}, "key-of-an-assignment")
    assert given.status_code == 201, given.text
    block = given.json()
    assert block["status"] == "assigned"
    assert [one["date"] for one in block["sessions"]] == [
        "2026-03-16", "2026-03-19", "2026-03-23", "2026-03-26", "2026-03-30", "2026-04-02",
    ]  # fmt: skip
    # As in the browser: the best five of the recent window, 100 kg and 1 kg more each week.
    assert [(one["exercise"], one["load_kg"], one["reps"]) for one in block["baseline"]] == [
        ("Squat", 109.0, 5)
    ]
    assert is_stale(world)
    again = writing.send("POST", path, {"version": 1}, "key-of-an-assignment")
    assert (again.status_code, again.json()) == (201, block)
    assert writing.send("POST", path, {"version": 1}, "another-key-of-them").status_code == 404
    assert [one["id"] for one in writing.get(f"/lifters/{world.lifter.id}/blocks").json()["items"]] == [
        block["id"]
    ]
    gone = writing.send("POST", f"/lifters/{world.lifter.id}/blocks", DRAFT, KEY)
    assert (gone.status_code, "assigned or withdrawn" in gone.json()["detail"]) == (409, True)
    with world.store.reading() as db:
        told = db.scalars(select(AuditEvent).where(AuditEvent.kind == "block assigned")).one()
    assert told.actor == "the program “writes”"


def test_a_draft_is_given_out_with_its_key_or_not_at_all(
    world: World, writing: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = begun(world, writing)
    path = f"/blocks/{made['id']}/assign"

    def cut_off(*_given: Any, **_named: Any) -> None:
        raise ConnectionError

    with monkeypatch.context() as patched:
        patched.setattr(logs, "remember_write", cut_off)
        assert writing.send("POST", path, {"version": 1}, "key-of-an-assignment").status_code == 500
    assert writing.get(f"/blocks/{made['id']}").json()["status"] == "draft"
    assert count(world, PlannedSession) == 0
    done = writing.send("POST", path, {"version": 1}, "key-of-an-assignment")
    assert done.status_code == 201
    assert writing.send("POST", path, {"version": 1}, "key-of-an-assignment").json() == done.json()
    assert count(world, PlannedSession) == 6


@pytest.mark.parametrize("overtaken_at", ["fresh_state", "_draft"])
def test_a_request_overtaken_by_its_own_repetition_gets_the_same_answer(
    world: World, writing: Program, monkeypatch: pytest.MonkeyPatch, overtaken_at: str
) -> None:
    made = begun(world, writing)
    path, answers = f"/blocks/{made['id']}/assign", []
    module = blocks if overtaken_at == "fresh_state" else drafts
    look = getattr(module, overtaken_at)

    def overtaken(*given: Any, **named: Any) -> Any:
        monkeypatch.setattr(module, overtaken_at, look)
        answers.append(writing.send("POST", path, {"version": 1}, "key-of-an-assignment"))
        return look(*given, **named)

    monkeypatch.setattr(module, overtaken_at, overtaken)
    answers.append(writing.send("POST", path, {"version": 1}, "key-of-an-assignment"))
    assert [one.status_code for one in answers] == [201, 201]
    assert answers[0].json() == answers[1].json()
    assert count(world, PlannedSession) == 6


def test_the_block_is_the_one_the_browser_would_have_given(world: World, writing: Program) -> None:
    plan = plan_shapes.read(plan_shapes.Plan.model_validate(PLAN))
    start = date(2026, 3, 16).toordinal()
    browser = blocks.assign(world.store, world.coach, world.lifter.id, plan, start_day=start, now=NOW)
    second = make_lifter(world.store, coach=world.coach, name="Otto Second")
    twin = World(world.store, world.coach, second, world.squat)
    train(twin, weeks=10)
    mark_stale(twin)
    made = begun(twin, writing)
    given = writing.send(
        "POST", f"/blocks/{made['id']}/assign", {"version": 1}, "key-of-an-assignment"
    ).json()
    other = writing.get(f"/blocks/{browser.id}").json()
    for one in (given, other):
        one["sessions"] = [{k: v for k, v in each.items() if k != "id"} for each in one["sessions"]]
    assert given["sessions"] == other["sessions"]
    assert given["baseline"] == other["baseline"]


def test_what_cannot_be_given_out_says_why_and_stores_nothing(world: World, writing: Program) -> None:
    plan = deepcopy(PLAN)
    plan["sessions"][0]["rows"][0]["cells"][1] = "three fives, heavy"
    made = begun(world, writing, plan=plan)
    assert made["not_understood"][0] | {"expected": ""} == {
        "row": "r1", "week": 2, "text": "three fives, heavy", "expected": "",
    }  # fmt: skip
    refused = writing.send("POST", f"/blocks/{made['id']}/assign", {"version": 1}, "key-of-an-assignment")
    assert (refused.status_code, "week 2" in refused.json()["detail"]) == (409, True)
    [wrong] = refused.json()["errors"]
    assert wrong["where"] == ["plan", "sessions", "0", "rows", "0", "cells", "1"]
    assert wrong["expected"] == made["not_understood"][0]["expected"]
    good = begun(world, writing, key=KEY + "2")
    stale = writing.send("POST", f"/blocks/{good['id']}/assign", {"version": 7}, "key-of-an-assignment")
    assert (stale.status_code, stale.json()["current"]["version"]) == (409, 1)
    assert (
        writing.send("POST", f"/blocks/{good['id']}/assign", {"version": 1}, "key-of-it-all-now").status_code
        == 201
    )
    taken = begun(world, writing, key=KEY + "3")
    overlaps = writing.send("POST", f"/blocks/{taken['id']}/assign", {"version": 1}, "key-of-too-late-a-one")
    assert (overlaps.status_code, "“Spring fives” stands from 2026-03-16" in overlaps.json()["detail"]) == (
        409,
        True,
    )
    assert count(world, PlannedSession) == 6


def test_a_running_block_changes_from_today_on_under_a_new_version(world: World, writing: Program) -> None:
    made = begun(world, writing, start="2026-03-02")  # A week before the day of the test.
    block = writing.send(
        "POST", f"/blocks/{made['id']}/assign", {"version": 1}, "key-of-an-assignment"
    ).json()
    path = f"/blocks/{block['id']}"
    assert block["sessions"][0]["date"] == "2026-03-02"
    plan = deepcopy(PLAN)
    plan["sessions"][0]["rows"][0]["cells"] = ["3 x 5 @ RPE 8", "2 x 3 @ RPE 7", ""]
    body = {"version": block["version"], "plan": plan, "why": "travelling"}
    changed = writing.send("PUT", f"{path}/plan", body)
    assert changed.status_code == 200, changed.text
    after = writing.get(path).json()
    assert after["sessions"][0] == block["sessions"][0]
    texts = {one["date"]: one["exercises"][0]["text"] for one in after["sessions"]}
    assert texts["2026-03-09"] == "2 x 3 @ RPE 7"
    assert after["baseline"] == block["baseline"]
    versions = writing.get(f"{path}/versions").json()["items"]
    assert [(one["version"], one["by"], one["why"]) for one in versions] == [
        (2, "the program “writes”", "travelling"),
        (1, "the program “writes”", "assigned"),
    ]
    first = writing.get(f"{path}/versions/1").json()
    assert first["plan"]["sessions"][0]["rows"][0]["cells"] == ["3 x 5 @ RPE 8", "", ""]
    assert writing.get(f"{path}/versions/9").status_code == 404
    misread = deepcopy(PLAN)
    misread["sessions"][1]["rows"][0]["cells"][2] = "some"
    unclear = writing.send("PUT", f"{path}/plan", {"version": 2, "plan": misread})
    assert (unclear.status_code, [one["where"] for one in unclear.json()["errors"]]) == (
        409,
        [["body", "plan", "sessions", "1", "rows", "0", "cells", "2"]],
    )
    stale = writing.send("PUT", f"{path}/plan", body | {"plan": PLAN})
    assert (stale.status_code, stale.json()["current"]["version"]) == (409, 2)
    moved = writing.send("PUT", f"{path}/plan", {"version": 2, "plan": PLAN, "start": "2026-03-09"})
    assert (moved.status_code, "Move it by weeks" in moved.json()["detail"]) == (409, True)
    assert writing.get(path).json() == after


def test_a_block_is_moved_stretched_ended_early_and_withdrawn(world: World, writing: Program) -> None:
    made = begun(world, writing)
    block = writing.send(
        "POST", f"/blocks/{made['id']}/assign", {"version": 1}, "key-of-an-assignment"
    ).json()
    path = f"/blocks/{block['id']}"
    later = writing.send("POST", f"{path}/move", {"version": 1, "weeks": 1})
    assert (later.status_code, later.json()["block"]["start"]) == (200, "2026-03-23")
    stale = writing.send("POST", f"{path}/move", {"version": 1, "weeks": 1})
    assert (stale.status_code, stale.json()["current"]["version"]) == (409, 2)
    early = writing.send("POST", f"{path}/stretch", {"version": 2, "weeks": -2})
    assert (early.status_code, early.json()["block"]["end"]) == (200, "2026-03-29")
    assert len(writing.get(path).json()["sessions"]) == 2
    cannot = writing.send("POST", f"{path}/stretch", {"version": 3, "weeks": -1})
    assert (cannot.status_code, "one week long already" in cannot.json()["detail"]) == (409, True)
    assert writing.send("DELETE", f"{path}?version=2", None).status_code == 409
    assert writing.send("DELETE", f"{path}?version=3", None).status_code == 204
    assert writing.get(path).status_code == 404
    assert (count(world, Block), count(world, PlannedSession)) == (0, 0)


def test_a_block_that_has_begun_is_not_withdrawn(world: World, writing: Program) -> None:
    made = begun(world, writing, start="2026-03-02")
    block = writing.send(
        "POST", f"/blocks/{made['id']}/assign", {"version": 1}, "key-of-an-assignment"
    ).json()
    answer = writing.send("DELETE", f"/blocks/{block['id']}?version=1", None)
    assert (answer.status_code, "what was done in it stays" in answer.json()["detail"]) == (409, True)


def _put(plan: dict[str, Any], where: tuple[Any, ...], value: Any) -> dict[str, Any]:
    changed = deepcopy(plan)
    at: Any = changed
    for step in where[:-1]:
        at = at[step]
    at[where[-1]] = value
    return changed


ROW = ("sessions", 0, "rows", 0)
LIGHT = ("sessions", 1, "rows", 0)
ITSELF = {"rule": "day", "kind": "light", "row": "r1"}


@pytest.mark.parametrize(
    ("put", "value", "where", "words"),
    [
        (("weeks",), 53, ("weeks",), "less than or equal to 52"),
        (("kind",), "deload", ("kind",), "'volume', 'strength'"),
        (("colour",), "red", ("colour",), "not permitted"),
        ((*ROW, "cells"), ["3 x 5"], (*ROW, "cells"), "1 cells, and the plan has 3 weeks"),
        ((*ROW, "cells", 2), 5, (*ROW, "cells", 2), "valid string"),
        ((*ROW, "id"), "row 1", (*ROW, "id"), "match pattern"),
        ((*ROW, "rules", 0, "step"), "five", (*ROW, "rules", 0, "add load", "step"), "match pattern"),
        ((*ROW, "rules", 0, "step"), "90 %", (*ROW, "rules", 0), "step"),
        ((*ROW, "rules", 0), {"rule": "pray"}, (*ROW, "rules", 0), "expected tags"),
        ((*LIGHT, "id"), "r1", (*LIGHT, "id"), "stands at sessions/0/rows/0"),
        ((*LIGHT, "rules", 0, "row"), "r77", (*LIGHT, "rules", 0, "row"), "in the plan"),
        ((*ROW, "rules", 0), ITSELF, (*ROW, "rules", 0, "row"), "follows itself"),
        (("living",), {"tolerance": 9}, ("living", "tolerance"), "from 0.5 to 4"),
        (("most_step",), "-5 kg", ("most_step",), "more than nothing"),
        (("name",), "Spring\x85", ("name",), "can be printed"),
        (("sessions", 0, "name"), "Heavy\ue000", ("sessions", 0, "name"), "can be printed"),
        ((*ROW, "exercise"), "Squat\ue000", (*ROW, "exercise"), "can be printed"),
        (("sessions", 1, "day"), 7, ("sessions", 1, "day"), "less than or equal to 6"),
    ],
)  # fmt: skip
def test_a_mistake_is_named_by_its_place_in_the_document(
    world: World, writing: Program, put: tuple[Any, ...], value: Any, where: tuple[Any, ...], words: str
) -> None:
    body = {"start": START, "plan": _put(PLAN, put, value)}
    answer = writing.send("POST", f"/lifters/{world.lifter.id}/blocks", body, KEY)
    assert answer.status_code == 422
    errors = answer.json()["errors"]
    assert ["body", "plan", *map(str, where)] in [one["where"] for one in errors], errors
    assert any(words in one["expected"] for one in errors), errors
    assert count(world, Block) == 0


def test_a_plan_that_would_hold_up_others_is_refused(world: World, reading: Program) -> None:
    rows = [{"exercise": f"Squat {n}", "cells": [""] * 52} for n in range(116)]
    plan = PLAN | {"weeks": 52, "sessions": [{"name": "All", "day": 0, "rows": rows}]}
    answer = reading.send(
        "POST", f"/lifters/{world.lifter.id}/blocks/preview", {"start": START, "plan": plan}
    )
    assert answer.status_code == 422
    assert answer.json()["errors"] == [
        {"where": ["body", "plan", "sessions"], "expected": "at most 6,000 cells, rows times weeks"}
    ]


@pytest.mark.parametrize("start", ["2024-03-01", "2031-01-01", "16.3.2026", None])
def test_a_first_day_that_cannot_be_is_refused(world: World, writing: Program, start: Any) -> None:
    path = f"/lifters/{world.lifter.id}/blocks"
    assert writing.send("POST", path, DRAFT | {"start": start}, KEY).status_code == 422
    assert writing.send("POST", f"{path}/preview", DRAFT | {"start": start}).status_code == 422
    assert count(world, Block) == 0


def every(block: int, lifter: int) -> list[tuple[str, str, Any, str | None]]:
    """Each call that writes about a block."""
    return [
        ("POST", f"/lifters/{lifter}/blocks", DRAFT, KEY + "-of-another"),
        ("PUT", f"/blocks/{block}/plan", {"version": 1, "plan": PLAN | {"name": "Taken"}}, None),
        ("POST", f"/blocks/{block}/assign", {"version": 1}, "key-of-a-stranger"),
        ("POST", f"/blocks/{block}/move", {"version": 1, "weeks": 1}, None),
        ("POST", f"/blocks/{block}/stretch", {"version": 1, "weeks": 1}, None),
        ("DELETE", f"/blocks/{block}?version=1", None, None),
    ]


def test_another_coach_finds_and_changes_nothing(world: World, writing: Program, foreign: Program) -> None:
    made = begun(world, writing)
    for path in ("", "/plan", "/preview", "/versions", "/versions/1"):
        assert foreign.get(f"/blocks/{made['id']}{path}").status_code == 404, path
    for method, path, body, key in every(made["id"], world.lifter.id):
        assert foreign.send(method, path, body, key).status_code == 404, path
    looked = foreign.send("POST", f"/lifters/{world.lifter.id}/blocks/preview", DRAFT)
    assert looked.status_code == 404
    assert writing.get(f"/blocks/{made['id']}/plan").json() == made
    assert count(world, Block) == 1


def test_a_key_of_another_coach_opens_nothing(world: World, writing: Program, foreign: Program) -> None:
    made = begun(world, writing)
    writing.send("POST", f"/blocks/{made['id']}/assign", {"version": 1}, "key-of-an-assignment")
    for version in (1, 2):  # The request that the key came with, and another one.
        body = {"version": version}
        answer = foreign.send("POST", f"/blocks/{made['id']}/assign", body, "key-of-an-assignment")
        assert answer.status_code == 404


def test_a_reading_token_writes_no_block(world: World, writing: Program, reading: Program) -> None:
    made = begun(world, writing)
    for method, path, body, key in every(made["id"], world.lifter.id):
        answer = reading.send(method, path, body, key)
        assert (answer.status_code, answer.json()["detail"]) == (403, "This token may read but not write."), (
            path
        )
    assert writing.get(f"/blocks/{made['id']}/plan").json() == made
    assert count(world, Block) == 1


def test_what_the_document_promises_of_rules_is_what_is_understood() -> None:
    """Each number of each rule is understood at the bounds of its shape, and refused beyond them."""
    schemas = document()["components"]["schemas"]
    named = {
        shape["properties"]["rule"]["const"]: shape
        for shape in schemas.values()
        if "const" in shape.get("properties", {}).get("rule", {})
    }
    assert named.keys() == RULES.keys()
    steps = {"add load": {"step": "2.5 kg"}, "wave": {"weeks": 3, "step": "5 kg", "between": "2.5 kg"}}
    usual = steps | {
        "reps then load": {"low": 8, "high": 10, "step": "2.5 kg"},
        "day": {"kind": "light", "row": "r1"},
        "every nth week": {"weeks": 2},
        "emphases": {"parts": [{"kind": "volume", "weeks": 3, "sets": 4, "reps": 8, "rir": 2}]},
    }
    tried = 0
    for name, shape in named.items():
        whole = {"rule": name} | usual.get(name, {})
        assert set(rule_to_dict(rule_from_dict(whole))) == set(shape["properties"])
        for field, kind in shape["properties"].items():
            ways = kind.get("anyOf", [kind])
            numbers = [one for one in ways if "minimum" in one]
            for one in numbers:
                for value in (one["minimum"], one["maximum"]):
                    value = math.ceil(value)
                    together = {"low": {"high": 100}, "high": {"low": 1}}.get(field, {})
                    assert rule_from_dict(whole | together | {field: value}), (name, field)
                    tried += 1
                for value in (int(one["minimum"]) - 200, int(one["maximum"]) + 200):
                    with pytest.raises(RuleError):
                        rule_from_dict(whole | {field: value})
    assert tried > 40


def test_a_plan_is_described_by_one_shape_both_ways() -> None:
    found = document()["components"]["schemas"]
    assert {"$ref": "#/components/schemas/Plan"} in found["BlockPlan"]["properties"]["plan"]["anyOf"]
    assert found["DraftIn"]["properties"]["plan"] == {"$ref": "#/components/schemas/Plan"}
    assert not [name for name in found if name.endswith(("-Input", "-Output"))]


def test_the_page_shows_how_a_block_is_made(nobody: Client) -> None:
    """The example on the page is a body that is taken, word for word."""
    make_coach(nobody.store)
    text = nobody.get(f"{API}/").text
    assert "/assign" in text
    shown = document()["components"]["schemas"]["DraftIn"]["examples"][0]
    assert plan_shapes.DraftIn.model_validate_json(json.dumps(shown))


def test_a_block_brought_in_without_a_plan_is_read_and_not_written(world: World, writing: Program) -> None:
    number = add_block(world, TODAY - 20)
    path = f"/blocks/{number}"
    assert writing.get(f"{path}/plan").json()["plan"] is None
    assert writing.get(f"{path}/preview").status_code == 409
    assert writing.send("PUT", f"{path}/plan", {"version": 1, "plan": PLAN}).status_code == 409
    for version in (1, 2):
        answer = writing.send("POST", f"{path}/stretch", {"version": version, "weeks": 1})
        assert (answer.status_code, "without a plan" in answer.json()["detail"]) == (409, True)
    assert writing.send("DELETE", f"{path}?version=2", None).status_code == 409


def test_a_draft_begins_from_a_kept_plan(world: World, writing: Program, foreign: Program) -> None:
    kept = drafts.keep_template(world.store, world.coach, library.templates()[1].plan, now=NOW)
    listed = writing.get("/templates").json()["items"]
    found = writing.get(f"/templates/{kept.id}").json()
    assert listed == [{key: value for key, value in found.items() if key != "plan"}]
    assert begun(world, writing, plan=found["plan"])["plan"] == found["plan"]
    assert foreign.get("/templates").json()["items"] == []
    assert foreign.get(f"/templates/{kept.id}").status_code == 404


def test_today_is_a_day_a_block_can_start(world: World, writing: Program) -> None:
    assert begun(world, writing, start=date.fromordinal(TODAY).isoformat())["start"] == "2026-03-09"
