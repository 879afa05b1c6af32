"""What a block changed by itself, on the coach's pages and on the lifter's phone."""

from __future__ import annotations

from datetime import timedelta

import pytest

from app.planning import blocks, drafts, living_plan
from app.planning.worker import run_pending
from app.storage.models import Block, Lifter
from app.training import plan as plans
from app.training.plan import LivingRules, plan_from_dict
from tests.factories import NOW, TODAY, make_lifter
from tests.planning.test_blocks import a_plan
from tests.web.conftest import Client, open_client, sign_in, sign_in_lifter

LATER = NOW + timedelta(days=2)
WHY = "Squat of week 1 was missed, so it is repeated in week 2: 3 x 5 at 105 kg."


@pytest.fixture
def changed(client: Client) -> tuple[Lifter, Block]:
    """A block that repeated its missed first session two days later."""
    lifter = make_lifter(client.store, coach=client.coach)
    plan = a_plan("3 x 5 at 105 kg", living=LivingRules(missed="repeat"))
    row = plan.lines[0][1].id
    plan, _ = plans.apply_all(plan, plans.set_cell(plan, row, 1, "2 x 3 at 110 kg"))
    block = blocks.assign(client.store, client.coach, lifter.id, plan, start_day=TODAY, now=NOW)
    client.now[0] = LATER
    sign_in(client, client.coach)
    run_pending(client.store, LATER)
    return lifter, block


def test_the_change_stands_on_the_block_and_the_lifter_and_is_taken_back(
    client: Client, changed: tuple[Lifter, Block]
) -> None:
    lifter, block = changed
    for path in (f"/blocks/{block.id}", f"/lifters/{lifter.id}"):
        text = client.get(path).text
        assert WHY in text
        assert "Take back" in text
    (one,) = living_plan.of_block(client.store, client.coach, block.id)
    answer = client.post(f"/plan-changes/{one.id}/take-back")
    assert (answer.status_code, answer.headers["location"]) == (303, f"/blocks/{block.id}")
    assert "taken back" in client.get(f"/blocks/{block.id}").text
    assert WHY not in client.get(f"/lifters/{lifter.id}").text
    again = client.post(f"/plan-changes/{one.id}/take-back")
    assert again.status_code == 409
    assert "taken back already" in again.text


def test_the_phone_says_what_changed_until_it_was_read(client: Client, changed: tuple[Lifter, Block]) -> None:
    lifter, block = changed
    plan = plan_from_dict(blocks.view(client.store, client.coach, block.id).block.plan)
    edits = plans.set_cell(plan, plan.lines[0][1].id, 3, "2 x 2 at 115 kg")
    drafts.change(client.store, client.coach, block.id, edits, version=2, why="You were quick.", now=LATER)
    with open_client(client.store, client.now) as opened:
        phone = sign_in_lifter(opened, lifter)
        text = phone.get("/today").text
        assert "Your plan changed" in text
        assert WHY in text
        assert "<b>Your coach:</b> You were quick." in text
        newest = living_plan.unseen(client.store, lifter)[-1].id
        assert phone.post("/changes/seen", data={"until": str(newest)}).status_code == 303
        assert "Your plan changed" not in phone.get("/today").text


def test_another_coach_takes_nothing_back(
    client: Client, other_client: Client, changed: tuple[Lifter, Block]
) -> None:
    (one,) = living_plan.of_block(client.store, client.coach, changed[1].id)
    sign_in(other_client, other_client.coach)
    assert other_client.post(f"/plan-changes/{one.id}/take-back").status_code == 404
