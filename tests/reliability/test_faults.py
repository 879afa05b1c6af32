"""A full, failing or read-only disk: nothing is called saved that is not, reading goes on, and writing does
as soon as there is room again, without a restart."""

from __future__ import annotations

import errno
import http.client
import json
import random
import shutil
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from sqlalchemy import event

from app.storage.engine import Store, StoreFull
from app.web import uploads
from app.web.pages import LIFTER_COOKIE, csrf_token
from tests.factories import NOW, TODAY, make_coach, make_lifter
from tests.phone_factories import World, make_world, phone_token
from tests.reliability.servers import ROOT, Nursery, free_port
from tests.reliability.test_kill import Client as Phone
from tests.reliability.test_kill import rows
from tests.reliability.test_power_cut import content
from tests.reliability.test_sync import may_trace
from tests.web.conftest import Client, open_client, sign_in, sign_in_lifter
from tests.web.test_phone import a_set, send
from tests.web.test_policy import Phone as TenantPhone
from tests.web.test_policy import SignedIn, Tenants, tenants, those  # noqa: F401

POINTS, ROUNDS = 50, 6
LOG = "lifter,date,exercise,load_kg,reps\n" + "".join(
    f"Runa Vik,2026-02-{day:02d},Squat,{100 + day},5\n" for day in range(1, 29) for _ in range(6)
)


@dataclass
class Limit:
    """What every pooled connection is told before it is used."""

    pages: int = 0  # most pages the database may have, 0 for no limit
    read_only: bool = False

    def hold(self, store: Store) -> None:
        def tell(connection: sqlite3.Connection, *_: object) -> None:
            connection.execute(f"PRAGMA max_page_count = {self.pages or 2**31}")
            connection.execute(f"PRAGMA query_only = {int(self.read_only)}")

        event.listen(store.engine, "checkout", tell)


@dataclass
class Desk:
    """A coach's browser and a lifter's phone, and what they write."""

    world: World
    coach: Client
    phone: Client
    count: int = 0
    saved: set[str] = field(default_factory=set)

    def set_(self, sets: int) -> httpx.Response:
        self.count += 1
        note = f"n{self.count:05d} " + "x" * 400
        many = [
            a_set(self.world, id=f"full-{self.count:06d}-{n:06d}", planned_set=n, note=note)
            for n in range(sets)
        ]
        return send(self.phone, self.world, *many)

    def message(self) -> httpx.Response:
        return self.coach.post(f"/lifters/{self.world.lifter.id}/messages", data={"body": "word " * 780})

    def note(self) -> httpx.Response:
        self.count += 1
        body = {"note": f"{self.count} " + "y" * 1500}
        return self.coach.post(f"/lifters/{self.world.lifter.id}/note", data=body)

    def import_(self) -> httpx.Response:
        self.count += 1
        file = LOG.replace("Runa Vik", f"Runa Vik {self.count}")
        sent = self.coach.post("/data/import", files={"file": ("LOG.csv", file.encode(), "text/csv")})
        token = sent.headers["location"].split("/")[-1].split("?")[0]
        return self.coach.post(f"/data/import/{token}", data={"name": "LOG.csv"})


@pytest.fixture
def limit(store: Store) -> Limit:
    limit = Limit()
    limit.hold(store)
    return limit


@pytest.fixture
def desk(store: Store) -> Iterator[Desk]:
    world, now = make_world(store), [NOW]
    with open_client(store, now) as coach, open_client(store, now) as phone:
        yield Desk(world, sign_in(coach, world.coach), sign_in_lifter(phone, world.lifter))


def pages(path: Path) -> int:
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute("PRAGMA page_count").fetchone()[0])


