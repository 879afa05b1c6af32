"""What the planner was promised: an answer while one types, a sheet pasted at once, a roster assigned."""

from __future__ import annotations

import json
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from statistics import quantiles
from typing import Any

from benchmarks.figures import Figure, most, p10
from benchmarks.server import Connection, running

LIFTS = ("Squat", "Bench press", "Deadlift", "Overhead press", "Front squat")
WEEKS, DAYS, ROUNDS, PEOPLE = 12, 4, 80, 100
YEARS_OF_WEEKS = 104


@dataclass(frozen=True, slots=True)
class Bench:
    """A server with a lifter of two years' log and a draft on the desk."""

    connection: Connection
    headers: dict[str, str]
    block: int
    rows: tuple[str, ...]


def _train(store: Any, lifter: Any, known: dict[str, Any], today: int, weeks: int) -> None:
    """Four sessions a week of three lifts, in one transaction: three sets each, a little heavier monthly."""
    from app.storage import logs

    with store.transaction() as db:
        for day in (today - 7 * week - within for week in range(weeks, 0, -1) for within in (0, 2, 4, 5)):
            session = logs.add_session(db, lifter.id, day)
            chosen = [LIFTS[(day + number) % len(LIFTS)] for number in range(3)]
            logs.add_sets(
                db,
                [
                    {
                        "lifter_id": lifter.id,
                        "day": day,
                        "position": 3 * place + number,
                        "session_id": session.id,
                        "exercise_id": known[name].id,
                        "set_number": number + 1,
                        "load_grams": 100_000 + 2_500 * ((day - today + 7 * weeks) // 28),
                        "reps": (5, 8, 3, 6)[day % 4],
                        "rpe_tenths": 80,
                    }
                    for place, name in enumerate(chosen)
                    for number in range(3)
                ],
            )


def a_long_plan() -> Any:
    """Twelve weeks of four days of five lifts, every cell written."""
    from app.training import plan as plans

    plan = plans.PlanDocument(name="Long", kind="strength", weeks=WEEKS)
    for day in range(DAYS):
        plan, _ = plans.apply_all(plan, plans.add_session(plan, f"Day {day + 1}", (0, 1, 3, 4)[day]))
        for name in LIFTS:
            plan, _ = plans.apply_all(plan, plans.add_row(plan, plan.sessions[-1].id, name))
    cells = tuple(
        (row.id, week, f"{3 + week % 3} x {3 + number % 6} @ RPE {6 + week % 4}")
        for number, (_, row) in enumerate(plan.lines)
        for week in range(WEEKS)
    )
    return plans.apply_all(plan, [plans.SetCells(cells)])[0]


@contextmanager
def a_bench() -> Iterator[Bench]:
    from app.planning import analysis, drafts
    from app.storage import access
    from app.storage.engine import Store
    from app.web.pages import COACH_COOKIE, csrf_token
    from tests.factories import make_coach, make_exercise, make_lifter

    now = datetime.now(UTC)
    today = now.date().toordinal()
    with tempfile.TemporaryDirectory() as folder:
        store = Store(f"sqlite:///{folder}/terrace.db")
        store.migrate()
        coach = make_coach(store)
        lifter = make_lifter(store, coach=coach)
        known = {name: make_exercise(store, coach=coach, name=name) for name in LIFTS}
        _train(store, lifter, known, today, YEARS_OF_WEEKS)
        analysis.recompute(store, lifter.id, now=now)
        plan = a_long_plan()
        block = drafts.start(store, coach, lifter.id, plan, start_day=today, now=now)
        with store.transaction() as db:
            token = access.open_coach_session(db, coach, device="benchmark", at=now)
        store.close()
        headers = {
            "Content-Type": "application/json",
            "Cookie": f"{COACH_COOKIE}={token}",
            "X-CSRF": csrf_token(token),
        }
        with running("app", Path(folder) / "terrace.db") as connection:
            yield Bench(connection, headers, block.id, tuple(row.id for _, row in plan.lines))


def _act(bench: Bench, act: dict[str, Any], version: int) -> tuple[float, dict[str, Any]]:
    body = json.dumps({"act": act, "version": version, "pending": []}).encode()
    began = time.perf_counter()
    status, said = bench.connection.send("POST", f"/blocks/{bench.block}/do", body, bench.headers)
    taken = time.perf_counter() - began
    if status != 200:
        raise RuntimeError(f"the edit was not done: {status} {said[:200]!r}")
    answer: dict[str, Any] = json.loads(said)
    return taken, answer


@cache
def _previews() -> tuple[float, float]:
    """95th percentile of an edit answered [s], and its 10th against the bare page's."""
    edits, pages = [], []
    with a_bench() as bench:
        version = 1
        for number in range(ROUNDS + 10):
            act = {
                "do": "set",
                "row": bench.rows[number % len(bench.rows)],
                "week": number % WEEKS,
                "text": f"{2 + number % 4} x {1 + number % 9} at {70 + number % 20} %",
            }
            taken, answer = _act(bench, act, version)
            version = answer["version"]
            began = time.perf_counter()
            status, _ = bench.connection.send("GET", "/account", b"", bench.headers)
            page = time.perf_counter() - began
            if status != 200:
                raise RuntimeError(f"the bare page answered {status}")
            if number >= 10:  # The first few fill caches, as the first keys of a morning do.
                edits.append(taken)
                pages.append(page)
    return quantiles(edits, n=20, method="inclusive")[-1], p10(edits) / p10(pages)


def paste_200x10() -> float:
    """Two hundred lines of ten cells, as a spreadsheet sends them, answered; the quickest of three. [s]"""
    times = []
    with a_bench() as bench:
        version = 1
        for more in range(3):
            text = "\n".join(
                "\t".join(
                    [
                        LIFTS[line % len(LIFTS)],
                        *(
                            f"{3 + line % 3} x {3 + more + week % 5} @ RPE {6 + (line + week) % 3}"
                            for week in range(10)
                        ),
                    ]
                )
                for line in range(200)
            )
            act = {"do": "paste", "line": 0, "week": -1, "text": text}
            taken, answer = _act(bench, act, version)
            version = answer["version"]
            times.append(taken)
            if answer["left_out"] or answer["grid"].count('<tr role="row" data-row') != 200:
                raise RuntimeError("the paste did not arrive whole")
    return min(times)


@cache
def _bulk() -> tuple[float, float]:
    """One template for 100 lifters over HTTP, a few at a time: compared, and assigned. [s]"""
    from urllib.parse import urlencode

    from app.planning import analysis
    from app.storage import access
    from app.storage.engine import Store
    from app.web.pages import COACH_COOKIE, csrf_token
    from tests.factories import make_coach, make_exercise, make_lifter

    now = datetime.now(UTC)
    today = now.date().toordinal()
    with tempfile.TemporaryDirectory() as folder:
        store = Store(f"sqlite:///{folder}/terrace.db")
        store.migrate()
        coach = make_coach(store)
        known = {name: make_exercise(store, coach=coach, name=name) for name in LIFTS}
        people = [make_lifter(store, coach=coach, name=f"Lifter {number:03}") for number in range(PEOPLE)]
        for lifter in people:
            _train(store, lifter, known, today, 26)
            analysis.recompute(store, lifter.id, now=now)
        with store.transaction() as db:
            token = access.open_coach_session(db, coach, device="benchmark", at=now)
        store.close()
        headers = {
            "Content-Type": "application/x-www-form-urlencoded",
            "Cookie": f"{COACH_COOKIE}={token}",
            "X-CSRF": csrf_token(token),
            "HX-Request": "true",
        }
        form: list[tuple[str, object]] = [("source", "library:strength-five-weeks")]
        form += [("lifter", one.id) for one in people]
        with running("app", Path(folder) / "terrace.db") as connection:

            def through(path: str, more: list[tuple[str, Any]], row: bytes) -> float:
                began, offset, seen = time.perf_counter(), 0, 0
                while offset < PEOPLE:
                    body = urlencode([*form, *more, ("offset", offset)]).encode()
                    status, said = connection.send("POST", path, body, headers)
                    if status != 200:
                        raise RuntimeError(f"{path} answered {status}")
                    rows = said.count(row)
                    seen, offset = seen + rows, offset + max(rows, 1)
                if seen != PEOPLE:
                    raise RuntimeError(f"{path} answered for {seen} of {PEOPLE}")
                return time.perf_counter() - began

            compared, assigned = [], []
            for later in (7, 63):  # The quicker of two: the machine has others to serve.
                days = [(f"day-{one.id}", today + later) for one in people]
                compared.append(through("/blocks/assign/look", [("rule", "after")], b'name="lifter"'))
                assigned.append(through("/blocks/assign", days, b'<a href="/lifters/'))
        store = Store(f"sqlite:///{folder}/terrace.db")
        with store.reading() as db:
            from app.storage import blocks

            given = blocks.of_lifters(db, [one.id for one in people])
        store.close()
        if len(given) != 2 * PEOPLE:
            raise RuntimeError(f"{len(given)} blocks were assigned to {PEOPLE} lifters")
    return min(compared), min(assigned)


def keys_six_weeks() -> float:
    """Keys from the page of a new block to six weeks of two days of three lifts assigned, in Chromium."""
    from playwright.sync_api import sync_playwright

    from app.storage import access
    from app.storage.engine import Store
    from app.web.pages import COACH_COOKIE
    from tests.browser.conftest import CHROMIUM, FLAGS, serve
    from tests.browser.test_builder import six_weeks_by_keyboard
    from tests.factories import make_coach, make_lifter

    with tempfile.TemporaryDirectory() as folder:
        store = Store(f"sqlite:///{folder}/terrace.db")
        store.migrate()
        coach = make_coach(store)
        lifter = make_lifter(store, coach=coach, time_zone="UTC")
        live = serve(store, worker=False)
        with store.transaction() as db:
            token = access.open_coach_session(db, coach, device="benchmark", at=live.now())
        try:
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
                context = browser.new_context(viewport={"width": 1366, "height": 800})
                context.add_cookies([{"name": COACH_COOKIE, "value": token, "url": live.url}])
                page = context.new_page()
                page.goto(f"{live.url}/lifters/{lifter.id}/blocks/new")
                count = six_weeks_by_keyboard(page)
                browser.close()
        finally:
            live.stop()
            store.close()
    return float(count)


FIGURES = [
    Figure(
        "planner.preview_p95",
        "ms",
        most(100),
        lambda: 1000 * _previews()[0],
        "an edit of a 12-week, 4-day block of 240 cells kept, computed and drawn, over HTTP, 95th percentile",
    ),
    Figure(
        "planner.preview_ratio",
        "ratio",
        most(15),
        lambda: _previews()[1],
        "the same edit against the account page, which computes nothing, in the same run",
    ),
    Figure(
        "planner.paste_200x10",
        "s",
        most(1),
        paste_200x10,
        "200 lines of a name and 10 cells pasted into that block: kept, computed and drawn, over HTTP",
    ),
    Figure(
        "planner.bulk_100",
        "s",
        most(5),
        lambda: _bulk()[1],
        "a six-week template assigned to 100 lifters, ten a request so that progress is seen, over HTTP",
    ),
    Figure(
        "planner.bulk_compare_100",
        "s",
        most(5),
        lambda: _bulk()[0],
        "the table of what differs between the same 100 lifters, each from their own baseline",
    ),
    Figure(
        "planner.keys_six_weeks",
        "keys",
        most(120),
        keys_six_weeks,
        "keys from a new block to six weeks of two days of three lifts written and assigned, in Chromium",
    ),
]
