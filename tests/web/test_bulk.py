"""One template for many over HTTP: with scripts a few at a time, without them all at once."""

from __future__ import annotations

import re
from typing import Any

import pytest

from app.storage.models import Block, Lifter
from tests.factories import make_lifter
from tests.web.conftest import Client

HTMX = {"HX-Request": "true"}


@pytest.fixture
def people(client: Client) -> list[Lifter]:
    return [make_lifter(client.store, coach=client.coach, name=f"Lifter {n:02}") for n in range(13)]


def asked(people: list[Lifter], **more: str) -> dict[str, Any]:
    answers: dict[str, Any] = {"source": "library:novice-two-days", "lifter": [str(one.id) for one in people]}
    return answers | more


def test_without_scripts_everybody_is_compared_and_assigned_at_once(
    client: Client, people: list[Lifter]
) -> None:
    assert client.get("/blocks/assign").text.count('name="lifter"') == 13
    table = client.post("/blocks/assign/look", data=asked(people, rule="date", start="2026-03-16"))
    assert "13 compared." in table.text
    days = {f"day-{n}": day for n, day in re.findall(r'name="day-(\d+)" value="(\d+)"', table.text)}
    assert len(days) == 13
    given = client.post("/blocks/assign", data=asked(people) | days)
    assert "13 done." in given.text
    again = client.post("/blocks/assign", data=asked(people) | days)
    assert again.text.count("Not assigned.") == 13
    with client.store.reading() as db:
        assert db.query(Block).count() == 13


def test_with_scripts_the_rest_is_asked_for_row_by_row(client: Client, people: list[Lifter]) -> None:
    first = client.post("/blocks/assign/look", data=asked(people), headers=HTMX).text
    assert first.count('name="lifter"') == 10
    assert "10 of 13 compared" in first
    assert '<progress max="13" value="10">' in first
    rest = client.post("/blocks/assign/look", data=asked(people, offset="10"), headers=HTMX).text
    assert rest.count('name="lifter"') == 3
    assert "<table" not in rest
    assert "13 compared." in rest


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"lifter": []}, "Choose at least one lifter"),
        ({"source": "library:none"}, "There is no such template"),
        ({"rule": "date", "start": "soon"}, "Enter the first day as a date"),
    ],
)
def test_what_is_missing_is_said(
    client: Client, people: list[Lifter], change: dict[str, object], words: str
) -> None:
    answer = client.post("/blocks/assign/look", data=asked(people) | change)
    assert answer.status_code == 422
    assert words in answer.text


def test_another_coachs_lifters_are_left_out(
    client: Client, other_client: Client, people: list[Lifter]
) -> None:
    answer = other_client.post("/blocks/assign/look", data=asked(people))
    assert answer.status_code == 422
    days = {f"day-{one.id}": "739700" for one in people}
    assert other_client.post("/blocks/assign", data=asked(people) | days).status_code == 422
    with client.store.reading() as db:
        assert db.query(Block).count() == 0
