"""Taking back on the coach's pages: shown first, done, said in the journal, seen on the phone."""

from __future__ import annotations

import re
from datetime import datetime

import pytest

from app.planning import blocks, decisions
from app.planning.decisions import Choice
from app.storage.models import Block, Decision, Lifter, PlannedSession
from app.web.pages import clock
from tests.factories import NOW, TODAY
from tests.planning.test_blocks import a_lifter_with_fives, a_plan
from tests.web.conftest import Client, open_client, sign_in_lifter
from tests.web.test_acting import raise_flag
from tests.web.test_decisions_page import words


@pytest.fixture
def coached(client: Client) -> tuple[Lifter, Block, int]:
    _, lifter = a_lifter_with_fives(client.store, coach=client.coach)
    block = blocks.assign(client.store, client.coach, lifter.id, a_plan(), start_day=TODAY - 7, now=NOW)
    return lifter, block, raise_flag(client.store, lifter)


def decide(client: Client, coached: tuple[Lifter, Block, int], choice: Choice) -> Decision:
    lifter, _, flag = coached
    return decisions.decide(client.store, client.coach, lifter.id, flag, choice, by="Anders", now=NOW)


def asked(html: str) -> str:
    found = re.search(r'name="seen" value="([^"]+)"', html)
    assert found is not None
    return found[1]


def test_what_an_extension_moved_along_is_said_to_stay(
    client: Client, coached: tuple[Lifter, Block, int]
) -> None:
    lifter, block, _ = coached
    after = blocks.assign(
        client.store, client.coach, lifter.id, a_plan(name="After"), start_day=TODAY + 21, now=NOW
    )
    made = decide(client, coached, Choice("extend_block"))
    page = client.get(f"/decisions/{made.id}/take-back").text
    assert "What followed the block and moved with its end stays where it is now." in page
    done = client.post(f"/decisions/{made.id}/take-back", data={"seen": asked(page)})
    assert done.status_code == 303
    assert blocks.view(client.store, client.coach, block.id).block.end_day == TODAY + 20
    assert blocks.view(client.store, client.coach, after.id).block.start_day == TODAY + 28


def test_a_step_back_is_taken_back_and_the_phone_shows_the_plan_of_before(
    client: Client, coached: tuple[Lifter, Block, int], now: list[datetime]
) -> None:
    lifter, block, _ = coached
    with open_client(client.store, now) as opened:
        phone = sign_in_lifter(opened, lifter)
        with client.store.reading() as db:
            planned = (
                db.query(PlannedSession)
                .filter(PlannedSession.block_id == block.id, PlannedSession.day >= TODAY)
                .order_by(PlannedSession.day)
                .first()
            )
        assert planned is not None

        def sets_on_phone() -> str:
            with client.store.reading() as db:
                there = (
                    db.query(PlannedSession)
                    .filter(PlannedSession.block_id == block.id, PlannedSession.day == planned.day)
                    .one()
                )
            return words(phone.get(f"/session/{there.id}").text)

        before = sets_on_phone()
        made = decide(client, coached, Choice("step_back", percent=20))
        assert sets_on_phone() != before
        assert "drops by 20 % of load" in words(phone.get("/today").text)
        assert f"/decisions/{made.id}/take-back" in client.get(f"/lifters/{lifter.id}").text
        html = client.get("/decisions").text
        assert f'href="/decisions/{made.id}/take-back"' in html
        html = client.get(f"/decisions/{made.id}/take-back").text
        said = words(html)
        assert "1 planned exercise returns to what was given out before" in said
        assert "The flag is open again." in said
        assert sets_on_phone() != before  # Looking has changed nothing.
        answer = client.post(f"/decisions/{made.id}/take-back", data={"seen": asked(html)})
        assert answer.status_code == 303
        assert sets_on_phone() == before
        assert "drops by 20 %" not in words(phone.get("/today").text)
    said = words(client.get(answer.headers["location"]).text)
    assert "Step back, squat: taken back. The phone shows the sessions as they were before." in said
    when = clock(NOW, client.coach.time_zone)
    assert f"Taken back {when} by {client.coach.name}. Its outcome is not computed" in said
    again = client.post(f"/decisions/{made.id}/take-back", data={"seen": "x"})
    assert again.status_code == 409
    assert "taken back already by" in again.text


