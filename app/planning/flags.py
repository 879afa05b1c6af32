"""The life of a flag: raised once a cause, updated in place, answered by the coach, cleared when it is over.

A coach who is told the same thing twice stops reading. So a flag that was snoozed or dismissed comes back
only when it is clearly worse or its snooze ends; one that seems over stays for a while before it is cleared,
and one just cleared is not raised again within a week unless it is worse.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from app.planning import wording
from app.planning.attention import Finding, size_of
from app.storage import flags
from app.storage.engine import Transaction
from app.storage.models import Flag
from app.storage.seasons import Lift

RANK = {"notice": 0, "watch": 1, "act": 2}

HOLD_DAYS: Mapping[str, int] = {
    "stall": 7,
    "regression": 7,
    "low_headroom": 3,
    "load_spike": 3,
    "effort_drift": 7,
    "stale_stimulus": 7,
    "missed_work": 3,
    "readiness_drop": 3,
    "expected_dip": 3,
    "ready_to_progress": 3,
}
"""[d] How long a kind must have been untrue before it is cleared. Plain facts (a log came, a set was
corrected, a report was resolved) are over at once and are not listed."""

QUIET_DAYS = 7  # [d] after clearing, in which the same cause is raised again only if worse
WORSE_PROBABILITY = 0.15
WORSE_SIZE = 1.5  # times as large
LESS_PROBABILITY = 0.10  # a dead band: a severity is lowered only when the probability fell by this much
EVENTS = frozenset({"pain", "data_error"})  # another report, another bad set: a new event, not the old one
FACTS = frozenset({"silent", "detraining", "missed_work", "pain", "data_error", "load_spike"})


@dataclass(frozen=True, slots=True)
class FlagView:
    """A flag as a page shows it. ``is_open`` is false while it is snoozed or after it was dismissed."""

    id: int
    kind: str
    severity: str
    exercise_id: int | None
    lift: str | None
    probability: float | None
    since_day: int
    evidence: Mapping[str, Any]
    advice: str
    clears_when: str
    state: str
    snoozed_until: int | None
    reason: str
    opened_at: datetime
    cleared_at: datetime | None
    last_true_day: int
    title: str
    name: str
    why: str
    proposal: str

    @property
    def is_open(self) -> bool:
        return self.state == "open"


def view(flag: Flag, lifts: Mapping[int, Lift]) -> FlagView:
    """A stored flag with its words; ``lifts`` are exercises by number."""
    lift = (
        lifts[flag.exercise_id].name if flag.exercise_id is not None and flag.exercise_id in lifts else None
    )
    words = wording.of_flag(
        flag.kind,
        lift=lift,
        probability=flag.probability,
        since_day=flag.since_day,
        evidence=flag.evidence,
        advice=flag.advice,
    )
    return FlagView(
        id=flag.id,
        kind=flag.kind,
        severity=flag.severity,
        exercise_id=flag.exercise_id,
        lift=lift,
        probability=flag.probability,
        since_day=flag.since_day,
        evidence=flag.evidence,
        advice=flag.advice,
        clears_when=flag.clears_when,
        state=flag.state,
        snoozed_until=flag.snoozed_until,
        reason=flag.reason,
        opened_at=flag.opened_at,
        cleared_at=flag.cleared_at,
        last_true_day=flag.last_true_day,
        title=words.title,
        name=words.name,
        why=words.why,
        proposal=words.proposal,
    )


def in_order(found: Sequence[FlagView]) -> list[FlagView]:
    """What asks for a decision first; then the more probable and the older."""
    return sorted(found, key=lambda one: (-RANK[one.severity], -(one.probability or 1.0), one.since_day))


# Keeping the flags true -----------------------------------------------------------------------------


def sync(
    db: Transaction, lifter_id: int, found: Sequence[Finding], *, today: int, now: datetime
) -> list[Flag]:
    """Bring a lifter's flags in line with what is true today; the flags that still hold."""
    kept = flags.held_or_cleared_since(db, lifter_id, now - timedelta(days=QUIET_DAYS))
    by_cause = {one.cause: one for one in kept if one.cleared_at is None}
    lately = {one.cause: one for one in kept if one.cleared_at is not None}
    holding: list[Flag] = []
    for finding in found:
        flag = by_cause.pop(finding.cause, None)
        if flag is not None:
            _update(flag, finding, today=today, now=now)
        elif finding.cause in lately and not _is_worse(lately[finding.cause], finding):
            continue
        else:
            flag = _raise(db, lifter_id, finding, today=today, now=now)
        holding.append(flag)
    for flag in by_cause.values():
        _wake(flag, today)
        if today - flag.last_true_day >= HOLD_DAYS.get(flag.kind, 0):
            flag.cleared_at = flag.updated_at = now
            if flag.state != "dismissed":
                flag.state = "cleared"
        else:
            holding.append(flag)
    db.flush()
    return holding


def _raise(db: Transaction, lifter_id: int, finding: Finding, *, today: int, now: datetime) -> Flag:
    return flags.add(
        db,
        lifter_id,
        cause=finding.cause,
        state="open",
        snoozed_until=None,
        opened_at=now,
        cleared_at=None,
        since_day=finding.since_day,
        last_true_day=today,
        updated_at=now,
        **_content(finding),
    )


def _content(finding: Finding) -> dict[str, Any]:
    return {
        "kind": finding.kind,
        "exercise_id": finding.exercise_id,
        "severity": finding.severity,
        "probability": finding.probability,
        "evidence": dict(finding.evidence),
        "advice": finding.advice,
        "clears_when": finding.clears_when,
    }


def _update(flag: Flag, finding: Finding, *, today: int, now: datetime) -> None:
    flag.last_true_day = today
    _wake(flag, today)
    worse = _is_worse(flag, finding)
    if flag.state != "open" and not worse:
        # An answered flag keeps what the coach saw when answering: "worse" is measured from there.
        return
    if flag.state != "open":
        flag.state, flag.snoozed_until, flag.reason = "open", None, ""
    lower = RANK[finding.severity] < RANK[flag.severity]
    if lower and finding.kind == flag.kind and not _has_eased(flag, finding):
        return
    for name, value in _content(finding).items():
        setattr(flag, name, value)
    # Where the onset is an estimate it wanders from day to day; what was first said stands.
    if finding.kind in FACTS:
        flag.since_day = finding.since_day
    flag.updated_at = now


def _wake(flag: Flag, today: int) -> None:
    if flag.state == "snoozed" and flag.snoozed_until is not None and flag.snoozed_until <= today:
        flag.state, flag.snoozed_until = "open", None


def _has_eased(flag: Flag, finding: Finding) -> bool:
    if flag.probability is None or finding.probability is None:
        return True
    return finding.probability <= flag.probability - LESS_PROBABILITY


def _is_worse(flag: Flag, finding: Finding) -> bool:
    """True if a finding is clearly more than what the flag says."""
    if RANK[finding.severity] > RANK[flag.severity]:
        return True
    if finding.kind in EVENTS and finding.evidence.get("last_day", 0) > flag.evidence.get("last_day", 0):
        return True
    if flag.probability is not None and finding.probability is not None:
        return finding.probability >= flag.probability + WORSE_PROBABILITY
    before = size_of(flag.kind, flag.evidence)
    return finding.kind == flag.kind and before > 0 and finding.size >= WORSE_SIZE * before