def test_a_full_database_refuses_each_write_whole_and_takes_it_once_there_is_room(
    desk: Desk, limit: Limit, tmp_path: Path
) -> None:
    path = tmp_path / "terrace.db"
    kinds: list[tuple[str, Callable[[], httpx.Response]]] = [
        ("a set", lambda: desk.set_(1)),
        ("many sets", lambda: desk.set_(20)),
        ("a message", desk.message),
        ("a note", desk.note),
        ("an import", desk.import_),
    ]
    refused = dict.fromkeys([name for name, _ in kinds], 0)
    chance = random.Random(3)
    held = content(path)
    for point in range(POINTS):
        name, write = kinds[point % len(kinds)]
        limit.pages = pages(path) + chance.randrange(4)
        for _ in range(40):
            before, count = held, desk.count
            answer = write()
            if answer.status_code == 507:
                break
            assert answer.status_code in (200, 303), (name, answer.status_code, answer.text[:300])
            held = content(path)
            assert held != before, f"{name} was said to be saved"
        assert answer.status_code == 507, f"{name} never met the limit"
        refused[name] += 1
        assert "Nothing was stored" in answer.text
        assert "disk is full" in answer.text
        assert content(path) == before, f"{name} was refused and left something behind"
        assert desk.coach.get("/").status_code == 200
        assert point % 5 or desk.phone.get("/today").status_code == 200
        limit.pages = 0
        desk.count = count  # the very same write once more
        assert write().status_code in (200, 303), name
        held = content(path)
        assert held != before
    print(f"{POINTS} times no room: {refused}")
    assert all(refused.values())


@dataclass
class Failing:
    """A store whose n-th write from now on fails, and how many there were."""

    store: Store
    nth: int = 0
    seen: int = 0

    def __post_init__(self) -> None:
        alone = self.store._alone

        @contextmanager
        def counted() -> Iterator[None]:
            self.seen += 1
            if self.seen == self.nth:
                raise StoreFull("no room, for this test")
            with alone():
                yield

        self.store._alone = counted  # type: ignore[method-assign]

    def at(self, nth: int) -> None:
        self.nth, self.seen = nth, 0


@pytest.mark.parametrize("what", ["an import", "a block for three"])
def test_what_takes_several_transactions_tells_the_truth_whichever_fails(
    desk: Desk, tmp_path: Path, what: str
) -> None:
    store, path = desk.coach.store, tmp_path / "terrace.db"
    people = [make_lifter(store, coach=desk.world.coach, name=f"New {n}") for n in range(3)]
    failing = Failing(store)
    tried = 0
    for nth in range(1, 12):
        failing.at(0)
        before = sets_and_blocks(path)
        failing.at(nth)
        if what == "an import":
            answer = desk.import_()
            done = 0
        else:
            body = {f"day-{one.id}": str(TODAY + 7 + 100 * nth) for one in people}
            body |= {"source": "library:novice-two-days"}
            answer = desk.coach.post("/blocks/assign", data=body | {"lifter": [one.id for one in people]})
            done = 3 - answer.text.count("Not assigned.") if answer.status_code == 200 else 0
        tried += failing.seen >= nth
        after = sets_and_blocks(path)
        if failing.seen < nth:
            assert answer.status_code in (200, 303)
            break
        if answer.status_code == 507:
            assert "Nothing was stored" in answer.text
            assert after == before, f"write {nth}: {what} was stored although it is said not to be"
        elif what == "an import":
            assert after[0] == before[0] + LOG.count("Squat"), f"write {nth}"
        else:
            assert after[1] - before[1] == done < 3, f"write {nth}"
    print(f"{what}: {tried} writes failed in turn")
    assert tried >= (1 if what == "an import" else 3)


