"""Long jobs in processes of their own that die of SIGKILL at a chosen step, as ``kill -9`` would have it.

A step is a statement sent to the database or a change asked of the file system. Counting both makes every
place between two lasting effects reachable, which killing after a random while does not.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

from tests.reliability.servers import ROOT

CHANGES = {"os.rename", "os.link", "os.remove", "os.mkdir", "os.rmdir", "os.truncate", "shutil.copyfile"}
LOG = "lifter,date,exercise,load_kg,reps\n" + "".join(
    f"Runa {person},2026-{month:02d}-{day:02d},Squat,{80 + day},5\n"
    for person in range(5)
    for month in (1, 2)
    for day in range(1, 29)
    for _ in range(3)
)


def count_steps(die_at: int) -> list[int]:
    """Count this process's steps from now on, and end it in the middle of one of them."""
    from sqlalchemy import event
    from sqlalchemy.engine import Engine

    seen = [0]

    def step(*_: object) -> None:
        seen[0] += 1
        if seen[0] == die_at:
            os.kill(os.getpid(), signal.SIGKILL)

    def audited(name: str, given: tuple[object, ...]) -> None:
        if name in CHANGES or (name == "open" and isinstance(given[2], int) and given[2] & os.O_ACCMODE):
            step()

    def halved(write: Callable[..., object]) -> Callable[..., object]:
        def half_way(*given: object, **more: object) -> object:
            step()
            done = write(*given, **more)
            step()
            return done

        return half_way

    # An archive grows member by member, a file is written in two parts: between them it is half a one.
    zipfile.ZipFile.write = halved(zipfile.ZipFile.write)  # type: ignore[assignment,method-assign]
    zipfile.ZipFile.writestr = halved(zipfile.ZipFile.writestr)  # type: ignore[assignment,method-assign]
    whole = Path.write_bytes

    def in_two(path: Path, data: bytes) -> int:
        whole(path, data[: len(data) // 2])
        step()
        return whole(path, data)

    Path.write_bytes = in_two  # type: ignore[assignment,method-assign]
    sys.addaudithook(audited)
    event.listen(Engine, "before_cursor_execute", step)
    event.listen(Engine, "commit", step)
    return seen


def import_(folder: Path) -> None:
    from app.exchange import exercise_names, log_file, tables
    from app.planning import imports
    from app.storage.engine import Store
    from tests.factories import NOW

    store = Store(f"sqlite:///{folder / 'terrace.db'}")
    rows = log_file.read_log(tables.read_table(LOG.encode(), "LOG.csv", expected=log_file.FIELDS)).rows
    given = {"file_name": "LOG.csv", "sha256": b"0" * 32, "guess": exercise_names.guess, "now": NOW}
    imports.apply(store, _coach(store), rows, **given)  # type: ignore[arg-type]


def assign(folder: Path) -> None:
    from app.planning import blocks, library
    from app.storage.engine import Store
    from tests.factories import NOW, TODAY

    store = Store(f"sqlite:///{folder / 'terrace.db'}")
    blocks.assign(store, _coach(store), 1, library.templates()[0].plan, start_day=TODAY + 40, now=NOW)


def migrate(folder: Path) -> None:
    from app.storage.engine import Store

    Store(f"sqlite:///{folder / 'terrace.db'}").migrate()


def back_up(folder: Path) -> None:
    _back_up(folder, portable=False)


def back_up_portable(folder: Path) -> None:
    _back_up(folder, portable=True)


def _back_up(folder: Path, *, portable: bool) -> None:
    from app.config import Settings
    from app.planning import backups
    from app.storage.engine import Store
    from tests.factories import NOW

    settings = Settings(data_dir=folder)
    backups.make(Store(settings.url), settings, target=None, portable=portable, now=NOW)


def restore(folder: Path) -> None:
    from app.config import Settings
    from app.planning import backups
    from tests.factories import NOW

    backups.restore(Settings(data_dir=folder), folder / "good.zip", now=NOW + timedelta(days=1))


def load_portable(folder: Path) -> None:
    restore(folder)


def export(folder: Path) -> None:
    from app import commands

    os.environ["TERRACE_DATA_DIR"] = str(folder)
    assert commands.export(str(folder / "everything.json"), None) == 0


def _coach(store: object) -> object:
    from app.planning import access

    coach = access.only_coach(store, None)  # type: ignore[arg-type]
    assert coach is not None
    return coach


JOBS: dict[str, Callable[[Path], None]] = {
    "import": import_,
    "assign": assign,
    "migrate": migrate,
    "back up": back_up,
    "back up portable": back_up_portable,
    "restore": restore,
    "load portable": load_portable,
    "export": export,
}


def serve() -> None:
    """Fork a job for each line of standard input: its name, folder, and the step to die at."""
    import app.commands
    import app.main

    assert app.commands
    for line in sys.stdin:
        name, folder, die_at = line.rstrip("\n").split("\t")
        child = os.fork()
        if child == 0:
            seen = count_steps(int(die_at))
            JOBS[name](Path(folder))
            (Path(folder) / "steps").write_text(str(seen[0]))
            os._exit(0)
        print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)


class Jobs:
    """Runs jobs until they end or die."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process

    def run(self, name: str, folder: Path, die_at: int = 0) -> int:
        """How the job ended: 0, or minus the signal."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(f"{name}\t{folder}\t{die_at}\n")
        self.process.stdin.flush()
        return int(self.process.stdout.readline())


@contextmanager
def jobs() -> Iterator[Jobs]:
    with subprocess.Popen(
        [sys.executable, "-W", "ignore", "-c", "from tests.reliability.long_jobs import serve; serve()"],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        yield Jobs(process)
        assert process.stdin is not None
        process.stdin.close()
