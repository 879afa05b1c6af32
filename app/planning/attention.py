"""What of an analysis, and of what the lifter reported, a coach should hear about.

The core judges lifts. Whether a finding asks for this coach's attention also depends on what stands around
it: a lifter who logs nothing explains every lift that was not trained, a front squat done in the place of a
squat is no lay-off, and pain stops the advice to add load.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from app.storage.exercises import key_of
from app.storage.seasons import CheckedIn, Due, Lift, Pain
from app.training.records import Flag, LifterAnalysis, Severity

MISSED_WINDOW_DAYS = 14
MISSED_NEEDED = 2  # one missed session is life
MISSED_SHARE = 0.5

LAYOFF_DAYS = 10  # from here a lift not trained is a lay-off

OLD_ERROR_DAYS = 28  # impossible sets of long ago are held out and change nothing this week

ANSWERS = ("sleep", "soreness", "stress", "motivation")
READINESS_RECENT_DAYS = 7
READINESS_USUAL_DAYS = 56
READINESS_NEEDED = (2, 6)  # check-ins: recent, usual
READINESS_DROP = 1.0  # [points of 7] less than this is not worth a message, however certain
READINESS_Z = 2.33  # one false alarm in a hundred, were check-ins normal and independent
READINESS_LEAST_SD = 0.5  # [points] a lifter who always answers the same is not infinitely regular

PAIN_ACT = 4  # [0-10] from here, or when reported again, it asks for a decision
PAIN_FADES_DAYS = 21  # a mild report that nothing followed
MILD = 3


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that is true of a lifter today. ``cause`` is what makes two findings the same flag.

    ``size`` says how large it is in a unit of its kind, so that "clearly worse" can be told.
    """

    cause: str
    kind: str
    severity: Severity
    since_day: int
    probability: float | None = None
    exercise_id: int | None = None
    evidence: Mapping[str, Any] = field(default_factory=dict)
    advice: str = ""
    clears_when: str = ""
    size: float = 0.0


# Two kinds about the same matter are one flag that changes its name, not two.
_MATTER = {"stall": "progress", "regression": "progress", "silent": "attendance", "missed_work": "attendance"}
# What a lifter does in a week, or how a lifter rates effort, shows on several lifts and is one matter.
SHARED = frozenset({"load_spike", "effort_drift", "expected_dip", "detraining"})
# A helper exercise loaded too high is put right in passing; the same on a main lift is worth a look.
OF_LITTLE_WEIGHT_IN_HELPERS = frozenset({"effort_drift"})
# Helpers are kept the same for long on purpose.
OF_NO_WEIGHT_IN_HELPERS = frozenset({"stale_stimulus"})
# Every exercise judged adds false alarms, and a lifter has many helpers. One that goes nowhere is told from
# even odds on, and is worth a look where that is likely and its main lift is not known to be rising.
ON_MAIN_LIFT = frozenset({"stall", "regression"})
HELPER_TOLD, HELPER_LOOK = 0.5, 0.6
_SIZE = {
    "stall": "weeks",
    "regression": "change_pct",
    "load_spike": "over_largest_of_four_weeks",
    "detraining": "days_without",
    "effort_drift": "rpe_above_prescribed",
    "silent": "days_without_log",
    "missed_work": "missed",
    "pain": "severity",
    "data_error": "sets",
    "expected_dip": "below_best_pct",
    "readiness_drop": "drop",
}


def size_of(kind: str, evidence: Mapping[str, Any]) -> float:
    """How large a flag is, read from its evidence; 0 where its kind has no size."""
    value = evidence.get(_SIZE.get(kind, ""), 0.0)
    return abs(float(value)) if isinstance(value, int | float) and math.isfinite(value) else 0.0


