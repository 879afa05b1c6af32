"""What a power cut may leave on the disk still opens, and holds the first so many actions, each whole.

A disk that loses its power keeps everything up to the last sync and any part of what came after: up to some
byte, or this sector and not that one. Both are made here from a write-ahead log the app itself wrote.
"""

from __future__ import annotations

import hashlib
import random
import shutil
import sqlite3
import struct
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import timedelta
from functools import partial
from pathlib import Path

import pytest

from app.planning import messages
from app.storage.engine import Store
from tests.phone_factories import make_world
from tests.planning.test_logging import Phone

HEADER, FRAME_HEADER, SECTOR = 32, 24, 512  # [bytes] SQLite file format 2, sections 4.1 and 4.2
ANYWHERE, SCATTERED, CHECKPOINTS = 120, 150, 40


@dataclass(frozen=True)
class Written:
    """A database as it stood before the actions, its log after them, and the content after each action."""

    base: bytes
    log: bytes
    whole: bytes  # the main file once everything of the log was brought over
    states: list[str]
    ends: list[int]  # where in the log each action is complete [bytes]
    frame: int  # [bytes]


def content(path: Path, *, but: Sequence[str] = ()) -> str:
    """A hash over every row of every table but these, after SQLite's own checks have passed."""
    connection = sqlite3.connect(path)
    try:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        seen = hashlib.sha256()
        tables = "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name"
        for (name,) in connection.execute(tables).fetchall():
            if name in but:
                continue
            rows = sorted(map(repr, connection.execute(f'SELECT * FROM "{name}"')))
            seen.update(repr((name, rows)).encode())
        return seen.hexdigest()
    finally:
        connection.close()


def actions(phone: Phone, evening: str) -> Iterator[Callable[[], object]]:
    """What a phone and a coach do on an ordinary evening, one action a call."""
    world, store = phone.world, phone.store
    sent = [phone.a_set(place, session=f"n{evening:x>19}", note=f"set {place}") for place in range(8)]
    for one in sent:
        yield partial(phone.one, one)
    many = [phone.a_set(n, session=f"n{evening:y>15}{n:04d}") for n in range(12)]
    yield partial(phone.send, *many)
    for place in range(4):
        change = {"of": sent[place]["id"], "load": "180", "unit": "kg", "reps": 2 + place}
        yield partial(phone.one, phone.write("amend", **change))
    yield partial(phone.one, phone.write("remove", of=sent[7]["id"]))
    yield partial(phone.one, phone.write("check_in", sleep=4, body_mass="92.4", unit="kg", note=evening))
    yield partial(phone.one, phone.write("pain", place="left knee", severity=3))
    yield partial(phone.one, phone.write("finish", session=sent[0]["session"], rpe=8, minutes=70))
    to = [world.lifter.id]
    text = "Well done. " * 300
    yield partial(messages.send, store, world.coach, to, text, by=world.coach.name, now=phone.now)
    for number in range(6):
        extra = phone.a_set(0, session=f"n{evening:z>15}{number:04d}", note="long " * 90)
        yield partial(phone.one, extra)


def evening(phone: Phone, path: Path, name: str) -> Written:
    """Do the actions, with nothing brought over from the log in between."""
    wal = path.with_name(path.name + "-wal")
    with phone.store.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    base = path.read_bytes()
    aside = path.with_name("aside.db")
    states, ends = [content(path)], [0]
    for act in actions(phone, name):
        answer = act()
        assert not isinstance(answer, dict) or answer["status"] == 201, answer
        states.append(content(path))
        ends.append(wal.stat().st_size)
    log = wal.read_bytes()
    shutil.copy(path, aside)
    wal_aside = aside.with_name(aside.name + "-wal")
    wal_aside.write_bytes(log)
    with closing(sqlite3.connect(aside)) as alone:
        alone.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    frame = FRAME_HEADER + struct.unpack(">I", log[8:12])[0]
    assert path.read_bytes() == base, "the log was brought over too early for this test"
    return Written(base, log, aside.read_bytes(), states, ends, frame)


