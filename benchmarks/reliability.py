"""What a full gym asks of one server: fifty phones, each saving a set every three seconds."""

from __future__ import annotations

import json
import tempfile
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from functools import cache, partial
from pathlib import Path

import numpy as np

from benchmarks.figures import Figure, most
from benchmarks.server import Connection, running

PHONES, EVERY_S, FOR_S = 50, 3.0, 30.0


@cache
def load() -> tuple[tuple[float, ...], int]:
    """How long each write took [ms], and how many were not answered with "saved"."""
    from app.storage.engine import Store
    from app.web.pages import LIFTER_COOKIE, csrf_token
    from tests.factories import make_coach, make_exercise, make_lifter
    from tests.phone_factories import phone_token

    now = datetime.now(UTC)
    with tempfile.TemporaryDirectory() as folder:
        database = Path(folder) / "terrace.db"
        store = Store(f"sqlite:///{database}")
        store.migrate()
        coach = make_coach(store)
        squat = make_exercise(store, coach=coach)
        people = [make_lifter(store, coach=coach, name=f"Lifter {n}") for n in range(PHONES)]
        tokens = [phone_token(store, one, now) for one in people]
        store.close()
        took: list[float] = []
        failed: list[int] = []

        def phone(number: int, port: int, until: float) -> None:
            token = tokens[number]
            headers = {
                "Content-Type": "application/json",
                "Cookie": f"{LIFTER_COOKIE}={token}",
                "X-CSRF": csrf_token(token),
            }
            connection = Connection(port)
            time.sleep(EVERY_S * number / PHONES)
            count = 0
            while (due := time.monotonic()) < until:
                count += 1
                write = {
                    "id": f"load-{number:06d}-{count:06d}", "kind": "set", "exercise": squat.id,
                    "number": count, "load": "100", "unit": "kg", "reps": 5, "session": f"n{number:015d}",
                    "at": int(time.time() * 1000), "offset": 0,
                }  # fmt: skip
                body = {"lifter": people[number].id, "sent_at": int(time.time() * 1000), "writes": [write]}
                try:
                    status, _ = connection.send("POST", "/sync", json.dumps(body).encode(), headers)
                except OSError:
                    status = 0
                took.append((time.monotonic() - due) * 1000)
                if status != 200:
                    failed.append(status)
                time.sleep(max(0.0, EVERY_S - (time.monotonic() - due)))
            connection.close()

        with running("app", database) as connection:
            until = time.monotonic() + FOR_S
            threads = [
                threading.Thread(target=phone, args=(n, connection.port, until)) for n in range(PHONES)
            ]
            for one in threads:
                one.start()
            for one in threads:
                one.join()
        return tuple(took), len(failed)


def percentile(share: float) -> float:
    return float(np.percentile(load()[0], share))


def errors() -> float:
    return float(load()[1])


HOW = "fifty phones, each saving a set every three seconds for half a minute"
SLOW: list[tuple[str, float, Callable[[], float]]] = [
    ("reliability.write_p95", 150, partial(percentile, 95)),
    ("reliability.write_p99", 500, partial(percentile, 99)),
]
FIGURES = [
    *(Figure(name, "ms", most(limit), measure, HOW) for name, limit, measure in SLOW),
    Figure("reliability.errors", "writes", most(0), errors, HOW + ": how many were not saved"),
]
