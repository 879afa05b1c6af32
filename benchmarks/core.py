"""Figures of the main job: a set comes in, a log is read, a roster is looked at, a file is taken in.

Floors are the least that can be done for the same end, measured in the same run: SQLite by itself, an
interpreter by itself, the server with nothing to do.
"""

from __future__ import annotations

import asyncio
import csv
import hashlib
import math
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from functools import cache, partial
from html import escape
from itertools import count, islice
from pathlib import Path
from typing import TYPE_CHECKING, Literal
from urllib.parse import urlencode

import numpy as np
import orjson

from app.training.records import SetLog
from benchmarks.analysis import big_lifter, command_cold_s, log_file
from benchmarks.figures import Figure, most, p10, ratio
from benchmarks.reading import terrace
from benchmarks.server import running

if TYPE_CHECKING:
    from starlette.types import Message

    from app.exchange.log_file import LogRows
    from app.storage.engine import Store
    from app.storage.models import Coach

NOW = datetime(2026, 3, 9, 12, tzinfo=UTC)
IMPORT_LIFTERS = 16  # times 12,500 sets
CHUNK = 5_000


@contextmanager
def new_store() -> Iterator[tuple[Store, Path]]:
    """A migrated database in a folder of its own."""
    from app.storage.engine import Store

    with tempfile.TemporaryDirectory(prefix="terrace-") as folder:
        path = Path(folder, "terrace.db")
        store = Store(f"sqlite:///{path}")
        store.migrate()
        try:
            yield store, path
        finally:
            store.close()


def new_coach(store: Store) -> Coach:
    from app.storage import access

    nobody = "no password opens this"
    with store.transaction() as db:
        return access.add_coach(
            db, name="Ines Marto", login="ines@example.org", password_hash=nobody, club="Harbour", at=NOW
        )


def guess(name: str) -> tuple[str | None, float]:
    """Main lift and body-mass share of a new exercise, as an import guesses them."""
    from app.exchange import exercise_names

    return exercise_names.main_lift(name), exercise_names.body_mass_share(name)


def read_rows(path: Path) -> LogRows:
    """A log file's rows through the reader that every way into the app uses."""
    from app.exchange import log_file, tables

    read = log_file.read_log(tables.read_table(tables.read_file(path), path.name))
    if read.error_count:
        raise AssertionError(f"{read.error_count} rows were refused, the first: {read.errors[0]}")
    return read.rows


def raw_connection(path: Path) -> sqlite3.Connection:
    """SQLite with the durability the app promises, and nothing else."""
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode=WAL")
    db.execute("PRAGMA synchronous=FULL")
    return db


# A set comes in ------------------------------------------------------------------------------------

POSTS = 150  # a round
ROUNDS = 3


def set_post(kind: Literal["form", "sync"]) -> float:
    """A set logged over HTTP, over (an endpoint that does nothing + a raw commit with synchronous=FULL)."""
    from app.planning.access import open_link
    from app.storage import access, exercises, lifters
    from app.web.pages import LIFTER_COOKIE, csrf_token

    now = datetime.now(UTC)
    with new_store() as (store, path):
        coach = new_coach(store)
        with store.transaction() as db:
            lifter = lifters.add(db, coach, name="Vilde Aas", time_zone="Europe/Lisbon", at=now)
            exercise = exercises.add(db, coach, "Back squat", main_lift="Back squat")
            token = access.issue_link(db, lifter, at=now, valid=timedelta(days=30))
        secret = open_link(store, token, device="benchmark", address="127.0.0.1", now=now)
        lifter_id, exercise_id = lifter.id, exercise.id
        store.close()
        headers = {"Cookie": f"{LIFTER_COOKIE}={secret}", "X-CSRF": csrf_token(secret)}
        number = count()

        def message() -> tuple[str, bytes, str]:
            k = next(number)
            write = {
                "id": f"benchmark-{k:012d}",
                "kind": "set",
                "session": "nbenchmark-session-1",
                "exercise": exercise_id,
                "number": k % 99 + 1,
                "unit": "kg",
                "load": "102.5",
                "reps": "5",
                "rpe": "8",
            }
            if kind == "form":
                return "/entry", urlencode(write).encode(), "application/x-www-form-urlencoded"
            at = int(datetime.now(UTC).timestamp() * 1000)
            write |= {"at": at, "offset": 0}
            body = {"lifter": lifter_id, "sent_at": at, "writes": [write]}
            return "/sync", orjson.dumps(body), "application/json"

        with running("app", path) as app, running("nothing") as nothing, raw_sets(path.parent) as commit:

            def post() -> None:
                where, body, content_type = message()
                status, answer = app.send("POST", where, body, headers | {"Content-Type": content_type})
                if status not in (200, 201, 303):
                    raise RuntimeError(f"POST {where} answered {status}: {answer[:300]!r}")

            def idle() -> None:
                nothing.send("POST", "/", b"x=1", {"Content-Type": "application/x-www-form-urlencoded"})

            for _ in range(30):  # first calls compile, connect and open files
                for what in (post, idle, commit):
                    what()
            best = math.inf
            for _ in range(ROUNDS):
                taken: list[list[float]] = [[], [], []]
                for _ in range(POSTS):
                    for seconds, what in zip(taken, (post, idle, commit), strict=True):
                        start = time.perf_counter()
                        what()
                        seconds.append(time.perf_counter() - start)
                best = min(best, p10(taken[0]) / (p10(taken[1]) + p10(taken[2])))
        stored = sqlite3.connect(path)
        sets = stored.execute("SELECT count(*) FROM logged_sets").fetchone()[0]
        stored.close()
        if sets != next(number):
            raise AssertionError(f"{sets} sets are stored of those acknowledged")
    return best


