"""Messages between coach and lifter: the thread, drafts from evidence, one text to many, what is unread."""

from __future__ import annotations

import re

import pytest

from app.planning import analysis, blocks
from app.planning.decisions import Choice, decide
from app.planning.worker import run_pending
from app.storage import decisions
from app.storage.models import Exercise, Lifter, Message
from tests.factories import NOW, TODAY, log_sets, make_lifter
from tests.planning.test_blocks import a_lifter_with_fives, a_plan
from tests.web.conftest import Client, open_client, sign_in_lifter
from tests.web.test_acting import raise_flag


@pytest.fixture
def lifter(client: Client) -> Lifter:
    _, lifter = a_lifter_with_fives(client.store, coach=client.coach)
    return lifter


def say(client: Client, lifter: Lifter, body: str = "My knee is fine again.") -> None:
    with client.store.transaction() as db:
        decisions.add_message(db, lifter.id, author="lifter", body=body, about={}, at=NOW, sent=True)


def bodies(client: Client, lifter: Lifter) -> list[tuple[str, bool]]:
    with client.store.reading() as db:
        return [(one.body, one.sent_at is not None) for one in reversed(decisions.thread(db, lifter.id))]


def test_what_is_written_stands_in_the_thread_and_on_the_phone(client: Client, lifter: Lifter) -> None:
    path = f"/lifters/{lifter.id}/messages"
    assert client.post(path, data={"body": "Rest a day.", "do": "send"}).status_code == 303
    body = client.get(path).text
    assert "Rest a day." in body
    assert "not read yet" in body
    with open_client(client.store, client.now) as phone:
        sign_in_lifter(phone, lifter)
        assert "Rest a day." in phone.get("/messages").text


def test_an_empty_message_is_refused_and_what_was_typed_kept(client: Client, lifter: Lifter) -> None:
    path = f"/lifters/{lifter.id}/messages"
    answer = client.post(path, data={"body": "  ", "do": "send"})
    assert answer.status_code == 422
    assert "Enter a message" in answer.text
    long = "x" * 4001
    answer = client.post(path, data={"body": long, "do": "send"})
    assert "must be 4000 characters or fewer" in answer.text
    assert long in answer.text
    assert bodies(client, lifter) == []


def test_a_draft_is_kept_and_not_sent(client: Client, lifter: Lifter) -> None:
    path = f"/lifters/{lifter.id}/messages"
    client.post(path, data={"body": "Half a thought", "do": "keep"})
    client.post(path, data={"body": "Half a thought more", "do": "keep"})
    assert bodies(client, lifter) == [("Half a thought more", False)]
    assert "Half a thought more</textarea>" in client.get(path).text
    client.post(path, data={"body": "The whole thought", "do": "send"})
    assert bodies(client, lifter) == [("The whole thought", True)]


def test_unread_messages_show_on_the_roster_and_the_lifter_until_read(client: Client, lifter: Lifter) -> None:
    run_pending(client.store, NOW)
    say(client, lifter)
    assert "1 new<span" in client.get("/").text
    assert "1 new message</a>" in client.get(f"/lifters/{lifter.id}").text
    assert "<b>new</b>" in client.get(f"/lifters/{lifter.id}/messages").text
    assert "1 new<span" not in client.get("/").text
    with client.store.reading() as db:
        assert db.query(Message).one().read_at == NOW


def test_a_draft_about_a_flag_says_what_was_decided(client: Client, lifter: Lifter) -> None:
    blocks.assign(client.store, client.coach, lifter.id, a_plan(), start_day=TODAY - 7, now=NOW)
    flag = raise_flag(client.store, lifter)
    path = f"/lifters/{lifter.id}/messages"
    assert f"{path}?flag={flag}" in client.get(path).text
    assert "not a fault of yours" in client.get(path, params={"flag": flag}).text
    decide(client.store, client.coach, lifter.id, flag, Choice("step_back"), now=NOW)
    assert "drops by 10 % of load" in client.get(path, params={"flag": flag}).text


def test_why_a_set_is_on_plan_although_it_is_no_record(client: Client, lifter: Lifter) -> None:
    with client.store.reading() as db:
        exercise = db.query(Exercise).filter_by(key="squat").one()
        squat = exercise.id
    log_sets(client.store, lifter, exercise, TODAY - 300, [(160, 5, 9.0)] * 2)
    blocks.assign(client.store, client.coach, lifter.id, a_plan(), start_day=TODAY, now=NOW)
    analysis.recompute(client.store, lifter.id, now=NOW)
    path = f"/lifters/{lifter.id}/messages"
    assert f"{path}?why={squat}" in client.get(path).text
    said = client.get(path, params={"why": squat}).text
    assert re.search(r"Your squat on 9 Mar is [\d.]+ kg x 5\.", said)
    assert "That is no record: your best ever is 160 kg x 5 from May 2025." in said
    assert "measured against the last 8 weeks" in said
    assert "Your recent mark is 120 kg x 5 from 2 Mar" in said


def test_one_text_goes_to_each_of_those_chosen(client: Client, lifter: Lifter) -> None:
    other = make_lifter(client.store, coach=client.coach, name="Maren Oduya")
    third = make_lifter(client.store, coach=client.coach, name="Tobias Wren")
    shown = client.get("/messages/new", params={"find": "oduya"}).text
    assert "Maren Oduya" in shown
    assert "Tobias Wren" not in shown
    sent = client.post(
        "/messages/new", data={"to": [str(lifter.id), str(other.id)], "body": "Hi {name}, the gym is closed."}
    )
    assert "Sent to 2 lifters" in sent.text
    assert bodies(client, other) == [("Hi Maren, the gym is closed.", True)]
    assert bodies(client, lifter) == [("Hi Vilde, the gym is closed.", True)]
    assert bodies(client, third) == []
    refused = client.post("/messages/new", data={"body": "To nobody"})
    assert refused.status_code == 422
    assert "Tick at least one lifter" in refused.text
    assert "To nobody</textarea>" in refused.text


def test_nobody_writes_to_another_coachs_lifters(
    client: Client, other_client: Client, lifter: Lifter
) -> None:
    assert other_client.get(f"/lifters/{lifter.id}/messages").status_code == 404
    path = f"/lifters/{lifter.id}/messages"
    assert other_client.post(path, data={"body": "x", "do": "send"}).status_code == 404
    own = make_lifter(other_client.store, coach=other_client.coach, name="Own")
    data = {"to": [str(own.id), str(lifter.id)], "body": "x"}
    assert other_client.post("/messages/new", data=data).status_code == 404
    assert bodies(client, lifter) == []
    assert bodies(client, own) == []  # All or none.
