"""What was promised of data that go out and come back, equal whoever opened them, and of programs."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from benchmarks.figures import Figure, least, most

ROSTERS = 1_000
THROUGH_OFFICE = 10
EXAMPLES = 50


@contextmanager
def _database() -> Iterator[Any]:
    """A fresh database; synced writes are not what is measured here."""
    from sqlalchemy import event

    from app.storage.engine import Store

    with tempfile.TemporaryDirectory() as folder:
        store = Store(f"sqlite:///{folder}/terrace.db")
        event.listen(store.engine, "connect", lambda raw, _: raw.execute("PRAGMA synchronous=OFF"))
        store.migrate()
        yield store
        store.close()


def _returned(store: Any, seed: int, form: str, between: Callable[[bytes], bytes]) -> bool:
    """A made-up roster into one account, out as a file, into another: both equal what was made up."""
    from app.exchange import coach_file
    from app.planning import exports
    from tests import rosters
    from tests.factories import NOW, make_coach

    first, second = (make_coach(store, login=f"{seed}-{form}-{n}@example.org") for n in (1, 2))
    given = rosters.tables(seed)
    exports.load(store, first, given, by="figure", now=NOW)
    out = exports.everything(store, first, by="figure", now=NOW)
    file = coach_file.file_of(out.described, out.tables, program_version="0", made_at=NOW)
    read = coach_file.read(between(coach_file.as_bytes(file, form)), f"all.{form}")
    tables = {shape.name: list(read.file.records(shape.name)) for shape in read.file.shapes}
    exports.load(store, second, tables, by="figure", now=NOW)
    back = exports.everything(store, second, by="figure", now=NOW)
    made_up = {
        name: [tuple(row[column.name] for column in out.described[name][1]) for row in rows]
        for name, rows in given.items()
    }
    return back == out and made_up == out.tables


def round_trips() -> float:
    with _database() as store:
        return float(
            sum(_returned(store, seed, ("json", "xlsx", "zip")[seed % 3], bytes) for seed in range(ROSTERS))
        )


def through_office() -> float:
    """Workbooks opened and saved by LibreOffice before they are taken in."""
    office = shutil.which("soffice")
    if office is None:
        raise RuntimeError("LibreOffice is not installed")
    with tempfile.TemporaryDirectory() as folder, _database() as store:

        def saved_again(data: bytes) -> bytes:
            source, target = Path(folder) / "book.xlsx", Path(folder) / "out"
            source.write_bytes(data)
            subprocess.run(
                [
                    *(office, "--headless", "--norestore", f"-env:UserInstallation=file://{folder}/profile"),
                    *("--convert-to", "xlsx:Calc MS Excel 2007 XML", "--outdir", str(target), str(source)),
                ],
                check=True,
                capture_output=True,
                timeout=120,
            )
            return (target / "book.xlsx").read_bytes()

        return float(sum(_returned(store, seed, "xlsx", saved_again) for seed in range(THROUGH_OFFICE)))


def api_breaches() -> float:
    """Answers of the interface for programs that were 5xx or not as documented, with both kinds of token."""
    import schemathesis
    from schemathesis import GenerationMode
    from schemathesis.core.failures import FailureGroup

    from tests.web import test_api

    breaches = 0
    sent: Counter[int] = Counter()
    with _database() as store, test_api.roster_to_fuzz(store) as (client, tokens, there):
        schema = schemathesis.openapi.from_asgi(f"{test_api.API}/openapi.json", client.app)
        for token in tokens.values():
            headers = {"Authorization": f"Bearer {token}"}
            for result in schema.get_all_operations():
                for mode in GenerationMode:
                    try:
                        test_api.fuzz(result.ok(), mode, headers, there, sent, examples=EXAMPLES)  # type: ignore[union-attr]
                    except (FailureGroup, AssertionError):
                        breaches += 1
    if sent.total() < 1_000:
        raise RuntimeError(f"only {sent.total()} requests were sent")
    return float(breaches)


FIGURES = [
    Figure(
        "desk.round_trips",
        "rosters",
        least(ROSTERS),
        round_trips,
        f"of {ROSTERS:,} made-up rosters, equal after going out (JSON, workbook, CSV in turn) and into an "
        "empty account",
    ),
    Figure(
        "desk.round_trips_office",
        "rosters",
        least(THROUGH_OFFICE),
        through_office,
        f"of {THROUGH_OFFICE} workbooks opened and saved by LibreOffice, equal when taken in",
    ),
    Figure(
        "desk.api_breaches",
        "operations",
        most(0),
        api_breaches,
        f"operations that a fuzzer with {EXAMPLES} well-formed and {EXAMPLES} ill-formed requests, by tokens "
        "that read or write, got a 5xx or an undocumented answer from",
    ),
]
