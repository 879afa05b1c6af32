"""The grid over HTTP: a draft from a template, acts with their undo, conflicts, assignment."""

from __future__ import annotations

import json
import re
from typing import Any

import httpx
import pytest

from app.planning import blocks, drafts
from app.storage.models import Block
from app.training.plan import plan_from_dict
from tests.factories import NOW, TODAY, make_lifter
from tests.planning.test_blocks import a_plan
from tests.web.conftest import Client


@pytest.fixture
def draft(client: Client) -> Block:
    lifter = make_lifter(client.store, coach=client.coach)
    return drafts.start(client.store, client.coach, lifter.id, a_plan(), start_day=TODAY, now=NOW)


def act(client: Client, block: Block, version: int = 1, **what: Any) -> httpx.Response:
    return client.post(
        f"/blocks/{block.id}/do", json={"act": what, "version": version, "pending": what.pop("pending", [])}
    )


def row_of(block: Block) -> str:
    return plan_from_dict(block.plan).lines[0][1].id


def test_a_block_starts_from_a_template_and_reaches_the_calendar(client: Client) -> None:
    lifter = make_lifter(client.store, coach=client.coach)
    choose = client.get(f"/lifters/{lifter.id}/blocks/new")
    assert "Volume, sets added weekly" in choose.text
    begun = client.post(
        f"/lifters/{lifter.id}/blocks", data={"source": "library:volume-four-weeks", "start": "2026-03-16"}
    )
    assert begun.status_code == 303
    grid = client.get(begun.headers["location"])
    assert "3 x 8 leaving 3" in grid.text
    assigned = client.post(begun.headers["location"] + "/assign", data={"version": "1"})
    assert (assigned.status_code, assigned.headers["location"]) == (303, f"/lifters/{lifter.id}")
    assert "Volume, sets added weekly" in client.get("/blocks").text


@pytest.mark.parametrize(
    ("answers", "words"),
    [
        ({"source": "library:volume-four-weeks", "start": "next week"}, "Enter the first day as a date"),
        ({"source": "library:none", "start": "2026-03-16"}, "There is no such template"),
        ({"source": "anything", "start": "2026-03-16"}, "Choose what the block starts from"),
    ],
)
def test_a_start_that_cannot_be_is_explained(client: Client, answers: dict[str, str], words: str) -> None:
    lifter = make_lifter(client.store, coach=client.coach)
    answer = client.post(f"/lifters/{lifter.id}/blocks", data=answers)
    assert answer.status_code == 422
    assert words in answer.text


def test_typing_is_kept_shown_canonically_and_can_be_undone(client: Client, draft: Block) -> None:
    done = act(client, draft, do="set", row=row_of(draft), week=0, text="4x6@7").json()
    assert 'value="4 x 6 @ RPE 7"' in done["grid"]
    assert done["version"] == 2
    back = act(client, draft, 2, do="edits", edits=done["inverse"], label="typing").json()
    assert 'value="4 x 6 @ RPE 7"' not in back["grid"]
    assert 'value="3 x 5 @ RPE 8"' in client.get(f"/blocks/{draft.id}").text


def test_text_that_is_not_understood_stays_and_says_what_is(client: Client, draft: Block) -> None:
    done = act(client, draft, do="set", row=row_of(draft), week=1, text="five heavy ones").json()
    assert 'value="five heavy ones"' in done["grid"]
    assert 'aria-invalid="true"' in done["grid"]
    assert "Before it can be assigned" in done["panel"]
    refused = client.post(f"/blocks/{draft.id}/assign", data={"version": "2"})
    assert refused.status_code == 422
    assert "is not understood" in refused.text


def test_a_table_from_a_spreadsheet_lands_in_the_grid(client: Client, draft: Block) -> None:
    done = act(client, draft, do="paste", line=0, week=1, text="3 x 4 @ RPE 8\t3 x 3 @ RPE 8\n").json()
    for text in ("3 x 4 @ RPE 8", "3 x 3 @ RPE 8"):
        assert f'value="{text}"' in done["grid"]


def test_the_second_tab_is_told_and_overwrites_nothing(client: Client, draft: Block) -> None:
    act(client, draft, do="set", row=row_of(draft), week=0, text="1 x 1 @ RPE 9")
    late = act(client, draft, 1, do="set", row=row_of(draft), week=0, text="9 x 9 @ RPE 9")
    assert late.status_code == 409
    assert "Somebody else saved this block" in late.json()["refused"]
    assert 'value="1 x 1 @ RPE 9"' in client.get(f"/blocks/{draft.id}").text


@pytest.mark.parametrize(
    "body",
    [
        b"no json",
        b"[]",
        b'{"act": 1, "version": 1}',
        b'{"act": {}, "version": "1"}',
        b'{"act": {"do": "set"}, "version": true}',
    ],
)
def test_a_request_that_is_no_act_is_refused(client: Client, draft: Block, body: bytes) -> None:
    answer = client.post(f"/blocks/{draft.id}/do", content=body)
    assert answer.status_code == 400
    assert "not understood" in answer.json()["refused"]


