"""Acting on a flag where it stands: what could be done, what that changes, and doing it.

The form is asked for with one click, shows the plan's change for its answers, and applies only a change that
was shown: another answer, or a block that somebody changed meanwhile, is shown again first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from urllib.parse import quote

from fastapi import APIRouter, Request
from fastapi.responses import Response

from app.planning import decisions, exercises, library
from app.planning.analysis import LifterView, lifter_view
from app.planning.blocks import BlockOverlaps, PlanNotReady
from app.planning.decisions import LABELS, OPTIONS, CannotDo, Choice, NoBlock, Proposal
from app.planning.drafts import BlockChanged, NotRunning
from app.planning.flags import FlagView
from app.storage.flags import FlagNotFound
from app.storage.models import Coach, Decision
from app.training.plan import PlanError
from app.web.coach.lifter import SNOOZE_DAYS, flag_shown
from app.web.dependencies import AppStore, CurrentCoach, Desk, DeskView, FormData, Now
from app.web.forms import Form
from app.web.pages import day, page, see_other

router = APIRouter()

PERCENTS = {"5": "5 %", "7.5": "7.5 %", "10": "10 %", "15": "15 %", "20": "20 %", "30": "30 %"}
WEEKS = {"1": "1 week", "2": "2 weeks", "3": "3 weeks", "4": "4 weeks"}
ASKS: Mapping[str, tuple[str, ...]] = {
    "step_back": ("percent", "weeks"),
    "extend_block": ("weeks",),
    "change_range": ("reps",),
    "change_exercise": ("exercise",),
    "write": ("message",),
    "refer_out": ("message",),
}
"""What an action asks for besides the day to look again and a note."""
MESSAGE_LENGTH, NOTE_LENGTH = 4000, 2000


@dataclass(frozen=True, slots=True)
class Acting:
    """One action about one flag as the page shows it, with its answers as typed."""

    view: LifterView
    flag: FlagView
    action: str
    asks: tuple[str, ...]
    form: Form
    proposal: Proposal | None
    refusal: str
    no_block: bool
    seen: str
    look_again: str
    exercises: tuple[str, ...]
    back: str

    @property
    def path(self) -> str:
        return f"/lifters/{self.view.lifter.id}/flags/{self.flag.id}/act"

    def name(self, field: str) -> str:
        """The id of a field: a page may show several flags."""
        return f"act-{self.flag.id}-{field}"

    def value(self, field: str, default: str = "") -> str:
        return self.form.values.get(field, default)

    @property
    def linked_errors(self) -> dict[str, str]:
        return {self.name(field) if field else "": words for field, words in self.form.errors.items()}


@router.get("/lifters/{lifter_id}/flags/{flag_id}/act")
def ask(
    request: Request,
    desk: Desk,
    coach: CurrentCoach,
    store: AppStore,
    now: Now,
    lifter_id: int,
    flag_id: int,
    action: str = "",
    back: str = "",
) -> Response:
    view = lifter_view(store, coach, lifter_id, now=now)
    flag = _flag(view, flag_id)
    options = ways(flag.kind)
    chosen = action if action in dict(options) else options[0][0]
    if chosen == "correct_data":
        return see_other(request, f"/lifters/{lifter_id}#odd-sets")
    return _answer(request, store, coach, view, flag, chosen, Form({"back": back}), now=now)


@router.post("/lifters/{lifter_id}/flags/{flag_id}/act")
def do(
    request: Request,
    desk: Desk,
    store: AppStore,
    data: FormData,
    now: Now,
    lifter_id: int,
    flag_id: int,
) -> Response:
    coach = desk.owner
    form = Form.of(data)
    view = lifter_view(store, coach, lifter_id, now=now)
    flag = _flag(view, flag_id)
    action = form.one_of("action", "what to do about it", LABELS)
    if form.errors:
        action = ways(flag.kind)[0][0]
        return _answer(request, store, coach, view, flag, action, form, now=now, status=422)
    choice, look_again, note = _read(form, action)
    if form.errors or form.get("do") != "apply":
        status = 422 if form.errors else 200
        return _answer(request, store, coach, view, flag, action, form, now=now, status=status)
    status = 422
    seen, _, version = form.get("seen").partition("|")
    if ASKS.get(action) != ("message",) and seen != fingerprint(choice):
        form.errors[""] = (
            "The answers changed after the plan's change was shown. This is what it would be now; "
            "apply it if it is right"
        )
    else:
        try:
            made = decisions.decide(
                store,
                coach,
                lifter_id,
                flag_id,
                choice,
                note=note,
                look_again_day=look_again,
                seen_version=int(version) if version.isascii() and version.isdigit() else None,
                by=desk.actor.name,
                now=now,
            )
        except BlockChanged:
            status = 409
            form.errors[""] = (
                "Somebody else changed this block meanwhile, so nothing was done. What you answered is kept; "
                "the change below is against their version"
            )
        except NotRunning:
            form.errors[""] = "The block is over or was taken back meanwhile, so nothing was done"
        except BlockOverlaps as other:
            form.errors[""] = (
                f"“{other.other}” stands on these days, so nothing was done. Move it in the season first"
            )
        except PlanNotReady as wrong:
            form.errors |= {f"plan-{number}": words for number, words in enumerate(wrong.problems)}
        except (CannotDo, PlanError) as why:
            form.errors[""] = str(why)
        except NoBlock:
            form.errors[""] = "No block is running any more, so there is no plan to change"
        else:
            return _done(request, desk, view, flag, choice, made, form)
    return _answer(request, store, coach, view, flag, action, form, now=now, status=status)


def ways(kind: str) -> tuple[tuple[str, str], ...]:
    """What can be done about a kind of flag, with the words of its button."""
    return tuple((one, LABELS[one]) for one in OPTIONS.get(kind, ("hold_course", "write")))


def fingerprint(choice: Choice) -> str:
    """The answers that the plan's change depends on."""
    return f"{choice.action};{choice.percent:g};{choice.weeks};{choice.reps};{choice.exercise}"


