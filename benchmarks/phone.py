"""What the phone was promised: a set saved nearly as fast as the machine can, a light page, nothing lost."""

from __future__ import annotations

import http.client
import json
import multiprocessing
import socket
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any

from benchmarks.figures import Figure, least, most, p10

ROUNDS, PER_ROUND = 12, 60


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _serve(app: Any, port: int) -> None:
    import uvicorn

    uvicorn.run(app, host="127.0.0.1", port=port, log_level="error", loop="uvloop", http="httptools")


def _product(url: str, port: int) -> None:
    from app.config import Settings
    from app.log import logger
    from app.main import create_app

    logger.quiet = True
    _serve(create_app(Settings(database_url=url, worker=False)), port)


def _no_op(port: int) -> None:
    from fastapi import FastAPI

    app = FastAPI()

    @app.post("/sync")
    def nothing() -> dict[str, bool]:
        return {"saved": True}

    _serve(app, port)


@contextmanager
def _running(target: Callable[..., None], *arguments: Any) -> Iterator[http.client.HTTPConnection]:
    port = int(arguments[-1])
    process = multiprocessing.get_context("spawn").Process(target=target, args=arguments, daemon=True)
    process.start()
    try:
        deadline = time.monotonic() + 30
        while True:
            try:
                socket.create_connection(("127.0.0.1", port), 1).close()
                break
            except OSError:
                if time.monotonic() > deadline:
                    raise
                time.sleep(0.05)
        connection = http.client.HTTPConnection("127.0.0.1", port)
        connection.connect()
        connection.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        yield connection
        connection.close()
    finally:
        process.terminate()
        process.join(10)


def _post(connection: http.client.HTTPConnection, body: bytes, headers: dict[str, str]) -> float:
    began = time.perf_counter()
    connection.request("POST", "/sync", body, headers)
    answer = connection.getresponse()
    said = answer.read()
    taken = time.perf_counter() - began
    if answer.status != 200:
        raise RuntimeError(f"the set was not saved: {answer.status} {said[:200]!r}")
    return taken


def set_post() -> float:
    """A set saved over HTTP against (an endpoint that does nothing + one bare synced commit)."""
    from app.storage.engine import Store
    from app.web.pages import LIFTER_COOKIE, csrf_token
    from tests.phone_factories import make_world, phone_token

    now = datetime.now(UTC)
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{folder}/terrace.db"
        store = Store(url)
        store.migrate()
        world = make_world(store, today=now.date().toordinal())
        token = phone_token(store, world.lifter, now)
        store.close()
        bare = sqlite3.connect(f"{folder}/bare.db", isolation_level=None)
        bare.execute("PRAGMA journal_mode=WAL")
        bare.execute("PRAGMA synchronous=FULL")
        bare.execute(
            "CREATE TABLE sets (id INTEGER PRIMARY KEY, key TEXT UNIQUE, lifter INT, load INT, reps INT)"
        )
        bare.execute("CREATE INDEX by_lifter ON sets (lifter)")
        headers = {
            "Content-Type": "application/json",
            "Cookie": f"{LIFTER_COOKIE}={token}",
            "X-CSRF": csrf_token(token),
        }
        count = 0

        def body() -> bytes:
            nonlocal count
            count += 1
            write = {
                "id": f"benchmark-set-{count:08d}",
                "order": count,
                "kind": "set",
                "session": f"p{world.session.id}",
                "exercise": world.deadlift.id,
                "prescription": world.prescriptions[0],
                "planned_set": count % 8,
                "number": count % 8 + 1,
                "load": "177.5",
                "unit": "kg",
                "reps": 3,
                "rpe": 8,
                "at": int(time.time() * 1000),
                "offset": 0,
                "zone": "Europe/Lisbon",
                "seen": 1,
                "day": None,
                "warm_up": False,
                "failed": False,
                "note": "",
                "seconds": None,
                "metres": None,
            }
            envelope = {"lifter": world.lifter.id, "sent_at": int(time.time() * 1000), "writes": [write]}
            return json.dumps(envelope).encode()

        def commit() -> float:
            nonlocal count
            count += 1
            began = time.perf_counter()
            bare.execute("BEGIN IMMEDIATE")
            bare.execute("INSERT INTO sets (key, lifter, load, reps) VALUES (?, 1, 177500, 3)", (str(count),))
            bare.execute("COMMIT")
            return time.perf_counter() - began

        with _running(_product, url, _free_port()) as ours, _running(_no_op, _free_port()) as nothing:
            for _ in range(100):
                _post(ours, body(), headers), _post(nothing, body(), headers), commit()
            best = float("inf")
            for _ in range(3):
                saved, idle, synced = [], [], []
                for _ in range(ROUNDS):
                    saved += [_post(ours, body(), headers) for _ in range(PER_ROUND)]
                    idle += [_post(nothing, body(), headers) for _ in range(PER_ROUND)]
                    synced += [commit() for _ in range(PER_ROUND)]
                best = min(best, p10(saved) / (p10(idle) + p10(synced)))
        bare.close()
    return best