@contextmanager
def raw_sets(folder: Path) -> Iterator[Callable[[], None]]:
    """One row and its key in one durable transaction, and nothing around it."""
    db = raw_connection(folder / "floor.db")
    db.execute("CREATE TABLE sets (id INTEGER PRIMARY KEY, key TEXT UNIQUE, lifter INT, day INT, grams INT)")
    db.execute("CREATE INDEX by_day ON sets (lifter, day)")
    number = count()

    def commit() -> None:
        k = next(number)
        db.execute("BEGIN IMMEDIATE")
        db.execute("INSERT INTO sets (key, lifter, day, grams) VALUES (?, 1, ?, 102500)", (f"key-{k}", k))
        db.execute("COMMIT")

    yield commit
    db.close()


# One lifter's sets into arrays ---------------------------------------------------------------------


def sets_to_arrays() -> float:
    """`storage.logs.set_log` over sqlite3's fetchall of the same rows and columns."""
    from app.storage import exercises, lifters, logs

    log, _ = big_lifter()
    with new_store() as (store, path):
        coach = new_coach(store)
        with store.transaction() as db:
            lifter = lifters.add(db, coach, name="Vilde Aas", time_zone="Europe/Lisbon", at=NOW)
            ids = [exercises.add(db, coach, e.name, main_lift=e.name).id for e in log.exercises]
            for day in np.unique(log.day).tolist():
                session = logs.add_session(db, lifter.id, day)
                logs.add_sets(db, _rows(log, day, lifter.id, session.id, ids))
        with store.transaction() as db:
            db.connection().exec_driver_sql("ANALYZE")
        raw = sqlite3.connect(path)
        query = (
            "SELECT exercise_id, day, session_id, set_number, load_grams, reps, rpe_tenths, marks, position,"
            " prescription_id, planned_set FROM logged_sets WHERE lifter_id = ? ORDER BY day, position"
        )
        count = len(raw.execute(query, (lifter.id,)).fetchall())
        if count != len(log.day):
            raise AssertionError(f"stored {len(log.day)} sets and found {count}")

        def read() -> None:
            with store.reading() as db:
                logs.set_log(db, lifter)

        value = ratio(read, lambda: raw.execute(query, (lifter.id,)).fetchall(), rounds=20)
        raw.close()
    return value


def _rows(log: SetLog, day: int, lifter: int, session: int, ids: list[int]) -> list[dict[str, object]]:
    return [
        {
            "lifter_id": lifter,
            "day": day,
            "position": position,
            "session_id": session,
            "exercise_id": ids[int(log.exercise[k])],
            "set_number": int(log.set_number[k]),
            "load_grams": round(float(log.load_kg[k]) * 1000),
            "reps": int(log.reps[k]),
            "rpe_tenths": round(float(log.rpe[k]) * 10),
        }
        for position, k in enumerate(np.flatnonzero(log.day == day).tolist())
    ]


# A big file taken in -------------------------------------------------------------------------------


@cache
def big_file() -> tuple[Path, tempfile.TemporaryDirectory[str]]:
    """LOG.csv of 16 lifters with 12,480 sets each: 199,680 rows."""
    folder = tempfile.TemporaryDirectory(prefix="terrace-")
    path = Path(folder.name, "LOG.csv")
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(("lifter", "date", "exercise", "set_number", "load_kg", "reps", "rpe", "note"))
        for k in range(IMPORT_LIFTERS):
            log, _ = big_lifter(k)
            day = {d: date.fromordinal(d).isoformat() for d in np.unique(log.day).tolist()}
            names = [e.name for e in log.exercises]
            columns = (
                log.day.tolist(),
                log.exercise.tolist(),
                log.set_number.tolist(),
                log.load_kg.tolist(),
                log.reps.tolist(),
                log.rpe.tolist(),
            )
            out.writerows(
                (f"Lifter {k + 1}", day[d], names[e], n, f"{load:g}", reps, f"{rpe:g}", "")
                for d, e, n, load, reps, rpe in zip(*columns, strict=True)
            )
    return path, folder


