"""A real server in a thread and a real headless Chromium before it."""

from __future__ import annotations

import os
import shutil
import socket
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import uvicorn
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from app.config import Settings
from app.log import logger
from app.main import create_app
from app.planning import access as accounts
from app.storage import access
from app.storage.engine import Store
from app.storage.models import Coach, Lifter
from app.web.pages import COACH_COOKIE, LIFTER_COOKIE

CHROMIUM = os.environ.get("TERRACE_TEST_CHROMIUM") or shutil.which("chromium") or "/usr/bin/chromium"
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@dataclass
class LiveServer:
    """The app on a port of this machine, with its database at hand."""

    store: Store
    url: str
    stop: Callable[[], None]
    start: Callable[[], None]
    clock: list[timedelta] = field(default_factory=lambda: [timedelta(0)])

    def now(self) -> datetime:
        return datetime.now(UTC) + self.clock[0]


def serve(store: Store, **settings: Any) -> LiveServer:
    """Start the app on a free port; ``stop`` and ``start`` play a server that dies and comes back."""
    logger.quiet = True
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    live: LiveServer
    running: list[tuple[uvicorn.Server, threading.Thread]] = []

    def start() -> None:
        app = create_app(
            Settings(**({"worker": True, "port": port} | settings)), store=store, clock=lambda: live.now()
        )
        server = uvicorn.Server(
            uvicorn.Config(
                app,
                host="127.0.0.1",
                port=port,
                log_level="error",
                lifespan="on",
                timeout_graceful_shutdown=2,
            )
        )
        thread = threading.Thread(target=server.run, daemon=True)
        thread.start()
        deadline = time.monotonic() + 20
        while not server.started and time.monotonic() < deadline:
            time.sleep(0.01)
        assert server.started
        running.append((server, thread))

    def stop() -> None:
        if running:
            server, thread = running.pop()
            server.should_exit = True
            thread.join(20)

    live = LiveServer(store, f"http://127.0.0.1:{port}", stop, start)
    start()
    return live


@pytest.fixture
def live_server(store: Store) -> Iterator[LiveServer]:
    live = serve(store)
    yield live
    live.stop()


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


@dataclass
class Visit:
    """One browser profile, and what went wrong in it."""

    context: BrowserContext
    page: Page
    live: LiveServer
    problems: list[str]

    def sign_in(self, coach: Coach) -> None:
        with self.live.store.transaction() as db:
            token = access.open_coach_session(db, coach, device="browser", at=self.live.now())
        self.context.add_cookies([{"name": COACH_COOKIE, "value": token, "url": self.live.url}])

    def open_link(self, lifter: Lifter) -> None:
        with self.live.store.transaction() as db:
            link = access.issue_link(db, lifter, at=self.live.now(), valid=timedelta(days=90))
        token = accounts.open_link(self.live.store, link, device="phone", address="test", now=self.live.now())
        self.context.add_cookies([{"name": LIFTER_COOKIE, "value": token, "url": self.live.url}])

    def goto(self, path: str) -> None:
        self.page.goto(self.live.url + path)


@pytest.fixture
def visit(chromium: Browser, live_server: LiveServer) -> Iterator[Callable[..., Visit]]:
    """Open browser profiles; a script error, a refused resource or a request elsewhere fails the test."""
    opened: list[Visit] = []

    def make(**options: Any) -> Visit:
        context = chromium.new_context(**options)
        page = context.new_page()
        problems: list[str] = []
        page.on("pageerror", lambda error: problems.append(f"script error: {error}"))
        page.on(
            "console",
            lambda message: (
                problems.append(message.text)
                if message.type == "error" and "Content Security Policy" in message.text
                else None
            ),
        )
        page.on(
            "request",
            lambda request: (
                problems.append(f"request to {request.url}")
                if not request.url.startswith((live_server.url, "data:", "blob:", "about:"))
                else None
            ),
        )
        opened.append(Visit(context, page, live_server, problems))
        return opened[-1]

    yield make
    found = [problem for one in opened for problem in one.problems]
    for one in opened:
        one.context.close()
    assert found == []


PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
