"""The ways of a block over HTTP: compared, taken, refused."""

from __future__ import annotations

import pytest

from app.planning import drafts
from app.storage.models import Block
from tests.factories import NOW, TODAY, make_lifter
from tests.planning.test_what_if import climbing
from tests.web.conftest import Client


@pytest.fixture
def draft(client: Client) -> Block:
    lifter = make_lifter(client.store, coach=client.coach)
    return drafts.start(client.store, client.coach, lifter.id, climbing(), start_day=TODAY, now=NOW)


@pytest.mark.parametrize("subject", ["steps", "spacing", "step-backs", "anything else"])
def test_the_ways_stand_side_by_side(client: Client, draft: Block, subject: str) -> None:
    text = client.get(f"/blocks/{draft.id}/what-if?compare={subject}").text
    assert "As written" in text
    assert text.count('<svg class="way"') >= 3
    assert text.count("Take this") == text.count('<svg class="way"') - 1


def test_a_way_is_taken(client: Client, draft: Block) -> None:
    form = {"compare": "step-backs", "way": "Step back after 3 weeks", "version": "1"}
    answer = client.post(f"/blocks/{draft.id}/what-if", data=form)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/blocks/{draft.id}")
    again = client.post(f"/blocks/{draft.id}/what-if", data=form)
    assert again.status_code == 422
    assert "Somebody else saved this block meanwhile" in again.text
    gone = client.post(f"/blocks/{draft.id}/what-if", data=form | {"way": "Sideways", "version": "2"})
    assert "no such way" in gone.text


def test_another_coach_compares_nothing(client: Client, other_client: Client, draft: Block) -> None:
    assert other_client.get(f"/blocks/{draft.id}/what-if").status_code == 404
    form = {"compare": "steps", "way": "Half the step", "version": "1"}
    assert other_client.post(f"/blocks/{draft.id}/what-if", data=form).status_code == 404
