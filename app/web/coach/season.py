"""A lifter's season: blocks to the goal date as a drawing and as a list with buttons."""

from __future__ import annotations

from datetime import date, timedelta

from fastapi import APIRouter, Request
from fastapi.responses import Response
from markupsafe import Markup, escape

from app.planning import season
from app.planning.drafts import BlockChanged
from app.planning.lengthening import LESS
from app.planning.season import Season, SeasonItem
from app.web.dependencies import AppStore, CurrentCoach, Desk, FormData, Now
from app.web.forms import Form
from app.web.pages import MONTHS, page, see_other
from app.web.svg import drawn, hatch_defs

router = APIRouter()
WIDTH, ROW, TOP = 1120, 30, 26  # [px] of the drawing
LETTER = 6.6  # [px] a letter of a label at 12 px

ACTS = {
    "earlier": (season.move, -1),
    "later": (season.move, 1),
    "shorter": (season.stretch, -1),
    "longer": (season.stretch, 1),
    "open": (season.gap_after, 1),
    "close": (season.gap_after, -1),
}
STATES = {"running": "running", "planned": "planned", "draft": "draft, not on the phone", "over": "over"}


@router.get("/lifters/{lifter_id}/season")
def show(request: Request, lifter_id: int, coach: CurrentCoach, store: AppStore, now: Now) -> Response:
    return _page(request, season.of_lifter(store, coach, lifter_id, now=now))


@router.post("/lifters/{lifter_id}/season")
def change(
    request: Request, lifter_id: int, desk: Desk, store: AppStore, data: FormData, now: Now
) -> Response:
    form = Form.of(data)
    what = form.get("do")
    number = form.whole("block", "the block", low=1, high=2**31 - 1) or 0
    version = form.whole("version", "the version", low=1, high=10**6) or 0
    said, errors = "", dict[str, str]()
    season.of_lifter(store, desk.owner, lifter_id, now=now)  # Not this coach's lifter: 404 before anything.
    try:
        if what == "remove":
            said = season.remove(store, desk.owner, number, version=version, by=desk.actor.name, now=now)
        elif what in ACTS:
            act, weeks = ACTS[what]
            moved = act(store, desk.owner, number, weeks, version=version, by=desk.actor.name, now=now)
            said = moved.sentence
        else:
            errors[""] = "Choose what to do with a block"
    except season.CannotMove as reason:
        errors[""] = str(reason)
    except BlockChanged:
        errors[""] = "Somebody else changed this block meanwhile. This is how it stands now; look at it first"
    if not errors and request.headers.get("HX-Request") != "true":
        return see_other(request, f"/lifters/{lifter_id}/season")
    found = season.of_lifter(store, desk.owner, lifter_id, now=now)
    return _page(request, found, errors=errors, said=said, status=422 if errors else 200)


def _page(
    request: Request,
    found: Season,
    *,
    errors: dict[str, str] | None = None,
    said: str = "",
    status: int = 200,
) -> Response:
    return page(
        request,
        "season/season.html",
        block="season",
        status=status,
        season=found,
        lifter=found.lifter,
        states=STATES,
        hatches=hatch_defs(),
        drawing=timeline(found),
        less=round(100 * LESS),
        errors=errors or {},
        said=said,
    )


# The drawing --------------------------------------------------------------------------------------


def timeline(found: Season) -> Markup:
    """Blocks up to the goal: a bar each, drafts in a row of their own, a line at today and at the goal."""
    shown = [*found.past[-1:], *found.items]
    goal = found.lifter.goal_day if found.lifter.goal_day and found.lifter.goal_day >= found.today else None
    first = min([found.today - 14, *(one.block.start_day for one in found.items)])
    first = max(first - 14, found.today - 7 * 26)
    last = max([found.today + 56, *(one.block.end_day + 1 for one in shown), *([goal + 7] if goal else [])])
    scale = WIDTH / (last - first)
    has_drafts = any(one.state == "draft" for one in shown)
    height = TOP + ROW * (2 if has_drafts else 1) + 24
    body = [*_months(first, last, scale, height)]
    for one in shown:
        body.append(_bar(one, max(one.block.start_day, first), first, scale))
    body.append(_mark((found.today - first) * scale, height, "today", "today"))
    if goal is not None:
        body.append(_mark((goal - first) * scale, height, "goal", found.lifter.goal or "goal"))
    words = _in_words(found)
    return drawn(
        f'<svg class="season-line" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" '
        f'role="img" '
        f'aria-label="{escape(words)}" focusable="false">{"".join(body)}</svg>'
    )


def _months(first: int, last: int, scale: float, height: int) -> list[str]:
    found = []
    day = date.fromordinal(first).replace(day=1)
    while day.toordinal() < last:
        x = (day.toordinal() - first) * scale
        if x >= 0:
            found.append(f'<path class="tick" d="M{x:.1f} 14V{height - 20}"/>')
        if x >= -20 * scale:
            found.append(f'<text class="month" x="{max(x, 0) + 3:.1f}" y="11">{MONTHS[day.month - 1]}</text>')
        day = (day.replace(day=28) + timedelta(days=7)).replace(day=1)
    return found


def _bar(one: SeasonItem, start_day: int, first: int, scale: float) -> str:
    if one.block.end_day < start_day:
        return ""
    x, y = (start_day - first) * scale, TOP + (ROW if one.state == "draft" else 0)
    width = max((one.block.end_day - start_day + 1) * scale - 1.5, 2.0)
    height = ROW - 6
    letters = int((width - 10) / LETTER)
    name = one.block.name if len(one.block.name) <= letters else one.block.name[: max(letters - 1, 0)] + "…"
    label = ""
    if letters >= 4:
        plate = len(name) * LETTER + 8
        label = (
            f'<rect class="plate" x="{x + 3:.1f}" y="{y + 4}" width="{plate:.1f}" height="{height - 8}"/>'
            f'<text x="{x + 7:.1f}" y="{y + height / 2 + 4:.1f}">{escape(name)}</text>'
        )
    shape = f'x="{x:.1f}" y="{y}" width="{width:.1f}" height="{height}"'
    return (
        f'<g class="{one.state}"><title>{escape(one.block.name)}</title><rect class="well" {shape}/>'
        f'<rect class="edge" {shape} fill="url(#hatch-{one.block.kind})"/>{label}</g>'
    )


def _mark(x: float, height: int, name: str, words: str) -> str:
    anchor = ' text-anchor="end"' if x > WIDTH - 120 else ""
    at = x - 4 if anchor else x + 4
    return (
        f'<path class="{name}" d="M{x:.1f} 14V{height - 4}"/>'
        f'<text class="{name}-words" x="{at:.1f}" y="{height - 6}"{anchor}>{escape(words[:30])}</text>'
    )


def _in_words(found: Season) -> str:
    count = len([one for one in found.items if one.state != "draft"])
    words = f"{count} block{'s' * (count != 1)} running or planned"
    if found.days_to_goal is not None and found.days_to_goal >= 0:
        words += f", the goal in {found.days_to_goal // 7} weeks"
    return words + ". The list below has the same."
