"""Several phones, one server and a bad network: nothing is lost, nothing is stored twice, nothing is silent.

`Phone` follows the rules of ``static/js/phone.js`` line by line: store first, mark as tried before sending,
send in order, believe only an answer with the same id. `Ledger` is a plain model of what the server should
hold. Hypothesis plays the gym: dropped and doubled requests, late answers, killed apps, wrong clocks, a coach
who edits meanwhile, a link that ends meanwhile.
"""

from __future__ import annotations

import atexit
import itertools
import shutil
import tempfile
from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    rule,
    run_state_machine_as_test,
)

from app.planning import logging
from app.storage import access, logs
from app.storage.engine import Store
from app.storage.models import PlannedSession, Prescription
from tests.factories import NOW
from tests.phone_factories import World, make_world, phone_token

PATIENCE = timedelta(seconds=20)  # after which phone.js gives a request up
BATCH = 40
COUNTS: Counter[str] = Counter()
RARE = ["lose", "wait", "sleep", "plan_edited", "exercise_dropped", "amended", "amended", "link_ended"]
ACTIONS = RARE + ["arrive"] * 10 + ["lift"] * 6 + ["change", "send"] * 4 + ["hear"] * 3 + ["take_out"] * 2


@cache
def empty_database() -> Path:
    folder = Path(tempfile.mkdtemp())
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    store = Store(f"sqlite:///{folder / 'empty.db'}")
    store.migrate()
    with store.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    store.close()
    return folder / "empty.db"


@dataclass
class Item:
    """One entry as the phone keeps it."""

    order: int
    write: dict[str, Any]
    lifted: datetime
    state: str = "waiting"
    tried: bool = False
    why: str = ""
    answer: dict[str, Any] | None = None

    @property
    def id(self) -> str:
        return str(self.write["id"])


@dataclass
class Request:
    """A request on its way: what it carries, which phone waits for it, and since when."""

    phone: Phone
    token: str
    sent: datetime
    sent_at: datetime
    writes: list[dict[str, Any]]


@dataclass
class Phone:
    number: int
    world: World
    token: str
    skew: timedelta
    items: dict[str, Item] = field(default_factory=dict)
    lineage: dict[str, str] = field(default_factory=dict)  # change -> the set it is about
    count: int = 0

    def make(self, kind: str, now: datetime, **fields: Any) -> Item:
        self.count += 1
        write = {
            "id": f"machine-phone-{self.number}-{self.count:06d}",
            "order": self.count,
            "kind": kind,
            "at": int((now + self.skew).timestamp() * 1000),
            "offset": 0,
            **fields,
        }
        item = Item(self.count, write, now)
        self.items[item.id] = item
        return item

    def waiting(self) -> list[Item]:
        return sorted((one for one in self.items.values() if one.state == "waiting"), key=lambda x: x.order)

    def chain(self, first: Item) -> list[Item]:
        """The entries about one set, in order: what the page shows of it."""
        return [first, *(one for one in self.items.values() if self.lineage.get(one.id) == first.id)]

    def living(self) -> list[Item]:
        """Sets that the page shows as there."""
        return [
            one
            for one in self.items.values()
            if one.write["kind"] == "set"
            and one.state != "refused"
            and not any(x.write["kind"] == "remove" and x.state != "refused" for x in self.chain(one))
        ]

    def _about(self, first: Item, last: Item) -> dict[str, Any]:
        if last.state == "waiting":
            return {"of": last.id}
        saved = [one for one in self.chain(first) if one.state == "saved" and one.answer is not None]
        known = next((one.answer for one in reversed(saved) if one.answer), None)
        if last.state == "refused" and last.answer is not None and last.answer.get("set"):
            known = last.answer
        assert known is not None
        return {"set": known["set"], "version": known["version"]}

    def change(self, first: Item, values: dict[str, Any], now: datetime) -> None:
        last = self.chain(first)[-1]
        if last.state == "waiting" and not last.tried:
            last.write |= values
            return
        about = self._about(first, last)
        if last.state == "refused":
            del self.items[last.id]
        self.lineage[self.make("amend", now, **values, **about).id] = first.id

    def take_out(self, first: Item, now: datetime) -> None:
        last = self.chain(first)[-1]
        if last is first and last.state == "waiting" and not last.tried:
            del self.items[first.id]
            return
        about = self._about(first, last)
        if last.state == "refused":
            del self.items[last.id]
        self.lineage[self.make("remove", now, **about).id] = first.id

    def send(self, now: datetime) -> Request | None:
        batch = self.waiting()[:BATCH]
        for one in batch:
            one.tried = True
        if not batch:
            return None
        return Request(self, self.token, now, now + self.skew, [dict(one.write) for one in batch])

    def hear(self, answers: list[dict[str, Any]]) -> None:
        for answer in answers:
            item = self.items.get(answer["id"])
            if item is None or item.state != "waiting" or answer["state"] == "later":
                continue
            item.state = "refused" if answer["state"] == "refused" else "saved"
            item.why, item.answer = answer.get("why", ""), answer
            if item.state == "refused":
                self.pass_on(item)

    def pass_on(self, refused: Item) -> None:
        """The last word about a set takes over the refusal of what it was built upon."""
        upon = next((one for one in self.waiting() if one.write.get("of") == refused.id), None)
        if upon is None:
            return
        upon.state, upon.why, upon.answer = "refused", refused.why, refused.answer
        del self.items[refused.id]
        self.pass_on(upon)


