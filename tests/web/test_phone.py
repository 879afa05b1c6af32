"""The phone's pages and its queue's address, without a browser."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any

import pytest

from app.storage import logs
from app.storage.engine import Store
from tests.factories import NOW, TODAY
from tests.phone_factories import World, make_world
from tests.web.conftest import Client, open_client, sign_in_lifter


@pytest.fixture
def world(store: Store) -> World:
    return make_world(store)


@pytest.fixture
def phone(store: Store, now: list[datetime], world: World) -> Iterator[Client]:
    with open_client(store, now) as opened:
        yield sign_in_lifter(opened, world.lifter)


def a_set(world: World, **changes: Any) -> dict[str, Any]:
    usual = {
        "id": "phone-set-0000000001",
        "kind": "set",
        "session": f"p{world.session.id}",
        "exercise": world.deadlift.id,
        "prescription": world.prescriptions[0],
        "planned_set": 0,
        "number": 1,
        "load": "177.5",
        "unit": "kg",
        "reps": 3,
        "rpe": 8,
        "at": int(NOW.timestamp() * 1000),
        "offset": 0,
        "seen": 1,
    }
    return usual | changes


def send(phone: Client, world: World, *writes: Any) -> Any:
    envelope = {"lifter": world.lifter.id, "sent_at": int(NOW.timestamp() * 1000), "writes": list(writes)}
    return phone.post("/sync", json=envelope, headers={"Accept": "application/json"})


def test_today_shows_the_session_with_what_it_steps_beyond(phone: Client) -> None:
    page = phone.get("/today").text
    assert "Heavy triples" in page
    assert "week 2 of 5" in page
    assert "First triples in 100 weeks: your recent mark is <b>172.5 kg x 5</b>, 2 Mar." in page
    assert "All-time, April 2024: 200 kg x 3." in page
    assert "Numbers under your old bests are expected until about 23 Mar" in page
    assert page.count('class="set"') == 20 + 1  # and the one in the template


def test_a_set_sent_is_stored_and_then_shown_as_saved(phone: Client, world: World, store: Store) -> None:
    answer = send(phone, world, a_set(world))
    assert answer.status_code == 200, answer.text
    assert answer.json()["answers"][0]["set"] == f"{TODAY}-0"
    with store.reading() as db:
        stored = logs.sets_between(db, world.lifter.id, TODAY, TODAY)
    assert [(one.load_grams, one.reps, one.rpe_tenths) for one in stored] == [(177_500, 3, 80)]
    assert "RPE 8, saved" in phone.get("/today").text


@pytest.mark.parametrize("address", ["/history", "/messages", "/more", "/check-in", "/pain"])
def test_every_page_of_the_phone_opens(phone: Client, address: str) -> None:
    assert phone.get(address).status_code == 200
