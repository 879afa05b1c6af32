"""Acting on a flag in the browser without scripts: asked for, shown, applied, refused in words."""

from __future__ import annotations

import re
from datetime import date
from typing import get_args

import pytest

from app.planning import blocks, drafts
from app.planning.decisions import OPTIONS
from app.storage import decisions, flags
from app.storage.engine import Store
from app.storage.models import Block, Exercise, Flag, Lifter
from app.training.plan import SetCells
from app.training.records import FlagKind
from tests.factories import NOW, TODAY
from tests.planning.test_blocks import a_lifter_with_fives, a_plan
from tests.web.conftest import Client


def raise_flag(store: Store, lifter: Lifter, kind: str = "stall", severity: str = "act") -> int:
    with store.transaction() as db:
        squat = db.query(Exercise).filter_by(key="squat").first()
        return flags.add(
            db,
            lifter.id,
            exercise_id=None if squat is None else squat.id,
            kind=kind,
            cause=f"{kind}:squat",
            severity=severity,
            probability=0.7,
            since_day=TODAY - 20,
            evidence={"weeks": 5.0, "stress_ratio": 1.14, "change_pct": 0.1, "usual_slope_pct_per_week": 0.5},
            advice="Worth a look.",
            clears_when="the trend rises",
            opened_at=NOW,
            updated_at=NOW,
            last_true_day=TODAY,
            cleared_at=None,
            snoozed_until=None,
        ).id


@pytest.fixture
def stalled(client: Client) -> tuple[Lifter, Block, int]:
    """A lifter in the second week of a block of fives, with a stall flagged on the squat."""
    _, lifter = a_lifter_with_fives(client.store, coach=client.coach)
    block = blocks.assign(client.store, client.coach, lifter.id, a_plan(), start_day=TODAY - 7, now=NOW)
    return lifter, block, raise_flag(client.store, lifter)


def path_of(lifter: Lifter, flag: int) -> str:
    return f"/lifters/{lifter.id}/flags/{flag}/act"


def hidden(body: str, name: str) -> str:
    found = re.search(rf'name="{name}" value="([^"]*)"', body)
    assert found is not None
    return found[1]


def load_in_week(client: Client, block: Block, week: int) -> int:
    shown = blocks.view(client.store, client.coach, block.id)
    return int(shown.days[week].exercises[0][2][0]["load_grams"])


def test_every_way_of_a_flag_has_a_button_on_the_lifters_page(
    client: Client, stalled: tuple[Lifter, Block, int]
) -> None:
    lifter, _, flag = stalled
    body = client.get(f"/lifters/{lifter.id}").text
    for action in OPTIONS["stall"]:
        assert f"{path_of(lifter, flag)}?action={action}" in body
        assert client.get(path_of(lifter, flag), params={"action": action}).status_code == 200


def test_the_change_is_shown_then_applied(client: Client, stalled: tuple[Lifter, Block, int]) -> None:
    lifter, block, flag = stalled
    before = load_in_week(client, block, 1)
    shown = client.get(path_of(lifter, flag), params={"action": "step_back", "back": "roster"}).text
    assert "two sets in five" in shown
    assert "1 planned exercise changes" in shown
    assert re.search(r"<b>2 x 5 at [\d.]+ kg</b>", shown)
    assert "Next then" in shown
    assert "left (" in shown
    assert load_in_week(client, block, 1) == before
    answers = {
        "action": "step_back",
        "percent": "10",
        "weeks": "1",
        "look_again": date.fromordinal(TODAY + 14).isoformat(),
        "note": "sleep is short",
        "seen": hidden(shown, "seen"),
        "back": "roster",
        "do": "apply",
    }
    answer = client.post(path_of(lifter, flag), data=answers)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert load_in_week(client, block, 1) <= 0.9 * before
    with client.store.reading() as db:
        made = decisions.journal(db, client.coach)[0][0]
        held = db.get(Flag, flag)
    assert held is not None
    assert (made.action, made.note, made.look_again_day) == ("step_back", "sleep is short", TODAY + 14)
    assert (held.state, held.snoozed_until) == ("snoozed", TODAY + 14)


def test_answers_changed_after_looking_are_shown_again_first(
    client: Client, stalled: tuple[Lifter, Block, int]
) -> None:
    lifter, block, flag = stalled
    before = load_in_week(client, block, 1)
    shown = client.get(path_of(lifter, flag), params={"action": "step_back"}).text
    answers = {"action": "step_back", "percent": "20", "weeks": "1", "seen": hidden(shown, "seen")}
    answer = client.post(path_of(lifter, flag), data=answers | {"do": "apply", "note": "kept"})
    assert answer.status_code == 422
    assert "This is what it would be now" in answer.text
    assert 'value="kept"' in answer.text
    assert '<option value="20" selected>' in answer.text
    assert load_in_week(client, block, 1) == before


