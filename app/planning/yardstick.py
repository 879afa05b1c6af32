"""What a target is measured against, in the lifter's words: the recent mark first, all-time second."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from app.planning import days
from app.training.exposure import label, novelty, rep_range_index
from app.training.records import AnalysisSettings, BlockKind, Exposure, Mark
from app.training.signals import EASY_KINDS, THRESHOLDS
from app.training.units import Unit, format_mass

PURPOSES: Mapping[BlockKind, str] = {
    "volume": "This block builds capacity: many sets, a little short of hard.",
    "strength": "This block makes you stronger at heavy loads: fewer reps, more on the bar.",
    "peak": "This block turns what you have built into your best single lifts.",
    "low-stress": "This block lets tiredness go while you keep the movements.",
    "maintenance": "This block keeps what you have with less work.",
    "re-entry": "This block brings you back to full training in small steps.",
    "test": "This block shows where you stand.",
}
_SETS = {1: "singles", 2: "doubles", 3: "triples"}
_MONTHS = {
    **{1: "January", 2: "February", 3: "March", 4: "April", 5: "May", 6: "June"},
    **{7: "July", 8: "August", 9: "September", 10: "October", 11: "November", 12: "December"},
}


@dataclass(frozen=True, slots=True)
class Yardstick:
    """``lead`` introduces ``mark``, ``rest`` follows it; ``all_time`` is a sentence or empty."""

    kind: str  # step, leap, repeats, below, first, none
    lead: str
    mark: str
    rest: str
    all_time: str

    def __str__(self) -> str:
        return f"{self.lead}{self.mark}{self.rest} {self.all_time}".strip()


def sets_of(reps: int) -> str:
    """Sets of so many repetitions, as lifters call them."""
    return _SETS.get(reps, f"sets of {reps}")


def mark_text(mark: Mark, unit: Unit) -> str:
    return f"{format_mass(round(mark.load_kg * 1000), unit)} x {mark.reps}"


def when(day: int, today: int) -> str:
    """A past day, only as exact as it needs to be."""
    if today - day < 300:
        return days.short(day)
    found = date.fromordinal(day)
    return f"{_MONTHS[found.month]} {found.year}"


def measure(
    load_kg: float | None,
    reps: int,
    rpe: float | None,
    exposures: Sequence[Exposure],
    *,
    lift: str,
    unit: Unit,
    today: int,
    settings: AnalysisSettings,
    usual_step: float = float("nan"),
    smallest_increment_kg: float = 2.5,
    body_mass_share_kg: float = 0.0,
) -> Yardstick:
    """Say what a target steps beyond.

    Parameters
    ----------
    load_kg, reps, rpe
        The target; the load is None where the lifter is to find it.
    exposures : sequence of Exposure
        The exercise's ledger on the day before, so that it stays the same all through a session.
    """
    position = int(rep_range_index(np.array([reps]), settings.rep_ranges)[0])
    name = label(settings.rep_ranges[position]) if position >= 0 else ""
    line = next((one for one in exposures if one.rep_range == name), None)
    all_time = _all_time(line, unit, today)
    if line is None or line.recent_best is None:
        return _first(reps, line, exposures, lift=lift, unit=unit, today=today, all_time=all_time)
    mark, rest = mark_text(line.recent_best, unit), f", {days.short(line.recent_best.day)}."
    if load_kg is None:
        return Yardstick("none", "Your recent mark: ", mark, rest, all_time)
    judged = novelty(
        load_kg,
        reps,
        float("nan") if rpe is None else rpe,
        tuple(exposures),
        settings=settings,
        usual_step=usual_step,
        smallest_increment_kg=smallest_increment_kg,
        body_mass_share_kg=body_mass_share_kg,
    )
    lead = {
        "step": "A step beyond your recent mark: ",
        "leap": "Well beyond your recent mark: ",
        "repeats": "Repeats your recent mark: ",
        "below": "Lighter than your recent mark: ",
    }[judged.kind]
    return Yardstick(judged.kind, lead, mark, rest, all_time)


def _first(
    reps: int,
    line: Exposure | None,
    exposures: Sequence[Exposure],
    *,
    lift: str,
    unit: Unit,
    today: int,
    all_time: str,
) -> Yardstick:
    recent = [one.recent_best for one in exposures if one.recent_best is not None]
    seen = [one.last_day for one in exposures if one.last_day is not None]
    if not seen:
        return Yardstick("none", "", "", "No mark yet: today sets the first one.", "")
    if line is not None and line.last_day is not None:
        begin = f"First {sets_of(reps)} in {_weeks(today - line.last_day)}"
    else:
        begin = f"Your first {sets_of(reps)} on record"
    if not recent:
        gap = _weeks(today - max(seen))
        return Yardstick("first", "", "", f"No recent mark: {lift} was last trained {gap} ago.", all_time)
    best = max(recent, key=lambda one: one.e1rm_kg)
    return Yardstick(
        "first",
        f"{begin}: your recent mark is ",
        mark_text(best, unit),
        f", {days.short(best.day)}.",
        all_time,
    )


def _weeks(gap_days: int) -> str:
    weeks = gap_days // 7
    if weeks >= 104:
        return f"{weeks // 52} years"
    return f"{weeks} weeks" if weeks != 1 else "a week"


def _all_time(line: Exposure | None, unit: Unit, today: int) -> str:
    if line is None or line.all_time_best is None:
        return ""
    best, recent = line.all_time_best, line.recent_best
    if recent is not None and (recent.day, recent.load_kg, recent.reps) == (
        best.day,
        best.load_kg,
        best.reps,
    ):
        return ""
    return f"All-time, {when(best.day, today)}: {mark_text(best, unit)}."


@dataclass(frozen=True, slots=True)
class Emphasis:
    """A block as these sentences see it."""

    kind: BlockKind
    start_day: int
    purpose: str


def purpose(block: Emphasis) -> str:
    """What the block is for, in one sentence."""
    return block.purpose.strip() or PURPOSES[block.kind]


def expected_dip(block: Emphasis, before: Emphasis | None, *, today: int) -> str:
    """In the first weeks of a new emphasis: that numbers under old bests are expected, until when and why."""
    weeks_in = today - block.start_day
    if block.kind in ("low-stress", "maintenance"):
        return "Lighter than you could lift is the point of it."
    if not 0 <= weeks_in < THRESHOLDS.dip_days:
        return ""
    until = days.short(block.start_day + THRESHOLDS.dip_days)
    if block.kind == "re-entry":
        return f"Numbers under your old bests are expected until about {until}: you are coming back."
    if before is None or before.kind == block.kind or before.kind in EASY_KINDS:
        return ""
    return (
        f"Numbers under your old bests are expected until about {until}: the work has changed from "
        f"{before.kind} to {block.kind}, and the body pays for the new before it shows the old."
    )