@dataclass
class Row:
    load: str
    version: int
    lifted: datetime
    skew: timedelta


@dataclass
class Ledger:
    """What the server should hold, by the rules as they are told, not as they are coded."""

    rows: dict[str, Row] = field(default_factory=dict)  # set key -> what is there
    answers: dict[str, dict[str, Any]] = field(default_factory=dict)

    def check(self, write: dict[str, Any], answer: dict[str, Any], lifted: datetime, skew: timedelta) -> None:
        known = self.answers.get(write["id"])
        if known is not None:
            assert answer == known, "a repeat gets the same answer"
            COUNTS["repeated"] += 1
            return
        COUNTS[answer["state"]] += 1
        if write["kind"] == "set":
            assert answer["state"] == "saved", answer
            assert answer["set"] not in self.rows, "two sets in one place"
            self.rows[answer["set"]] = Row(write["load"], 1, lifted, skew)
        else:
            self._change(write, answer)
        if answer["state"] in ("saved", "removed"):
            self.answers[write["id"]] = answer

    def _change(self, write: dict[str, Any], answer: dict[str, Any]) -> None:
        key, version = write.get("set"), write.get("version")
        if "of" in write:
            base = self.answers.get(write["of"])
            if base is None:
                assert answer["state"] == "later"
                return
            key, version = base["set"], base["version"]
        row = self.rows.get(str(key))
        if row is None or row.version != version:
            assert (answer["state"], answer["status"]) == ("refused", 409), (
                "a change on a stale version is shown"
            )
            assert answer["why"]
            return
        if write["kind"] == "remove":
            assert answer["state"] == "removed"
            del self.rows[str(key)]
        else:
            assert (answer["state"], answer["version"]) == ("saved", row.version + 1)
            row.load, row.version = write["load"], row.version + 1


