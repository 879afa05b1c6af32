"""The ways a block could go, side by side."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import Response
from markupsafe import Markup, escape

from app.planning import drafts, what_if
from app.planning.blocks import PlanNotReady
from app.planning.what_if import SUBJECTS, Comparison, Subject, Way
from app.training.plan import PlanError
from app.training.records import Estimate
from app.web.dependencies import AppStore, CurrentCoach, Desk, FormData, Now
from app.web.forms import Form
from app.web.pages import num, page, see_other
from app.web.svg import drawn

router = APIRouter()
WIDTH, TOP, STRESS, GAP = 232, 58, 44, 12  # [px]
MOST_RESERVE = 6.0  # [reps] at the top of the drawing


@router.get("/blocks/{block_id}/what-if")
def show(request: Request, block_id: int, coach: CurrentCoach, store: AppStore, now: Now) -> Response:
    subject = _subject(request.query_params.get("compare", ""))
    return _page(request, what_if.compare(store, coach, block_id, subject, now=now))


@router.post("/blocks/{block_id}/what-if")
def take(request: Request, block_id: int, desk: Desk, store: AppStore, data: FormData, now: Now) -> Response:
    form = Form.of(data)
    subject = _subject(form.get("compare"))
    version = form.whole("version", "the version", low=1, high=10**6) or 0
    try:
        what_if.take(
            store,
            desk.owner,
            block_id,
            subject,
            form.get("way"),
            version=version,
            by=desk.actor.name,
            now=now,
        )
    except (PlanError, PlanNotReady) as error:
        words = str(error)
    except drafts.NotRunning:
        words = "This block is over and is not changed any more"
    except drafts.BlockChanged:
        words = "Somebody else saved this block meanwhile. This is their version; compare again"
    else:
        return see_other(request, f"/blocks/{block_id}")
    found = what_if.compare(store, desk.owner, block_id, subject, now=now)
    return _page(request, found, errors={"": words}, status=422)


def _subject(found: str) -> Subject:
    return next((one for one in SUBJECTS if one == found), SUBJECTS[0])


def _page(
    request: Request, found: Comparison, *, errors: dict[str, str] | None = None, status: int = 200
) -> Response:
    most = max([*(max(way.stress, default=0.0) for way in found.ways), (found.usual or (0, 0))[1], 1e-9])
    return page(
        request,
        "blocks/what_if.html",
        block="compare",
        status=status,
        found=found,
        subjects=SUBJECTS,
        unit="lb" if found.lifter.unit == "lb" else "kg",
        charts=[way_chart(way, most, found.usual, found.lifter.rir_floor) for way in found.ways],
        errors=errors or {},
    )


def way_chart(way: Way, most_stress: float, usual: tuple[float, float] | None, floor_rir: float) -> Markup:
    """Reserve of each week's hardest set with its interval above, stress of each week below."""
    weeks = max(len(way.stress), 1)
    step = WIDTH / weeks
    base = TOP + GAP + STRESS
    body = [f'<path class="floor" d="M0 {_reserve_y(floor_rir):.1f}H{WIDTH}"/>']
    for week, reserve in enumerate(way.reserve):
        if reserve is not None:
            x = (week + 0.5) * step
            low, high = _reserve_y(reserve.low), _reserve_y(reserve.high)
            body.append(f'<path class="reach" d="M{x:.1f} {low:.1f}V{high:.1f}"/>')
    points = [
        ((week + 0.5) * step, _reserve_y(reserve.mean))
        for week, reserve in enumerate(way.reserve)
        if reserve is not None
    ]
    if points:
        body.append(f'<path class="reserve" d="M{"L".join(f"{x:.1f} {y:.1f}" for x, y in points)}"/>')
        body += [f'<circle class="reserve-dot" cx="{x:.1f}" cy="{y:.1f}" r="2.5"/>' for x, y in points]
    if usual is not None:
        top, bottom = (base - STRESS * min(value / most_stress, 1) for value in (usual[1], usual[0]))
        body.append(
            f'<rect class="usual" x="0" y="{top:.1f}" width="{WIDTH}" height="{max(bottom - top, 1):.1f}"/>'
        )
    for week, stress in enumerate(way.stress):
        height = STRESS * stress / most_stress
        body.append(
            f'<rect class="bar-done" x="{week * step + step * 0.2:.1f}" y="{base - height:.1f}" '
            f'width="{step * 0.6:.1f}" height="{height:.1f}"/>'
        )
    body.append(f'<path class="ground" d="M0 {base}H{WIDTH}"/>')
    words = f"{way.name}: reserve {_ends_in_words(way.reserve)}; stress of {weeks} weeks"
    return drawn(
        f'<svg class="way" viewBox="0 0 {WIDTH} {base + 2}" width="{WIDTH}" height="{base + 2}" role="img" '
        f'aria-label="{escape(words)}" focusable="false">{"".join(body)}</svg>'
    )


def _reserve_y(reserve: float) -> float:
    inside = min(max(reserve, -1.0), MOST_RESERVE)
    return TOP - (TOP - 4) * (inside + 1) / (MOST_RESERVE + 1)


def _ends_in_words(reserve: tuple[Estimate | None, ...]) -> str:
    known = [one.mean for one in reserve if one is not None]
    if not known:
        return "not predicted"
    return f"from {num(known[0])} to {num(known[-1])} repetitions"
