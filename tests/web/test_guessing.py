"""Guessing gets nowhere, learns nothing, and does not keep the rightful owner out."""

from __future__ import annotations

import re
from datetime import timedelta

import httpx
import pytest

from app.planning import access as signing
from app.storage import access
from app.web.pages import csrf_token
from tests.factories import NOW, make_coach
from tests.phone_factories import make_world
from tests.web.conftest import Client, open_client

RIGHT, WRONG = "salt harbour iron tide", "not the password of anybody"
HOME, ELSEWHERE = "198.51.100.7", "203.0.113.{}"
TRIALS = 200


@pytest.fixture
def door(nobody: Client) -> Client:
    """The sign-in page, reached through a proxy that says where each caller is."""
    make_coach(nobody.store, login="ines@example.org", password_hash=signing.hash_password(RIGHT))
    settings = {"trusted_proxies": ("testclient",)}
    opened = open_client(nobody.store, nobody.now, **settings)
    opened.get("/sign-in")
    opened.secret = opened.cookies["terrace_visit"]
    return opened


def knock(door: Client, login: str, password: str, address: str) -> httpx.Response:
    headers = {"X-Forwarded-For": address}
    kept = dict(door.cookies)
    answer = door.post("/sign-in", data={"login": login, "password": password}, headers=headers)
    door.cookies.clear()
    door.cookies.update(kept)
    return answer


def test_tries_beyond_the_limit_are_not_evaluated(door: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    evaluated = [0]
    verify = type(signing.HASHER).verify

    def counted(self: object, *given: str) -> bool:
        evaluated[0] += 1
        return bool(verify(signing.HASHER, *given))

    monkeypatch.setattr(type(signing.HASHER), "verify", counted)
    answers = [
        knock(door, "ines@example.org", WRONG, ELSEWHERE.format(n % 200)).status_code for n in range(TRIALS)
    ]
    assert answers == [422] * 10 + [429] * (TRIALS - 10)
    assert evaluated == [10]
    # Not even the right password is looked at: a guesser who hits it does not learn so.
    assert knock(door, "ines@example.org", RIGHT, ELSEWHERE.format(1)).status_code == 429
    assert evaluated == [10]
    # From one address no more than thirty, whatever the names.
    many = [knock(door, f"{n}@example.org", WRONG, "192.0.2.9").status_code for n in range(40)]
    assert many == [422] * 30 + [429] * 10
    print(f"{TRIALS + 41} tries, {evaluated[0]} evaluated")
    assert evaluated == [40]


def test_a_known_and_an_unknown_name_get_the_same_answer(door: Client) -> None:
    seen = []
    for login in ("ines@example.org", "nina@example.org"):
        answers = [knock(door, login, WRONG, ELSEWHERE.format(n)) for n in range(12)]
        seen.append(
            [
                (
                    one.status_code,
                    one.text.replace(login, "LOGIN"),
                    {k: v for k, v in one.headers.items() if k not in ("date", "content-length")},
                )
                for one in answers
            ]
        )
    assert seen[0] == seen[1]
    assert {one[0] for one in seen[0]} == {422, 429}


def test_an_unknown_name_costs_the_same_work(door: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    # Counted, not timed: one hash with the same parameters is compared either way.
    compared: list[str] = []
    verify = type(signing.HASHER).verify

    def counted(self: object, stored: str, password: str) -> bool:
        compared.append(stored.rsplit("$", 2)[0])
        return bool(verify(signing.HASHER, stored, password))

    monkeypatch.setattr(type(signing.HASHER), "verify", counted)
    knock(door, "ines@example.org", WRONG, HOME)
    knock(door, "nina@example.org", WRONG, HOME)
    assert len(compared) == 2
    assert compared[0] == compared[1]


def test_the_owner_gets_in_within_minutes_though_somebody_goes_on_guessing(door: Client) -> None:
    # She has signed in from home before; then somebody elsewhere tries every half minute for an hour.
    assert knock(door, "ines@example.org", RIGHT, HOME).status_code == 303
    door.now[0] += timedelta(days=3)
    refused = 0
    for n in range(120):
        door.now[0] += timedelta(seconds=30)
        refused += knock(door, "ines@example.org", WRONG, ELSEWHERE.format(n % 200)).status_code == 429
    assert refused > 90
    assert knock(door, "ines@example.org", RIGHT, HOME).status_code == 303
    # And from somewhere new once the guessing has ended, within one refill.
    door.now[0] += timedelta(minutes=5)
    assert knock(door, "ines@example.org", RIGHT, "192.0.2.55").status_code == 303


def test_guessing_from_the_owners_own_address_is_limited_too(door: Client) -> None:
    assert knock(door, "ines@example.org", RIGHT, HOME).status_code == 303
    answers = [knock(door, "ines@example.org", WRONG, HOME).status_code for _ in range(20)]
    assert answers == [422] * 10 + [429] * 10


def test_guessed_links_and_codes_are_limited_and_a_true_one_beyond_is_not_opened(door: Client) -> None:
    world = make_world(door.store, coach=make_coach(door.store, login="o@example.org"))
    with door.store.transaction() as db:
        link = access.issue_link(db, world.lifter, at=NOW, valid=timedelta(days=30))
        code = access.issue_code(
            db, purpose="sign-in", coach_id=world.coach.id, at=NOW, valid=timedelta(days=1)
        )
    for kind, true, refused in (("open", link, 404), ("sign-in", code, 410)):
        headers = {"X-Forwarded-For": ELSEWHERE.format(4)}
        answers = [door.post(f"/{kind}/guess{n}", headers=headers) for n in range(TRIALS)]
        assert [one.status_code for one in answers] == [refused] * 30 + [429] * (TRIALS - 30)
        assert door.post(f"/{kind}/{true}", headers=headers).status_code == 429
        bodies = {re.sub(r"guess\d+", "GUESS", one.text) for one in answers[:30]}
        assert len(bodies) == 1
        # Elsewhere, and here after a minute, the owner of the true one gets in.
        door.now[0] += timedelta(minutes=1)
        assert door.post(f"/{kind}/{true}", headers=headers).status_code == 303
        door.secret = door.cookies["terrace_visit"]
    assert csrf_token(door.secret)
