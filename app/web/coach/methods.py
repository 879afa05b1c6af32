"""The methods page: what every number means, where it comes from, and how wrong it has been.

The rules' constants are read from the code that applies them and the measured errors from a table that the
benchmarks write, so that neither can drift from what the page says.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.planning import attention, decisions
from app.training import (
    dose,
    effort,
    evidence,
    exposure,
    progression,
    repmax,
    response,
    rolling,
    signals,
    trend,
)
from app.training.records import AnalysisSettings
from app.training.reference import FOLDER
from app.web.dependencies import Desk
from app.web.figure import BANDS, HATCHES, LONGEST_BRIDGE_DAYS, MEASURE_WORDS, tidy
from app.web.pages import page
from app.web.svg import hatch_defs, hatch_key

router = APIRouter()

DECISION_DOES = {
    "hold_course": "The plan stays.",
    "step_back": "Load down by the share you choose and two sets in five fewer, for the weeks you choose.",
    "spread_out": "The heaviest work of the flagged lift every second week.",
    "change_range": "The flagged lift in sets of another number of repetitions, with the reserve it had.",
    "change_exercise": "Another exercise in the place of the flagged one.",
    "end_block": "The block ends with this week.",
    "extend_block": "The last week is repeated, or the one before an easier end; what follows moves.",
    "re_baseline": "The rest of the block is assigned anew from a fresh baseline.",
    "correct_data": "Odd sets are corrected, confirmed or left out.",
    "write": "A message to the lifter.",
    "refer_out": "The lifter is asked to see a qualified clinician.",
}


@dataclass(frozen=True, slots=True)
class Measured:
    """One line of ``shared/measured.csv``, ready to print."""

    label: str
    value: str
    note: str


@dataclass(frozen=True, slots=True)
class Table:
    """A table of published numbers that the app reads, by how well its rows are confirmed."""

    name: str
    verified: int
    constructed: int
    from_memory: int
    sources: tuple[str, ...]


@router.get("/methods")
def methods_page(request: Request, desk: Desk) -> Response:
    found = measured()
    lines, lifters, years, day = found
    return page(
        request,
        "methods.html",
        hatching=hatch_defs(),
        key=hatch_key(),
        measured={name: one for name, one in lines.items() if "@" not in name},
        curve=_curve(lines),
        lifters=lifters,
        years=years,
        measured_on=day,
        tables=tables(),
        rules=signals.THRESHOLDS,
        changes=signals.CHANGES,
        attention=attention,
        decisions=decisions,
        decision_does=DECISION_DOES,
        exposure=exposure,
        rolling=rolling,
        dose=dose,
        effort=effort,
        repmax=repmax,
        response=response,
        trend=trend,
        evidence=evidence,
        progression=progression,
        settings_usual=AnalysisSettings(),
        measures=MEASURE_WORDS,
        bands=BANDS,
        bridge=LONGEST_BRIDGE_DAYS,
        kinds=list(HATCHES),
    )


def measured() -> tuple[dict[str, Measured], str, str, str]:
    """Measured errors by quantity, and of how many lifters and lifter-years, on which day.

    Empty until the benchmarks have written the table.
    """
    path = FOLDER / "measured.csv"
    if not path.is_file():
        return {}, "", "", ""
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    if not rows:
        return {}, "", "", ""
    lines = {row["quantity"]: Measured(row["label"], _in_words(row), row["note"]) for row in rows}
    return lines, rows[0]["lifters"], rows[0]["lifter_years"], rows[0]["measured_on"]


def _curve(lines: dict[str, Measured]) -> list[tuple[str, str, str, str]]:
    """What the sensitivity set for a lifter buys: the setting, share seen, false alarms, median delay."""
    settings = sorted({float(name.split("@")[1]) for name in lines if "@" in name})
    quantities = ("problem_recall", "problem_false_alarms", "problem_delay")
    return [
        (f"{one:g}", *(lines[f"{name}@{one:g}"].value for name in quantities))  # type: ignore[misc]
        for one in settings
    ]


def _in_words(row: dict[str, str]) -> str:
    """A measured value with its unit as people read it: shares as per cent, rates by lifter-year."""
    if not row["value"]:
        return "not enough cases"
    value = float(row["value"])
    match row["unit"]:
        case "1" if "correlation" in row["label"]:
            return tidy(value, 2)
        case "1":
            return f"{tidy(100 * value, 0)} %"
        case "1/lifter-year":
            return f"{tidy(value, 2)} a lifter-year"
        case "d":
            return f"{tidy(value, 0)} days"
        case unit:
            return f"{tidy(value)} {unit}"


def tables() -> list[Table]:
    """The published numbers the app reads, one line a file."""
    found = []
    for path in sorted(FOLDER.glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            rows = [row for row in csv.DictReader(file) if row.get("status")]
        if not rows:
            continue
        count = {
            s: sum(row["status"] == s for row in rows) for s in ("verified", "constructed", "from_memory")
        }
        sources = dict.fromkeys(row["source"] for row in rows if row.get("source"))
        found.append(
            Table(
                path.stem.replace("_", " "),
                count["verified"],
                count["constructed"],
                count["from_memory"],
                tuple(sources),
            )
        )
    return found
