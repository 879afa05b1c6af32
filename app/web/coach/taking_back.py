"""Taking back what was decided: the change shown first, then done, with what stays as it is said plainly."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.planning import data_quality, taking_back
from app.planning.data_quality import DecidedSet, PastFix
from app.planning.days import today_in
from app.planning.history import as_typed, set_text
from app.storage.decisions import DecisionNotFound
from app.storage.models import Coach
from app.training.units import Unit
from app.web.coach.lifter import pick_of
from app.web.dependencies import AppStore, CurrentCoach, Desk, FormData, Now
from app.web.forms import Form
from app.web.pages import page, see_other

router = APIRouter()

HOW: Mapping[str, str] = {
    "correct": "Put right as proposed",
    "right": "Kept as logged",
    "out": "Left out of the log",
}


@dataclass(frozen=True, slots=True)
class SetShown:
    """A set that was decided about, in words: as it was logged and as it stands."""

    one: DecidedSet
    number: int
    before: str
    after: str

    @property
    def key(self) -> str:
        pick = self.one.pick
        return f"{pick.day}-{pick.position}-{pick.version}"


@dataclass(frozen=True, slots=True)
class FixShown:
    fix: PastFix
    how: str
    sets: tuple[SetShown, ...]


@router.get("/decisions/{decision_id}/take-back")
def ask(request: Request, coach: CurrentCoach, store: AppStore, now: Now, decision_id: int) -> Response:
    shown = taking_back.propose(store, coach, decision_id, now=now)
    if shown.decision.action == data_quality.ACTION:
        return see_other(request, f"/lifters/{shown.lifter.id}/odd-sets#decision-{decision_id}")
    return page(request, "decisions/take_back.html", shown=shown, form=Form())


@router.post("/decisions/{decision_id}/take-back")
def take_back(
    request: Request, desk: Desk, store: AppStore, data: FormData, now: Now, decision_id: int
) -> Response:
    coach, form = desk.owner, Form.of(data)
    shown = taking_back.propose(store, coach, decision_id, now=now)
    try:
        taking_back.take_back(store, coach, decision_id, seen=form.get("seen"), by=desk.actor.name, now=now)
    except taking_back.CannotTakeBack:
        shown = taking_back.propose(store, coach, decision_id, now=now)  # It carries the reason.
        return page(request, "decisions/take_back.html", status=409, shown=shown, form=Form())
    except taking_back.ShownOtherwise:
        words = "The plan or the flag changed meanwhile, so nothing was done. This is what it would be now"
        form = Form({}, {"": words})
        return page(request, "decisions/take_back.html", status=409, shown=shown, form=form)
    return see_other(
        request, f"/decisions?lifter={shown.lifter.id}&taken={decision_id}#decision-{decision_id}"
    )


@router.get("/lifters/{lifter_id}/odd-sets")
def past_odd_sets(
    request: Request, coach: CurrentCoach, store: AppStore, now: Now, lifter_id: int
) -> Response:
    return _odd_sets(request, store, coach, lifter_id, now=now)


@router.post("/lifters/{lifter_id}/odd-sets/{decision_id}/back")
def bring_back(
    request: Request,
    desk: Desk,
    store: AppStore,
    data: FormData,
    now: Now,
    lifter_id: int,
    decision_id: int,
) -> Response:
    coach = desk.owner
    _, fixes = data_quality.past_fixes(store, coach, lifter_id)
    if not any(one.decision.id == decision_id for one in fixes):
        raise DecisionNotFound(decision_id)
    picks = [pick for text in data.getlist("set") if isinstance(text, str) and (pick := pick_of(text))]
    if not picks:
        words = "Tick at least one set to bring back"
        return _odd_sets(request, store, coach, lifter_id, now=now, wrong=words, about=decision_id)
    try:
        data_quality.bring_back(store, coach, decision_id, picks, by=desk.actor.name, now=now)
    except data_quality.SetsChanged:
        words = (
            "A set was changed or brought back meanwhile, so nothing was done. "
            "The sets below are as they stand now"
        )
        return _odd_sets(request, store, coach, lifter_id, now=now, wrong=words, about=decision_id)
    return see_other(request, f"/lifters/{lifter_id}/odd-sets#decision-{decision_id}")


def _odd_sets(
    request: Request,
    store: AppStore,
    coach: Coach,
    lifter_id: int,
    *,
    now: datetime,
    wrong: str = "",
    about: int = 0,
) -> Response:
    lifter, fixes = data_quality.past_fixes(store, coach, lifter_id)
    unit: Unit = "lb" if lifter.unit == "lb" else "kg"
    return page(
        request,
        "lifter/odd_sets.html",
        status=422 if wrong else 200,
        lifter=lifter,
        fixes=[_fix(one, unit) for one in fixes],
        today=today_in(lifter.time_zone, now),
        form=Form({}, {f"decision-{about}": wrong} if wrong else {}),
    )


def _fix(fix: PastFix, unit: Unit) -> FixShown:
    how = HOW.get(str(fix.decision.detail.get("how")), "Decided")
    return FixShown(fix, how, tuple(_set(one, unit) for one in fix.sets))


def _set(one: DecidedSet, unit: Unit) -> SetShown:
    after = "not in the log"
    if one.after is not None:
        after = set_text(one.after.plain(), "lb" if (one.after.typed or "").endswith("lb") else unit)
    return SetShown(
        one, int(one.before.get("set_number") or one.pick.position + 1), as_typed(one.before), after
    )
