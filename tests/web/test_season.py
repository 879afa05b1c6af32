"""The season over HTTP: read, changed by buttons with and without htmx, refused in words."""

from __future__ import annotations

from datetime import timedelta

import httpx
import pytest

from app.planning import blocks, drafts
from app.storage.models import Block, Lifter
from tests.factories import NOW, TODAY, make_lifter
from tests.planning.test_blocks import a_plan
from tests.web.conftest import Client

HTMX = {"HX-Request": "true"}


@pytest.fixture
def season(client: Client) -> tuple[Lifter, Block, Block]:
    """A block running since a week, and one after it."""
    lifter = make_lifter(client.store, coach=client.coach, goal="Spring meet", goal_day=TODAY + 70)
    made = [
        blocks.assign(
            client.store,
            client.coach,
            lifter.id,
            a_plan(weeks=3, name=name),
            start_day=start,
            now=NOW - timedelta(days=7),
        )
        for name, start in (("Now", TODAY - 7), ("Next", TODAY + 14))
    ]
    return lifter, made[0], made[1]


def press(
    client: Client, lifter: Lifter, block: Block, what: str, version: int = 1, *, htmx: bool = False
) -> httpx.Response:
    form = {"do": what, "block": str(block.id), "version": str(version)}
    answer: httpx.Response = client.post(
        f"/lifters/{lifter.id}/season", data=form, headers=HTMX if htmx else {}
    )
    return answer


def test_the_season_reads_to_the_goal_with_drafts(
    client: Client, season: tuple[Lifter, Block, Block]
) -> None:
    lifter = season[0]
    drafts.start(client.store, client.coach, lifter.id, a_plan(name="Idea"), start_day=TODAY + 49, now=NOW)
    text = client.get(f"/lifters/{lifter.id}/season").text
    assert "Spring meet on Mon 18 May 2026: 10 weeks left" in text
    assert "draft, not on the phone" in text
    assert text.count('<g class="draft">') == 1
    assert "1 week free" not in text
    assert "2 weeks free" in text


def test_a_button_moves_a_block_and_says_so(client: Client, season: tuple[Lifter, Block, Block]) -> None:
    lifter, _, following = season
    answer = press(client, lifter, following, "later", htmx=True)
    assert answer.status_code == 200
    assert "<html" not in answer.text
    assert "“Next” begins on 30 Mar." in answer.text
    assert "1 week free" in answer.text
    plain = press(client, lifter, following, "earlier", version=2)
    assert (plain.status_code, plain.headers["location"]) == (303, f"/lifters/{lifter.id}/season")


@pytest.mark.parametrize(
    ("what", "words"),
    [
        ("earlier", "“Next” cannot begin on 16 Mar"),
        ("dance", "Choose what to do with a block"),
        ("close", "Nothing follows “Next”"),
    ],
)
def test_what_cannot_be_is_refused_in_words(
    client: Client, season: tuple[Lifter, Block, Block], what: str, words: str
) -> None:
    lifter, _, following = season
    answer = press(client, lifter, following, what)
    assert answer.status_code == 422
    assert words in answer.text


def test_a_change_of_a_season_seen_too_early_is_not_made(
    client: Client, season: tuple[Lifter, Block, Block]
) -> None:
    lifter, _, following = season
    press(client, lifter, following, "later")
    again = press(client, lifter, following, "later")
    assert again.status_code == 422
    assert "Somebody else changed this block meanwhile" in again.text


def test_a_block_is_taken_out(client: Client, season: tuple[Lifter, Block, Block]) -> None:
    lifter, _, following = season
    assert "“Next” was taken out" in press(client, lifter, following, "remove", htmx=True).text
    assert client.get(f"/blocks/{following.id}").status_code == 404


def test_another_coach_finds_no_season(
    client: Client, other_client: Client, nobody: Client, season: tuple[Lifter, Block, Block]
) -> None:
    lifter, _, following = season
    assert other_client.get(f"/lifters/{lifter.id}/season").status_code == 404
    assert press(other_client, lifter, following, "later").status_code == 404
    theirs = make_lifter(other_client.store, coach=other_client.coach)
    assert press(other_client, theirs, following, "later").status_code == 404
    assert nobody.get(f"/lifters/{lifter.id}/season").status_code == 303