def findings(
    analysis: LifterAnalysis,
    lifts: Mapping[str, Lift],
    *,
    pains: Sequence[Pain] = (),
    check_ins: Sequence[CheckedIn] = (),
    due: Sequence[Due] = (),
    sensitivity: float = 1.0,
    coached: bool = True,
    lift_of: Mapping[int, Lift] | None = None,
) -> list[Finding]:
    """Everything about a lifter that a coach should hear about, one finding a cause.

    Parameters
    ----------
    analysis : LifterAnalysis
    lifts : mapping
        The exercises of the analysis by name.
    pains, check_ins, due : sequences
        What the lifter reported and what was planned.
    coached : bool
        False for a lifter who is paused: then only pain and impossible sets are worth a word.
    lift_of : mapping, optional
        Exercises by number, for pain reports about ones that were never logged.
    """
    today = analysis.as_of
    by_id = {one.id: one for one in lifts.values()} | dict(lift_of or {})
    found = pain_findings(pains, today=today)
    found += _data_errors(analysis, lifts)
    if not coached:
        return found
    absent = [_of_lifter(flag, due, today) for flag in analysis.flags]
    found += absent
    if not any(one.kind == "silent" for one in absent):
        absent = missed_work(due, today=today)
        found += absent
    if not absent or _days_since_last(analysis) < LAYOFF_DAYS:
        found += _of_lifts(analysis, lifts, ("detraining",))
    found += readiness_drop(check_ins, today=today, sensitivity=sensitivity)
    found += _of_lifts(
        analysis,
        lifts,
        (
            "stall",
            "regression",
            "low_headroom",
            "load_spike",
            "effort_drift",
            "stale_stimulus",
            "expected_dip",
            "ready_to_progress",
        ),
    )
    return _without_stopped_advice(_one_a_cause(found), by_id)


def _one_a_cause(found: Iterable[Finding]) -> list[Finding]:
    """The weightiest finding of each cause: work rated harder than usual is often above its prescription."""
    worst: dict[str, Finding] = {}
    for one in found:
        if one.cause not in worst or _weight(one) > _weight(worst[one.cause]):
            worst[one.cause] = one
    return list(worst.values())


# About one lift -----------------------------------------------------------------------------------


def _of_lifts(analysis: LifterAnalysis, lifts: Mapping[str, Lift], kinds: Sequence[str]) -> list[Finding]:
    """The flags of lifts, one a cause: the worst lift stands for those that share it and names the rest."""
    judged = [one for one in analysis.exercises if one.main_lift is not None] or list(analysis.exercises)
    same: dict[str, list[tuple[str, bool, Finding]]] = {}
    rising = {
        key_of(one.exercise): one.trend.probability_rising >= 0.5 for one in judged if one.trend is not None
    }
    for one in judged:
        main = one.main_lift or one.exercise
        is_main = key_of(one.exercise) == key_of(main)
        for flag in one.flags:
            if flag.kind not in kinds or (not is_main and flag.kind in OF_NO_WEIGHT_IN_HELPERS):
                continue
            if not is_main and flag.kind in ON_MAIN_LIFT and key_of(main) in rising:
                if flag.probability < HELPER_TOLD:
                    continue
                if flag.probability < HELPER_LOOK or rising[key_of(main)]:
                    flag = replace(flag, severity="notice")
            if flag.kind == "detraining" and _trained_otherwise(analysis, one.exercise, main):
                continue
            of_lift = "" if flag.kind in SHARED else key_of(main)[:60]
            cause = f"{_MATTER.get(flag.kind, flag.kind)}:{of_lift}"
            finding = _finding(flag, cause, lifts[one.exercise].id)
            same.setdefault(cause, []).append((main, is_main, finding))
    return [_worst_of(group) for group in same.values()]


def _worst_of(group: Sequence[tuple[str, bool, Finding]]) -> Finding:
    """The finding that stands for its cause: of equal severity, a main lift's before a helper's."""
    main, is_main, worst = max(group, key=lambda one: (_weight(one[2])[0], one[1], _weight(one[2])))
    others = sorted({other for other, _, _ in group} - {main})
    if others:
        worst = replace(worst, evidence={**worst.evidence, "also": others})
    if not is_main and worst.kind in OF_LITTLE_WEIGHT_IN_HELPERS:
        worst = replace(worst, severity="notice")
    return worst


def _trained_otherwise(analysis: LifterAnalysis, exercise: str, main: str) -> bool:
    """True if another exercise for the same main lift was done lately."""
    return any(
        exposure.days_since is not None and exposure.days_since < LAYOFF_DAYS
        for other in analysis.exercises
        if other.exercise != exercise and (other.main_lift or other.exercise) == main
        for exposure in other.exposures
    )


