"""Measures the analysis on held-out simulated lifters; writes ``shared/measured.csv`` for the methods page.

python -m benchmarks.measured            all held-out lifters, weekly
python -m benchmarks.measured --quick    14 lifters, every second week
"""

from __future__ import annotations

import argparse
import csv
import math
import os
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from functools import partial

from app.training.reference import FOLDER
from benchmarks import scorecard

COLUMNS = (
    "quantity",
    "label",
    "value",
    "unit",
    "note",
    "lifters",
    "lifter_years",
    "every_days",
    "measured_on",
)


CURVE = ("problem_recall", "problem_false_alarms", "problem_delay")


def _by_sensitivity(lifters: int, step: int) -> list[tuple[str, int, scorecard.Tally]]:
    """The flags that depend on the coach's setting, at every setting a coach can choose."""
    some = min(lifters, scorecard.PICTURE_LIFTERS)
    ask = partial(scorecard.score_each, "product", lifters=some, step=step, jobs=os.cpu_count() or 1)
    settings = sorted({*scorecard.SENSITIVITIES, 1.0})
    return [(f"@{s:g}", some, scorecard.total(ask(sensitivity=s))) for s in settings]


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.measured", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--quick", action="store_true", help="14 lifters, every second week")
    given = parser.parse_args(arguments)
    lifters, step = (14, 14) if given.quick else (scorecard.HELD_OUT_LIFTERS, 7)
    tally = scorecard.score("product", lifters=lifters, step=step)
    today = datetime.now(UTC).date().isoformat()
    lines: list[tuple[object, ...]] = [COLUMNS]
    for name, some, found in (("", lifters, tally), *_by_sensitivity(lifters, step)):
        for row in scorecard.rows(found):
            if name and row.name not in CURVE:
                continue
            value = "" if math.isnan(row.value) else f"{row.value:.4g}"
            said = (f"{row.name}{name}", row.label, value, row.unit, row.note)
            lines.append((*said, some, f"{found.years:.0f}", step, today))
    # Written at once, when all is known: a running app reads this file.
    with (FOLDER / "measured.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(lines)
    return 0


if __name__ == "__main__":
    sys.exit(main())
