"""A block's review: gains over the frozen baseline, trend, stress, decisions; page, PDF and text."""

from __future__ import annotations

import io
import re
from datetime import timedelta

import pytest
from pypdf import PdfReader

from app.planning import blocks, decisions, review
from app.planning.decisions import Choice
from app.storage.models import Baseline, Block, Exercise, Lifter, PlannedSession
from tests.factories import NOW, TODAY, log_sets
from tests.planning.test_blocks import a_lifter_with_fives, a_plan
from tests.web.conftest import Client, open_client, sign_in, sign_in_lifter
from tests.web.test_acting import raise_flag

LATER = NOW + timedelta(days=29)


@pytest.fixture
def over(client: Client) -> tuple[Lifter, Block]:
    """Four weeks of fives done but one session, from 122.5 to 130 kg; a decision made."""
    store = client.store
    _, lifter = a_lifter_with_fives(store, coach=client.coach)
    block = blocks.assign(store, client.coach, lifter.id, a_plan(), start_day=TODAY, now=NOW)
    flag = raise_flag(store, lifter)
    choice = Choice("hold_course")
    decisions.decide(store, client.coach, lifter.id, flag, choice, note="as planned", now=NOW)
    with store.reading() as db:
        squat = db.query(Exercise).filter_by(key="squat").one()
    for week in (0, 1, 3):
        log_sets(store, lifter, squat, TODAY + 7 * week, [(122.5 + 2.5 * week, 5, 8.0)] * 3)
    with store.transaction() as db:
        for one in db.query(PlannedSession).filter_by(block_id=block.id):
            one.status = "missed" if one.week == 3 else "done"
    client.now[0] = LATER
    sign_in(client, client.coach)
    return lifter, block


