"""The six parts of a flag as the lifter page prints them, and the place of its finding on the chart.

A flag exists only if there is something to do. So each says what changed, since when, how large, how sure, on
what it rests, what could be done, and when it is over.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from app.planning.analysis import LiftView
from app.planning.flags import FlagView
from app.planning.wording import odds
from app.training.records import Severity, Trend
from app.web.figure import Finding, short_day, tidy

FACTS = frozenset({"load_spike", "detraining", "silent", "missed_work", "pain", "data_error"})
CHANCE_OF = {
    "stall": "that it has come to a standstill",
    "regression": "that it is falling",
    "expected_dip": "that it really is below",
    "effort_drift": "that effort runs above the plan",
    "low_headroom": "that the reserve runs out within the block",
    "ready_to_progress": "that the next step will be completed",
}


@dataclass(frozen=True, slots=True)
class Parts:
    """What the page shows of a flag besides its title; every part is said."""

    since: int
    size: str
    sure: str
    rests: str
    advice: str
    clears: str


def parts(flag: FlagView, lifts: Sequence[LiftView]) -> Parts:
    trend = next((one.analysis.trend for one in lifts if one.exercise_id == flag.exercise_id), None)
    return Parts(
        since=flag.since_day,
        size=_capital(_size(flag)),
        sure=_sure(flag),
        rests=_capital(_rests(flag, trend)),
        advice=flag.advice,
        clears=_capital(flag.clears_when) or "You dismiss it",
    )


def _capital(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


def _size(flag: FlagView) -> str:
    """How large, in the flag's own numbers."""
    e = _Numbers(flag.evidence)
    match flag.kind:
        case "stall" | "regression":
            return (
                f"{e.signed('change_pct')} % in {e.plain('weeks', 0)} weeks, "
                f"{e.signed('usual_slope_pct_per_week', 2)} % a week was usual; "
                f"stress at {e.plain('stress_ratio', 2)} of the weeks before"
            )
        case "expected_dip":
            predicted = f", {e.plain('predicted_pct')} % was predicted" if e.get("predicted_pct") else ""
            return f"{e.plain('below_best_pct')} % under the best of the weeks before{predicted}"
        case "low_headroom":
            share = 100 * (e.get("sets_at_the_end") or 0.0)
            return f"{tidy(share, 0)} % of the sets with nothing left"
        case "stale_stimulus":
            return (
                f"{e.plain('weeks', 0)} weeks of {e.plain('reps_low', 0)} to {e.plain('reps_high', 0)} reps"
            )
        case "ready_to_progress":
            return f"RPE {e.plain('rpe_below_prescribed')} under the prescription"
        case "load_spike":
            return (
                f"{'Sets' if _of_sets(flag) else 'Stress'} "
                f"{e.plain('over_largest_of_four_weeks', 2)} times the largest of the last four weeks, "
                f"{e.plain('over_largest_in_range', 2)} times the largest in its rep range"
            )
        case "detraining":
            return f"{e.plain('days_without', 0)} days, usually {e.plain('usual_days_between', 0)} at most"
        case "effort_drift":
            if e.get("rpe_above_prescribed") is None:
                return f"RPE {e.signed('rpe_above_usual')} for the same work, all lifts together"
            return f"RPE {e.signed('rpe_above_prescribed')} against the prescription"
        case "silent":
            return (
                f"{e.plain('days_without_log', 0)} days, the longest gap is usually "
                f"{e.plain('usual_longest_gap', 0)}"
            )
        case "missed_work":
            return f"{e.plain('missed', 0)} of {e.plain('due', 0)} sessions"
        case "readiness_drop":
            return f"{e.plain('recent')} of 7 where {e.plain('usual')} is usual (7 is worst)"
        case "pain":
            return f"{e.plain('severity', 0)} of 10 last, {e.plain('worst', 0)} at worst"
        case "data_error":
            return f"{e.plain('sets', 0)} sets on {e.plain('days', 0)} day{'s' * (e.get('days') != 1)}"
        case _:
            return flag.why


def _sure(flag: FlagView) -> str:
    if flag.probability is None or flag.kind in FACTS:
        return "It is in the log; what it means is a judgement."
    what = CHANCE_OF.get(flag.kind, "that it is real")
    if "rpe_above_usual" in flag.evidence:
        what = "that the same work is rated differently"
    words = odds(flag.probability)
    return f"{words[:1].upper()}{words[1:]} {what}."


