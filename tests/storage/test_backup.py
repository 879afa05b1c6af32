"""A backup is whole or it is not there; a restore gives back an equal state or touches nothing."""

from __future__ import annotations

import threading
import zipfile
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from app.config import Settings
from app.planning import backups
from app.storage import backup
from app.storage.backup import BackupRefused
from app.storage.engine import Store
from tests.factories import NOW, TODAY, log_sets, make_coach, make_exercise, make_lifter


def fill(store: Store, days: int = 20) -> None:
    coach = make_coach(store)
    lifter = make_lifter(store, coach=coach, note="Ünïcode, «quotes» and\nlines")
    squat = make_exercise(store, coach=coach)
    for number in range(days):
        log_sets(store, lifter, squat, TODAY - number, [(100 + number, 5, 8.0), (100, 5, None)], note="ok")


@pytest.mark.parametrize("portable", [False, True])
def test_a_restored_backup_is_equal_row_by_row(store: Store, tmp_path: Path, portable: bool) -> None:
    fill(store)
    before = backup.canonical(store)
    path = tmp_path / "copy.zip"
    backup.make(store, path, program="test", at=NOW, portable=portable)
    settings = Settings(data_dir=tmp_path / "elsewhere")
    assert backups.restore(settings, path, now=NOW) is None
    again = Store(settings.url)
    assert backup.canonical(again) == before
    again.close()


def test_data_moves_between_the_engines_and_back(store: Store, postgres_store: Store, tmp_path: Path) -> None:
    fill(store)
    before = backup.canonical(store)
    first, second = tmp_path / "first.zip", tmp_path / "second.zip"
    backup.make(store, first, program="test", at=NOW, portable=True)
    with postgres_store.engine.begin() as connection:
        connection.exec_driver_sql("DROP SCHEMA public CASCADE")
        connection.exec_driver_sql("CREATE SCHEMA public")
    backup.load_portable(first, postgres_store)
    assert backup.canonical(postgres_store) == before
    make_coach(postgres_store, login="next@example.org")  # Ids go on after the loaded ones.
    with postgres_store.engine.begin() as connection:
        connection.exec_driver_sql("DELETE FROM coaches WHERE login = 'next@example.org'")
    backup.make(postgres_store, second, program="test", at=NOW)
    back = Store(f"sqlite:///{tmp_path / 'back.db'}")
    backup.load_portable(second, back)
    assert backup.canonical(back) == before
    back.close()


def test_a_backup_made_while_writing_holds_every_row_acknowledged_before_it(
    store: Store, tmp_path: Path
) -> None:
    coach = make_coach(store)
    lifter = make_lifter(store, coach=coach)
    squat = make_exercise(store, coach=coach)
    done, acknowledged = threading.Event(), [0]

    def write() -> None:
        for number in range(400):
            log_sets(store, lifter, squat, TODAY - number, [(100, 5, 8), (90, 5, 7)])
            acknowledged[0] += 1
            if done.is_set():
                return

    writer = threading.Thread(target=write)
    writer.start()
    while acknowledged[0] < 20:
        pass
    promised = acknowledged[0]
    manifest = backup.make(store, tmp_path / "busy.zip", program="test", at=NOW)
    done.set()
    writer.join()
    assert manifest.counts["logged_sets"] >= 2 * promised
    assert manifest.counts["logged_sets"] == 2 * manifest.counts["logged_sessions"]  # No half transactions.


def test_a_damaged_backup_is_refused_and_nothing_is_touched(store: Store, tmp_path: Path) -> None:
    fill(store)
    path = tmp_path / "good.zip"
    backup.make(store, path, program="test", at=NOW)
    good = path.read_bytes()
    settings = Settings(data_dir=tmp_path / "data")
    backups.restore(settings, path, now=NOW)
    target = tmp_path / "data" / "terrace.db"
    state = target.read_bytes()
    rng = np.random.default_rng(5)
    damaged = [b"", b"no backup", good[: len(good) // 2], good[:-30]]
    for place in rng.integers(0, len(good), 40):
        flipped = bytearray(good)
        flipped[place] ^= 0xFF
        damaged.append(bytes(flipped))
    refused = 0
    for one in damaged:
        path.write_bytes(one)
        try:
            backups.restore(settings, path, now=NOW + timedelta(seconds=1))
        except BackupRefused:
            refused += 1
            assert target.read_bytes() == state
        else:
            # A flipped byte of the archive's own bookkeeping (a time stamp) leaves the content whole.
            with zipfile.ZipFile(path) as archive:
                assert archive.testzip() is None
            kept = tmp_path / "data" / f"before-restore-{NOW + timedelta(seconds=1):%Y%m%dT%H%M%SZ}"
            for file in kept.iterdir():
                file.unlink()
            kept.rmdir()
    assert refused >= 40, refused


@pytest.mark.parametrize("portable", [False, True])
def test_a_member_exchanged_for_another_whole_one_is_refused(
    store: Store, tmp_path: Path, portable: bool
) -> None:
    # Same tables, same row counts, good archive: only the hash knows that it is another database.
    fill(store)
    first, second, mixed = (tmp_path / name for name in ("first.zip", "second.zip", "mixed.zip"))
    backup.make(store, first, program="test", at=NOW, portable=portable)
    with store.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE logged_sets SET load_grams = load_grams + 50000")
    backup.make(store, second, program="test", at=NOW, portable=portable)
    with zipfile.ZipFile(first) as good, zipfile.ZipFile(second) as other, zipfile.ZipFile(mixed, "w") as out:
        for name in good.namelist():
            out.writestr(name, (good if name == "manifest.json" else other).read(name))
    with pytest.raises(BackupRefused, match="was changed or damaged"):
        backup.verify(mixed)


def test_a_restore_keeps_the_state_before_it(store: Store, tmp_path: Path) -> None:
    fill(store)
    path = tmp_path / "copy.zip"
    backup.make(store, path, program="test", at=NOW)
    settings = Settings(data_dir=tmp_path / "data")
    backups.restore(settings, path, now=NOW)
    (tmp_path / "data" / "terrace.db-wal").write_bytes(b"left over")
    kept = backups.restore(settings, path, now=NOW + timedelta(minutes=1))
    assert kept is not None
    assert sorted(one.name for one in kept.iterdir()) == ["terrace.db", "terrace.db-wal"]
    again = Store(settings.url)
    assert backup.canonical(again) == backup.canonical(store)
    again.close()


def test_a_restore_waits_for_the_server_to_be_stopped(store: Store, tmp_path: Path) -> None:
    path = tmp_path / "copy.zip"
    backup.make(store, path, program="test", at=NOW)
    with backups.server_lock(tmp_path / "data"), pytest.raises(backups.ServerRunning, match="Stop it first"):
        backups.restore(Settings(data_dir=tmp_path / "data"), path, now=NOW)


def test_daily_weekly_and_monthly_backups_are_kept(store: Store, tmp_path: Path) -> None:
    settings = Settings(data_dir=tmp_path / "data")
    for number in range(60):
        day = NOW + timedelta(days=number)
        path = backups.folder(settings) / f"terrace-{day:%Y%m%dT%H%M%SZ}.zip"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"old")
    last = NOW + timedelta(days=60)
    assert backups.keep(store, settings, now=last) is not None
    assert backups.keep(store, settings, now=last + timedelta(hours=23)) is None
    ages = [(last - one.made_at).days for one in backups.kept(settings)]
    assert ages[:7] == [0, 1, 2, 3, 4, 5, 6]
    assert 9 <= len(ages) <= 7 + 4 + 12
    assert max(ages) >= 31
