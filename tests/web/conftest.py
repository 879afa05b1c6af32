"""Three people at the door: the coach, another coach and nobody. Every page fetched is checked."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi.testclient import TestClient

from app.config import Settings
from app.log import logger
from app.main import create_app
from app.planning import access as accounts
from app.planning import accounts as tokens
from app.storage import access
from app.storage.engine import Store
from app.storage.models import Coach, Lifter
from app.web.pages import COACH_COOKIE, LIFTER_COOKIE, csrf_token
from tests.factories import NOW, make_coach

VOID_OF_LABELS = {"hidden", "submit", "button", "image"}


class Page(HTMLParser):
    """What a page says of itself that can be checked without eyes."""

    def __init__(self, body: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.labels: set[str] = set()
        self.fields: list[dict[str, str | None]] = []
        self.wrapped = 0
        self.problems: list[str] = []
        self.forms: list[dict[str, Any]] = []
        self.feed(body)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        if named.get("id"):
            self.ids.append(str(named["id"]))
        if "style" in named or any(name.startswith("on") for name in named):
            self.problems.append(f"inline style or script on <{tag}>")
        if (
            tag == "script"
            and "src" not in named
            and named.get("type")
            not in (
                "application/json",
                "application/ld+json",
            )
        ):
            self.problems.append("inline script")
        if tag == "label":
            self.wrapped += 1
            if named.get("for"):
                self.labels.add(str(named["for"]))
        if tag == "form":
            self.forms.append({"method": (named.get("method") or "get").lower(), "csrf": False})
        if tag == "input" and named.get("name") == "csrf" and self.forms:
            self.forms[-1]["csrf"] = True
        if tag in ("input", "select", "textarea") and named.get("type") not in VOID_OF_LABELS:
            self.fields.append(named | {"wrapped": "yes" if self.wrapped else None})

    def handle_endtag(self, tag: str) -> None:
        if tag == "label":
            self.wrapped -= 1


def check_page(response: httpx.Response) -> None:
    """Fail on a page without title or label, with doubled ids, inline script, or an unguarded form."""
    if "text/html" not in response.headers.get("content-type", ""):
        return
    body = response.text
    parsed = Page(body)
    problems = list(parsed.problems)
    if "<!doctype html>" in body:
        title = re.search(r"<title>(.+?)</title>", body, re.DOTALL)
        if title is None or not title.group(1).strip():
            problems.append("no title")
        if body.count("<h1") != 1:
            problems.append(f"{body.count('<h1')} level-one headings")
    problems += [f"id {one} twice" for one, count in Counter(parsed.ids).items() if count > 1]
    for field in parsed.fields:
        if not (
            field.get("id") in parsed.labels
            or field["wrapped"]
            or field.get("aria-label")
            or field.get("aria-labelledby")
        ):
            problems.append(f"field {field.get('name')} has no label")
    problems += [
        "a form that posts has no token"
        for one in parsed.forms
        if one["method"] == "post" and not one["csrf"]
    ]
    assert problems == [], f"{response.request.url}: {problems}"


class Client(TestClient):
    """A browser without JavaScript that sends the right form token and checks each page."""

    store: Store
    coach: Coach
    now: list[datetime]
    secret: str = ""

    def request(self, method: str, url: Any, **options: Any) -> httpx.Response:  # type: ignore[override]
        if method.upper() not in ("GET", "HEAD", "OPTIONS") and self.secret and options.pop("csrf", True):
            options["headers"] = {"X-CSRF": csrf_token(self.secret)} | (options.get("headers") or {})
        response = super().request(method, url, **options)
        check_page(response)
        return response


def open_client(store: Store, now: list[datetime], **settings: Any) -> Client:
    logger.quiet = True
    # Files a test sends land beside its own database.
    folder = Path(store.engine.url.database or ".").parent
    given = {"worker": False, "data_dir": folder} | settings
    app = create_app(Settings(**given), store=store, clock=lambda: now[0])
    client = Client(app, base_url="http://127.0.0.1:8000", follow_redirects=False)
    client.store, client.now = store, now
    return client


def sign_in(client: Client, coach: Coach) -> Client:
    with client.store.transaction() as db:
        client.secret = access.open_coach_session(db, coach, device="test", at=client.now[0])
    client.cookies.set(COACH_COOKIE, client.secret)
    client.coach = coach
    return client


def sign_in_lifter(client: Client, lifter: Lifter) -> Client:
    """The phone of this lifter, its private link already opened."""
    from datetime import timedelta

    with client.store.transaction() as db:
        token = access.issue_link(db, lifter, at=client.now[0], valid=timedelta(days=30))
    client.secret = accounts.open_link(client.store, token, device="phone", address="test", now=client.now[0])
    client.cookies.set(LIFTER_COOKIE, client.secret)
    return client


@pytest.fixture
def now() -> list[datetime]:
    """The time of day, in a list so that a test can move it."""
    return [NOW]


@pytest.fixture
def nobody(store: Store, now: list[datetime]) -> Iterator[Client]:
    """A browser that nobody is signed in on."""
    with open_client(store, now) as client:
        yield client


@pytest.fixture
def client(store: Store, now: list[datetime]) -> Iterator[Client]:
    """The coach's browser."""
    with open_client(store, now) as opened:
        yield sign_in(opened, make_coach(store))


@pytest.fixture
def other_client(client: Client, store: Store, now: list[datetime]) -> Iterator[Client]:
    """Another coach's browser on the same server."""
    with open_client(store, now) as opened:
        yield sign_in(opened, make_coach(store, name="Other", login="other@example.org", club="Elsewhere"))


@pytest.fixture
def reading(client: Client) -> Any:
    """A program of the coach's that may read."""
    from tests.web.programs import Program

    return Program(client, tokens.issue_token(client.store, client.coach, "reads", "read", now=NOW))


@pytest.fixture
def writing(client: Client) -> Any:
    """A program of the coach's that may read and write."""
    from tests.web.programs import Program

    return Program(client, tokens.issue_token(client.store, client.coach, "writes", "write", now=NOW))


@pytest.fixture
def foreign(other_client: Client) -> Any:
    """A program of another coach's, who has lifters of their own."""
    from tests.web.programs import Program

    return Program(
        other_client, tokens.issue_token(other_client.store, other_client.coach, "own", "write", now=NOW)
    )