def sets_and_blocks(path: Path) -> tuple[int, int]:
    with closing(sqlite3.connect(path)) as connection:
        found = [
            connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in ("logged_sets", "blocks")
        ]
    return found[0], found[1]


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EDQUOT])
def test_a_file_that_finds_no_room_is_refused_in_words(
    desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    write = Path.write_bytes

    def half(path: Path, data: bytes) -> int:
        write(path, data[: len(data) // 2])
        raise OSError(number, "no room")

    monkeypatch.setattr(uploads.Path, "write_bytes", half)
    answer = desk.coach.post("/data/import", files={"file": ("LOG.csv", LOG.encode(), "text/csv")})
    assert (answer.status_code, "Nothing was stored" in answer.text) == (507, True)
    assert list((tmp_path / "uploads").iterdir()) == []


def test_every_page_opens_while_nothing_can_be_written(
    tenants: Tenants,  # noqa: F811
    limit: Limit,
) -> None:
    # Eleven minutes on, every session is due to have its last use noted: that must keep nobody from reading.
    now = [NOW]
    opened: Counter[int] = Counter()
    with open_client(tenants.store, now) as browser:
        people = {
            "coach": SignedIn(tenants, browser, tenants.coach),
            "lifter": TenantPhone(tenants, browser, tenants.lifter),
        }
        for who, actor in people.items():
            for route in those(who) if who == "lifter" else those("coach", "owner", "account"):
                if route[0] != "GET":
                    continue
                limit.read_only = False
                now[0] = NOW
                cookies, _ = actor.enter()
                limit.read_only = True
                now[0] = NOW + timedelta(minutes=11)
                browser.cookies.clear()
                browser.cookies.update(cookies)
                answer = browser.get(tenants.path(route[1]))
                opened[answer.status_code] += 1
                # What takes data out is written into the record, or it is not done.
                fine = {507} if route[1].endswith((".csv", ".xlsx")) else {200, 303, 404, 422}
                assert answer.status_code in fine, (route, answer.status_code, answer.text[:200])
    print(f"pages while nothing can be written: {dict(opened)}")
    assert opened[200] > 35


# The same with the calls of the operating system failing under a real server -------------------------


@contextmanager
def failing(server: int, call: str, error: str, first: int, folder: Path) -> Iterator[None]:
    """Let this call of a running process fail, from its n-th on, until the block ends."""
    trace = folder / "fails"
    tracer = subprocess.Popen(
        f"strace -f -p {server} -o {trace} -e trace={call} "
        f"-e inject={call}:error={error}:when={first}+".split(),
        stderr=subprocess.PIPE,
        text=True,
    )
    assert tracer.stderr is not None
    said = tracer.stderr.readline()
    assert "attached" in said, said
    try:
        yield
    finally:
        tracer.terminate()  # which lets go of the process and leaves it running
        tracer.communicate(timeout=20)


class Sender(Phone):
    """A phone that notes how each of its writes was answered."""

    def __init__(self, world: World, token: str, port: int) -> None:
        super().__init__(0, world, token, port)
        self.answers: Counter[int] = Counter()

    def once(self) -> tuple[int, http.client.HTTPMessage, str]:
        self.pending = self.pending or [self.write()]
        self.sent |= {one["id"] for one in self.pending}
        body = {"lifter": self.world.lifter.id, "sent_at": int(time.time() * 1000), "writes": self.pending}
        status, headers, said = self.ask("POST", "/sync", json.dumps(body))
        self.answers[status] += 1
        if status == 200:
            self.saved |= {one["id"] for one in json.loads(said)["answers"] if one["state"] == "saved"}
            self.pending = []
        return status, headers, said

    def ask(self, method: str, path: str, body: str = "") -> tuple[int, http.client.HTTPMessage, str]:
        headers = {
            "Cookie": f"{LIFTER_COOKIE}={self.token}",
            "X-CSRF": csrf_token(self.token),
            "Content-Type": "application/json",
            "Accept": "application/json",
        }
        with closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)) as connection:
            connection.request(method, path, body or None, headers)
            answer = connection.getresponse()
            return answer.status, answer.headers, answer.read().decode()


@pytest.mark.parametrize(
    ("call", "error"), [("pwrite64", "ENOSPC"), ("pwrite64", "EIO"), ("fdatasync", "EIO")]
)
def test_a_failing_disk_is_said_to_fail_and_used_again_once_it_works(
    tmp_path: Path, call: str, error: str
) -> None:
    path, now = tmp_path / "terrace.db", datetime.now(UTC)
    url = f"sqlite:///{path}"
    store = Store(url)
    store.migrate()
    world = make_world(store, today=now.date().toordinal())
    sender = Sender(world, phone_token(store, world.lifter, now), free_port())
    store.close()
    nursery = Nursery()
    try:
        nursery.start(url, sender.port)
        assert sender.once()[0] == 200
        for first in range(1, 1 + (ROUNDS if may_trace() else 0)):
            refused = 0
            with failing(nursery.server, call, error, first, tmp_path):
                for _ in range(50):
                    status, headers, said = sender.once()
                    if status == 200:
                        assert sender.saved <= set(rows(path)), f"round {first}"
                    else:
                        refused += 1
                        assert status in (503, 507), said
                        assert "Nothing was stored" in said
                        assert "Traceback" not in said
                        assert status == 507 or headers["Retry-After"]
                    assert sender.ask("GET", "/today")[0] == 200
                    if refused == 4:
                        break
            assert refused == 4, f"round {first}: nothing failed"
            # The disk works again, the server was not restarted, and the same write goes in.
            assert sender.once()[0] == 200
            assert sender.saved <= set(rows(path)), f"round {first}"
        assert sender.once()[0] == 200
        nursery.kill()
        nursery.start(url, sender.port)
        assert sender.once()[0] == 200
    finally:
        nursery.close()
    stored = Counter(rows(path))
    print(f"{call} {error}: {dict(sender.answers)}, {len(sender.saved)} acknowledged, {len(stored)} stored")
    assert sender.saved <= set(stored) <= sender.sent
    assert max(stored.values()) == 1
    content(path)


def as_if_not_root(*command: str) -> list[str]:
    """The command without the right to pass over file permissions, which root has."""
    drop = "import ctypes, os, sys; ctypes.CDLL(None).prctl(24, 1); os.execv(sys.argv[1], sys.argv[1:])"
    return [sys.executable, "-c", drop, sys.executable, *command]  # PR_CAPBSET_DROP, CAP_DAC_OVERRIDE


READ_ONLY = {
    "an empty folder": ["serve", "backup"],
    "a folder with a database": ["serve", "check"],
    "an empty database": ["serve"],
    "a database": ["serve", "import"],  # which can still be looked over and copied
}


@pytest.mark.parametrize("what", READ_ONLY)
def test_what_cannot_be_written_is_said_at_the_start(migrated_file: Path, tmp_path: Path, what: str) -> None:
    data, database, log = tmp_path / "data", tmp_path / "data" / "terrace.db", tmp_path / "LOG.csv"
    data.mkdir()
    log.write_text(LOG)
    if what == "an empty database":
        database.touch()
    elif what != "an empty folder":
        shutil.copy(migrated_file, database)
        opened = Store(f"sqlite:///{database}")
        make_coach(opened)
        opened.close()
    (database if what.endswith(" database") and "folder" not in what else data).chmod(0o555)
    for command in READ_ONLY[what]:
        ended = subprocess.run(
            as_if_not_root("-m", "app.cli", command, *([str(log)] if command == "import" else [])),
            cwd=ROOT,
            env={"PATH": "/usr/bin:/bin", "TERRACE_DATA_DIR": str(data), "TERRACE_PORT": str(free_port())},
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert ended.returncode == 2, (command, ended.stdout, ended.stderr)
        assert "Traceback" not in ended.stderr
        assert f"{data} " in ended.stderr
        assert "cannot be written" in ended.stderr
        assert "TERRACE_DATA_DIR" in ended.stderr
    data.chmod(0o755)


# Another program holds the database -------------------------------------------------------------------

HOLD = """
import sqlite3, sys, time
held = sqlite3.connect(sys.argv[1], isolation_level=None)
held.execute("BEGIN IMMEDIATE")
print("held", flush=True)
time.sleep(float(sys.argv[2]))
held.execute("ROLLBACK")
"""


@pytest.mark.parametrize(("seconds", "taken"), [(2, True), (30, False)])
def test_a_lock_held_for_a_moment_is_waited_for_and_a_long_one_is_told(
    desk: Desk, tmp_path: Path, seconds: int, taken: bool
) -> None:
    path = tmp_path / "terrace.db"
    before = content(path)
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(path), str(seconds)], stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        answer = desk.set_(1)
        if taken:
            assert answer.status_code == 200
        else:
            assert (answer.status_code, answer.headers["Retry-After"]) == (503, "5")
            assert "held by another program" in answer.text
            assert "locked" not in answer.text
            assert desk.phone.get("/today").status_code == desk.coach.get("/").status_code == 200
            assert content(path) == before
            assert holder.poll() is None, "the answer came only after the lock had gone"
        holder.terminate()
    desk.count = 0
    assert desk.set_(1).status_code == 200
    assert len(rows_of(path)) == 1


def rows_of(path: Path) -> list[tuple[str]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT note FROM logged_sets WHERE note LIKE 'n0%'").fetchall()
