"""Decisions: what is due to be looked at again, what was decided on what, and what it led to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.planning import decisions
from app.planning.data_quality import ACTION
from app.planning.days import today_in
from app.planning.decisions import PLAN_ACTIONS, JournalLine
from app.planning.wording import odds
from app.storage.models import Coach, Decision
from app.training.units import KG_PER_LB
from app.web.dependencies import AppStore, CurrentCoach, FormData, Now
from app.web.figure import MEASURE_WORDS
from app.web.forms import Form
from app.web.pages import num, page, see_other, signed

router = APIRouter()
JOURNAL_SHOWN = 40
VERDICTS: Mapping[str, str] = {
    "better": "Better since",
    "much the same": "Much the same",
    "worse": "Worse since",
    "cannot be told": "Cannot be told",
}


@dataclass(frozen=True, slots=True)
class Shown:
    """A line of the journal in words."""

    line: JournalLine
    title: str
    rested_on: str
    verdict: str
    level: str
    chance: str
    others: tuple[str, ...]

    @property
    def where(self) -> str:
        """The page on which it can be taken back."""
        if self.decision.action == ACTION:
            return f"/lifters/{self.decision.lifter_id}/odd-sets#decision-{self.decision.id}"
        return f"/decisions/{self.decision.id}/take-back"

    @property
    def is_final(self) -> bool:
        """Whether it stands for good: it changed no plan and no set, and what it led to is known."""
        return self.decision.outcome is not None and self.decision.action not in PLAN_ACTIONS | {ACTION}

    @property
    def decision(self) -> Decision:
        return self.line.decision


@router.get("/decisions")
def journal(
    request: Request,
    coach: CurrentCoach,
    store: AppStore,
    now: Now,
    lifter: int = 0,
    all: str = "",
    taken: int = 0,
) -> Response:
    lines, tallies = decisions.journal(store, coach, lifter_id=lifter or None)
    today = today_in(coach.time_zone, now)
    found = [shown(one, coach) for one in lines]
    ready = [one for one in found if one.line.is_to_look_at]
    waiting = sorted(
        (one for one in found if one.decision.outcome is None and one.decision.undone_at is None),
        key=lambda one: one.decision.look_again_day,
    )
    return page(
        request,
        "decisions/decisions.html",
        ready=ready,
        waiting=waiting,
        journal=found if all else found[:JOURNAL_SHOWN],
        hidden=0 if all else max(0, len(found) - JOURNAL_SHOWN),
        tallies=tallies,
        known=sum(one.known for one in tallies),
        today=today,
        about=next((one.line.lifter for one in found), "") if lifter else "",
        lifter_id=lifter,
        taken=next((one for one in found if taken == one.decision.id and one.decision.undone_at), None),
        zone=coach.time_zone,
    )


@router.post("/decisions/{decision_id}/seen")
def seen(
    request: Request, coach: CurrentCoach, store: AppStore, now: Now, data: FormData, decision_id: int
) -> Response:
    decisions.looked(store, coach, decision_id, now=now)
    lifter = Form.of(data).get("lifter")
    of_one = f"?lifter={lifter}" if lifter.isascii() and lifter.isdigit() and lifter != "0" else ""
    return see_other(request, f"/decisions{of_one}")


def shown(line: JournalLine, coach: Coach) -> Shown:
    one = line.decision
    lift = "" if line.exercise is None else f", {line.exercise.lower()}"
    outcome = one.outcome or {}
    level, chance = _level(outcome)
    return Shown(
        line,
        f"{line.label}{lift}",
        _rested_on(line, coach.unit),
        VERDICTS.get(outcome.get("verdict", ""), ""),
        level,
        chance,
        _others(outcome),
    )


def _level(outcome: Mapping[str, Any]) -> tuple[str, str]:
    if "level_pct" not in outcome:
        return "", ""
    moved, low, high = outcome["level_pct"]
    rose = outcome["better"]
    words = odds(max(rose, 1 - rose))
    return (
        f"level {signed(moved)} % (90 % interval {signed(low)} to {signed(high)})",
        f"{words} that it {'rose' if rose >= 0.5 else 'fell'}",
    )


def _others(outcome: Mapping[str, Any]) -> tuple[str, ...]:
    found = []
    if "slope" in outcome:
        before, after = outcome["slope"]
        found.append(f"slope {signed(before)} then, {signed(after)} % a week now")
    if "stress_pct" in outcome:
        found.append(f"stress {signed(outcome['stress_pct'], 0)} %")
    if outcome.get("flag"):
        found.append({"no flag": "no flag any more"}.get(outcome["flag"], f"flag {outcome['flag']}"))
    if outcome.get("done") and outcome["done"][1]:
        done, planned = outcome["done"]
        found.append(f"{done} of {planned} sessions done")
    return tuple(found)


def _rested_on(line: JournalLine, unit: str) -> str:
    """The state a decision was made on, in a line."""
    e = line.decision.evidence
    found = []
    if "flag" in e:
        said = str(e["flag"]["kind"]).replace("_", " ")
        likely = odds(e["flag"].get("probability"))
        found.append(f"{said} ({e['flag']['severity']}{', ' + likely if likely else ''})")
    if "e1rm" in e:
        scale = 1 / KG_PER_LB if unit == "lb" else 1.0
        mean, low, high = (num(scale * value, 0) for value in e["e1rm"])
        found.append(f"level {mean} {unit} ({low} to {high})")
    if "slope" in e:
        found.append(f"slope {signed(e['slope'][0])} % a week")
    if e.get("stress") is not None:
        name, unit_of = MEASURE_WORDS[e["measure"]]
        found.append(f"{num(e['stress'], 0)} {unit_of or unit} of {name} a week")
    if "block" in e:
        found.append(f"{e['block']['name']}, week {e['block']['week']}")
    return "; ".join(found)