@contextmanager
def _phone() -> Iterator[tuple[Any, Any]]:
    """A lifter's phone in a real browser before a real server, and the world behind it."""
    from playwright.sync_api import sync_playwright

    from app.storage.engine import Store
    from tests.browser.conftest import CHROMIUM, FLAGS, PHONE, Visit, serve
    from tests.phone_factories import make_world

    with tempfile.TemporaryDirectory() as folder:
        store = Store(f"sqlite:///{folder}/terrace.db")
        store.migrate()
        world = make_world(store, today=datetime.now(UTC).date().toordinal(), time_zone="UTC")
        live = serve(store, worker=False)
        try:
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
                context = browser.new_context(**PHONE, timezone_id="UTC")
                hand = Visit(context, context.new_page(), live, [])
                hand.open_link(world.lifter)
                yield hand, world
                browser.close()
        finally:
            live.stop()
            store.close()


def first_load() -> float:
    """What comes over the wire, headers and all, when today's page is opened for the first time. [kB]"""
    with _phone() as (hand, _world):
        wire = hand.context.new_cdp_session(hand.page)
        received: list[float] = []
        wire.on("Network.loadingFinished", lambda event: received.append(event["encodedDataLength"]))
        wire.send("Network.enable")
        hand.goto("/today")
        hand.page.wait_for_selector("body[data-ready]")
        hand.page.wait_for_timeout(500)
    return sum(received) / 1000


def taps() -> float:
    from tests.browser.journeys import open_today, session_of_twenty

    with _phone() as (hand, _world):
        return float(session_of_twenty(open_today(hand)))


def offline_sets() -> float:
    """How many of 100 sets lifted without a network are stored once, in order, at their time."""
    from app.storage import logs
    from tests.browser.journeys import a_hundred_offline, plan_a_hundred

    with _phone() as (hand, world):
        store, today = hand.live.store, datetime.now(UTC).date().toordinal()
        in_order = plan_a_hundred(store, world, today)
        _page, lifted = a_hundred_offline(hand)
        with store.reading() as db:
            sets = logs.sets_between(db, world.lifter.id, today - 1, today + 1)
    good = sum(
        (one.exercise_id, one.planned_set) == place and abs((one.lifted_at or 0) - at) < 2
        for one, place, at in zip(sets, in_order, lifted, strict=False)
    )
    return float(good - max(len(sets) - 100, 0))


FIGURES = [
    Figure(
        "phone.set_post",
        "ratio",
        most(2.5),
        set_post,
        "a set saved over HTTP, against an endpoint that does nothing plus one bare commit with sync",
    ),
    Figure(
        "phone.first_load_kb",
        "kB",
        most(30),
        first_load,
        "everything a browser receives on opening today's page for the first time, compressed, with headers",
    ),
    Figure(
        "phone.taps_20_sets",
        "taps",
        most(45),
        taps,
        "a session of 20 sets logged as prescribed, rated and finished, counted in a browser",
    ),
    Figure(
        "phone.offline_sets",
        "sets",
        least(100),
        offline_sets,
        "of 100 lifted with the network cut and the page closed and reloaded: stored once, in order, on time",
    ),
]