def test_a_message_stays_sent_and_a_new_one_is_offered(
    client: Client, coached: tuple[Lifter, Block, int]
) -> None:
    made = decide(client, coached, Choice("write", message="Ease off, please"))
    html = client.get(f"/decisions/{made.id}/take-back").text
    assert "The message that was sent stays on" in html
    answer = client.post(f"/decisions/{made.id}/take-back", data={"seen": asked(html)})
    html = client.get(answer.headers["location"]).text
    where = re.search(r'href="(/lifters/\d+/messages\?taken_back=\d+)', html)
    assert where is not None
    thread = client.get(where[1]).text
    assert "Ease off, please" in thread
    assert "About my message of 9 Mar on your squat" in thread


def test_what_cannot_be_taken_back_says_why_and_what_to_do(
    client: Client, coached: tuple[Lifter, Block, int]
) -> None:
    _, block, _ = coached
    made = decide(client, coached, Choice("step_back"))
    html = client.get(f"/decisions/{made.id}/take-back").text
    with client.store.transaction() as db:
        query = db.query(PlannedSession).filter(PlannedSession.block_id == block.id)
        for one in query.filter(PlannedSession.day >= TODAY):
            one.status = "done"
    answer = client.post(f"/decisions/{made.id}/take-back", data={"seen": asked(html)})
    assert answer.status_code == 409
    assert "It cannot be taken back" in answer.text
    assert "under the changed plan already" in words(answer.text)
    with client.store.reading() as db:
        held = db.get(Decision, made.id)
    assert held is not None
    assert held.undone_at is None


def test_only_what_was_shown_is_done(client: Client, coached: tuple[Lifter, Block, int]) -> None:
    lifter, _, flag = coached
    made = decide(client, coached, Choice("hold_course"))
    seen = asked(client.get(f"/decisions/{made.id}/take-back").text)
    client.post(f"/lifters/{lifter.id}/flags/{flag}/dismiss", data={"reason": "not real"})
    answer = client.post(f"/decisions/{made.id}/take-back", data={"seen": seen})
    assert answer.status_code == 409
    assert "so nothing was done" in answer.text


def test_right_after_applying_there_is_a_way_back(client: Client, coached: tuple[Lifter, Block, int]) -> None:
    lifter, _, flag = coached
    data = {"action": "hold_course", "do": "apply", "seen": "hold_course;10;1;8;|0"}
    answer = client.post(f"/lifters/{lifter.id}/flags/{flag}/act", data=data, headers={"HX-Request": "true"})
    assert re.search(r'href="/decisions/\d+/take-back"', answer.text)


def test_another_coach_takes_nothing_back(
    client: Client, other_client: Client, coached: tuple[Lifter, Block, int]
) -> None:
    made = decide(client, coached, Choice("hold_course"))
    assert other_client.get(f"/decisions/{made.id}/take-back").status_code == 404
    assert other_client.post(f"/decisions/{made.id}/take-back", data={"seen": "x"}).status_code == 404


def test_the_journal_offers_no_way_back_from_what_is_known_to_have_led_somewhere(
    client: Client, coached: tuple[Lifter, Block, int]
) -> None:
    held, stepped = (
        decide(client, coached, Choice("hold_course")),
        decide(client, coached, Choice("step_back")),
    )
    ways = [f'href="/decisions/{one.id}/take-back"' for one in (held, stepped)]
    assert [one in client.get("/decisions").text for one in ways] == [True, True]
    with client.store.transaction() as db:
        for number in (held.id, stepped.id):
            known = db.get(Decision, number)
            assert known is not None
            known.outcome = {"verdict": "cannot be told"}
    # A plan that nobody has trained yet can still be put back.
    assert [one in client.get("/decisions").text for one in ways] == [False, True]