def words(body: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", body))


def test_the_numbers_are_those_of_the_block(client: Client, over: tuple[Lifter, Block]) -> None:
    _, block = over
    found = review.of_block(client.store, client.coach, block.id, now=LATER)
    fives = next(one for one in found.gains if one.rep_range == "5-6")
    assert fives.before is not None
    assert fives.best is not None
    # Worked by hand: the baseline is 120 kg x 5, the last week's 122.5 + 3 x 2.5 = 130 kg x 5.
    assert (fives.before.load_kg, fives.best.load_kg, fives.load_step_kg) == (120, 130, 10)
    assert fives.step_pct == pytest.approx(100 * (130 / 120 - 1))
    assert fives.kind == "more"
    eights = next(one for one in found.gains if one.rep_range == "7-9")
    assert eights.kind == "not trained"
    assert found.sessions == {"done": 3, "missed": 1, "skipped": 0, "planned": 4, "to come": 0}
    assert [one.number for one in found.weeks] == [1, 2, 3, 4]
    assert [bool(one.done) for one in found.weeks] == [True, True, False, True]
    # 15 repetitions at a share of the best e1RM below 1 and above a half.
    assert all(7.5 < (one.done or 10) < 15 for one in found.weeks)
    assert all(one.planned for one in found.weeks)
    assert [one.label for one in found.decisions] == ["Hold course"]
    lift = found.lifts[0]
    assert lift.low_pct < lift.change_pct < lift.high_pct


def test_the_page_shows_it_and_how_to_go_on(client: Client, over: tuple[Lifter, Block]) -> None:
    lifter, block = over
    body = client.get(f"/blocks/{block.id}/review").text
    said = words(body)
    assert "3 of 4 sessions done, 1 missed, 1 of 1 baseline marks raised." in said
    assert "120 kg × 5" in said
    assert "130 kg × 5, 30 Mar" in said
    assert "+10 kg" in said
    assert "Hold course, squat" in said
    assert f"/lifters/{lifter.id}/blocks/new" in body
    assert f"/blocks/{block.id}/review" in client.get(f"/lifters/{lifter.id}").text


def test_the_lifters_text_is_kind_kept_and_sent(client: Client, over: tuple[Lifter, Block]) -> None:
    lifter, block = over
    path = f"/blocks/{block.id}/review"
    body = client.get(path).text
    assert "Squat: 120 kg × 5 became 130 kg × 5, 10 kg more" in body
    for hard in ("probability", "e1RM", "interval", "90 %", "fail"):
        assert hard not in review.for_lifter(
            review.of_block(client.store, client.coach, block.id, now=LATER)
        ), hard
    assert client.post(path, data={"body": "Well done, Vilde.", "do": "keep"}).status_code == 303
    assert "Well done, Vilde.</textarea>" in client.get(path).text
    with open_client(client.store, client.now) as phone:
        sign_in_lifter(phone, lifter)
        assert "Well done, Vilde." not in phone.get("/messages").text
        client.post(path, data={"body": "Well done, Vilde!", "do": "send"})
        assert "Well done, Vilde!" in phone.get("/messages").text
    assert "not read yet" in client.get(path).text
    refused = client.post(path, data={"body": " ", "do": "send"})
    assert refused.status_code == 422


@pytest.mark.parametrize(("paper", "width_mm"), [("a4", 210), ("letter", 215.9)])
@pytest.mark.parametrize("reader", ["coach", "lifter"])
def test_it_prints_on_either_paper(
    client: Client, over: tuple[Lifter, Block], paper: str, width_mm: float, reader: str
) -> None:
    _, block = over
    path = f"/blocks/{block.id}/review.pdf"
    answer = client.get(path, params={"paper": paper, "reader": reader})
    assert answer.headers["content-type"] == "application/pdf"
    assert "vilde-aas-fives-review.pdf" in answer.headers["content-disposition"]
    file = PdfReader(io.BytesIO(answer.content))
    assert float(file.pages[0].mediabox.width) * 25.4 / 72 == pytest.approx(width_mm, abs=0.1)
    text = " ".join(" ".join(one.extract_text().split()) for one in file.pages)
    assert "130 kg × 5" in text
    assert "Stress by week" in text
    if reader == "coach":
        assert "90 % interval" in text
        assert "Hold course" in text
    else:
        assert "became 130 kg" in text
        assert "interval of" not in text


def test_a_block_to_come_has_no_review_and_a_running_one_says_so(client: Client) -> None:
    _, lifter = a_lifter_with_fives(client.store, coach=client.coach)
    block = blocks.assign(client.store, client.coach, lifter.id, a_plan(), start_day=TODAY + 7, now=NOW)
    assert "Nothing to review yet" in client.get(f"/blocks/{block.id}/review").text
    assert "Nothing to review yet" in client.get(f"/blocks/{block.id}/review.pdf").text
    running = blocks.assign(
        client.store, client.coach, lifter.id, a_plan(weeks=1), start_day=TODAY - 3, now=NOW
    )
    said = words(client.get(f"/blocks/{running.id}/review").text)
    assert "still running" in said


def test_another_coach_sees_nothing_of_it(other_client: Client, over: tuple[Lifter, Block]) -> None:
    _, block = over
    assert block.id
    sign_in(other_client, other_client.coach)
    assert other_client.get(f"/blocks/{block.id}/review").status_code == 404
    assert other_client.get(f"/blocks/{block.id}/review.pdf").status_code == 404
    assert other_client.post(f"/blocks/{block.id}/review", data={"body": "x"}).status_code == 404


def test_a_block_brought_in_is_measured_against_the_day_before_it(
    client: Client, over: tuple[Lifter, Block]
) -> None:
    _, block = over
    with client.store.transaction() as db:
        db.query(Baseline).filter_by(block_id=block.id).delete()
    found = review.of_block(client.store, client.coach, block.id, now=LATER)
    fives = next(one for one in found.gains if one.rep_range == "5-6")
    assert fives.before is not None
    assert (fives.before.load_kg, fives.load_step_kg) == (120, 10)
    assert "No baseline was frozen" in client.get(f"/blocks/{block.id}/review").text