def test_a_block_changed_meanwhile_is_said_and_nothing_is_lost(
    client: Client, stalled: tuple[Lifter, Block, int]
) -> None:
    lifter, block, flag = stalled
    shown = client.get(path_of(lifter, flag), params={"action": "step_back"}).text
    row = blocks.view(client.store, client.coach, block.id).plan.lines[0][1].id
    drafts.change(
        client.store,
        client.coach,
        block.id,
        [SetCells(((row, 2, "4 x 5 @ RPE 7"),))],
        version=block.version,
        why="by an assistant",
        now=NOW,
    )
    answers = {
        "action": "step_back",
        "percent": "10",
        "weeks": "1",
        "note": "typed before",
        "seen": hidden(shown, "seen"),
        "do": "apply",
    }
    answer = client.post(path_of(lifter, flag), data=answers)
    assert answer.status_code == 409
    assert "Somebody else changed this block meanwhile" in answer.text
    assert 'value="typed before"' in answer.text
    again = client.post(path_of(lifter, flag), data=answers | {"seen": hidden(answer.text, "seen")})
    assert again.status_code == 303


@pytest.mark.parametrize(
    ("answers", "words"),
    [
        ({"action": "step_back", "percent": "heavy"}, "must be a number"),
        ({"action": "change_range", "reps": "0"}, "must be from 1 to 30"),
        ({"action": "change_exercise"}, "Name the exercise to do instead"),
        ({"action": "hold_course", "look_again": "soon"}, "Enter the day to look again"),
        ({"action": "hold_course", "look_again": "2020-01-01"}, "after today"),
        ({"action": "write", "message": " "}, "Write a message first"),
        ({"action": "nothing"}, "Choose what to do about it"),
    ],
)
def test_what_cannot_be_is_said_in_words(
    client: Client, stalled: tuple[Lifter, Block, int], answers: dict[str, str], words: str
) -> None:
    lifter, _, flag = stalled
    seen = hidden(client.post(path_of(lifter, flag), data=answers | {"do": "show"}).text, "seen")
    answer = client.post(path_of(lifter, flag), data=answers | {"do": "apply", "seen": seen})
    assert answer.status_code == 422
    assert words in answer.text


def test_without_a_running_block_the_way_to_the_next_is_shown(client: Client) -> None:
    _, lifter = a_lifter_with_fives(client.store, coach=client.coach)
    flag = raise_flag(client.store, lifter)
    body = client.get(path_of(lifter, flag), params={"action": "step_back"}).text
    assert "No block is running" in body
    assert f"/lifters/{lifter.id}/blocks/new" in body


def test_writing_begins_with_a_draft_and_reaches_the_phone(
    client: Client, stalled: tuple[Lifter, Block, int]
) -> None:
    lifter, _, _ = stalled
    flag = raise_flag(client.store, lifter, "silent", "watch")
    body = client.get(path_of(lifter, flag), params={"action": "write"}).text
    assert "Hi Vilde," in body
    client.post(path_of(lifter, flag), data={"action": "write", "message": "Call me.", "do": "apply"})
    with client.store.reading() as db:
        assert [one.body for one in decisions.thread(db, lifter.id)] == ["Call me."]


def test_htmx_gets_the_fragment_and_a_confirmation_in_the_flags_place(
    client: Client, stalled: tuple[Lifter, Block, int]
) -> None:
    lifter, _, flag = stalled
    part = client.get(path_of(lifter, flag), params={"action": "hold_course"}, headers={"HX-Request": "true"})
    assert part.text.lstrip().startswith(f'<div class="acting" id="act-{flag}"')
    done = client.post(
        path_of(lifter, flag),
        data={"action": "hold_course", "seen": hidden(part.text, "seen"), "do": "apply"},
        headers={"HX-Request": "true"},
    )
    assert done.headers["HX-Retarget"] == f"#flag-{flag}"
    assert "Hold course: done" in done.text


def test_correcting_the_log_leads_to_the_odd_sets(client: Client, stalled: tuple[Lifter, Block, int]) -> None:
    lifter, _, _ = stalled
    flag = raise_flag(client.store, lifter, "data_error", "watch")
    answer = client.get(path_of(lifter, flag))
    assert answer.headers["location"] == f"/lifters/{lifter.id}#odd-sets"


def test_another_coach_sees_nothing_of_it(
    other_client: Client, client: Client, stalled: tuple[Lifter, Block, int]
) -> None:
    lifter, _, flag = stalled
    assert other_client.get(path_of(lifter, flag)).status_code == 404
    answer = other_client.post(path_of(lifter, flag), data={"action": "hold_course", "do": "apply"})
    assert answer.status_code == 404
    assert client.get(path_of(lifter, flag + 99)).status_code == 404


def test_every_kind_of_flag_can_be_acted_on_and_is_defined(client: Client) -> None:
    methods = client.get("/methods").text
    for kind in get_args(FlagKind):
        assert OPTIONS[kind], kind
        assert f'id="{kind}"' in methods, kind


def test_a_lifter_of_pounds_reads_pounds(client: Client) -> None:
    _, lifter = a_lifter_with_fives(client.store, coach=client.coach)
    with client.store.transaction() as db:
        held = db.get(Lifter, lifter.id)
        assert held is not None
        held.unit = "lb"
    blocks.assign(client.store, client.coach, lifter.id, a_plan(), start_day=TODAY - 7, now=NOW)
    flag = raise_flag(client.store, lifter)
    body = client.get(path_of(lifter, flag), params={"action": "step_back"}).text
    assert re.search(r"RPE 8, \d+(\.\d+)? lb: about \d left", body)