def _days_since_last(analysis: LifterAnalysis) -> int:
    """Days since anything was logged."""
    since = [e.days_since for one in analysis.exercises for e in one.exposures if e.days_since is not None]
    return min(since, default=0)


def _finding(flag: Flag, cause: str, exercise_id: int | None) -> Finding:
    evidence = {key: value for key, value in flag.evidence.items() if value == value}
    return Finding(
        cause=cause,
        kind=flag.kind,
        severity=flag.severity,
        since_day=flag.since,
        probability=None if math.isnan(flag.probability) else flag.probability,
        exercise_id=exercise_id,
        evidence=evidence,
        advice=flag.advice,
        clears_when=flag.clears_when,
        size=size_of(flag.kind, evidence),
    )


def _weight(finding: Finding) -> tuple[int, float, float]:
    rank = {"notice": 0, "watch": 1, "act": 2}[finding.severity]
    return rank, 0.0 if finding.probability is None else finding.probability, finding.size


def _data_errors(analysis: LifterAnalysis, lifts: Mapping[str, Lift]) -> list[Finding]:
    """One finding a lifter, however many lifts and days it spans: an import in pounds is one mistake."""
    wrong = [(one, flag) for one in analysis.exercises for flag in one.flags if flag.kind == "data_error"]
    if not wrong:
        return []
    sets: dict[str, int] = {}
    reasons: dict[str, int] = {}
    for one, flag in wrong:
        count = int(flag.evidence["sets"])
        sets[one.exercise] = sets.get(one.exercise, 0) + count
        reasons[str(flag.evidence["reason"])] = reasons.get(str(flag.evidence["reason"]), 0) + count
    most = max(sets, key=lambda name: sets[name])
    total = sum(sets.values())
    last = max(flag.since for _, flag in wrong)
    return [
        Finding(
            cause="data_error:",
            kind="data_error",
            severity="watch" if analysis.as_of - last <= OLD_ERROR_DAYS else "notice",
            since_day=min(flag.since for _, flag in wrong),
            exercise_id=lifts[most].id,
            evidence={
                "sets": total,
                "days": len({flag.since for _, flag in wrong}),
                "last_day": last,
                "reason": max(reasons, key=lambda name: reasons[name]),
                "also": sorted(sets.keys() - {most}),
            },
            advice=(
                f"{total} set{'s' * (total != 1)} cannot be what they say. They are held out of every "
                "estimate until you correct them or say that they are right."
            ),
            clears_when="the sets are corrected or confirmed",
            size=float(total),
        )
    ]


def _without_stopped_advice(found: Iterable[Finding], lift_of: Mapping[int, Lift]) -> list[Finding]:
    """Take out advice to add load where something hurts; a report that names no lift stops it for all."""
    found = list(found)
    hurts: set[str] = set()
    everywhere = False
    for one in found:
        if one.kind == "pain":
            lift = lift_of.get(one.exercise_id or 0)
            if lift is None:
                everywhere = True
            else:
                hurts |= {lift.name, lift.main_lift or lift.name}

    def is_stopped(one: Finding) -> bool:
        if one.kind != "ready_to_progress":
            return False
        lift = lift_of.get(one.exercise_id or 0)
        return everywhere or (lift is not None and bool(hurts & {lift.name, lift.main_lift or lift.name}))

    return [one for one in found if not is_stopped(one)]


# About the lifter ---------------------------------------------------------------------------------


def _of_lifter(flag: Flag, due: Sequence[Due], today: int) -> Finding:
    finding = _finding(flag, f"{_MATTER.get(flag.kind, flag.kind)}:", None)
    if flag.kind == "silent":
        planned = sum(flag.since <= one.day < today and one.status in ("planned", "missed") for one in due)
        finding = replace(finding, evidence={**finding.evidence, "planned_since": planned})
    return finding