def _rests(flag: FlagView, trend: Trend | None) -> str:
    e = _Numbers(flag.evidence)
    match flag.kind:
        case "effort_drift" if e.get("sessions") is None:
            return "every rated set of every lift"
        case "effort_drift":
            return f"{e.plain('sessions', 0)} sessions with a prescribed RPE in four weeks"
        case "low_headroom" | "ready_to_progress":
            return f"the ratings of the last {e.plain('sessions', 0)} sessions"
        case "stale_stimulus":
            return "the loads and repetitions of every working set of those weeks"
        case "missed_work":
            return f"{e.plain('due', 0)} sessions planned in the last {e.plain('days', 0)} days"
        case "readiness_drop":
            return f"{e.plain('check_ins', 0)} check-ins of the last week against the eight weeks before"
        case "pain":
            count = e.get("reports")
            return f"{e.plain('reports', 0)} report{'s' * (count != 1)} by the lifter"
        case "data_error":
            return "the sets of the same exercise in the sessions around them"
        case "silent" | "detraining":
            return "the days on which anything was logged"
        case "load_spike":
            return "relative volume load by seven days, the lifter's own sixteen weeks"
    if trend is not None:
        return f"{trend.sets_used} sets in {trend.sessions_used} sessions"
    return "the log up to today"


class _Numbers:
    def __init__(self, evidence: Mapping[str, Any]) -> None:
        self._evidence = evidence

    def get(self, name: str) -> float | None:
        value = self._evidence.get(name)
        return float(value) if isinstance(value, int | float) else None

    def plain(self, name: str, decimals: int = 1) -> str:
        value = self.get(name)
        return "an unknown number of" if value is None else tidy(value, decimals)

    def signed(self, name: str, decimals: int = 1) -> str:
        text = self.plain(name, decimals)
        return text if text.startswith(("\u2212", "an ")) or text == "0" else f"+{text}"


# On the chart -------------------------------------------------------------------------------------


def finding(flag: FlagView, today: int) -> Finding | None:
    """Where and with which few words a flag stands on its lift's figure; None for one with no place there."""
    severity: Severity = flag.severity if flag.severity in ("act", "watch") else "notice"  # type: ignore[assignment]
    since, until, e = flag.since_day, today, _Numbers(flag.evidence)
    panel: Literal["performance", "stress"] = "performance"
    match flag.kind:
        case "stall":
            words = f"flat since {short_day(since)}{_work(e)}"
        case "regression":
            words = f"falling since {short_day(since)}{_work(e)}"
        case "expected_dip":
            until = _day(flag.evidence.get("until"), today)
            words = f"dip expected until {short_day(until)}"
        case "load_spike":
            of_sets = "sets " if _of_sets(flag) else ""
            words = f"{of_sets}{e.plain('over_largest_of_four_weeks')} × the largest of four weeks"
            panel = "stress"
        case "effort_drift":
            against = "prescribed" if e.get("rpe_above_prescribed") is not None else "usual"
            harder = "easier" if (e.get("rpe_above_usual") or 0.0) < 0 else "harder"
            words = f"{harder} than {against} since {short_day(since)}"
        case "detraining":
            words = f"not trained since {short_day(since - 1)}"
        case "pain":
            place = str(flag.evidence.get("place") or "").lower()
            where = place if "pain" in place else f"{place} pain".strip()
            words = f"{where} reported {short_day(since)}"
        case _:
            return None
    return Finding(since, max(until, since), words, severity, panel)


def _of_sets(flag: FlagView) -> bool:
    """Whether a load spike is one of sets, where heavy work is little in volume."""
    return flag.evidence.get("measure") == "number of sets"


def _work(e: _Numbers) -> str:
    ratio = e.get("stress_ratio")
    if ratio is None:
        return ""
    percent = round(100 * (ratio - 1))
    return (
        f", work {'up' if percent > 0 else 'down'} {abs(percent)} %" if abs(percent) >= 5 else ", work held"
    )


def _day(text: object, otherwise: int) -> int:
    try:
        return date.fromisoformat(str(text)).toordinal()
    except ValueError:
        return otherwise