@pytest.mark.parametrize(
    "what",
    [
        {"do": "nothing known"},
        {"do": "set", "row": "r99", "week": 0, "text": "x"},
        {"do": "set", "row": 5, "week": 0, "text": "x"},
        {"do": "set", "row": "r2", "week": 2**63, "text": "x"},
        {"do": "clear", "top": 0, "left": 0, "bottom": 99, "right": 99},
        {"do": "paste", "line": 0, "week": -2, "text": "x"},
        {"do": "rules", "row": "r2", "rules": [{"rule": "magic"}]},
        {"do": "rules", "row": "r2", "rules": [{"rule": "add load", "step": "a lot"}]},
        {"do": "edits", "edits": [{"edit": "set cells", "cells": "no"}]},
        {"do": "step", "most": "a lot"},
        {"do": "living", "missed": "cry", "effort": "keep"},
        {"do": "delete session", "session": "s404"},
    ],
)
def test_an_act_that_cannot_be_done_is_a_sentence(client: Client, draft: Block, what: dict[str, Any]) -> None:
    answer = act(client, draft, **what)
    assert answer.status_code == 422
    assert answer.json()["refused"].endswith((".", "”"))
    assert act(client, draft, do="fill right", top=0, left=0, bottom=0, right=0).status_code == 200


def test_every_act_of_the_grid_can_be_undone_by_its_inverse(client: Client, draft: Block) -> None:
    row, session = row_of(draft), plan_from_dict(draft.plan).sessions[0].id
    acts: list[dict[str, Any]] = [
        {"do": "add row", "session": session, "exercise": "Front squat"},
        {"do": "rename row", "row": row, "exercise": "Pause squat"},
        {"do": "note row", "row": row, "note": "belt from the second set"},
        {"do": "duplicate row", "row": row},
        {"do": "move row", "row": row, "by": 1},
        {"do": "add session"},
        {"do": "set session", "session": session, "name": "Monday", "day": 3},
        {"do": "duplicate session", "session": session},
        {"do": "move session", "session": session, "by": 1},
        {"do": "duplicate week", "week": 0},
        {"do": "move week", "week": 0, "by": 1},
        {"do": "delete week", "week": 1},
        {"do": "head", "name": "Renamed", "kind": "peak", "purpose": "Why"},
        {"do": "rules", "row": row, "rules": [{"rule": "add load", "step": "2.5 kg"}]},
        {"do": "step", "most": "2.5 %"},
        {"do": "living", "missed": "repeat", "effort": "adjust"},
        {"do": "swap", "old": "Squat", "new": "Hack squat"},
        {"do": "clear", "top": 0, "left": 0, "bottom": 0, "right": 1},
    ]
    version, steps = 1, []
    before = drafts_plan(client, draft)
    for one in acts:
        done = act(client, draft, version, **one)
        assert done.status_code == 200, (one, done.text)
        version = done.json()["version"]
        steps.append(done.json()["inverse"])
    for step in reversed(steps):
        if step:
            done = act(client, draft, version, do="edits", edits=step)
            assert done.status_code == 200, done.text
            version = done.json()["version"]
    assert drafts_plan(client, draft) == before


def drafts_plan(client: Client, draft: Block) -> object:
    return blocks.view(client.store, client.coach, draft.id).plan


def test_changes_to_a_running_block_wait_until_they_are_applied(client: Client) -> None:
    lifter = make_lifter(client.store, coach=client.coach)
    block = blocks.assign(client.store, client.coach, lifter.id, a_plan(), start_day=TODAY, now=NOW)
    done = act(client, block, do="set", row=row_of(block), week=2, text="2 x 5 leaving 4").json()
    assert "What would change" in done["panel"]
    assert [one.exercises[0][1] for one in blocks.view(client.store, client.coach, block.id).days] == [
        "3 x 5 @ RPE 8"
    ] * 4
    applied = client.post(
        f"/blocks/{block.id}/apply",
        data={"version": "1", "pending": json.dumps(done["pending"]), "why": "travel week"},
    )
    assert applied.status_code == 303
    page = client.get(f"/blocks/{block.id}")
    assert 'value="2 x 5 leaving 4"' in page.text
    assert "travel week" in page.text


def test_a_running_block_does_not_grow_into_the_next(client: Client) -> None:
    lifter = make_lifter(client.store, coach=client.coach)
    block = blocks.assign(client.store, client.coach, lifter.id, a_plan(), start_day=TODAY, now=NOW)
    after = a_plan(name="After")
    blocks.assign(client.store, client.coach, lifter.id, after, start_day=TODAY + 28, now=NOW)
    done = act(client, block, do="duplicate week", week=3).json()
    pending = json.dumps(done["pending"])
    refused = client.post(f"/blocks/{block.id}/apply", data={"version": "1", "pending": pending})
    assert refused.status_code == 422
    assert "The block would run into “After”. Make it longer on the season" in refused.text


def test_another_coach_gets_nothing_of_a_block(client: Client, other_client: Client, draft: Block) -> None:
    for method, path in [
        ("GET", ""),
        ("POST", "/assign"),
        ("POST", "/drop"),
        ("POST", "/template"),
        ("POST", "/start"),
        ("POST", "/apply"),
    ]:
        answer = other_client.request(
            method, f"/blocks/{draft.id}{path}", **({"data": {"version": "1"}} if method == "POST" else {})
        )
        assert answer.status_code in (404, 422), (path, answer.status_code)
        assert "Fives" not in answer.text
    assert act(other_client, draft, do="add session").status_code == 404
    assert re.search("3 x 5", client.get(f"/blocks/{draft.id}").text)
