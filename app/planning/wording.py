"""Flags in a coach's words: what it is, why it is said, and what could be done about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from app.planning import days

SEVERITIES = ("act", "watch", "notice")
"""From what asks for a decision, through what asks for an eye, to what is worth knowing."""

PROPOSALS: Mapping[str, str] = {
    "stall": "Step back or spread out",
    "regression": "Step back",
    "low_headroom": "Hold or step back",
    "load_spike": "Trim the week",
    "effort_drift": "Check the loads",
    "stale_stimulus": "Change the range",
    "detraining": "Plan a re-entry",
    "missed_work": "Move sessions",
    "silent": "Write",
    "readiness_drop": "Ease the week",
    "pain": "Write, refer out",
    "data_error": "Correct the log",
    "expected_dip": "Hold course",
    "ready_to_progress": "Add a step",
}
"""What a coach would most likely do, by kind of flag: a button's words."""

EVEN = 0.5
"""[1] A flag is raised long before it is more likely true than not; from here on it is said to be likely."""

REASONS: Mapping[str, str] = {
    "pounds_as_kilograms": "pounds logged as kilograms",
    "slipped_decimal": "a decimal point slipped",
    "swapped_columns": "load and reps swapped",
    "duplicate": "a session logged twice",
    "implausible": "no such load was ever near",
}


@dataclass(frozen=True, slots=True)
class Words:
    """``title`` stands alone, ``name`` is the same without its odds; ``why`` is the evidence in one line;
    ``proposal`` is the button."""

    title: str
    name: str
    why: str
    proposal: str


def odds(probability: float | None) -> str:
    """A probability as people count: "about 7 in 10"."""
    if probability is None or probability != probability:
        return ""
    if probability >= 0.975:
        return "almost sure"
    return f"about {min(max(round(probability * 10), 1), 9)} in 10"


def direction(slope_pct: float, probability_rising: float) -> str:
    """A trend in words; under 7 in 10 either way it is unclear."""
    for bar, words in ((0.9, "rising"), (0.7, "probably rising")):
        if probability_rising >= bar:
            return words if slope_pct >= 0 else "unclear"
        if probability_rising <= 1 - bar:
            return words.replace("rising", "falling") if slope_pct <= 0 else "unclear"
    return "unclear"


def against_usual(value: float, low: float, high: float) -> str:
    """This week against the lifter's own recent weeks, in words."""
    if not low <= high:  # Also when either is not known.
        return "no usual week yet"
    if value > high:
        return "above usual"
    return "under usual" if value < low else "as usual"


def of_flag(
    kind: str,
    *,
    lift: str | None,
    probability: float | None,
    since_day: int,
    evidence: Mapping[str, Any],
    advice: str,
) -> Words:
    """Title, reason and proposal of a flag; the advice stands in where the evidence says too little."""
    others = evidence.get("also") or ()
    named = f"{lift} and {len(others)} more" if lift and others else lift or ""
    title, why = _said(kind, named, evidence, since_day)
    if kind == "stall" and probability is not None and probability < EVEN:
        title = title.replace("stall likely", "possible stall")
    title = title or kind.replace("_", " ").capitalize() + (f": {named}" if named else "")
    likely = odds(probability) if kind in ("stall", "regression", "low_headroom", "ready_to_progress") else ""
    return Words(
        title=f"{title}, {likely}" if likely else title,
        name=title,
        why=why or advice,
        proposal=PROPOSALS.get(kind, "Look at it"),
    )


def _said(kind: str, lift: str, evidence: Mapping[str, Any], since_day: int) -> tuple[str, str]:
    e = _Evidence(evidence)
    match kind:
        case "stall":
            return f"{lift}: stall likely", e.join(e.work(), e.say("nothing back in {weeks:.0f} weeks"))
        case "regression":
            return f"{lift}: falling", e.join(
                e.say("{change_pct:+.1f} % in {weeks:.0f} weeks"), e.work()
            ).replace("-", "−")
        case "low_headroom":
            return f"{lift}: little room left", ""
        case "load_spike":
            sets = evidence.get("measure") == "number of sets"
            return f"{lift}: {'sets' if sets else 'stress'} above own usual", e.say(
                "this week {over_largest_of_four_weeks:.1f} times the largest of the last four"
            )
        case "effort_drift" if "rpe_above_usual" in evidence:
            size = evidence["rpe_above_usual"]
            rated = "easier" if isinstance(size, int | float) and size < 0 else "harder"
            return f"All lifts rated {rated} than usual", e.say(
                "{rpe_above_usual:+.1f} RPE for the same work"
            ).replace("-", "\u2212")
        case "effort_drift":
            return f"{lift}: harder than prescribed" if lift else "Harder than prescribed", e.say(
                "{rpe_above_prescribed:+.1f} RPE on {sessions} sessions"
            )
        case "stale_stimulus":
            return f"{lift}: same work for long", ""
        case "detraining":
            return e.say(lift + ": not trained for {days_without} days"), e.say(
                "usually within {usual_days_between:.0f}"
            )
        case "missed_work":
            return e.say("{missed} of {due} planned sessions missed"), e.say("in the last {days} days")
        case "silent":
            return e.say("No log for {days_without_log} days"), e.join(
                e.say("longest usual gap is {usual_longest_gap:.0f}"), e.planned_since()
            )
        case "readiness_drop":
            return "Check-ins worse than usual", e.join(
                e.say("{recent:.1f} of 7 where {usual:.1f} is usual"), e.say("{worst} most")
            )
        case "pain":
            place = str(evidence.get("place") or "Pain")
            reported = place[:1].upper() + place[1:] + ("" if "pain" in place.casefold() else " pain")
            title = f"{reported} reported" + (f", {lift.lower()}" if lift else "")
            during = str(evidence.get("during") or "")
            return title, e.join(
                f"{days.short(int(evidence.get('last_day', since_day)))}: "
                + e.say("{severity} of 10")
                + (f" {during}" if during else ""),
                f"{lift.lower()} advice stopped" if lift else "advice stopped",
            )
        case "data_error":
            count = evidence.get("sets", 1)
            return (
                f"{lift}: {count} set{'s' * (count != 1)} cannot be right",
                e.join(REASONS.get(str(evidence.get("reason")), ""), "held out until you decide"),
            )
        case "expected_dip":
            return f"{lift}: below old bests, as expected", e.join(
                e.say("{below_best_pct:.1f} % under"), e.until()
            )
        case "ready_to_progress":
            return f"{lift}: ready for the next step", ""
        case _:
            return "", ""


class _Evidence:
    """Sentences from the evidence; one whose numbers are missing is left unsaid."""

    def __init__(self, evidence: Mapping[str, Any]) -> None:
        self.evidence = evidence

    def say(self, sentence: str) -> str:
        try:
            return sentence.format_map(self.evidence)
        except (KeyError, TypeError, ValueError):
            return ""

    def join(self, *parts: str) -> str:
        return ", ".join(part for part in parts if part)

    def work(self) -> str:
        ratio = self.evidence.get("stress_ratio")
        if not isinstance(ratio, int | float):
            return ""
        percent = round(100 * (ratio - 1))
        return f"work up {percent} %" if percent >= 5 else "work held" if percent > -15 else "work down"

    def planned_since(self) -> str:
        count = self.evidence.get("planned_since", 0)
        return f"{count} session{'s' * (count != 1)} planned since" if count else ""

    def until(self) -> str:
        try:
            return f"back by about {days.short(date.fromisoformat(str(self.evidence['until'])).toordinal())}"
        except (KeyError, ValueError):
            return ""
