"""A set that was said to be saved is there after the server is killed, once; and nothing nobody sent is."""

from __future__ import annotations

import http.client
import json
import random
import sqlite3
import threading
import time
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from app.storage.engine import Store
from app.web.pages import LIFTER_COOKIE, csrf_token
from tests.factories import make_coach
from tests.phone_factories import World, make_world, phone_token
from tests.reliability.servers import Nursery, free_port

CYCLES = 50
CLIENTS = 5


class Client(threading.Thread):
    """A phone that sends sets as fast as it can, and sends again what was not answered."""

    def __init__(self, number: int, world: World, token: str, port: int) -> None:
        super().__init__(daemon=True)
        self.number, self.world, self.token, self.port = number, world, token, port
        self.sent: set[str] = set()
        self.saved: set[str] = set()
        self.pending: list[dict[str, Any]] = []
        self.retried = 0
        self.going = True
        self.random = random.Random(number)

    def run(self) -> None:
        while self.going:
            try:
                connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=5)
                while self.going:
                    self.exchange(connection)
            except (OSError, http.client.HTTPException):
                time.sleep(0.01)
            finally:
                connection.close()

    def exchange(self, connection: http.client.HTTPConnection) -> None:
        again = len(self.pending)
        if not again:
            self.pending = [self.write() for _ in range(self.random.choice([1, 1, 1, 5]))]
        self.sent |= {one["id"] for one in self.pending}
        body = json.dumps(
            {"lifter": self.world.lifter.id, "sent_at": int(time.time() * 1000), "writes": self.pending}
        )
        headers = {
            "Cookie": f"{LIFTER_COOKIE}={self.token}",
            "X-CSRF": csrf_token(self.token),
            "Content-Type": "application/json",
            "Accept": "application/json",
        }
        connection.request("POST", "/sync", body, headers)
        self.retried += again
        answer = connection.getresponse()
        said = answer.read()
        assert answer.status == 200, said
        answers = json.loads(said)["answers"]
        assert [one["id"] for one in answers] == [one["id"] for one in self.pending]
        self.saved |= {one["id"] for one in answers if one["state"] == "saved"}
        self.pending = []

    def write(self) -> dict[str, Any]:
        count = len(self.sent) + len(self.pending) + self.random.randrange(1_000_000) * 1_000_000
        identity = f"kill-{self.number}-{count:016d}"
        return {
            "id": identity,
            "kind": "set",
            "exercise": self.world.deadlift.id,
            "number": 1,
            "load": "100",
            "unit": "kg",
            "reps": 5,
            "note": identity,  # so that the row itself says which write it is
            # A lifter's day holds 10 000 sets: spread them over days, a session each.
            "session": f"n{self.number:015d}{count % 300:04d}",
            "day": datetime.fromtimestamp(time.time() - 86_400 * (count % 300), UTC).date().isoformat(),
        }


def rows(path: Path) -> list[str]:
    connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        return [
            note for (note,) in connection.execute("SELECT note FROM logged_sets WHERE note LIKE 'kill-%'")
        ]
    finally:
        connection.close()


@pytest.mark.timeout(170)
def test_every_acknowledged_set_survives_fifty_kills_once(tmp_path: Path) -> None:
    path = tmp_path / "terrace.db"
    url = f"sqlite:///{path}"
    store = Store(url)
    store.migrate()
    now = datetime.now(UTC)
    worlds = [
        make_world(store, coach=make_coach(store, login=f"{n}@example.org"), today=now.date().toordinal())
        for n in range(CLIENTS)
    ]
    port = free_port()
    clients = [
        Client(n, world, phone_token(store, world.lifter, now), port) for n, world in enumerate(worlds)
    ]
    store.close()
    nursery = Nursery()
    chance = random.Random(7)
    slowest = 0.0
    try:
        nursery.start(url, port)
        for one in clients:
            one.start()
        for cycle in range(CYCLES):
            time.sleep(chance.uniform(0.05, 0.8))
            nursery.kill()
            saved = set().union(*(one.saved for one in clients))
            slowest = max(slowest, nursery.start(url, port))
            lost = saved - set(rows(path))
            assert lost == set(), f"cycle {cycle}: {len(lost)} acknowledged sets are gone"
        deadline = time.monotonic() + 10
        while any(one.pending for one in clients) and time.monotonic() < deadline:
            time.sleep(0.05)
        for one in clients:
            one.going = False
        for one in clients:
            one.join(10)
    finally:
        nursery.close()
    saved = set().union(*(one.saved for one in clients))
    sent = set().union(*(one.sent for one in clients))
    stored = Counter(rows(path))
    retried = sum(one.retried for one in clients)
    print(
        f"{CYCLES} kills: {len(saved)} acknowledged, {len(stored)} stored, {len(sent)} sent, "
        f"{retried} sent again, ready again in {slowest:.2f} s at most"
    )
    assert len(saved) > 20 * CYCLES, "too little was written to prove anything"
    assert saved <= set(stored)
    assert set(stored) <= sent
    assert [note for note, count in stored.items() if count > 1] == []
    assert slowest <= 5
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    connection.close()