def bare_hashed_load(source: Path, target: Path) -> int:
    """The floor of an import: typed rows, a hash each, SQLite with UNIQUE and an index, in chunks."""
    db = raw_connection(target)
    db.execute(
        "CREATE TABLE sets (hash BLOB UNIQUE, lifter TEXT, day INT, exercise TEXT, n INT, grams INT,"
        " reps INT, rpe REAL)"
    )
    db.execute("CREATE INDEX by_day ON sets (lifter, day)")
    with source.open(encoding="utf-8", newline="") as file:
        rows = csv.reader(file)
        next(rows)
        while chunk := list(islice(rows, CHUNK)):
            typed = [
                (
                    hashlib.blake2b(f"{who}|{day}|{what}|{n}".encode(), digest_size=16).digest(),
                    *(who, date.fromisoformat(day).toordinal(), what, int(n)),
                    *(round(float(load) * 1000), int(reps), float(rpe)),
                )
                for who, day, what, n, load, reps, rpe, _ in chunk
            ]
            db.execute("BEGIN IMMEDIATE")
            db.executemany("INSERT INTO sets VALUES (?,?,?,?,?,?,?,?)", typed)
            db.execute("COMMIT")
    count = int(db.execute("SELECT count(*) FROM sets").fetchone()[0])
    db.close()
    return count


def import_200k() -> float:
    """File to stored sets, over the bare load of the same file; CPU time, best of two."""
    from app.planning import imports

    source, _ = big_file()
    best = float("inf")
    for _ in range(2):
        with new_store() as (store, path):
            coach = new_coach(store)
            start = time.process_time()
            rows = read_rows(source)
            done = imports.apply(
                store,
                coach,
                rows,
                file_name=source.name,
                sha256=hashlib.sha256(source.read_bytes()).digest(),
                guess=guess,
                now=NOW,
            )
            ours = time.process_time() - start
            start = time.process_time()
            bare = bare_hashed_load(source, path.with_name("bare.db"))
            floor = time.process_time() - start
        if not done.new == bare == len(rows):
            raise AssertionError(f"{done.new} sets were imported and {bare} loaded bare")
        best = min(best, ours / floor)
    return best


# The roster page -----------------------------------------------------------------------------------

ROSTER = 500


class Caller:
    """Requests straight into the application: everything of ours runs, and no socket."""

    def __init__(self, store: Store, cookies: Mapping[str, str], now: datetime) -> None:
        from app.config import Settings
        from app.log import logger
        from app.main import create_app

        logger.quiet = True
        self.app = create_app(Settings(worker=False), store=store, clock=lambda: now)
        self.loop = asyncio.new_event_loop()
        self.cookies = "; ".join(f"{name}={value}" for name, value in cookies.items())

    def get(self, path: str) -> bytes:
        body: list[bytes] = []
        status = 0

        async def receive() -> Message:
            return {"type": "http.request", "body": b"", "more_body": False}

        async def send(message: Message) -> None:
            nonlocal status
            status = message.get("status", status)
            body.append(message.get("body", b""))

        scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": "GET",
            "scheme": "http",
            "path": path,
            "raw_path": path.encode(),
            "query_string": b"",
            "root_path": "",
            "headers": [(b"host", b"127.0.0.1:8000"), (b"cookie", self.cookies.encode())],
            "client": ("127.0.0.1", 50_000),
            "server": ("127.0.0.1", 8000),
        }
        self.loop.run_until_complete(self.app(scope, receive, send))
        if status != 200:
            raise RuntimeError(f"GET {path} answered {status}: {b''.join(body)[:300]!r}")
        return b"".join(body)

    def close(self) -> None:
        self.loop.run_until_complete(self.loop.shutdown_default_executor())
        self.loop.close()


