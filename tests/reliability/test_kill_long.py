"""A long job killed on its way leaves the old state or the new one, and never half a backup."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from app.config import Settings
from app.exchange import coach_file
from app.planning import backups
from app.storage import backup
from app.storage.engine import Store
from tests.factories import NOW, TODAY, log_sets
from tests.phone_factories import make_world
from tests.reliability.long_jobs import Jobs, jobs
from tests.reliability.test_power_cut import content

PLACES = 6  # at how many steps a job is killed, spread over all of them


@pytest.fixture(scope="module")
def running() -> Iterator[Jobs]:
    with jobs() as opened:
        yield opened


@pytest.fixture
def world(store: Store, tmp_path: Path) -> Path:
    """A folder with a database whose last changes are still in its write-ahead log, and backups of before."""
    made = make_world(store)
    folder = tmp_path / "data"
    folder.mkdir()
    backup.make(store, folder / "good.zip", program="test", at=NOW)
    backup.make(store, folder / "portable.zip", program="test", at=NOW, portable=True)
    log_sets(store, made.lifter, made.squat, TODAY, [(130, 5, 8.0)] * 3, note="after the backup")
    for name in ("terrace.db", "terrace.db-wal"):
        shutil.copy(tmp_path / name, folder / name)
    return folder


def places(steps: int, job: str) -> list[int]:
    if job in ("restore", "back up"):  # whose steps are files moved about, each of which counts
        return list(range(1, steps + 1))
    return sorted({1 + round(n * (steps - 1) / (PLACES - 1)) for n in range(PLACES)} | {steps - 1})


def fresh(folder: Path, name: str) -> Path:
    copy = folder.with_name(name)
    shutil.rmtree(copy, ignore_errors=True)
    shutil.copytree(folder, copy)
    return copy


def steps_of(folder: Path) -> int:
    return int((folder / "steps").read_text())


@pytest.mark.parametrize("job", ["import", "assign", "migrate", "restore", "load portable"])
def test_the_state_is_the_old_or_the_new_one(world: Path, running: Jobs, job: str) -> None:
    if job in ("migrate", "load portable"):
        for one in world.glob("terrace.db*"):
            one.unlink()
        Store(f"sqlite:///{world / 'terrace.db'}").schema_version()  # an empty database
    if job == "load portable":
        shutil.copy(world / "portable.zip", world / "good.zip")
    # An exercise of the plan that the roster lacked is made first; it may be there without the block.
    beside = ("exercises",) if job == "assign" else ()
    whole = fresh(world, "whole")
    old = content(whole / "terrace.db", but=beside)
    assert running.run(job, whole) == 0
    new = content(whole / "terrace.db", but=beside)
    assert old != new
    ended = {old: 0, new: 0}
    at = places(steps_of(whole), job)
    for place in at:
        folder = fresh(world, "killed")
        assert running.run(job, folder, place) == -9
        assert (folder / "terrace.db").exists(), f"{job} killed at step {place}: the database is gone"
        found = content(folder / "terrace.db", but=beside)
        assert found in ended, f"{job} killed at step {place}: neither old nor new"
        ended[found] += 1
        if place == at[len(at) // 2]:
            # What was cut off can be done again.
            assert running.run(job, folder) == 0
            assert content(folder / "terrace.db", but=beside) == new
    print(f"{job}: killed at {len(at)} of {steps_of(whole)} steps, old {ended[old]} times, new {ended[new]}")
    assert len(at) >= 5
    assert ended[old] > 0


@pytest.mark.parametrize("job", ["back up", "back up portable"])
def test_half_a_backup_is_never_offered(world: Path, running: Jobs, job: str) -> None:
    whole = fresh(world, "whole")
    state = content(whole / "terrace.db")
    assert running.run(job, whole) == 0
    assert len(backups.kept(Settings(data_dir=whole))) == 1
    at = places(steps_of(whole), job)
    offered = 0
    for place in at:
        folder = fresh(world, "killed")
        assert running.run(job, folder, place) == -9
        settings = Settings(data_dir=folder)
        for one in backups.kept(settings):
            backup.verify(one.path)
            offered += 1
        assert content(folder / "terrace.db") == state
        # The next one is made, and takes away what the killed one left lying about the day before.
        for left in backups.folder(settings).glob("*"):
            os.utime(left, (0, 0))
        opened = Store(settings.url)
        assert backups.keep(opened, settings, now=NOW + 2 * backups.EVERY) is not None
        opened.close()
        lying = [one.name for one in backups.folder(settings).iterdir() if one.suffix != ".zip"]
        assert lying == [], f"{job} killed at step {place}"
    print(f"{job}: killed at {len(at)} of {steps_of(whole)} steps, a whole one was there {offered} times")
    assert len(at) >= 5


def test_half_an_export_has_no_name(world: Path, running: Jobs) -> None:
    whole = fresh(world, "whole")
    assert running.run("export", whole) == 0
    at = places(steps_of(whole), "export")
    named = 0
    for place in at:
        folder = fresh(world, "killed")
        assert running.run("export", folder, place) == -9
        target = folder / "everything.json"
        if target.exists():
            assert coach_file.read(target.read_bytes(), target.name).errors == ()
            named += 1
        content(folder / "terrace.db")
        if place == at[len(at) // 2]:
            assert running.run("export", folder) == 0
    print(f"export: killed at {len(at)} of {steps_of(whole)} steps, a whole file was there {named} times")
    assert len(at) >= 5