@pytest.fixture
def two_evenings(store: Store, tmp_path: Path) -> list[Written]:
    phone = Phone(store, make_world(store))
    found = []
    for name in ("first", "second"):
        found.append(evening(phone, tmp_path / "terrace.db", name))
        phone.now += timedelta(days=1)
    return found


class Disk:
    """What is found on the disk after the cut, opened as the app opens it."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "found.db"
        self.opened = 0

    def holds(self, main: bytes, log: bytes) -> str:
        for suffix in ("-wal", "-shm"):
            self.path.with_name(self.path.name + suffix).unlink(missing_ok=True)
        self.path.write_bytes(main)
        self.path.with_name(self.path.name + "-wal").write_bytes(log)
        self.opened += 1
        return content(self.path)


def test_each_action_ends_in_one_commit(two_evenings: list[Written]) -> None:
    # SQLite file format 2, section 4.1: bytes 4 to 7 of a frame's header are not zero in a commit's last one.
    for written in two_evenings:
        commits = [
            place + written.frame
            for place in range(HEADER, len(written.log), written.frame)
            if any(written.log[place + 4 : place + 8])
        ]
        assert commits == written.ends[1:]
        assert len(set(written.states)) == len(written.states)


def test_a_log_cut_anywhere_holds_the_first_actions_whole(
    two_evenings: list[Written], tmp_path: Path
) -> None:
    chance = random.Random(11)
    disk = Disk(tmp_path)
    for written, older in zip(two_evenings, (b"", two_evenings[0].log), strict=True):
        length = len(written.log)
        borders = list(range(HEADER, length + 1, written.frame))
        for cut in [0, 1, HEADER - 1, *borders, *(chance.randrange(length) for _ in range(ANYWHERE))]:
            # Behind the cut stands nothing, or what an older log left there.
            found = disk.holds(written.base, written.log[:cut] + older[cut:])
            done = sum(end <= cut for end in written.ends[1:])
            assert found == written.states[done], f"cut at byte {cut} of {length}, after {done} actions"
    print(f"{disk.opened} cut logs opened, {len(two_evenings[0].states) - 1} actions in each")
    assert disk.opened > 2 * ANYWHERE + 200


def test_an_action_whose_sectors_reached_the_disk_in_any_order_is_whole_or_absent(
    two_evenings: list[Written], tmp_path: Path
) -> None:
    chance = random.Random(12)
    disk = Disk(tmp_path)
    kept = 0
    for _ in range(SCATTERED):
        written = chance.choice(two_evenings)
        done = chance.randrange(len(written.ends) - 1)
        begin, end = written.ends[done], written.ends[done + 1]
        torn = bytearray(written.log[:end])
        # The log before was synced; of this action each sector is there or still what it was.
        share = chance.choice([0.1, 0.5, 0.9, 1.0])
        for place in range(begin, end, SECTOR):
            if chance.random() > share:
                torn[place : min(place + SECTOR, end)] = bytes(min(SECTOR, end - place))
        found = disk.holds(written.base, bytes(torn))
        assert found in written.states[done : done + 2], f"after {done} actions"
        kept += found == written.states[done + 1]
    print(f"{disk.opened} torn logs opened, the last action there in {kept}")
    assert 0 < kept < disk.opened


def test_a_cut_while_the_log_is_brought_over_loses_nothing(
    two_evenings: list[Written], tmp_path: Path
) -> None:
    chance = random.Random(13)
    disk = Disk(tmp_path)
    for _ in range(CHECKPOINTS):
        written = chance.choice(two_evenings)
        # The log is synced first and only then are pages copied: each sector of the main file is old or new.
        mixed = bytearray(written.base.ljust(len(written.whole), b"\0"))
        share = chance.random()
        for place in range(0, len(written.whole), SECTOR):
            if chance.random() < share:
                mixed[place : place + SECTOR] = written.whole[place : place + SECTOR]
        assert disk.holds(bytes(mixed), written.log) == written.states[-1]
    print(f"{disk.opened} half-copied files opened")
