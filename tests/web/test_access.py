"""Sign-in, sessions and what every answer carries."""

from __future__ import annotations

from datetime import timedelta

import pytest

from app.planning import access as accounts
from app.storage.engine import Store
from tests.factories import NOW, make_coach
from tests.web.conftest import Client, open_client, sign_in

ACCOUNT = {
    "name": "Ines Marto",
    "login": "ines@example.org",
    "password": "salt harbour iron tide",
    "club": "Saltmarsh",
    "unit": "kg",
    "time_zone": "Europe/Lisbon",
}


def visit(client: Client, address: str) -> str:
    """Fetch a page as a new visitor and keep the secret its form token belongs to."""
    client.get(address)
    client.secret = client.cookies["terrace_visit"]
    return client.secret


def test_the_first_account_needs_the_code_from_the_console(nobody: Client) -> None:
    code = accounts.issue_setup_code(nobody.store, now=NOW)
    assert nobody.get("/sign-in").headers["location"] == "/set-up"
    visit(nobody, "/set-up")
    wrong = nobody.post("/set-up", data=ACCOUNT | {"code": "guess"})
    assert wrong.status_code == 422
    assert "Code is not the one on the console" in wrong.text
    assert 'value="Ines Marto"' in wrong.text
    assert ACCOUNT["password"] not in wrong.text
    right = nobody.post("/set-up", data=ACCOUNT | {"code": code})
    assert right.status_code == 303
    assert nobody.get("/set-up").headers["location"] == "/sign-in"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"password": "short"}, "Password must be 10 characters or more"),
        ({"password": "password123"}, "guessed first"),
        ({"time_zone": "Lisbon"}, "Enter your time zone as an area and a city"),
        ({"name": ""}, "Enter your name"),
        ({"unit": "stone"}, "Choose kilograms or pounds"),
    ],
)
def test_an_answer_that_cannot_be_taken_is_explained(
    nobody: Client, change: dict[str, str], words: str
) -> None:
    code = accounts.issue_setup_code(nobody.store, now=NOW)
    visit(nobody, "/set-up")
    answer = nobody.post("/set-up", data=ACCOUNT | {"code": code} | change)
    assert answer.status_code == 422
    assert words in answer.text
    assert "<title>Error: " in answer.text


def test_sign_in_and_out(nobody: Client) -> None:
    make_coach(nobody.store, password_hash=accounts.hash_password(ACCOUNT["password"]))
    visit(nobody, "/sign-in")
    nobody.cookies.delete("terrace_visit")
    nobody.cookies.set("terrace_visit", nobody.secret)
    wrong = nobody.post("/sign-in", data={"login": "ines@example.org", "password": "not this one"})
    unknown = nobody.post("/sign-in", data={"login": "nobody@example.org", "password": "not this one"})
    assert wrong.status_code == unknown.status_code == 422
    assert "do not belong together" in wrong.text
    assert "do not belong together" in unknown.text
    right = nobody.post("/sign-in", data={"login": " INES@example.org", "password": ACCOUNT["password"]})
    assert (right.status_code, right.headers["location"]) == (303, "/")
    cookie = right.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=lax" in cookie
    old = nobody.cookies["terrace"]
    nobody.secret = old
    assert nobody.post("/sign-out").status_code == 303
    nobody.cookies.set("terrace", old)
    assert nobody.get("/account").headers["location"] == "/sign-in"


def test_guessing_is_limited_and_the_owner_is_let_in_later(nobody: Client) -> None:
    make_coach(nobody.store, password_hash=accounts.hash_password(ACCOUNT["password"]))
    visit(nobody, "/sign-in")
    tries = [
        nobody.post(
            "/sign-in", data={"login": "ines@example.org", "password": f"guess number {n}"}
        ).status_code
        for n in range(12)
    ]
    assert tries == [422] * 10 + [429] * 2
    nobody.now[0] += timedelta(minutes=6)
    good = {"login": "ines@example.org", "password": ACCOUNT["password"]}
    assert nobody.post("/sign-in", data=good).status_code == 303


def test_a_sign_in_link_is_used_by_the_button_not_by_looking(nobody: Client) -> None:
    make_coach(nobody.store)
    code = accounts.issue_sign_in_link(nobody.store, "ines@example.org", now=NOW)
    visit(nobody, f"/sign-in/{code}")
    assert nobody.get(f"/sign-in/{code}").status_code == 200
    assert nobody.post(f"/sign-in/{code}").status_code == 303
    nobody.cookies.delete("terrace")
    again = nobody.post(f"/sign-in/{code}")
    assert again.status_code == 410
    assert "was used or has expired" in again.text


def test_sessions_end_when_idle_and_at_last(store: Store) -> None:
    now = [NOW]
    with open_client(store, now) as browser:
        sign_in(browser, make_coach(store))
        for _ in range(70):
            now[0] += timedelta(hours=11)
            if browser.get("/account").status_code == 303:
                break
        assert timedelta(days=30) < now[0] - NOW <= timedelta(days=31)
    now[0] = NOW
    with open_client(store, now) as browser:
        sign_in(browser, make_coach(store, login="second@example.org"))
        now[0] += timedelta(hours=13)
        assert browser.get("/account").headers["location"] == "/sign-in"


@pytest.mark.parametrize(
    "headers",
    [
        {"X-CSRF": "guess"},
        {"X-CSRF": ""},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Origin": "https://elsewhere.example"},
        {"Origin": "null"},
    ],
)
def test_a_change_from_elsewhere_is_refused(client: Client, headers: dict[str, str]) -> None:
    answer = client.post("/sign-out", headers=headers)
    assert answer.status_code == 403
    assert client.get("/account").status_code == 200


def test_every_answer_carries_the_security_headers(nobody: Client) -> None:
    make_coach(nobody.store)
    for address in ("/sign-in", "/health", "/lib/htmx.min.js", "/nothing-here", "/static/css/layout.css"):
        answer = nobody.get(address)
        assert "default-src 'none'" in answer.headers["content-security-policy"]
        assert "unsafe" not in answer.headers["content-security-policy"]
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert answer.headers["content-type"].startswith(("text/", "application/"))


def test_a_missing_page_is_a_sentence_not_a_trace(nobody: Client) -> None:
    answer = nobody.get("/lifters/99999999999999999999/nowhere")
    assert answer.status_code == 404
    assert "There is nothing at this address, or it is not yours." in answer.text


def test_other_methods_are_named_as_such(nobody: Client) -> None:
    answer = nobody.request("DELETE", "/health", headers={"Sec-Fetch-Site": "none"})
    assert answer.status_code == 405


def test_a_body_over_the_limit_is_refused_before_it_is_read(store: Store) -> None:
    with open_client(store, [NOW], upload_limit_mb=1) as browser:
        sign_in(browser, make_coach(store))
        answer = browser.post("/sign-out", content=b"x" * 1_200_000)
    assert answer.status_code == 413
    assert "A request may hold 1 MB" in answer.text


def test_health_tells_version_and_database(nobody: Client) -> None:
    assert nobody.get("/health").json()["database"] == "ok"


def test_cookies_are_bound_to_the_host_when_served_by_tls(store: Store) -> None:
    with open_client(store, [NOW], https=True) as browser:
        make_coach(store)
        answer = browser.get("/sign-in")
    assert "__Host-terrace_visit=" in answer.headers["set-cookie"]
    assert "Secure" in answer.headers["set-cookie"]
    assert answer.headers["strict-transport-security"] == "max-age=31536000"