def _flag(view: LifterView, flag_id: int) -> FlagView:
    found = next((one for one in (*view.flags, *view.past_flags) if one.id == flag_id), None)
    if found is None:
        raise FlagNotFound(flag_id)
    return found


def _read(form: Form, action: str) -> tuple[Choice, int | None, str]:
    """The answers; what is wrong with them stands in the form."""
    asks = ASKS.get(action, ())
    usual = Choice(action)
    percent = usual.percent
    if "percent" in asks:
        percent = form.decimal("percent", "the share of load", low=1, high=50, default=10) or 10.0
    weeks = usual.weeks
    if "weeks" in asks:
        weeks = form.whole("weeks", "the number of weeks", low=1, high=4, default=1) or 1
    reps = usual.reps
    if "reps" in asks:
        reps = form.whole("reps", "the repetitions", low=1, high=30, default=8) or 8
    exercise = form.text("exercise", "the exercise", longest=120, needed=False) if "exercise" in asks else ""
    message = ""
    if "message" in asks:
        message = form.text("message", "the message", longest=MESSAGE_LENGTH, needed=False)
    look_again = None
    if form.get("look_again"):
        try:
            look_again = date.fromisoformat(form.get("look_again")).toordinal()
        except ValueError:
            form.errors["look_again"] = "Enter the day to look again, like 2026-03-30"
    note = form.text("note", "the note", longest=NOTE_LENGTH, needed=False)
    return Choice(action, percent, weeks, reps, exercise, message), look_again, note


def _answer(
    request: Request,
    store: AppStore,
    coach: Coach,
    view: LifterView,
    flag: FlagView,
    action: str,
    form: Form,
    *,
    now: datetime,
    status: int = 200,
) -> Response:
    held = dict(form.errors)
    choice, _, _ = _read(form, action)
    form.errors = held | form.errors
    proposal, refusal, no_block = None, "", False
    try:
        proposal = decisions.propose(store, coach, view.lifter.id, flag.id, choice, now=now)
    except NoBlock:
        refusal, no_block = "No block is running, so there is no plan to change.", True
    except (CannotDo, PlanError) as why:
        refusal = str(why)
    if "message" in ASKS.get(action, ()):
        form.values.setdefault("message", decisions.draft_message(view, flag, choice))
    names: set[str] = set()
    if "exercise" in ASKS.get(action, ()):
        names = {one.name for one in exercises.of_roster(store, coach)}
        names |= {one.name for one in library.EXERCISES}
    day_again = proposal.look_again_day if proposal else decisions.default_look_again(action, view.today)
    acting = Acting(
        view=view,
        flag=flag,
        action=action,
        asks=ASKS.get(action, ()),
        form=form,
        proposal=proposal,
        refusal=refusal,
        no_block=no_block,
        seen="" if proposal is None else f"{fingerprint(choice)}|{proposal.block_version}",
        look_again=form.values.get("look_again") or date.fromordinal(day_again).isoformat(),
        exercises=tuple(sorted(names)),
        back="roster" if form.get("back") == "roster" else "",
    )
    is_part = request.headers.get("HX-Request") == "true"
    if is_part:
        # htmx swaps in a 422 and keeps what it has on a 409, which has no words for a reader.
        return page(request, "acting/form.html", status=422 if status == 409 else status, **_context(acting))
    return page(request, "acting/act.html", status=status, errors=form.errors, **_context(acting))


def _context(acting: Acting) -> dict[str, Any]:
    view, flag = acting.view, acting.flag
    return {
        "acting": acting,
        "one": flag_shown(flag, view.lifts),
        "lifter": view.lifter,
        "today": view.today,
        "about_lifter": f"/lifters/{view.lifter.id}",
        "labels": LABELS,
        "percents": PERCENTS,
        "weeks": WEEKS,
        "snooze_days": SNOOZE_DAYS,
        "answering": 0,
        "form": Form(),
    }


def _done(
    request: Request,
    desk: DeskView,
    view: LifterView,
    flag: FlagView,
    choice: Choice,
    made: Decision,
    form: Form,
) -> Response:
    about = f"/lifters/{view.lifter.id}"
    if request.headers.get("HX-Request") != "true" or form.get("back") == "roster":
        return see_other(request, "/" if form.get("back") == "roster" else f"{about}#decisions-title")
    response = page(
        request,
        "acting/done.html",
        lifter=view.lifter,
        flag=flag,
        label=LABELS[choice.action],
        action=choice.action,
        look_again_day=made.look_again_day,
        decision_id=made.id,
        about_lifter=about,
    )
    response.headers["HX-Retarget"] = f"#flag-{flag.id}"
    response.headers["HX-Reswap"] = "outerHTML show:none"
    response.headers["X-Said"] = quote(
        f"{LABELS[choice.action]}: done. Look again on {day(made.look_again_day)}."
    )
    return response
