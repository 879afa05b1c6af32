"""The published tables in ``shared``, for the pages and documents that print a number with its source."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from functools import cache
from pathlib import Path

FOLDER = Path(__file__).resolve().parents[2] / "shared"


@cache
def table(name: str) -> tuple[Mapping[str, str], ...]:
    """Rows of ``shared/<name>.csv``, every cell as printed there.

    Raises
    ------
    LookupError
        If there is no such table.
    """
    path = FOLDER / f"{name}.csv"
    if not name.isidentifier() or not path.is_file():
        known = ", ".join(sorted(file.stem for file in FOLDER.glob("*.csv")))
        raise LookupError(f"there is no published table {name!r}; there are {known or 'none'}")
    with path.open(encoding="utf-8", newline="") as file:
        return tuple(csv.DictReader(file))


def usable(name: str) -> tuple[Mapping[str, str], ...]:
    """Rows of a table that a test may fail on: verified, or worked out to fix a convention."""
    return tuple(row for row in table(name) if row["status"] in ("verified", "constructed"))
