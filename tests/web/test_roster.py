"""The roster page: who needs the coach, found, filtered, kept, and nobody else's."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import event

from app.planning import flags as life
from app.planning.analysis import recompute
from app.planning.attention import Finding
from app.planning.roster import refresh_needs
from app.planning.worker import run_pending
from app.storage import lifters
from app.storage.engine import Store
from app.storage.models import Lifter
from tests.factories import NOW, TODAY, log_sets, make_exercise, make_lifter
from tests.planning.world import World, add_block, finding, plan_session, report_pain, train
from tests.web.conftest import Client


@contextmanager
def statements(store: Store) -> Iterator[list[str]]:
    """SQL that reads or writes, in the order it was sent."""
    seen: list[str] = []

    def note(_c: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
        if not statement.startswith(("BEGIN", "PRAGMA")):
            seen.append(statement)

    event.listen(store.engine, "before_cursor_execute", note)
    yield seen
    event.remove(store.engine, "before_cursor_execute", note)


def _lifter(client: Client, name: str, **changes: Any) -> Lifter:
    return make_lifter(client.store, coach=client.coach, name=name, **changes)


def _flagged(client: Client, lifter: Lifter, found: Sequence[Finding]) -> None:
    """Analyse a lifter and raise just these flags."""
    recompute(client.store, lifter.id, now=NOW)
    with client.store.transaction() as db:
        life.sync(db, lifter.id, found, today=TODAY, now=NOW)
        refresh_needs(db, lifters.of_coach(db, client.coach, lifter.id), now=NOW)


@pytest.fixture
def mixed(client: Client) -> dict[str, Lifter]:
    """One lifter of each level, one paused and one archived."""
    made = {
        "act": _lifter(client, "Maren Oduya"),
        "watch": _lifter(client, "Kofi Lindqvist"),
        "notice": _lifter(client, "Ana Petrescu"),
        "fine": _lifter(client, "Priya Venn"),
        "paused": _lifter(client, "Oskar Pell", status="paused"),
        "archived": _lifter(client, "Wilma Sato", status="archived"),
    }
    squat = make_exercise(client.store, coach=client.coach)
    stall = finding(kind="regression", severity="act", probability=0.84, exercise_id=squat.id)
    _flagged(client, made["act"], [stall])
    silent = finding(cause="attendance:", kind="silent", probability=None, evidence={"days_without_log": 9})
    _flagged(client, made["watch"], [silent])
    _flagged(client, made["notice"], [finding(kind="expected_dip", severity="notice", exercise_id=squat.id)])
    for one in ("fine", "paused", "archived"):
        recompute(client.store, made[one].id, now=NOW)
    return made


def _names(body: str) -> list[str]:
    return re.findall(r'class="name"[^>]*>([^<]+)<', body)


def test_a_new_coach_is_led_to_a_log_or_a_first_lifter(client: Client) -> None:
    body = client.get("/").text
    assert "Nobody is on your roster yet" in body
    assert 'href="/data"' in body
    assert 'href="/lifters/new"' in body
    assert "<table" not in body


def test_nobody_signed_in_sees_no_roster(nobody: Client) -> None:
    assert nobody.get("/").headers["location"] == "/sign-in"


def test_the_roster_says_who_needs_what_and_in_which_order(client: Client, mixed: dict[str, Lifter]) -> None:
    body = client.get("/").text
    assert _names(body) == ["Maren Oduya", "Kofi Lindqvist", "Ana Petrescu", "Priya Venn"]
    summary = re.sub(r"<[^>]+>", "", body[body.index("<h1>Roster") : body.index('id="look"')])
    assert (
        "4 lifters. 1 asks for a decision, 1 to watch, 1 worth knowing. 1 needs nothing this week." in summary
    )
    assert "1 paused. 1 archived." in summary
    assert "Squat: falling, about 8 in 10" in body
    assert "No log for 9 days" in body
    assert f'href="/lifters/{mixed["act"].id}/flags/' in body
    assert "Step back" in body
    headings = re.findall(r'scope="rowgroup".*?<span class="[a-z]*">([^<]+)<', body)
    assert headings == ["Asks for a decision", "To watch", "Worth knowing", "Needs nothing this week"]


@pytest.mark.parametrize(
    ("show", "names"),
    [
        ("act", ["Maren Oduya"]),
        ("watch", ["Kofi Lindqvist"]),
        ("notice", ["Ana Petrescu"]),
        ("fine", ["Priya Venn"]),
        ("silent", ["Kofi Lindqvist"]),
        ("paused", ["Oskar Pell"]),
        ("archived", ["Wilma Sato"]),
        ("nonsense", ["Maren Oduya", "Kofi Lindqvist", "Ana Petrescu", "Priya Venn"]),
    ],
)
def test_each_filter_shows_its_own(
    client: Client, mixed: dict[str, Lifter], show: str, names: list[str]
) -> None:
    assert _names(client.get("/", params={"show": show}).text) == names


def test_find_looks_at_name_lift_and_block(client: Client) -> None:
    squat = make_exercise(client.store, coach=client.coach, name="Back squat")
    a, b = _lifter(client, "Maren Oduya"), _lifter(client, "Kofi Lindqvist")
    log_sets(client.store, a, squat, TODAY, [(100.0, 5, 8.0)])
    add_block(World(client.store, client.coach, b, squat), TODAY - 3, name="Volume eights")
    run_pending(client.store, NOW)
    for words, names in (
        ("maren", ["Maren Oduya"]),
        ("BACK sq", ["Maren Oduya"]),
        ("eights", ["Kofi Lindqvist"]),
        ("kofi eights", ["Kofi Lindqvist"]),
        ("kofi squat", []),
    ):
        assert _names(client.get("/", params={"find": words}).text) == names
    empty = client.get("/", params={"find": "<b>nobody"}).text
    assert "Nobody here has “&lt;b&gt;nobody”" in empty


def test_names_and_blocks_are_shown_as_text(client: Client) -> None:
    lifter = _lifter(client, "<script>alert(1)</script>")
    squat = make_exercise(client.store, coach=client.coach)
    add_block(World(client.store, client.coach, lifter, squat), TODAY, name='"><img src=x>')
    run_pending(client.store, NOW)
    body = client.get("/").text
    assert "<script>alert" not in body
    assert "<img" not in body


def test_order_by_name_drops_the_groups(client: Client, mixed: dict[str, Lifter]) -> None:
    body = client.get("/", params={"order": "name"}).text
    assert _names(body) == ["Ana Petrescu", "Kofi Lindqvist", "Maren Oduya", "Priya Venn"]
    assert "rowgroup" not in body


def test_the_row_says_block_week_work_and_days(client: Client) -> None:
    lifter = _lifter(client, "Maren Oduya")
    squat = make_exercise(client.store, coach=client.coach)
    world = World(client.store, client.coach, lifter, squat)
    train(world)
    block = add_block(world, TODAY - 7, weeks=5, name="Heavy fives")
    plan_session(world, block, TODAY, "done")
    plan_session(world, block, TODAY + 1)
    plan_session(world, block, TODAY + 2)
    run_pending(client.store, NOW)
    body = client.get("/").text
    assert "Heavy fives, week 2 of 5" in body
    assert "1 of 3 done" in body
    assert "yesterday" in body
    assert "next tomorrow" in body
    assert "rising" in body
    assert "% a week" in body
    assert '<svg class="strip"' in body
    assert "Heavy fives, strength, 5 weeks, now in week 2" in body


def test_another_coachs_lifters_are_not_there(client: Client, other_client: Client) -> None:
    lifter = _lifter(client, "Maren Oduya")
    run_pending(client.store, NOW)
    assert "Maren Oduya" in client.get("/").text
    assert "Maren Oduya" not in other_client.get("/").text
    assert other_client.get(f"/lifters/{lifter.id}/settings").status_code == 404
    assert other_client.get("/lifters/999999/settings").status_code == 404


@pytest.mark.parametrize("size", [1, 60])
def test_the_page_takes_three_statements_whatever_the_size(client: Client, size: int) -> None:
    for number in range(size):
        _lifter(client, f"Lifter {number:03d}")
    run_pending(client.store, NOW)
    client.get("/")
    with statements(client.store) as seen:
        body = client.get("/").text
    assert len(_names(body)) == size
    assert len(seen) <= 3, seen


def test_a_part_is_sent_to_htmx(client: Client, mixed: dict[str, Lifter]) -> None:
    part = client.get("/", params={"find": "maren"}, headers={"HX-Request": "true"})
    assert part.text.lstrip().startswith('<div id="rows"')
    assert _names(part.text) == ["Maren Oduya"]
    assert "HX-Request" in part.headers["Vary"]


def test_the_page_looks_again_only_while_somebody_waits(client: Client) -> None:
    _lifter(client, "Maren Oduya")
    assert 'hx-trigger="load' in client.get("/").text
    run_pending(client.store, NOW)
    assert 'hx-trigger="load' not in client.get("/").text


def test_a_new_log_and_a_new_day_change_the_row(client: Client, now: list[Any]) -> None:
    lifter = _lifter(client, "Maren Oduya", time_zone="Asia/Tokyo")  # 21:00 there.
    squat = make_exercise(client.store, coach=client.coach)
    train(World(client.store, client.coach, lifter, squat), until=TODAY - 2)
    run_pending(client.store, NOW)
    assert "last log </span>Sat" in client.get("/").text
    log_sets(client.store, lifter, squat, TODAY, [(100.0, 5, 8.0)])
    with client.store.transaction() as db:
        lifters.mark_stale(db, [lifter.id], NOW)
    assert "updating" in client.get("/").text
    run_pending(client.store, NOW)
    assert "last log </span>today" in client.get("/").text
    now[0] = NOW + timedelta(hours=4)
    body = client.get("/").text
    assert "last log </span>yesterday" in body
    assert "as of 9 Mar" in body


def test_a_report_of_pain_is_at_the_top(client: Client, mixed: dict[str, Lifter]) -> None:
    squat = make_exercise(client.store, coach=client.coach, name="Front squat")
    report_pain(World(client.store, client.coach, mixed["fine"], squat), TODAY, 7)
    recompute(client.store, mixed["fine"].id, now=NOW)
    body = client.get("/").text
    assert _names(body)[0] == "Priya Venn"
    assert "Knee pain reported, front squat" in body


def test_views_are_saved_named_replaced_and_removed(client: Client, mixed: dict[str, Lifter]) -> None:
    answer = client.post(
        "/roster/views", data={"view": "Quiet ones", "show": "silent", "find": "", "order": "name"}
    )
    assert answer.headers["location"] == "/?show=silent&order=name"
    body = client.get(answer.headers["location"]).text
    assert 'href="/?show=silent&amp;order=name" aria-current="true">Quiet ones' in body
    client.post("/roster/views", data={"view": "Quiet ones", "show": "fine"})
    body = client.get("/").text
    assert body.count(">Quiet ones</a>") == 2  # In the line of views and beside its remove button.
    assert 'href="/?show=fine"' in body
    (number,) = set(re.findall(r"/roster/views/(\d+)/remove", body))
    client.post(f"/roster/views/{number}/remove")
    assert "Quiet ones" not in client.get("/").text


def test_a_view_needs_a_name(client: Client, mixed: dict[str, Lifter]) -> None:
    answer = client.post("/roster/views", data={"view": " ", "show": "silent"})
    assert answer.status_code == 422
    assert "Enter a name for this view" in answer.text
    assert "<title>Error: " in answer.text


def test_another_coach_cannot_remove_a_view(client: Client, other_client: Client) -> None:
    _lifter(client, "Maren Oduya")
    client.post("/roster/views", data={"view": "Mine", "show": "fine"})
    number = re.findall(r"/roster/views/(\d+)/remove", client.get("/").text)[0]
    other_client.post(f"/roster/views/{number}/remove")
    assert "Mine" in client.get("/").text
