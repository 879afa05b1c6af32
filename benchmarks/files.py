"""Figures of files in and out: what bad files get, and what comes back of what went out."""

from __future__ import annotations

import time
from datetime import UTC, date, datetime, timedelta
from functools import cache, partial
from typing import Any

import numpy as np

from app.exchange import coach_file
from app.exchange.coach_file import CoachFile, Field, Shape
from app.exchange.log_file import FIELDS, read_log
from app.exchange.tables import Refused, read_table
from benchmarks.figures import Figure, most
from tests.exchange import nasty

MUTATIONS = 1_000
DATA_SETS = 1_000


def _answer(data: bytes, name: str) -> str:
    """What is said against a file; "" if it is taken."""
    try:
        log = read_log(read_table(data, name, expected=FIELDS))
    except Refused as refused:
        return str(refused)
    return str(log.errors[0]) if log.errors else ""


@cache
def _nasty() -> tuple[int, float, float]:
    """Hand-made files answered wrongly, seconds of the slowest, most megabytes that one of them took."""
    wrong, slowest, grown = 0, 0.0, 0.0
    for file in nasty.all_files():
        start = time.process_time()
        said = _answer(file.data, file.name)
        slowest = max(slowest, time.process_time() - start)
        grown = max(grown, nasty.grown_by(partial(_answer, file.data, file.name)))
        wrong += bool(said) == (file.refused is None) or not (said == "" or said.startswith(file.name))
    return wrong, slowest, grown


def mutated() -> float:
    """Nasty files with bytes cut out, doubled and exchanged: answers that are no sentence with a place."""
    rng = np.random.default_rng(11)
    files = [file.data for file in nasty.all_files() if len(file.data) < 20_000]
    wrong = 0
    for _ in range(MUTATIONS):
        data = bytearray(files[rng.integers(len(files))])
        for _ in range(rng.integers(1, 6)):
            at, end = sorted(rng.integers(0, len(data) + 1, 2).tolist())
            end = min(end, at + 40)
            match rng.integers(3):
                case 0:
                    del data[at:end]
                case 1:
                    data[at:at] = data[at:end]
                case _:
                    data[at : at + 3] = rng.integers(0, 256, 3).astype(np.uint8).tobytes()
        name = "LOG.xlsx" if data.startswith(b"PK") else "LOG.csv"
        try:
            said = _answer(bytes(data), name)
        except Exception:
            wrong += 1
        else:
            wrong += not (said == "" or (said.startswith(name) and said.endswith(".")))
    return wrong


SHAPES = (
    Shape(
        "lifters",
        (
            Field("id", "integer"),
            Field("name", "text"),
            Field("goal", "text", optional=True),
            Field("body_mass", "integer", optional=True, unit="g"),
            Field("sensitivity", "number"),
            Field("archived", "yes-no"),
            Field("goal_day", "day", optional=True),
            Field("created_at", "instant"),
            Field("plates", "document"),
        ),
    ),
    Shape(
        "sets",
        (
            Field("lifter", "integer"),
            Field("load", "integer", unit="g"),
            Field("typed", "text", optional=True),
        ),
    ),
)
_LETTERS = np.array([*"aeßéŁя日😀 '=+-@\t\r\n→,;\"0.", "→ long text 1", "NULL", "3-5"], dtype=object)


def _text(rng: np.random.Generator) -> str:
    return "".join(rng.choice(_LETTERS, rng.integers(0, 12)))


def _roster(rng: np.random.Generator) -> CoachFile:
    def maybe(value: Any) -> Any:
        return None if rng.random() < 0.3 else value

    lifters = [
        (
            number,
            _text(rng),
            maybe(_text(rng)),
            maybe(int(rng.integers(0, 10**6))),
            float(rng.normal()),
            bool(rng.integers(2)),
            maybe(date(2026, 1, 1) + timedelta(int(rng.integers(400)))),
            datetime(2026, 1, 1, tzinfo=UTC) + timedelta(microseconds=int(rng.integers(10**15))),
            [[int(rng.integers(10**5)), _text(rng)] for _ in range(rng.integers(3))],
        )
        for number in range(rng.integers(0, 4))
    ]
    sets = [
        (int(rng.integers(4)), int(rng.integers(10**6)), maybe(f"{rng.integers(4000) / 8:g} lb"))
        for _ in range(rng.integers(0, 6))
    ]
    return CoachFile("0.1.0", datetime(2026, 3, 9, tzinfo=UTC), SHAPES, {"lifters": lifters, "sets": sets})


def unequal() -> float:
    """Generated data sets that differ after JSON, a workbook or a CSV archive out and in."""
    rng = np.random.default_rng(12)
    forms = (coach_file.to_json, coach_file.to_csv_archive, coach_file.to_xlsx)
    wrong = 0
    for number in range(DATA_SETS):
        file = _roster(rng)
        found = coach_file.read(forms[number % 3](file), "coach")
        wrong += bool(found.errors) or found.file != file
    return wrong


FIGURES = [
    Figure(
        "desk.nasty_files_wrong",
        "files",
        most(0),
        lambda: _nasty()[0],
        f"{len(nasty.all_files())} hand-made files: taken, or refused with their place, as they should be",
    ),
    Figure(
        "desk.nasty_files_slowest", "s", most(5), lambda: _nasty()[1], "processor time of the slowest of them"
    ),
    Figure(
        "desk.nasty_files_memory",
        "MB",
        most(200),
        lambda: _nasty()[2],
        "most that one of them made memory grow",
    ),
    Figure(
        "desk.mutated_files_wrong",
        "files",
        most(0),
        mutated,
        f"{MUTATIONS} mutated files: an exception, or an answer that is no sentence with a place",
    ),
    Figure(
        "desk.exports_unequal",
        "data_sets",
        most(0),
        unequal,
        f"{DATA_SETS} generated data sets through JSON, XLSX and CSV, out and in again",
    ),
]