@contextmanager
def roster_of(lifters: int) -> Iterator[tuple[Caller, Store, Path]]:
    """A coach's roster whose rows were made by analysing real logs, then repeated under other names."""
    from app.planning import analysis, imports
    from app.storage import access, roster
    from app.storage import lifters as stored
    from app.web.pages import COACH_COOKIE

    with new_store() as (store, path):
        source, _, day, _ = log_file()
        now = datetime.fromisoformat(day).replace(hour=12, tzinfo=UTC)
        coach = new_coach(store)
        rows = read_rows(source)
        imports.apply(store, coach, rows, file_name="LOG.csv", sha256=b"-" * 32, guess=guess, now=now)
        with store.reading() as db:
            models = list(stored.roster(db, coach))
        for model in models:
            analysis.recompute(store, model.id, now=now)
        with store.reading() as db:
            made = [roster.row_of(db, model.id) for model in models]
        with store.transaction() as db:
            secret = access.open_coach_session(db, coach, device="benchmark", at=now)
            for k in range(lifters - len(models)):
                row = made[k % len(made)]
                assert row is not None
                one = stored.add(db, coach, name=f"Lifter {k:03d}", time_zone="Europe/Lisbon", at=now)
                roster.put(db, one, urgency=row.urgency - k / 1000, level=row.level, body=row.body, at=now)
        caller = Caller(store, {COACH_COOKIE: secret}, now)
        try:
            yield caller, store, path
        finally:
            caller.close()


def roster_page() -> float:
    """The page of 500 lifters, warm, over selecting the same rows and joining nine escaped cells each."""
    with roster_of(ROSTER) as (caller, _, path):
        raw = sqlite3.connect(path)
        query = (
            "SELECT l.id, l.name, l.status, l.time_zone, r.level, r.urgency, r.body, r.computed_at,"
            " l.stale_at FROM lifters l LEFT JOIN roster_rows r ON r.lifter_id = l.id"
            " ORDER BY r.urgency DESC, l.name"
        )

        def select_and_join() -> bytes:
            rows = raw.execute(query).fetchall()
            cells = (f"<tr>{''.join(f'<td>{escape(str(v))}</td>' for v in row)}</tr>" for row in rows)
            return f"<table>{''.join(cells)}</table>".encode()

        page = caller.get("/")
        if page.count(b"<tr") < ROSTER:
            raise AssertionError(f"{page.count(b'<tr')} rows on the page of {ROSTER} lifters")
        value = ratio(lambda: caller.get("/"), select_and_join, rounds=15)
        raw.close()
    return value


def roster_statements() -> float:
    """SQL statements for one look at the page of 500 lifters, sign-in included."""
    from sqlalchemy import event

    with roster_of(ROSTER) as (caller, store, _):
        caller.get("/")
        said: list[str] = []

        def note(_c: object, _cursor: object, statement: str, *_rest: object) -> None:
            if statement != "BEGIN":
                said.append(statement)

        event.listen(store.engine, "before_cursor_execute", note)
        caller.get("/")
        event.remove(store.engine, "before_cursor_execute", note)
    return float(len(said))


# The command line ----------------------------------------------------------------------------------


def help_ratio() -> float:
    """`terrace --help` over an interpreter that does nothing, both as new processes."""
    run = partial(subprocess.run, check=True, capture_output=True)
    return ratio(
        partial(run, [terrace(), "--help"]), partial(run, [sys.executable, "-c", ""]), rounds=8, repeats=3
    )


FIGURES = [
    Figure(
        "core.set_post",
        "x",
        most(2.5),
        partial(set_post, "form"),
        "form post of a set over HTTP, over (no-op endpoint over HTTP + raw FULL commit), p10, rounds "
        "alternated, best of 3",
    ),
    Figure(
        "core.set_sync",
        "x",
        most(2.5),
        partial(set_post, "sync"),
        "the phone's queue sending a set over HTTP, over the same floor in the same run",
    ),
    Figure(
        "core.roster_page",
        "x",
        most(3),
        roster_page,
        "GET / with 500 lifters inside the process, warm, over sqlite3 select + escaped join of the same "
        "rows, p10, same run",
    ),
    Figure(
        "core.roster_statements",
        "statements",
        most(3),
        roster_statements,
        "SQL statements of GET / with 500 lifters, BEGIN not counted, the coach's session included",
    ),
    Figure(
        "core.sets_to_arrays",
        "x",
        most(2),
        sets_to_arrays,
        "storage.logs.set_log of 12,480 sets over sqlite3 fetchall of the same rows, p10, same run",
    ),
    Figure(
        "core.analyse_cold",
        "s",
        most(3),
        command_cold_s,
        "terrace analyse of 20,000 sets as a new process, best of 3",
    ),
    Figure(
        "core.help",
        "x",
        most(5),
        help_ratio,
        "terrace --help over python -c '', new processes, p10, same run",
    ),
    Figure(
        "core.import_200k",
        "x",
        most(2),
        import_200k,
        "199,680 rows of CSV read, checked and stored, over the bare hashed load in chunks of 5,000, "
        "CPU time, same run",
    ),
]
