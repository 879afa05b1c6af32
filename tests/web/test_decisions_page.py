"""The journal: what is due, what it rested on, what it led to, and that it is not called a cause."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

import pytest

from app.planning import blocks, decisions
from app.planning.decisions import LABELS, Choice
from app.planning.worker import run_pending
from app.storage.models import Lifter
from tests.factories import NOW, TODAY
from tests.planning.test_blocks import a_lifter_with_fives, a_plan
from tests.planning.test_decisions import train_on
from tests.web.conftest import Client, sign_in
from tests.web.test_acting import raise_flag


@pytest.fixture
def decided(client: Client) -> Lifter:
    _, lifter = a_lifter_with_fives(client.store, coach=client.coach)
    blocks.assign(client.store, client.coach, lifter.id, a_plan(), start_day=TODAY - 7, now=NOW)
    flag = raise_flag(client.store, lifter)
    choice = Choice("step_back", percent=10)
    decisions.decide(client.store, client.coach, lifter.id, flag, choice, note="short of sleep", now=NOW)
    return lifter


def words(body: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", body))


def test_before_the_first_decision_the_page_says_how_one_is_made(client: Client) -> None:
    assert "Nothing has been decided yet" in client.get("/decisions").text


def test_a_decision_is_kept_with_what_it_rested_on_and_its_date(client: Client, decided: Lifter) -> None:
    said = words(client.get("/decisions").text)
    assert "Vilde Aas : Step back, squat" in said
    assert "stall (act, about 7 in 10); level" in said
    assert "Look again Mon 30 Mar 2026" in said
    assert "short of sleep" in said
    assert "none known yet" in said
    assert "not cause and effect" in said


def test_what_it_led_to_is_shown_counted_and_put_away(
    client: Client, decided: Lifter, now: list[datetime]
) -> None:
    train_on(client.store, decided, NOW, 0.10)
    later = NOW + timedelta(days=29)  # The worker looks again as the day changes.
    now[0] = later
    run_pending(client.store, later)
    sign_in(client, client.coach)
    body = client.get("/decisions").text
    said = words(body)
    assert "Look at it again 1" in said
    assert re.search(r"Better since: level \+\d\.?\d* % \(90 % interval \+\d\.?\d* to \+\d+\.?\d*\)", said)
    assert "that it rose" in said
    assert re.search(r"[Ss]tress [+\u2212]?\d+ %", said)
    assert "flag" in said
    assert "sessions done" in said
    assert "1 known outcome; too few to compare kinds." in said
    number = re.search(r"/decisions/(\d+)/seen", body)
    assert number is not None
    assert client.post(f"/decisions/{number[1]}/seen", data={"lifter": str(decided.id)}).status_code == 303
    assert "Nothing is waiting to be looked at" in client.get("/decisions").text


def test_the_lifters_page_lists_its_own(client: Client, decided: Lifter) -> None:
    body = client.get(f"/lifters/{decided.id}").text
    assert f"/decisions?lifter={decided.id}" in body
    of_one = client.get(f"/decisions?lifter={decided.id}")
    assert "Decisions, Vilde Aas" in of_one.text


def test_another_coach_neither_sees_nor_marks_it(other_client: Client, decided: Lifter) -> None:
    assert "Nothing has been decided yet" in other_client.get("/decisions").text
    assert other_client.get(f"/decisions?lifter={decided.id}").status_code == 404
    assert other_client.post("/decisions/1/seen").status_code == 404


def test_every_kind_of_decision_is_defined_on_the_methods_page(client: Client) -> None:
    body = client.get("/methods").text
    for action in (*LABELS, "decisions", "outcome", "review"):
        assert f'id="{action}"' in body, action
