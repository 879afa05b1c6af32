"""Measures the analysis on held-out simulated lifters; writes ``shared/measured.csv`` for the methods page.

python -m benchmarks.measured            all held-out lifters, weekly
python -m benchmarks.measured --quick    14 lifters, every second week
"""

from __future__ import annotations

import argparse
import csv
import math
import sys
from collections.abc import Sequence
from datetime import UTC, datetime

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


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.measured", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--quick", action="store_true", help="14 lifters, every second week")
    given = parser.parse_args(arguments)
    lifters, step = (14, 14) if given.quick else (scorecard.HELD_OUT_LIFTERS, 7)
    tally = scorecard.score("product", lifters=lifters, step=step)
    today = datetime.now(UTC).date().isoformat()
    target = FOLDER / "measured.csv"
    with target.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        for row in scorecard.rows(tally):
            value = "" if math.isnan(row.value) else f"{row.value:.4g}"
            said = (row.name, row.label, value, row.unit, row.note)
            writer.writerow((*said, lifters, f"{tally.years:.0f}", step, today))
    return 0


if __name__ == "__main__":
    sys.exit(main())