def missed_work(due: Sequence[Due], *, today: int) -> list[Finding]:
    """Planned sessions of the last two weeks that were not done: at least two, and at least half."""
    recent = [
        one
        for one in due
        if today - MISSED_WINDOW_DAYS <= one.day < today and one.status in ("planned", "missed", "done")
    ]
    missed = [one for one in recent if one.status != "done"]
    if len(missed) < MISSED_NEEDED or len(missed) < MISSED_SHARE * len(recent):
        return []
    return [
        Finding(
            cause="attendance:",
            kind="missed_work",
            severity="watch",
            since_day=missed[0].day,
            evidence={"missed": len(missed), "due": len(recent), "days": MISSED_WINDOW_DAYS},
            advice=(
                f"{len(missed)} of {len(recent)} sessions planned in the last two weeks were not done. "
                "Ask what stood in the way, then move the sessions or make the week smaller."
            ),
            clears_when="more than half of two weeks' sessions are done",
            size=float(len(missed)),
        )
    ]


def readiness_drop(check_ins: Sequence[CheckedIn], *, today: int, sensitivity: float = 1.0) -> list[Finding]:
    """This week's check-ins against the lifter's own of the weeks before.

    The mean of the answers given (1 good, 7 bad) is compared, as in Hooper & Mackinnon (1995), with the
    lifter's own mean and spread: raised when it is worse by a point and by more than chance.
    """
    since = today - READINESS_RECENT_DAYS + 1
    scored = [
        (one.day, float(np.mean([a for a in one.answers if a is not None])), one)
        for one in check_ins
        if any(a is not None for a in one.answers)
    ]
    recent = [score for day, score, _ in scored if since <= day <= today]
    usual = [score for day, score, _ in scored if since - READINESS_USUAL_DAYS <= day < since]
    if len(recent) < READINESS_NEEDED[0] or len(usual) < READINESS_NEEDED[1]:
        return []
    drop = float(np.mean(recent) - np.mean(usual))
    sd = max(float(np.std(usual, ddof=1)), READINESS_LEAST_SD)
    z = drop / (sd * math.sqrt(1 / len(recent) + 1 / len(usual)))
    if drop < READINESS_DROP / sensitivity or z < READINESS_Z / sensitivity:
        return []
    return [
        Finding(
            cause="readiness_drop:",
            kind="readiness_drop",
            severity="watch",
            since_day=min(day for day, _, _ in scored if day >= since),
            evidence={
                "recent": round(float(np.mean(recent)), 1),
                "usual": round(float(np.mean(usual)), 1),
                "drop": round(drop, 1),
                "check_ins": len(recent),
                "worst": _worst_answer([one for day, _, one in scored if day >= since]),
            },
            advice=(
                f"The check-ins of the last week are {drop:.1f} points worse than the lifter's own usual. "
                "Ask, and ease the week if there is no quick reason."
            ),
            clears_when="the check-ins of a week are back within a point of usual",
            size=drop,
        )
    ]


def _worst_answer(check_ins: Sequence[CheckedIn]) -> str:
    means = {}
    for position, name in enumerate(ANSWERS):
        given = [one.answers[position] for one in check_ins]
        numbers = [answer for answer in given if answer is not None]
        if numbers:
            means[name] = float(np.mean(numbers))
    return max(means, key=lambda name: means[name])


def pain_findings(pains: Sequence[Pain], *, today: int) -> list[Finding]:
    """Open pain reports, one finding a lift, or a place when no lift was named."""
    groups: dict[str, list[Pain]] = {}
    for one in pains:
        if one.resolved_at is None and one.day <= today:
            cause = str(one.exercise_id) if one.exercise_id is not None else key_of(one.place)[:60]
            groups.setdefault(f"pain:{cause}", []).append(one)
    found = []
    for cause, reports in groups.items():
        last = reports[-1]
        worst = max(one.severity for one in reports)
        if last.severity == 0 or (worst <= MILD and today - last.day > PAIN_FADES_DAYS):
            continue
        again = len([one for one in reports if one.severity >= MILD]) >= 2
        found.append(
            Finding(
                cause=cause,
                kind="pain",
                severity="act" if last.severity >= PAIN_ACT or again else "watch",
                since_day=reports[0].day,
                exercise_id=last.exercise_id,
                evidence={
                    "severity": last.severity,
                    "worst": worst,
                    "place": last.place,
                    "during": last.during,
                    "last_day": last.day,
                    "reports": len(reports),
                },
                advice=(
                    "Advice to add load is stopped here. Write to the lifter; if it is sharp, does not fade "
                    "within days or comes back, refer to a qualified clinician."
                ),
                clears_when="you mark the report as resolved",
                size=float(last.severity),
            )
        )
    return found