class Gym(RuleBasedStateMachine):
    """Phones, wires and a server."""

    @initialize(
        skews=st.tuples(*[st.sampled_from([0, 0, 90, -420, 48 * 3600, -48 * 3600])] * 3),
    )
    def open_up(self, skews: tuple[int, int, int]) -> None:
        self.folder = Path(tempfile.mkdtemp())
        shutil.copy(empty_database(), self.folder / "terrace.db")
        self.store = Store(f"sqlite:///{self.folder / 'terrace.db'}")
        self.now = NOW
        self.world = make_world(self.store, time_zone="UTC")
        self.loads = itertools.count(1)
        self.wire: list[Request] = []
        self.back: list[tuple[Phone, list[dict[str, Any]]]] = []
        self.ledger = Ledger()
        self.lifted: dict[str, tuple[datetime, timedelta]] = {}
        self.before = self._stored()
        self.phones = [
            Phone(n, self.world, phone_token(self.store, self.world.lifter, self.now), timedelta(seconds=s))
            for n, s in enumerate(skews)
        ]

    def teardown(self) -> None:
        if hasattr(self, "store"):
            self._drain()
            self.store.close()
            shutil.rmtree(self.folder)

    @rule(
        action=st.sampled_from(ACTIONS),
        n=st.integers(0, 2),
        which=st.integers(0, 50),
        twist=st.sampled_from(["", "late", "lost", "again"]),
    )
    def happens(self, action: str, n: int, which: int, twist: str) -> None:
        """One rule for all, so that each run mixes everything: what must hold is checked as it happens."""
        getattr(self, action)(self.phones[n], which, twist)

    # What a lifter does

    def lift(self, phone: Phone, which: int, twist: str) -> None:
        """A set is lifted and the phone tries to send it, unless it knows that it cannot."""
        item = phone.make(
            "set",
            self.now,
            session=f"p{self.world.session.id}",
            exercise=self.world.deadlift.id,
            prescription=self.world.prescriptions[0],
            planned_set=which % 8,
            number=which % 8 + 1,
            load=str(next(self.loads)),
            unit="kg",
            reps=3,
            seen=1,
        )
        self.lifted[item.id] = (self.now, phone.skew)
        if twist != "lost":
            self.send(phone)

    def change(self, phone: Phone, which: int, _twist: str) -> None:
        sets = phone.living()
        if sets:
            values = {"load": str(next(self.loads)), "unit": "kg", "reps": 2}
            phone.change(sets[which % len(sets)], values, self.now)

    def take_out(self, phone: Phone, which: int, _twist: str) -> None:
        sets = phone.living()
        if sets:
            phone.take_out(sets[which % len(sets)], self.now)

    # What the network does

    def send(self, phone: Phone, *_: Any) -> None:
        request = phone.send(self.now)
        if request is not None:
            self.wire.append(request)

    def arrive(self, _phone: Phone, which: int, twist: str) -> None:
        """A request arrives, in any order; it may arrive again, and its answer may be late or lost."""
        if not self.wire:
            return
        request = self.wire[which % len(self.wire)]
        if twist != "again":
            self.wire.remove(request)
        answers = self._serve(request)
        if answers is None or twist == "lost":
            COUNTS["lost"] += 1
        elif twist == "late":
            self.back.append((request.phone, answers))
        else:
            request.phone.hear(answers)

    def lose(self, _phone: Phone, which: int, _twist: str) -> None:
        if self.wire:
            del self.wire[which % len(self.wire)]
            COUNTS["lost"] += 1

    def hear(self, _phone: Phone, which: int, _twist: str) -> None:
        if self.back:
            phone, answers = self.back.pop(which % len(self.back))
            phone.hear(answers)
            COUNTS["late"] += 1

    def wait(self, _phone: Phone, which: int, _twist: str) -> None:
        self.now += timedelta(seconds=which % 12)
        self.wire = [one for one in self.wire if self.now - one.sent < PATIENCE]

    def sleep(self, _phone: Phone, which: int, _twist: str) -> None:
        """The apps are killed: what was under way is forgotten, what was stored on the phones is not."""
        self.now += timedelta(hours=which)
        self.wire.clear()
        self.back.clear()

    # What others do meanwhile

    def plan_edited(self, *_: Any) -> None:
        with self.store.transaction() as db:
            planned = db.get(PlannedSession, self.world.session.id)
            assert planned is not None
            planned.version += 1

    def exercise_dropped(self, *_: Any) -> None:
        with self.store.transaction() as db:
            asked = db.get(Prescription, self.world.prescriptions[0])
            if asked is not None:
                db.delete(asked)

    def amended(self, _phone: Phone, which: int, _twist: str) -> None:
        """The coach puts a set right."""
        if not self.ledger.rows:
            return
        key = sorted(self.ledger.rows)[which % len(self.ledger.rows)]
        day, _, position = key.partition("-")
        load = str(next(self.loads))
        with self.store.transaction() as db:
            found = logs.one_set(db, self.world.lifter.id, int(day), int(position))
            assert found is not None
            values = {"load_grams": int(load) * 1000}
            logs.amend_set(db, self.world.lifter.id, found, values, by="coach", at=self.now)
        row = self.ledger.rows[key]
        row.load, row.version = load, row.version + 1

    def link_ended(self, _phone: Phone, which: int, _twist: str) -> None:
        """Every link is revoked; a new one is opened on some of the phones."""
        with self.store.transaction() as db:
            access.revoke_links(db, self.world.lifter, at=self.now)
        for phone in self.phones:
            if which >> phone.number & 1:
                phone.token = phone_token(self.store, self.world.lifter, self.now)

    # The server, and what must hold

    def _serve(self, request: Request) -> list[dict[str, Any]] | None:
        try:
            taken = logging.take(
                self.store,
                request.token,
                request.writes,
                idle=timedelta(days=60),
                now=self.now,
                lifter_id=self.world.lifter.id,
                sent_at=request.sent_at,
            )
        except logging.LinkEnded:
            return None
        assert [one["id"] for one in taken.answers] == [one["id"] for one in request.writes]
        for write, answer in zip(request.writes, taken.answers, strict=True):
            lifted, skew = self.lifted.get(write["id"], (self.now, timedelta(0)))
            self.ledger.check(write, answer, lifted, skew)
        self._compare()
        return taken.answers

    def _stored(self) -> dict[str, logs.StoredSet]:
        with self.store.reading() as db:
            found = logs.sets_between(db, self.world.lifter.id, 0, 4_000_000)
        return {f"{one.day}-{one.position}": one for one in found}

    def _compare(self) -> None:
        now = {key: one for key, one in self._stored().items() if key not in self.before}
        assert {key: (one.load_grams // 1000, one.version) for key, one in now.items()} == {
            key: (int(row.load), row.version) for key, row in self.ledger.rows.items()
        }
        for key, row in self.ledger.rows.items():
            stored = now[key].lifted_at
            assert stored is not None
            # A clock that is off by two minutes or less is left as it is; a request is 20 s old at most.
            slack = 21 + (abs(row.skew.total_seconds()) if abs(row.skew) <= timedelta(minutes=2) else 0)
            assert abs(stored - row.lifted.timestamp()) <= slack

    def _drain(self) -> None:
        """Let everybody back in and everything through: every queue must come to its end."""
        for phone in self.phones:
            phone.token = phone_token(self.store, self.world.lifter, self.now)
            for _ in range(20):
                request = phone.send(self.now)
                if request is None:
                    break
                answers = self._serve(request)
                assert answers is not None
                phone.hear(answers)
            assert phone.waiting() == []
            for one in phone.items.values():
                assert one.state in ("saved", "refused")
                assert one.state == "saved" or one.why, "a refused entry says why"
                if one.write["kind"] == "set":
                    assert one.id in self.ledger.answers
        self._compare()
        loads = [row.load for row in self.ledger.rows.values()]
        assert len(loads) == len(set(loads)), "no set is stored twice"


def test_queues_drain_whatever_happens() -> None:
    COUNTS.clear()
    run_state_machine_as_test(
        Gym,
        settings=settings(
            max_examples=150,
            stateful_step_count=50,
            deadline=None,
            suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
        ),
    )
    print(", ".join(f"{count} {what}" for what, count in sorted(COUNTS.items())))
    # A run in which little happened would prove little.
    for what in ("saved", "repeated", "refused", "removed", "lost", "late"):
        assert COUNTS[what] >= 20, COUNTS
